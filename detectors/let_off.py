"""Production by what a cycling valve lets off: the gas of whole teeth, drop to drop.

Between two drops that reseat alike, beer and head space end as they began; what the yeast made meanwhile has gone out
with the drops. So teeth need not be long against the hours in which beer and gas come into balance: their number tells.

How much CO2 a drop of one bar is, drop_worth.py says. The tooth that lasts now counts, too: from where an earlier one
passed the same pressure.
"""

import math
from collections import deque
from dataclasses import dataclass, replace

from ullage.detectors.co2 import solubility_slope_per_k
from ullage.detectors.drop_worth import drop_share
from ullage.detectors.medians import median
from ullage.detectors.production import Production
from ullage.detectors.record import BAR, LAGGED, Record

KEPT = 96
LONGEST_H = 36.0
LEAST_H = 3.0
"""Shorter runs of teeth are not measured: the valve's own scatter would be most of it."""
SHORT = 1.5
NOTE_S = 3600.0
NOTED_TEETH, NOTED_MOST_S = 3, 6 * 3600.0
"""A rate is noted of so many teeth, since one alone scatters, unless they take longer than that."""
SCATTER = 0.08
"""Part of a drop by which the valve's opening and reseating differ from one tooth to the next."""
LEAST_SCATTER_BAR = 0.003
"""No spring and seat repeat themselves more exactly (from memory; a share of a per cent of a bar or two)."""
PASSES = 0.02
"""Part of what drops let off that goes unseen beside it, while the valve opens and closes."""
ALMOST = 0.95
FASTEST = 12.0
"""Age divided by it is the fastest time constant with which whole teeth are believed to fade."""
FRESH = 1.5
"""A run of teeth speaks for no longer than this many times its own length after it."""
SMEARED = 2.0
MOST_SMEARED = 0.25
"""Minutes of each tooth's rise that medians of three cut off its drop, and the most of it that this may be."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Counted:
    """Production over whole teeth, in g/L/day as if a drop were beer and gas in balance; times `share` it is CO2."""

    production: Production
    share: float


class LetOff:
    """Keeps when drops ended, and the sum of all drops by then."""

    def __init__(self) -> None:
        self._drops: deque[tuple[float, float, float, bool]] = deque(maxlen=KEPT)
        # when it ended, sum of drops, trough, whether the rise before it was seen as one
        self._count = 0
        self._noted_s = -math.inf
        self._smeared_bar = 0.0

    def take(self, record: Record) -> None:
        """Take the drops of the newest frame; keep the rate of a run of teeth about once an hour."""
        teeth = record.valve.teeth
        if not teeth.drops:
            return
        last = teeth.drops[-1]
        if teeth.count == self._count:
            if self._drops and self._drops[-1][0] != last.time_s:
                self._drops[-1] = (
                    last.time_s,
                    teeth.let_off_bar + self._smeared_bar,
                    last.trough_bar,
                    self._drops[-1][3],
                )
            return
        one = teeth.count == self._count + 1 and record.valve.cycle.tooth_resolved
        if record.valve.cycle.tooth_points:
            self._smeared_bar += last.size_bar * min(SMEARED / record.valve.cycle.tooth_points, MOST_SMEARED)
        self._drops.append((last.time_s, teeth.let_off_bar + self._smeared_bar, last.trough_bar, one))
        self._count = teeth.count
        since_s = max(record.valve.leaked_s, record.trusted_since_s)
        for index in range(len(self._drops) - 2, -1, -1):
            if self._drops[index][0] < since_s:
                return
            lasted_s = last.time_s - self._drops[index][0]
            enough = len(self._drops) - 1 - index >= NOTED_TEETH or lasted_s >= NOTED_MOST_S
            if lasted_s >= NOTE_S and enough:
                break
        else:
            return
        if last.time_s - self._noted_s >= NOTE_S:
            self._noted_s = last.time_s
            record.rates.note(self._between(record, index, len(self._drops) - 1, 0.0), drop_share(record))

    def counted(self, record: Record) -> list[Counted]:
        """Return production over runs of whole teeth, each seen as one: up to the last drop, and up to now."""
        start_s = max(record.valve.leaked_s, record.trusted_since_s)
        newest = len(self._drops) - 1
        if newest < 1:
            return []
        share = drop_share(record)
        since_h = (record.now_s - self._drops[newest][0]) / 3600
        found: list[Counted] = []
        wanted_h = LEAST_H
        for index in range(newest - 1, -1, -1):
            hours = (self._drops[newest][0] - self._drops[index][0]) / 3600
            if not self._drops[index + 1][3] or self._drops[index][0] < start_s - 1 or hours > LONGEST_H:
                break
            if hours >= max(wanted_h, since_h / FRESH):
                wanted_h = 2 * hours
                hidden = hidden_g_per_l(record, self._drops[index][0], self._drops[newest][0])
                found.append(
                    Counted(production=self._between(record, index, newest, hidden / share), share=share)
                )
        return _no_sudden_fall(found + self.until_now(record, share), record.age_h / FASTEST)

    def until_now(self, record: Record, share: float) -> list[Counted]:
        """Return the same from where an earlier tooth passed the pressure of now: as good as whole teeth.

        At the same pressure the beer holds no more than then while its flow into the head space is no faster; so what
        was made since has gone out with the drops. The tooth that lasts now need not come to its drop.
        """
        start_s = max(record.valve.leaked_s, record.trusted_since_s)
        newest = len(self._drops) - 1
        now_bar = median(record.since(record.now_s - 1800)[:, BAR].tolist())
        found: list[Counted] = []
        wanted_h = LEAST_H
        for index in range(newest, 0, -1):
            begun_s, sum_before, trough_bar, _ = self._drops[index - 1]
            dropped_s, sum_after, after_bar, resolved = self._drops[index]
            if not resolved or begun_s < start_s - 1:
                break
            rise_bar = after_bar + sum_after - sum_before - trough_bar
            passed = max((now_bar - trough_bar) / max(rise_bar, 1e-3), 0.0)
            if passed > ALMOST:
                break  # at or above where it dropped before, a valve that simmers lets gas go unseen
            from_s = begun_s + passed * (dropped_s - begun_s)
            hours = (record.now_s - from_s) / 3600
            if hours > LONGEST_H:
                break
            if hours < wanted_h:
                continue
            wanted_h = 2 * hours
            out_bar = self._drops[newest][1] - sum_before + now_bar - (trough_bar + passed * rise_bar)
            hidden = hidden_g_per_l(record, from_s, record.now_s)
            made = self._made(record, out_bar, newest - index + 1, hidden / share, from_s, record.now_s)
            found.append(Counted(production=made, share=share))
        return found

    def last(self, record: Record) -> Production | None:
        """Return the production over the last whole teeth, of a few hours if they are short; None if none is kept."""
        newest = len(self._drops) - 1
        for index in range(newest - 1, -1, -1):
            if self._drops[newest][0] - self._drops[index][0] >= LEAST_H * 3600:
                return self._between(record, index, newest, 0.0)
        return None

    def lately(self, record: Record, until_s: float) -> Production | None:
        """Return the production over the last few hours of teeth, by a moment: the last drop's, or now."""
        if not self._drops or until_s <= self._drops[-1][0]:
            return self.last(record)
        return next((one.production for one in self.until_now(record, 1.0)), None)

    def stopped_short(self, record: Record, tail_h: float) -> bool:
        """Tell whether the tooth that lasts now has risen by less than production that fades with `tail_h` would raise it.

        Then something else than yeast going to rest holds it down: a leak, or teeth that are no longer seen.
        """
        last = self.last(record)
        if last is None:
            return True
        hours = (record.now_s - last.end_s) / 3600
        surely = last.rate_g_per_l_day - last.se_g_per_l_day
        to_come = surely / 24 * tail_h * -math.expm1(-hours / tail_h) / record.capacity_g_per_l_bar
        rise_bar = record.last(BAR) - self._drops[-1][2]
        return to_come > SHORT * rise_bar + 3 * record.valve.frame_noise_bar

    def made_g_per_l(self, record: Record) -> float:
        """Return at least how much CO2 has been made, g/L: in the vessel and let off in the drops that were seen."""
        kept = record.capacity_g_per_l_bar * max(record.bar - record.start_bar, 0.0)
        return kept + record.head_space_g_per_l_bar * record.valve.teeth.let_off_bar

    def _between(self, record: Record, first: int, last: int, hidden_g_per_l: float) -> Production:
        from_s, sum_before, trough_before, _ = self._drops[first]
        to_s, sum_after, trough_after, _ = self._drops[last]
        let_off_bar = sum_after - sum_before + trough_after - trough_before
        return self._made(record, let_off_bar, last - first, hidden_g_per_l, from_s, to_s)

    @staticmethod
    def _made(
        record: Record, let_off_bar: float, teeth: int, hidden_g_per_l: float, from_s: float, to_s: float
    ) -> Production:
        days = (to_s - from_s) / 86_400
        full = record.capacity_g_per_l_bar
        noise = record.valve.frame_noise_bar
        error_bar = 1.4 * math.hypot(
            noise, SCATTER * let_off_bar / teeth, LEAST_SCATTER_BAR, PASSES * let_off_bar
        )
        return Production(
            rate_g_per_l_day=(full * let_off_bar + hidden_g_per_l) / days,
            se_g_per_l_day=full * error_bar / days,
            hours=days * 24,
            start_s=from_s,
            end_s=to_s,
            residual_sd_bar=noise,
        )


def _no_sudden_fall(runs: list[Counted], fastest_h: float) -> list[Counted]:
    """Return the runs, none of them lower than a longer one that has faded with `fastest_h` since.

    A fridge's swing or a valve that simmers draws out a tooth or two; yeast does not go to rest within one.
    """
    result: list[Counted] = []
    for one in runs:
        rate = one.production.rate_g_per_l_day
        for other in runs:
            longer = other.production
            later_h = (_middle_s(one.production) - _middle_s(longer)) / 3600
            if longer.hours > one.production.hours and later_h > 0:
                surely = longer.rate_g_per_l_day - 2 * longer.se_g_per_l_day
                rate = max(rate, surely * math.exp(-later_h / fastest_h))
        result.append(replace(one, production=replace(one.production, rate_g_per_l_day=rate)))
    return result


def _middle_s(run: Production) -> float:
    return (run.start_s + run.end_s) / 2


def hidden_g_per_l(record: Record, from_s: float, to_s: float) -> float:
    """Return how much CO2 cooling beer may have taken up between two moments, g/L; 0 if it has warmed."""
    rows = record.since(from_s)
    rows = rows[rows[:, 0] <= to_s + 600]
    if len(rows) < 2:
        return 0.0
    cooled = float((rows[0, LAGGED] - rows[-1, LAGGED]).max())
    if not cooled > 0:
        return 0.0
    content = float(record.co2_g_per_l(rows[-1:]).mean())
    return -float(solubility_slope_per_k(record.beer_c)) * content * cooled
