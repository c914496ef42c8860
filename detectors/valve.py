"""The valve as it shows itself: when gas can't leave, where it opens and reseats, whether it cycles or passes smoothly.

"Shut" has to be proved, since a pressure that stands still behind an open valve looks the same. Proofs, in order:
a vessel without a valve; the brewer's word (`valve shut`); a cycling valve after a drop of its usual size, while the
pressure is still clearly below where it opens; a pressure that has never yet reached the opening pressure; one that
climbs above where the valve used to open; one that cooling has taken below the held level.
"""

import math
from collections import deque

from ullage.detectors.co2 import COOLING_BAR_PER_K
from ullage.detectors.cycle import LEAST_COUNT, Cycle, alike, opening
from ullage.detectors.even_falls import EvenFalls
from ullage.detectors.frames import FRAMES_PER_HOUR, Frame
from ullage.detectors.held_level import HeldLevel, Point
from ullage.detectors.journal import Known, Word
from ullage.detectors.medians import median
from ullage.detectors.noise import PressureNoise
from ullage.detectors.proof import Proof
from ullage.detectors.teeth import LEAST_BAR as LEAST_DROP_BAR
from ullage.detectors.teeth import Drop, Teeth
from ullage.detectors.tooth_shape import ToothShape
from ullage.detectors.vessel import Vessel

JOLT_BAR = 0.04
"""A smaller drop in a vessel that has no valve, or whose valve the journal calls shut, is no gas that leaves: cold air on
the head space (2 K of it is 16 mbar), or a jolt of the sensor."""
FINE = 15.0
"""Steps of the converter that a drop has to be for its errors to be its own."""
HARDLY_SET = 0.25
"""Of the valve's setting: what looks like drops further down is none of the valve's, but noise in an empty head space."""


class Valve:
    """Learns the valve from frames; answers whether gas can leave now."""

    def __init__(self, vessel: Vessel) -> None:
        self.vessel = vessel
        self.sealed = vessel.valve_pressure_bar is None
        self.set_bar = vessel.valve_pressure_bar
        self.word_shut_s: float | None = None
        self.opened_s = -math.inf
        self.tested_s: tuple[float, float] | None = None
        """From when to when the brewer had the valve shut, the last time that it was opened again."""
        self.changed_s = -math.inf
        """Last time that the setting was changed, by the journal or as the data show it."""
        self.noise = PressureNoise()
        self.teeth = Teeth()
        self.cycle = Cycle(self.teeth, self.noise)
        self.shape = ToothShape()
        self.total_bar = math.nan
        """The frame's pressure with all drops so far added."""
        self.held = HeldLevel()
        self.proof: Proof | None = Proof.SEALED if self.sealed else None
        self.shut_s: float = -math.inf
        """Start of the shut stretch that lasts now."""
        self.gas_left_s: float = -math.inf
        """Last time that gas was seen to leave at once: a drop, a vent, an opened valve."""
        self.leaked_s: float = -math.inf
        """Last time that gas left in another way than in a drop of known size."""
        self._at_opening_s: float = -math.inf
        """Last time that the pressure stood where a cycling valve opens: gas may have left then that no reading shows."""
        self._recent: deque[Point] = deque(maxlen=12 * FRAMES_PER_HOUR)
        self.even_falls = EvenFalls()
        self.usual_drops: list[Drop] = []
        """The drops that are alike in where they begin and end, newest last: the valve's own cycle."""

    # -- taking ---------------------------------------------------------------------------------------------------

    def take(self, frame: Frame, beer_c: float) -> None:
        """Take one frame with a pressure."""
        time_s, bar = frame.end_s, frame.pressure_bar
        self._walk_minutes(frame)
        self.noise.take(frame, settled=self._may_be_passing())
        if self._recent and time_s - self._recent[-1][0] > 3 * 3600:
            self._recent.clear()  # nobody knows what happened meanwhile
            if not self.sealed:
                self._gas_left(time_s)
                self.leaked_s = time_s
        self._recent.append((time_s, bar, beer_c))
        if not self.sealed and self.word_shut_s is None:
            self._find_slow_fall()
        self._learn_held()
        self.usual_drops = self._alike_drops()
        self._judge(time_s, bar)

    def enter(self, known: Known, time_s: float) -> None:
        """Take the brewer's word."""
        if known.word is Word.VALVE_SHUT:
            self.word_shut_s = time_s
            self.shut_s = max(time_s, self.gas_left_s)
            self.proof = Proof.WORD
        elif known.word is Word.VENTED or (
            known.word is Word.VALVE_OPENED and self.sealed and self.set_bar is None
        ):
            # what has no spunding valve was opened by its tap: it is sealed again when that is shut
            self.leaked_s = time_s
            self._gas_left(time_s)
        elif known.word in (Word.VALVE_OPENED, Word.VALVE_SET):
            if self.word_shut_s is not None:
                self.tested_s = self.word_shut_s, time_s
            self.word_shut_s = None
            self.opened_s = self.leaked_s = time_s
            self.sealed = False
            self._gas_left(time_s)
            if known.word is Word.VALVE_SET:
                self.set_bar = known.number if known.number is not None else self.set_bar
                self.changed_s = time_s
                self.held.forget()
                self.usual_drops = self._alike_drops()

    def _walk_minutes(self, frame: Frame) -> None:
        """Look for drops, minute by minute, and add them up."""
        totals: list[float] = []
        noise_bar, step_bar = self.noise.minute_sd_bar, self.noise.step_bar
        self.even_falls.take(frame)
        for time_s, bar in zip(frame.minute_end_s, frame.minute_bar, strict=True):
            count = self.teeth.count
            if self.teeth.take(time_s, bar, noise_bar, step_bar, self._least_drop_bar):
                self._dropped(time_s, counted=self.teeth.count > count)
            else:
                self.shape.point(time_s, bar)
                self.cycle.point(bar)
            totals.append(bar + self.teeth.let_off_bar)
        self.total_bar = median(totals)
        if self.noise.restless and not self.sealed and self.word_shut_s is None:
            self.leaked_s = frame.end_s
            self._gas_left(frame.end_s)

    @property
    def _least_drop_bar(self) -> float:
        """Return the least drop that is gas on its way out, bar."""
        return JOLT_BAR if self.sealed or self.word_shut_s is not None else LEAST_DROP_BAR

    def _breaks_word(self, time_s: float) -> bool:
        """Tell whether the last drop is a valve at work in a vessel that the journal calls shut."""
        return self.word_shut_s is not None and time_s > self.word_shut_s + 1200

    def _dropped(self, time_s: float, *, counted: bool) -> None:
        """A drop has begun, and is `counted`, or goes on."""
        if self._breaks_word(time_s):
            self.word_shut_s = None  # whatever the journal said, the valve is open again
        self._gas_left(time_s)
        if self.teeth.seeps:
            self._seeped(time_s)
        self.cycle.end_tooth(counted=counted)
        if counted:
            self.shape.drop(self.noise.minute_sd_bar)
        else:
            self.shape.forget()

    def _may_be_passing(self) -> bool:
        """Tell whether the valve may be at work now, as far as the last frame could tell."""
        return self.held.bar is not None and not self.sealed and self.word_shut_s is None

    def _find_slow_fall(self) -> None:
        """Find a drop that shows between frames only, or a fall that is too soft for a drop but beyond cooling."""
        if len(self._recent) < 3 or (
            self.teeth.drops and self._recent[-1][0] - self.teeth.drops[-1].time_s < 1800
        ):
            return
        (_, before2, celsius2), (_, before, _), (time_s, bar, celsius) = (
            self._recent[-3], self._recent[-2], self._recent[-1]
        )  # fmt: skip
        cooling_bar = COOLING_BAR_PER_K * max(celsius2 - celsius, 0.0)
        threshold = max(LEAST_DROP_BAR, 7 * self.frame_noise_bar, 2 * self.noise.step_bar)
        peak = max(before, before2)
        if peak - bar - cooling_bar <= threshold or bar >= before:
            return
        count = self.teeth.count
        self.teeth.add(time_s, peak, before, bar)
        if self.even_falls.even(peak - bar):
            self._seeped(time_s)
        self.shape.forget()
        self.cycle.end_tooth(counted=self.teeth.count > count)
        self.total_bar = bar + self.teeth.let_off_bar
        self._gas_left(time_s)

    def _seeped(self, time_s: float) -> None:
        """The last drop is too even for a valve that pops: what has gone is known, but it proves nothing."""
        self.leaked_s = time_s + 1.0
        self.even_falls.note(time_s)

    def _learn_held(self) -> None:
        """A level that stands still near the setting is the valve's; a higher one than before is a new setting."""
        if self.sealed or self.word_shut_s is not None or self.set_bar is None:
            return
        cooled = self.proof is Proof.COOLED
        higher_s = self.held.take(
            self._recent, self.set_bar, self.changed_s, self.frame_noise_bar, cooled=cooled
        )
        if higher_s is not None and not self.teeth.drops:  # a slow tooth that lingers near its top is none
            self.changed_s = higher_s

    # -- what others ask ------------------------------------------------------------------------------------------

    @property
    def shut(self) -> bool:
        """Tell whether gas is proved not to leave."""
        return self.proof is not None

    @property
    def frame_noise_bar(self) -> float:
        """Noise of a frame's median, sd in bar."""
        return self.noise.frame_sd_bar

    def sudden_drops(self) -> list[Drop]:
        """Return the drops that a valve which pops, or a hand, may have made, newest last."""
        if not self.even_falls.count:
            return list(self.teeth.drops)
        return [drop for drop in self.teeth.drops if drop not in self.even_falls]

    def _alike_drops(self) -> list[Drop]:
        least_bar = HARDLY_SET * self.set_bar if self.set_bar is not None else -math.inf
        drops = [d for d in self.sudden_drops() if d.time_s > self.changed_s and d.peak_bar >= least_bar]
        return alike(drops, self.frame_noise_bar)

    def fine(self) -> bool:
        """Tell whether a cycling valve's drops are many steps of the converter: of few, each is wrong by much, and all alike."""
        drops = self.usual_drops
        return bool(drops) and median(drop.size_bar for drop in drops) >= FINE * self.noise.step_bar

    @property
    def cycles(self) -> bool:
        """Tell whether the valve is seen to blow down and reseat."""
        return len(self.usual_drops) >= 3

    @property
    def opening_bar(self) -> float | None:
        """Pressure at which the valve opens, as learned; None if not yet seen."""
        drops = self.usual_drops
        if len(drops) >= 3:
            return median(drop.peak_bar for drop in drops[-6:])
        return self.held.bar

    def rests_at_opening(self, bar: float) -> bool:
        """Tell whether pressure has come up to where a cycling valve opens, and nothing was seen to leave since its last drop."""
        drops = self.usual_drops
        if len(drops) < 3 or self.noise.restless or self.leaked_s > drops[-1].time_s:
            return False
        opening_bar, margin_bar = opening(drops, self.frame_noise_bar)
        return self.teeth.drops[-1] is drops[-1] and abs(bar - opening_bar) <= margin_bar

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
            proof = self._proof_from_data(time_s, bar)
            if proof is not None and self.proof is None:
                start_s = self._start_of(proof, time_s)
                self.shut_s = start_s if proof is Proof.CYCLE else max(self.gas_left_s, start_s)
            self.proof = proof

    def _start_of(self, proof: Proof, time_s: float) -> float:
        if proof is Proof.CYCLE:
            return max(self.cycle.since_s(self.usual_drops), self.leaked_s, self._at_opening_s)
        if proof is Proof.BELOW:
            return self._recent[0][0]
        if proof is Proof.ABOVE:
            return time_s - 1800
        return time_s

    def _proof_from_data(self, time_s: float, bar: float) -> Proof | None:
        drops = self.usual_drops
        if len(drops) >= 3 and self.teeth.count - self.even_falls.count >= LEAST_COUNT:
            opening_bar, margin_bar = opening(drops, self.frame_noise_bar)
            if bar < opening_bar - margin_bar and self._reseated(drops, time_s, bar):
                return Proof.CYCLE
            if bar < opening_bar + margin_bar:
                if bar >= opening_bar - margin_bar:
                    self._at_opening_s = time_s
                return None
        if self._not_yet_there(bar):
            return Proof.BELOW
        if self._climbs_above(bar):
            return Proof.ABOVE
        return Proof.COOLED if self.held.left_by_cooling(self._recent, self.noise) else None

    def _reseated(self, drops: list[Drop], time_s: float, bar: float) -> bool:
        """Tell whether the valve has shut after its last usual drop, and nothing has left in another way since."""
        last = drops[-1]
        return (
            self.leaked_s <= last.time_s
            and self.cycle.reseated(drops, time_s, bar)
            and not self._sunk(last, bar)
        )

    def _not_yet_there(self, bar: float) -> bool:
        """Tell whether the pressure has never come near the setting, nor anything been let off."""
        if self.set_bar is None or self.held.bar is not None or self.teeth.drops:
            return False
        return bar < 0.75 * self.set_bar

    def _sunk(self, last: Drop, bar: float) -> bool:
        """Tell whether pressure is below the last drop's end by more than cooling explains: gas has gone unseen."""
        since = [celsius for time_s, _, celsius in self._recent if time_s >= last.time_s]
        cooled = max(since, default=math.nan) - self._recent[-1][2]
        cooling_bar = COOLING_BAR_PER_K * cooled if cooled > 0 else 0.0
        return last.trough_bar - bar > 0.3 * last.size_bar + 2 * self.frame_noise_bar + cooling_bar

    def _climbs_above(self, bar: float) -> bool:
        """Tell whether pressure has left its held level upwards and keeps climbing, past wherever gas has left of late."""
        opens_bar = self.opening_bar
        if opens_bar is None or len(self._recent) < 2 * FRAMES_PER_HOUR:
            return False
        opens_bar = max([opens_bar, *(d.peak_bar for d in self.teeth.drops if d.time_s > self.changed_s)])
        margin = max(0.03, 6 * self.frame_noise_bar, 2 * self.noise.step_bar)
        if bar < opens_bar + margin:
            return False
        bars = [b for _, b, _ in self._recent]
        last_half_hour, before = bars[-1] - bars[-4], bars[-4] - bars[-7]
        return last_half_hour > max(2.5 * self.frame_noise_bar, 0.3 * before, 0.002)
