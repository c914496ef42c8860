"""The valve as it shows itself: when gas can't leave, where it opens and reseats, whether it cycles or passes smoothly.

"Shut" has to be proved, since a pressure that stands still behind an open valve looks the same. Proofs, in order:
a vessel without a valve; the brewer's word (`valve shut`); a cycling valve after a drop of its usual size, while the
pressure is still clearly below where it opens; a pressure that has never yet reached the opening pressure; one that
climbs above where the valve used to open; one that cooling has taken below the held level.
"""

import itertools
import math
from collections import deque

from ullage.detectors.even_falls import EvenFalls
from ullage.detectors.frames import Frame
from ullage.detectors.journal import Known, Word
from ullage.detectors.medians import median
from ullage.detectors.noise import PressureNoise
from ullage.detectors.proof import Proof
from ullage.detectors.teeth import LEAST_BAR as LEAST_DROP_BAR
from ullage.detectors.teeth import Drop, Rise, Teeth, beats, least_seen_bar
from ullage.detectors.tooth_shape import ToothShape
from ullage.detectors.vessel import Vessel

COOLING_BAR_PER_K = 0.065
"""Most that a kelvin of cooling can take off a shut vessel near 1 bar gauge (full solubility equilibrium)."""
JOLT_BAR = 0.04
"""A smaller drop in a vessel that has no valve, or whose valve the journal calls shut, is no gas that leaves: cold air on
the head space (2 K of it is 16 mbar), or a jolt of the sensor."""
SLOW_TOOTH_S = 5400.0
"""Teeth at least this far apart can be added up: what is lost while the valve is open is little of them."""
CLEARLY_SEEN = 1.6
"""A drop so much larger than the least that is found is not missed."""
SEEN = 1.2
"""Where most drops are no more than so many times the least that is found, and a step of the converter, others were missed."""
LEAST_COUNT = 8
"""A valve that lets gas off in drops makes dozens of them: a wort's gas is some hundred times what a drop of 0.1 bar takes.
Fewer are a smooth one that stuck now and then."""
FINE = 15.0
"""Steps of the converter that a drop has to be for its errors to be its own."""
LASTING_S = 3 * 3600.0
CLIMBED = 0.15
"""Part of its drop that a tooth which lasts has climbed: yeast goes to rest within days, and beer gives back what a drop took.
A pressure that stays where the valve reseats may be one that passes gas steadily."""
OFF_SETTING_BAR = 0.12
"""A level that stands still so far below the setting has to stand for twice as long: a slow climb pauses as the fridge cools."""
SEEN_S = 1200.0
"""Teeth at least this far apart are seen one by one at a reading every few minutes."""
HARDLY_SET = 0.25
"""Of the valve's setting: what looks like drops further down is none of the valve's, but noise in an empty head space."""
HOURS = 6
"""Frames to an hour."""


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
        self.shape = ToothShape()
        self._rise = Rise()
        self._tooth_points = 0
        self._resolved: deque[bool] = deque(maxlen=16)
        """For each drop kept, whether the rise before it was seen as one."""
        self.total_bar = math.nan
        """The frame's pressure with all drops so far added."""
        self.held_bar: float | None = None
        """Level at which the valve has been seen to hold, bar as the sensor shows it."""
        self.held_s: float | None = None
        self.first_held_bar: float | None = None
        """Level at which it first held: with little flow or at the height, it passes gas down to there at least."""
        self.proof: Proof | None = Proof.SEALED if self.sealed else None
        self.shut_s: float = -math.inf
        """Start of the shut stretch that lasts now."""
        self.gas_left_s: float = -math.inf
        """Last time that gas was seen to leave at once: a drop, a vent, an opened valve."""
        self.leaked_s: float = -math.inf
        """Last time that gas left in another way than in a drop of known size."""
        self._recent: deque[tuple[float, float, float]] = deque(maxlen=12 * HOURS)  # time, bar, beer °C
        self._warm_c = math.nan
        self.even_falls = EvenFalls()

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

    def usual_drops(self) -> list[Drop]:
        """Return the drops that are alike in where they begin and end, newest last: the valve's own cycle."""
        least_bar = HARDLY_SET * self.set_bar if self.set_bar is not None else -math.inf
        drops = [d for d in self.sudden_drops() if d.time_s > self.changed_s and d.peak_bar >= least_bar]
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

    def fine(self) -> bool:
        """Tell whether a cycling valve's drops are many steps of the converter: of few, each is wrong by much, and all alike."""
        drops = self.usual_drops()
        return bool(drops) and median(drop.size_bar for drop in drops) >= FINE * self.noise.step_bar

    @property
    def tooth_resolved(self) -> bool:
        """Tell whether the rise before the last drop was seen as one."""
        return bool(self._resolved) and self._resolved[-1]

    @property
    def tooth_points(self) -> int:
        """Minutes seen of the rise before the last drop; 0 if it was not followed."""
        return self._tooth_points

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

    def rests_at_opening(self, bar: float) -> bool:
        """Tell whether pressure has come up to where a cycling valve opens, and nothing was seen to leave since its last drop."""
        drops = self.usual_drops()
        if len(drops) < 3 or self.noise.restless or self.leaked_s > drops[-1].time_s:
            return False
        opening, margin = self._opening(drops)
        return self.teeth.drops[-1] is drops[-1] and abs(bar - opening) <= margin

    # -- taking ---------------------------------------------------------------------------------------------------

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
                self.held_bar = None

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
        self._judge(time_s, bar)

    def _walk_minutes(self, frame: Frame) -> None:
        """Look for drops, minute by minute, and add them up."""
        totals: list[float] = []
        noise_bar, step_bar = self.noise.minute_sd_bar, self.noise.step_bar
        count = self.teeth.count
        self.even_falls.take(frame)
        for time_s, bar in zip(frame.minute_end_s, frame.minute_bar, strict=True):
            if self.teeth.take(time_s, bar, noise_bar, step_bar, self._least_drop_bar):
                if self._breaks_word(time_s):
                    self.word_shut_s = None  # whatever the journal said, the valve is open again
                self._gas_left(time_s)
                if self.teeth.seeps:
                    self._seeped(time_s)
                self._end_tooth(counted=self.teeth.count - count)
                count = self.teeth.count
            else:
                self.shape.point(time_s, bar)
                self._rise.take(bar)
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

    def _end_tooth(self, counted: int) -> None:
        """A drop has begun or goes on: keep whether the rise before it was seen as one."""
        if counted:
            self._tooth_points = self._rise.points
            size_bar = self.teeth.drops[-1].size_bar
            self._resolved.append(
                self._rise.resolved(size_bar, self.noise.minute_sd_bar, self.noise.step_bar)
            )
            self.shape.drop(self.noise.minute_sd_bar)
        else:
            self.shape.forget()
        self._rise = Rise()

    def _may_be_passing(self) -> bool:
        """Tell whether the valve may be at work now, as far as the last frame could tell."""
        return self.held_bar is not None and not self.sealed and self.word_shut_s is None

    def _find_slow_fall(self) -> None:
        """Find a drop that shows between frames only, or a fall that is too soft for a drop but beyond cooling."""
        if len(self._recent) < 3 or (
            self.teeth.drops and self._recent[-1][0] - self.teeth.drops[-1].time_s < 1800
        ):
            return
        (_, before2, celsius2), (_, before, _), (time_s, bar, celsius) = list(self._recent)[-3:]
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
        if self.teeth.count > count:
            self._tooth_points = self._rise.points
            self._resolved.append(
                self._rise.resolved(peak - bar, self.noise.minute_sd_bar, self.noise.step_bar)
            )
        self._rise = Rise()
        self.total_bar = bar + self.teeth.let_off_bar
        self._gas_left(time_s)

    def _seeped(self, time_s: float) -> None:
        """The last drop is too even for a valve that pops: what has gone is known, but it proves nothing."""
        self.leaked_s = time_s + 1.0
        self.even_falls.note(time_s)

    def _learn_held(self) -> None:
        """A level that stands still for three hours near the setting is the valve's."""
        if self.sealed or self.word_shut_s is not None or self.set_bar is None:
            return
        near = self.held_bar is not None or self._recent[-1][1] > self.set_bar - OFF_SETTING_BAR
        wanted = (3 if near else 6) * HOURS
        if len(self._recent) < wanted:
            return
        window = list(self._recent)[-wanted:]
        bars = [bar for _, bar, _ in window]
        level = median(bars)
        change = abs(sum(bars[-HOURS:]) - sum(bars[:HOURS])) / HOURS
        still = change < max(0.015, 3 * self.frame_noise_bar) and max(bars) - min(bars) < 0.4
        if window[0][0] < self.changed_s or not still:
            return  # nor is a level from before the valve was set anew
        if abs(level - self.set_bar) > max(0.3, 0.3 * self.set_bar):
            return
        if self.held_bar is None:
            self.held_bar, self.held_s = level, window[-1][0]
            self.first_held_bar = level
        elif level > self.held_bar + 0.05:
            self.held_bar = level
            if not self.teeth.drops:  # a slow tooth that lingers near its top is no new setting
                self.changed_s = window[0][0]
        elif self.proof is not Proof.COOLED:
            self.held_bar += 0.01 * (level - self.held_bar)  # creep of the valve, drift of the sensor

    # -- shut or not ----------------------------------------------------------------------------------------------

    def _cycling_since_s(self) -> float:
        """Return since when gas has left in drops alone that were hours apart and so can be added up."""
        usual = self.usual_drops()
        since_s = usual[-1].time_s
        newest_first = list(zip(reversed(self.teeth.drops), reversed(self._resolved), strict=True))
        for (later, resolved), (earlier, _) in itertools.pairwise(newest_first):
            if earlier not in usual or not resolved or later.time_s - earlier.time_s < SLOW_TOOTH_S:
                break
            since_s = earlier.time_s
        return max(since_s, self.leaked_s)

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
            return self._cycling_since_s()
        if proof is Proof.BELOW:
            return self._recent[0][0]
        if proof is Proof.ABOVE:
            return time_s - 1800
        return time_s

    def _proof_from_data(self, time_s: float, bar: float) -> Proof | None:
        drops = self.usual_drops()
        if len(drops) >= 3 and self.teeth.count - self.even_falls.count >= LEAST_COUNT:
            opening, margin = self._opening(drops)
            last = self.teeth.drops[-1]
            minute, step = self.noise.minute_sd_bar, self.noise.step_bar
            risen = self._rise.resolved(last.size_bar, minute, step)
            seen = self._rise.smooth(last.size_bar, minute, step) and (
                sum([*list(self._resolved)[-2:], risen]) >= 2 or self._outlasts(drops, time_s)
            )
            usual_bar = median(drop.size_bar for drop in drops)
            clear = usual_bar >= max(10 * self.frame_noise_bar, SEEN * least_seen_bar(minute, step) + step)
            if (
                last is drops[-1]
                and bar < opening - margin
                and not beats(self.teeth.drops, time_s)
                and seen
                and clear
                and (time_s - last.time_s < LASTING_S or bar - last.trough_bar >= CLIMBED * last.size_bar)
                and not self._sunk(last, bar)
                and self.leaked_s <= last.time_s
            ):
                return Proof.CYCLE
            if bar < opening + margin:
                return None
        if (
            self.held_bar is None
            and not self.teeth.drops
            and self.set_bar is not None
            and bar < 0.75 * self.set_bar
        ):
            return Proof.BELOW
        if self._climbs_above(bar):
            return Proof.ABOVE
        return Proof.COOLED if self._cooled_below(bar) else None

    def _opening(self, drops: list[Drop]) -> tuple[float, float]:
        """Return where the valve opened of late, and how closely that is known, bar."""
        spread = median(abs(a.peak_bar - b.peak_bar) for a, b in itertools.pairwise(drops[-6:]))
        return median(drop.peak_bar for drop in drops[-3:]), max(
            1.5 * spread, 2 * self.frame_noise_bar, 0.0015
        )

    def _outlasts(self, drops: list[Drop], time_s: float) -> bool:
        """Tell whether the tooth that lasts now is long after teeth that were large and slow enough to be seen one by one.

        Teeth become too fast for the sampling by way of shorter and shorter ones; a tooth that simply lasts, and climbs
        no more, is one that nothing fills. Drops near the least that can be seen prove nothing: others were too small.
        """
        if min(drop.size_bar for drop in drops) < CLEARLY_SEEN * least_seen_bar(
            self.noise.minute_sd_bar, self.noise.step_bar
        ):
            return False
        gaps_s = [later.time_s - earlier.time_s for earlier, later in itertools.pairwise(drops[-6:])]
        lasts_s = time_s - drops[-1].time_s
        return lasts_s >= LASTING_S and median(gaps_s) >= SEEN_S and lasts_s >= 2 * median(gaps_s)

    def _sunk(self, last: Drop, bar: float) -> bool:
        """Tell whether pressure is below the last drop's end by more than cooling explains: gas has gone unseen."""
        since = [celsius for time_s, _, celsius in self._recent if time_s >= last.time_s]
        cooled = max(since, default=math.nan) - self._recent[-1][2]
        cooling_bar = COOLING_BAR_PER_K * cooled if cooled > 0 else 0.0
        return last.trough_bar - bar > 0.3 * last.size_bar + 2 * self.frame_noise_bar + cooling_bar

    def _cooled_below(self, bar: float) -> bool:
        """Tell whether cooling, and not fading flow, has taken the pressure below the level that the valve holds.

        A fading flow lets the level slide too, but slowly, and the held level follows it.
        """
        celsius = self._recent[-1][2]
        if self.held_bar is None or math.isnan(celsius):
            return False
        below = self.held_bar - bar
        margin = max(0.02, 4 * self.frame_noise_bar, 1.5 * self.noise.step_bar)
        if below < margin / 2 or math.isnan(self._warm_c):
            warm = [c for _, b, c in self._recent if b > self.held_bar - margin / 2]
            self._warm_c = median(warm) if warm else math.nan
        cooler = self._warm_c - celsius
        return below >= margin and cooler >= 0.3 and below <= 1.3 * COOLING_BAR_PER_K * cooler + 0.01

    def _climbs_above(self, bar: float) -> bool:
        """Tell whether pressure has left its held level upwards and keeps climbing, past wherever gas has left of late."""
        opening = self.opening_bar
        if opening is None or len(self._recent) < 2 * HOURS:
            return False
        opening = max([opening, *(d.peak_bar for d in self.teeth.drops if d.time_s > self.changed_s)])
        margin = max(0.03, 6 * self.frame_noise_bar, 2 * self.noise.step_bar)
        if bar < opening + margin:
            return False
        bars = [b for _, b, _ in self._recent]
        last_half_hour, before = bars[-1] - bars[-4], bars[-4] - bars[-7]
        return last_half_hour > max(2.5 * self.frame_noise_bar, 0.3 * before, 0.002)
