"""The valve as it shows itself: when gas can't leave, where it opens and reseats, whether it cycles or passes smoothly.

"Shut" has to be proved, since a pressure that stands still behind an open valve looks the same. Proofs, in order:
a vessel without a valve; the brewer's word (`valve shut`); a cycling valve after a drop of its usual size, while the
pressure is still clearly below where it opens; a pressure that has never yet reached the opening pressure; a pressure
that has fallen below the held level by cooling and by nothing else.
"""

import math
from collections import deque
from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING

import numpy as np

from ullage.detectors.frames import Frame
from ullage.detectors.journal import Known, Word
from ullage.detectors.vessel import Vessel

if TYPE_CHECKING:
    from ullage.detectors.record import Record


class Proof(Enum):
    """Why the vessel counts as shut."""

    SEALED = "the vessel has no valve"
    WORD = "the journal says that the valve is shut"
    CYCLE = "the valve has reseated and the pressure is below its opening pressure"
    BELOW = "the pressure has not yet reached the valve's setting"
    ABOVE = "the pressure has risen above where the valve used to open"
    COOLED = "cooling has taken the pressure below where the valve opens"


@dataclass(frozen=True, slots=True)
class Drop:
    """A sudden fall of pressure: the valve blowing down, or a hand on it."""

    time_s: float
    peak_bar: float
    trough_bar: float

    @property
    def size_bar(self) -> float:
        """Blow-down, bar."""
        return self.peak_bar - self.trough_bar


class Valve:
    """Learns the valve from frames; answers whether gas can leave now."""

    def __init__(self, vessel: Vessel) -> None:
        self.vessel = vessel
        self.sealed = vessel.valve_pressure_bar is None
        self.set_bar = vessel.valve_pressure_bar
        self.word_shut_s: float | None = None
        self.opened_s = -math.inf
        self.set_changed_s = -math.inf
        self.minute_noise_bar = 0.002
        self.drops: deque[Drop] = deque(maxlen=12)
        self.held_bar: float | None = None
        """Level at which the valve has been seen to hold, bar as the sensor shows it."""
        self.held_s: float | None = None
        self.proof: Proof | None = Proof.SEALED if self.sealed else None
        self.shut_s: float = -math.inf
        """Start of the shut stretch that lasts now."""
        self._recent: deque[tuple[float, float, float]] = deque(maxlen=36)  # time, bar, beer °C
        self._last_minutes: list[float] = []
        self._ew_peak = math.nan

    # -- what others ask ------------------------------------------------------------------------------------------

    @property
    def shut(self) -> bool:
        """Tell whether gas is proved not to leave."""
        return self.proof is not None

    @property
    def frame_noise_bar(self) -> float:
        """Noise of a frame's median, sd in bar."""
        per_frame = 4 if len(self._last_minutes) >= 4 else 2
        return self.minute_noise_bar / math.sqrt(per_frame)

    def usual_drops(self) -> list[Drop]:
        """Return the latest drops that are alike in where they begin and end: the valve's own cycle."""
        if len(self.drops) < 2:
            return []
        last = self.drops[-1]
        tolerance = max(0.3 * last.size_bar, 4 * self.frame_noise_bar, 0.012)
        alike: list[Drop] = []
        for drop in reversed(self.drops):
            if (
                abs(drop.peak_bar - last.peak_bar) <= tolerance
                and abs(drop.trough_bar - last.trough_bar) <= tolerance
                and drop.time_s > self.set_changed_s
            ):
                alike.append(drop)
            elif len(alike) < 2:
                return []
            else:
                break
        return alike if len(alike) >= 2 else []

    @property
    def cycles(self) -> bool:
        """Tell whether the valve is seen to blow down and reseat."""
        return len(self.usual_drops()) >= 2

    @property
    def opening_bar(self) -> float | None:
        """Pressure at which the valve opens, as learned; None if not yet seen."""
        drops = self.usual_drops()
        if drops:
            return float(np.median([drop.peak_bar for drop in drops]))
        return self.held_bar

    # -- taking ---------------------------------------------------------------------------------------------------

    def enter(self, known: Known, time_s: float, record: "Record") -> None:
        """Take the brewer's word."""
        if known.word is Word.VALVE_SHUT:
            self.word_shut_s = time_s
            self._begin(Proof.WORD, time_s)
        elif known.word in (Word.VALVE_OPENED, Word.VALVE_SET):
            self.word_shut_s = None
            self.opened_s = time_s
            self.sealed = False
            self._end()
            if known.word is Word.VALVE_SET:
                self.set_bar = known.number if known.number is not None else self.set_bar
                self.set_changed_s = time_s
                self.held_bar = None
        elif known.word is Word.VENTED:
            self._restart(time_s)

    def take(self, frame: Frame, record: "Record") -> None:
        """Take one frame, already in the record's table."""
        self._learn_noise(frame)
        time_s, bar = frame.end_s, frame.pressure_bar
        if self._recent and time_s - self._recent[-1][0] > 3 * 3600:
            self._recent.clear()  # nobody knows what happened meanwhile
            self._restart(time_s)
        self._recent.append((time_s, bar, record.beer_c))
        self._find_drop(frame)
        self._learn_held(record)
        self._judge(record)

    def _learn_noise(self, frame: Frame) -> None:
        self._last_minutes = list(frame.minute_bar)
        values = self._last_minutes
        for a, b, c in zip(values, values[1:], values[2:], strict=False):
            bend = abs(a - 2 * b + c) / 1.3
            self.minute_noise_bar += (
                min(bend, 4 * self.minute_noise_bar + 0.0005) - self.minute_noise_bar
            ) * 0.01
        self.minute_noise_bar = min(max(self.minute_noise_bar, 0.0002), 0.02)

    def _find_drop(self, frame: Frame) -> None:
        """Find a fall between neighbouring frames that is sudden against the noise and that cooling can't make."""
        if len(self._recent) < 3:
            return
        (_, before2, c2), (_, before, _), (time_s, bar, celsius) = list(self._recent)[-3:]
        peak = max(before, before2)
        fall = peak - bar
        threshold = max(0.012, 5 * self.frame_noise_bar)
        cooling_bar = 0.065 * max(c2 - celsius, 0.0)
        if fall - cooling_bar < threshold or bar >= before:
            return
        if self.drops and time_s - self.drops[-1].time_s <= 1300:
            last = self.drops[-1]  # the same fall, still going on
            self.drops[-1] = Drop(time_s, max(last.peak_bar, peak), min(last.trough_bar, bar))
        else:
            self.drops.append(Drop(time_s, peak, bar))
        if self.word_shut_s is not None and time_s > self.word_shut_s + 600:
            self.word_shut_s = None  # gas left: whatever the journal said, the valve is open again
        self._restart(time_s)

    def _learn_held(self, record: "Record") -> None:
        """A level that stands still for three hours after a rise, within reach of the setting, is the valve's."""
        if self.sealed or self.word_shut_s is not None or len(self._recent) < 18 or self.set_bar is None:
            return
        window = list(self._recent)[-18:]
        bars = [bar for _, bar, _ in window]
        level = float(np.median(bars))
        spread = float(np.quantile(bars, 0.9) - np.quantile(bars, 0.1))
        slope = abs(float(np.mean(bars[-6:]) - np.mean(bars[:6])))
        near = abs(level - self.set_bar) < max(0.3, 0.3 * self.set_bar)
        still = slope < max(0.015, 3 * self.frame_noise_bar)
        if not near or not still or spread > 0.4:
            return
        if self.held_bar is None:
            self.held_bar, self.held_s = level, window[-1][0]
        elif level > self.held_bar:
            self.held_bar = level
        else:
            self.held_bar += 0.002 * (level - self.held_bar)  # creep

    # -- shut or not ----------------------------------------------------------------------------------------------

    def _begin(self, proof: Proof, time_s: float) -> None:
        if self.proof is None or proof is Proof.WORD:
            self.shut_s = time_s
        self.proof = proof

    def _end(self) -> None:
        self.proof = None

    def _restart(self, time_s: float) -> None:
        """Gas has left: the balance starts anew."""
        self.shut_s = time_s
        if self.proof is not None and self.proof not in (Proof.SEALED, Proof.WORD):
            self.proof = None
        if self.proof is Proof.WORD and self.word_shut_s is None:
            self.proof = None

    def _judge(self, record: "Record") -> None:
        time_s, bar, _ = self._recent[-1]
        if self.sealed:
            self.proof = Proof.SEALED
            return
        if self.word_shut_s is not None:
            self.proof = Proof.WORD
            return
        proof = self._proof_from_data(bar)
        if proof is None:
            self._end()
        elif self.proof is not proof:
            if self.proof is None:
                self.shut_s = max(self.shut_s, self._proof_start(proof, time_s))
            self.proof = proof

    def _proof_start(self, proof: Proof, time_s: float) -> float:
        if proof is Proof.CYCLE:
            return self.drops[-1].time_s
        return time_s

    def _proof_from_data(self, bar: float) -> Proof | None:
        drops = self.usual_drops()
        if drops:
            opening = float(np.median([drop.peak_bar for drop in drops]))
            size = float(np.median([drop.size_bar for drop in drops]))
            margin = max(0.15 * size, 3 * self.frame_noise_bar, 0.004)
            if self.drops[-1] is drops[0] and bar < opening - margin:
                return Proof.CYCLE
            return None
        if (
            self.held_bar is None
            and not self.drops
            and self.set_bar is not None
            and bar < 0.75 * self.set_bar
        ):
            return Proof.BELOW
        return None
