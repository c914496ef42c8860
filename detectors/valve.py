"""The valve as it shows itself: when gas can't leave, where it opens and reseats, whether it cycles or passes smoothly.

"Shut" has to be proved, since a pressure that stands still behind an open valve looks the same. Proofs, in order:
a vessel without a valve; the brewer's word (`valve shut`); a cycling valve after a drop of its usual size, while the
pressure is still clearly below where it opens; a pressure that has never yet reached the opening pressure; one that
climbs above where the valve used to open; one that cooling has taken below the held level.
"""

import itertools
import math
from collections import deque
from dataclasses import dataclass
from enum import Enum

from ullage.detectors.frames import Frame
from ullage.detectors.journal import Known, Word
from ullage.detectors.medians import median
from ullage.detectors.noise import PressureNoise
from ullage.detectors.vessel import Vessel

LEAST_DROP_BAR = 0.012
COOLING_BAR_PER_K = 0.065
"""Most that a kelvin of cooling can take off a shut vessel near 1 bar gauge (full solubility equilibrium)."""
HOURS = 6
"""Frames to an hour."""


class Proof(Enum):
    """Why the vessel counts as shut."""

    SEALED = "the vessel has no valve"
    WORD = "the journal says that the valve is shut"
    CYCLE = "the valve has reseated and the pressure is below where it opens"
    BELOW = "the pressure has not yet reached the valve's setting"
    ABOVE = "the pressure climbs above where the valve used to open"
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
        self.changed_s = -math.inf
        """Last time that the setting was changed, by the journal or as the data show it."""
        self.noise = PressureNoise()
        self.drops: deque[Drop] = deque(maxlen=16)
        self.held_bar: float | None = None
        """Level at which the valve has been seen to hold, bar as the sensor shows it."""
        self.held_s: float | None = None
        self.proof: Proof | None = Proof.SEALED if self.sealed else None
        self.shut_s: float = -math.inf
        """Start of the shut stretch that lasts now."""
        self.gas_left_s: float = -math.inf
        """Last time that gas was seen to leave at once: a drop, a vent, an opened valve."""
        self._recent: deque[tuple[float, float, float]] = deque(maxlen=12 * HOURS)  # time, bar, beer °C
        self._last_minute = math.nan
        self._above_since: int = 0

    # -- what others ask ------------------------------------------------------------------------------------------

    @property
    def shut(self) -> bool:
        """Tell whether gas is proved not to leave."""
        return self.proof is not None

    @property
    def frame_noise_bar(self) -> float:
        """Noise of a frame's median, sd in bar."""
        return self.noise.frame_sd_bar

    def usual_drops(self) -> list[Drop]:
        """Return the drops that are alike in where they begin and end, newest last: the valve's own cycle."""
        drops = [drop for drop in self.drops if drop.time_s > self.changed_s]
        if len(drops) < 3:
            return []
        peak = median(drop.peak_bar for drop in drops[-6:])
        trough = median(drop.trough_bar for drop in drops[-6:])
        tolerance = max(0.3 * (peak - trough), 4 * self.frame_noise_bar, LEAST_DROP_BAR)
        return [
            drop
            for drop in drops
            if abs(drop.peak_bar - peak) <= tolerance and abs(drop.trough_bar - trough) <= tolerance
        ]

    @property
    def cycles(self) -> bool:
        """Tell whether the valve is seen to blow down and reseat."""
        return len(self.usual_drops()) >= 3

    @property
    def opening_bar(self) -> float | None:
        """Pressure at which the valve opens, as learned; None if not yet seen."""
        drops = self.usual_drops()
        if len(drops) >= 3:
            return median(drop.peak_bar for drop in drops[-6:])
        return self.held_bar

    def hours_since_gas_left(self, now_s: float) -> float:
        """Return hours since gas was last seen to leave at once."""
        return (now_s - self.gas_left_s) / 3600

    # -- taking ---------------------------------------------------------------------------------------------------

    def enter(self, known: Known, time_s: float) -> None:
        """Take the brewer's word."""
        if known.word is Word.VALVE_SHUT:
            self.word_shut_s = time_s
            self.shut_s = max(time_s, self.gas_left_s)
            self.proof = Proof.WORD
        elif known.word in (Word.VALVE_OPENED, Word.VALVE_SET):
            self.word_shut_s = None
            self.opened_s = time_s
            self.sealed = False
            self._gas_left(time_s)
            if known.word is Word.VALVE_SET:
                self.set_bar = known.number if known.number is not None else self.set_bar
                self.changed_s = time_s
                self.held_bar = None
        elif known.word is Word.VENTED:
            self._gas_left(time_s)

    def take(self, frame: Frame, beer_c: float) -> None:
        """Take one frame with a pressure."""
        time_s, bar = frame.end_s, frame.pressure_bar
        fall = self._steepest_fall(frame)
        self.noise.take(frame, settled=self.held_bar is not None or self.sealed)
        if self._recent and time_s - self._recent[-1][0] > 3 * 3600:
            self._recent.clear()  # nobody knows what happened meanwhile
            if not self.sealed:
                self.gas_left_s = time_s
                self.shut_s = max(self.shut_s, time_s)
        self._recent.append((time_s, bar, beer_c))
        if not self._find_drop() and fall > max(
            LEAST_DROP_BAR, 7 * self.noise.minute_sd_bar, 3 * self.noise.step_bar
        ):
            self._gas_left(time_s)
        self._learn_held()
        self._judge(time_s, bar)

    def _steepest_fall(self, frame: Frame) -> float:
        """Return the largest fall from one minute to the next, bar."""
        values = (self._last_minute, *frame.minute_bar)
        if frame.minute_bar:
            self._last_minute = frame.minute_bar[-1]
        falls = [a - b for a, b in itertools.pairwise(values) if not math.isnan(a)]
        return max(falls, default=0.0)

    def _find_drop(self) -> bool:
        """Find a fall between frames that is sudden against the noise and that cooling can't make."""
        if len(self._recent) < 3:
            return False
        (_, before2, celsius2), (_, before, _), (time_s, bar, celsius) = list(self._recent)[-3:]
        peak = max(before, before2)
        cooling_bar = COOLING_BAR_PER_K * max(celsius2 - celsius, 0.0)
        threshold = max(LEAST_DROP_BAR, 6 * self.frame_noise_bar, 2.5 * self.noise.step_bar)
        if peak - bar - cooling_bar < threshold or bar >= before:
            return False
        if self.drops and time_s - self.drops[-1].time_s <= 1300:
            last = self.drops[-1]  # the same fall, still going on
            self.drops[-1] = Drop(time_s, max(last.peak_bar, peak), min(last.trough_bar, bar))
        else:
            self.drops.append(Drop(time_s, peak, bar))
        if self.word_shut_s is not None and time_s > self.word_shut_s + 1200:
            self.word_shut_s = None  # whatever the journal said, the valve is open again
        self._gas_left(time_s)
        return True

    def _learn_held(self) -> None:
        """A level that stands still for three hours near the setting is the valve's."""
        if (
            self.sealed
            or self.word_shut_s is not None
            or len(self._recent) < 3 * HOURS
            or self.set_bar is None
        ):
            return
        window = list(self._recent)[-3 * HOURS :]
        bars = [bar for _, bar, _ in window]
        level = median(bars)
        change = abs(sum(bars[-HOURS:]) - sum(bars[:HOURS])) / HOURS
        still = change < max(0.015, 3 * self.frame_noise_bar) and max(bars) - min(bars) < 0.4
        if abs(level - self.set_bar) > max(0.3, 0.3 * self.set_bar) or not still:
            return
        if self.held_bar is None:
            self.held_bar, self.held_s = level, window[-1][0]
        elif level > self.held_bar + 0.05:
            self.held_bar = level
            self.changed_s = window[0][0]
        elif self.proof is not Proof.COOLED:
            self.held_bar += 0.01 * (level - self.held_bar)  # creep of the valve, drift of the sensor

    # -- shut or not ----------------------------------------------------------------------------------------------

    def _gas_left(self, time_s: float) -> None:
        """Gas has left at once: the balance starts anew."""
        self.gas_left_s = max(self.gas_left_s, time_s)
        self.shut_s = max(self.shut_s, time_s)
        if not self.sealed and self.word_shut_s is None:
            self.proof = None

    def _judge(self, time_s: float, bar: float) -> None:
        if self.sealed:
            self.proof = Proof.SEALED
        elif self.word_shut_s is not None:
            self.proof = Proof.WORD
        else:
            proof = self._proof_from_data(bar)
            if proof is not None and self.proof is None:
                self.shut_s = max(self.gas_left_s, self._start_of(proof, time_s))
            self.proof = proof

    def _start_of(self, proof: Proof, time_s: float) -> float:
        if proof is Proof.CYCLE:
            return self.drops[-1].time_s
        if proof is Proof.BELOW:
            return self._recent[0][0]
        if proof is Proof.ABOVE:
            return time_s - 1800
        return time_s

    def _proof_from_data(self, bar: float) -> Proof | None:
        drops = self.usual_drops()
        if len(drops) >= 3:
            opening = median(drop.peak_bar for drop in drops[-6:])
            spread = median(abs(drop.peak_bar - opening) for drop in drops[-6:])
            margin = max(3 * spread, 3 * self.frame_noise_bar, 0.003)
            last = self.drops[-1]
            if last is drops[-1] and bar < opening - margin:
                return Proof.CYCLE
            if bar < opening + margin:
                return None
        if (
            self.held_bar is None
            and not self.drops
            and self.set_bar is not None
            and bar < 0.75 * self.set_bar
        ):
            return Proof.BELOW
        return Proof.ABOVE if self._climbs_above(bar) else None

    def _climbs_above(self, bar: float) -> bool:
        """Tell whether pressure has left its held level upwards and keeps climbing."""
        opening = self.opening_bar
        if opening is None or len(self._recent) < 2 * HOURS:
            return False
        margin = max(0.03, 6 * self.frame_noise_bar, 2 * self.noise.step_bar)
        if bar < opening + margin:
            return False
        bars = [b for _, b, _ in self._recent]
        last_half_hour, before = bars[-1] - bars[-4], bars[-4] - bars[-7]
        return last_half_hour > max(2.5 * self.frame_noise_bar, 0.3 * before, 0.002)
