"""The most CO2 that can still come, from what a shut stretch shows: the rate's upper end times the slowest tail.

Several bounds hold at once: over windows of several lengths, over the later halves of a cycling valve's teeth, over
whole teeth. Each is an upper one, so the tightest counts.
"""

import math
from dataclasses import dataclass, replace

from ullage.detectors.drop_worth import released, worth_margin
from ullage.detectors.late_halves import LateHalves
from ullage.detectors.let_off import LetOff
from ullage.detectors.production import Production
from ullage.detectors.proof import Proof
from ullage.detectors.record import Record
from ullage.detectors.tail import tail_by_age_h

LONGEST_H = 48.0
SHARES = (1.0, 0.5, 0.25, 0.125)
"""Windows as shares of the shut stretch: a release that has died away must not spoil the later part."""
SHORT, PLAIN = 0.2, 0.1
"""A window below this share counts only with a standard error below that part of its rate: a lull in the noise of a short
one looks like a fast fall as well. For the history of rates it scatters too much."""
LEAST_RELEASE_H = 6.0
"""Shut for less, the gas that the beer gives off can't be told from production."""
RELEASED_H, LEAST_BY_WORD, LEAST_BY_WORD_H = 6.0, 1 / 6, 6.0
"""So long after the valve was wound shut falls of the rate count as the yeast's; a time constant by them is never taken for
less than that share of the age, or those hours."""
COUNTED_SIDE = 0.92
MADE = (0.6, 0.85)
"""Share of what the wort is expected to give that has at least been made near the end, by whether its gravity is known."""
UNSEEN_H = 72.0
"""So long a fermentation may have gone on before the first reading, if nobody said when it was pitched: three days."""
LEAST_G_PER_L_DAY = 0.02
"""A rate that is measured as less counts as this."""
FALLEN = 0.35
"""Most time constants by which a rate may be taken to have fallen since the middle of its window."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BoundSettings:
    """How little may still come at the end, and how sure that must be."""

    to_come_by_word_g_per_l: float = 0.4
    """CO2 that may still come at `finished`, about 0.1 °P, where no valve can be at work: sealed, or shut by the brewer's
    word."""
    to_come_cycling_g_per_l: float = 0.35
    """The same behind a cycling valve: less, to leave room for what a bound can't know."""
    to_come_g_per_l: float = 0.3
    """CO2 to come at which the hours to go are over; twice as much come again means that it goes on."""
    sure: float = 3.0
    sure_by_word: float = 2.0
    """Standard errors that the bound lies above the rate."""
    slow_side: float = 1.2
    """How much slower than first order the tail may be."""
    least_window_h: float = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Bound:
    """What a shut stretch says: production, and CO2 still to come at the most, g/L."""

    production: Production
    most_g_per_l: float
    tail_h: float
    proof: Proof | None
    """Why the vessel counted as shut."""
    measured: Production
    """Production as the history of rates has it: in a cycling valve's drops larger than the truth by one factor."""
    whole_teeth: bool = False
    """Whether it counts the drops of whole teeth: then gas still came, if little of it."""


class ToCome:
    """Bounds the CO2 still to come; keeps what a cycling valve's teeth have shown."""

    def __init__(self, settings: BoundSettings) -> None:
        self.settings = settings
        self.let_off = LetOff()
        self.late_halves = LateHalves()

    def take(self, record: Record) -> None:
        """Take the newest frame."""
        self.let_off.take(record)

    def limit_g_per_l(self, record: Record) -> float:
        """Return what may still come at the end, by the proof that gas can't leave."""
        s = self.settings
        return (
            s.to_come_by_word_g_per_l
            if record.valve.proof in (Proof.WORD, Proof.SEALED)
            else s.to_come_cycling_g_per_l
        )

    def tightest(self, record: Record, start_s: float) -> Bound | None:
        """Return the tightest bound over stretches that end now; None if nothing can be measured.

        In a tooth the beer first gives back to the head space what the drop took from it; only what comes after that is
        production. So beside the whole stretch, with all teeth added up, count the last tooth alone and the later
        halves of the teeth before it.
        """
        tooth_s = max(start_s, record.valve.gas_left_s)
        bounds = self._since(record, start_s)
        if tooth_s > start_s:
            bounds += self._since(record, tooth_s)
        if record.valve.proof is Proof.CYCLE:
            bounds += self._of_teeth(record, tooth_s)
        elif record.valve.proof is not Proof.COOLED:
            # the shortest window that is exact enough tells best when the rate was so
            longest_h = max((bound.measured.hours for bound in bounds), default=0.0)
            for bound in reversed(bounds):
                if bound.measured.hours > SHORT * longest_h:
                    record.rates.note(bound.measured)
        if record.valve.proof is Proof.WORD:
            bounds += self._beside_release(record, start_s)
        teeth = [one for one in bounds if one.whole_teeth and one.most_g_per_l <= self.limit_g_per_l(record)]
        return min(teeth or bounds, key=lambda bound: bound.most_g_per_l, default=None)

    def tail_h(self, record: Record, production: Production, share: float = 1.0) -> float:
        """Return the slowest time constant that the rest of this fermentation may have, h."""
        by_age = self._tail_by_age_h(record, production, share)
        by_rates = record.rates.tail_h(production)
        if record.valve.proof is Proof.WORD:
            own_h = record.rates.even_tail_h(production, record.valve.shut_s + RELEASED_H * 3600)
            unseen_h = self._unseen_by_word_h(by_age, by_rates)
            least_h = max(age_in_tail_h(record) * LEAST_BY_WORD, LEAST_BY_WORD_H)
            return unseen_h if own_h is None else min(max(own_h, least_h), unseen_h)
        if by_rates is None or record.valve.proof is Proof.COOLED:
            return by_age
        if share < 1:
            # whole teeth are measured better than a slope, the last of them tell best how it goes on
            last = self.let_off.last(record)
            now_h = record.rates.tail_h(last) if last is not None else None
            by_rates = COUNTED_SIDE * max(by_rates, now_h or 0.0)
        if record.valve.sealed:
            # a charge is many times faster with its first sugar than with its last: its age tells nothing of that
            return max(by_rates, age_in_tail_h(record) * self._least_of_age(record, share), 4.0)
        return max(min(by_age, by_rates), age_in_tail_h(record) * self._least_of_age(record, share), 4.0)

    def _unseen_by_word_h(self, by_age_h: float, by_rates_h: float | None) -> float:
        """Return the slowest time constant, h, where the valve has just been wound shut: the rate falls as beer gives off
        gas, which says nothing of the yeast's pace."""
        return (
            by_age_h
            if by_rates_h is None
            else min(max(by_age_h / self.settings.slow_side, by_rates_h), by_age_h)
        )

    @staticmethod
    def _least_of_age(record: Record, share: float) -> float:
        """Return the least time constant as a share of the age: more where slopes of teeth mix in what the beer gives off."""
        if share < 1:
            return 1 / 8
        return 1 / 6 if record.valve.proof is Proof.CYCLE else 1 / 8

    def _tail_by_age_h(self, record: Record, production: Production, share: float) -> float:
        if record.valve.sealed:
            made = record.capacity_g_per_l_bar * (record.bar - record.start_bar)
        else:
            made = MADE[record.vessel.original_gravity is not None] * record.expected_co2_g_per_l
        return self.settings.slow_side * tail_by_age_h(
            max(made, 0.1), max(age_in_tail_h(record), 6.0), production.high * share
        )

    def _since(self, record: Record, start_s: float) -> list[Bound]:
        """Return the bounds by slopes over windows of several lengths."""
        shut_h = (record.now_s - start_s) / 3600
        longest_h = min(shut_h, LONGEST_H)
        bounds: list[Bound] = []
        for share in SHARES:
            hours = longest_h * share
            if share < 1 and hours < self.settings.least_window_h:
                break
            production = record.production_over(start_s, hours + 0.01)
            if production is not None and production.hours >= 0.7 * hours:
                if share < SHORT and production.se_g_per_l_day > PLAIN * production.rate_g_per_l_day:
                    continue
                bounds.append(self._bound(record, production))
        return bounds

    def _beside_release(self, record: Record, start_s: float) -> list[Bound]:
        """Return the bound by production alone, where the gas that the beer gives off after shutting can be told from it."""
        hours = (record.now_s - start_s) / 3600
        if not LEAST_RELEASE_H <= hours <= LONGEST_H:
            return []
        production = record.production_beside_release(start_s, hours + 0.01)
        if production is None or production.hours < 0.7 * hours:
            return []
        # the line is told by the later half, when the release is mostly over: its middle counts as when the rate was so
        half_s = hours / 2 * 3600
        late = replace(production, start_s=production.end_s - half_s)
        by_age, by_rates = self._tail_by_age_h(record, late, 1.0), record.rates.tail_h(late)
        return [self._bound(record, late, tail_h=self._unseen_by_word_h(by_age, by_rates))]

    def _of_teeth(self, record: Record, tooth_s: float) -> list[Bound]:
        """Return the bounds by later halves of teeth and by whole teeth."""
        late = self.late_halves.watch(record, tooth_s)
        by_halves = [] if late is None else [self._bound(record, late)]
        return by_halves + [
            self._bound(record, one.production, one.share, whole_teeth=True)
            for one in self.let_off.counted(record)
        ]

    def _bound(
        self,
        record: Record,
        measured: Production,
        share: float = 1.0,
        *,
        whole_teeth: bool = False,
        tail_h: float | None = None,
    ) -> Bound:
        sure = self.settings.sure_by_word if record.valve.proof is Proof.WORD else self.settings.sure
        high = max(measured.rate_g_per_l_day + sure * measured.se_g_per_l_day, LEAST_G_PER_L_DAY) * share
        tail_h = self.tail_h(record, measured, share) if tail_h is None else tail_h
        if share < 1:
            high *= 1 - released(record, tail_h)
        # the window's mean rate is that of its middle; a tail of at most tail_h has fallen since, but in a window that
        # is long against it the rate may have stood still and only then begun to fall, or the tail be another one
        ago_h = (record.now_s - (measured.start_s + measured.end_s) / 2) / 3600
        rate_margin = 1 + sure * measured.se_g_per_l_day / max(measured.rate_g_per_l_day, LEAST_G_PER_L_DAY)
        if record.valve.proof is Proof.WORD:
            high *= at_once(rate_margin, self.settings.slow_side)
        elif share < 1 and record.valve.fine():
            high *= at_once(rate_margin, worth_margin(record))
        return Bound(
            production=replace(
                measured,
                rate_g_per_l_day=measured.rate_g_per_l_day * share,
                se_g_per_l_day=measured.se_g_per_l_day * share,
            ),
            most_g_per_l=high * tail_h / 24 * math.exp(-min(ago_h / tail_h, FALLEN)),
            tail_h=tail_h,
            proof=record.valve.proof,
            measured=measured,
            whole_teeth=whole_teeth,
        )


def at_once(*margins: float) -> float:
    """Return by what a product of independent margins may be multiplied, since not all errors are at their worst at once.

    Each is a factor that an estimate was raised by; their logarithms add in squares.
    """
    logs = [math.log(max(margin, 1.0)) for margin in margins]
    return math.exp(math.hypot(*logs) - sum(logs))


def age_in_tail_h(record: Record) -> float:
    """Return the hours since fermentation began, or as many as may be where the first reading came into the midst of it."""
    unseen = record.joined_late and record.pitched_s is None
    return record.age_h + (UNSEEN_H if unseen else 0.0)
