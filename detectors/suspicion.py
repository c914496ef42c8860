"""Passive evidence for the end while the valve may be passing gas: enough to ask for a test, never for a verdict.

A valve that passes gas holds a little more than its reseat pressure, by an amount that falls with the flow. While that
slide goes on, visibly beyond the noise, it is not the end; once a plain one has come to rest, it may well be. So it may
once cool hours take the pressure off the valve (`off_the_valve.py`). A valve that cycles goes quiet (`gone_quiet.py`). Otherwise time is all there is: how far a fermentation at this temperature has come as
a rule.
"""

import math

import numpy as np

from ullage.detectors.batch import Beverage
from ullage.detectors.exotherm import Heat
from ullage.detectors.gone_quiet import gone_quiet
from ullage.detectors.off_the_valve import OffTheValve
from ullage.detectors.record import BAR, BEER, Record
from ullage.detectors.slide import CHUNK_S, MOST_SLIDE_BAR, SLIDE_BAR, SLIDE_DONE, Slide, slid, slid_to_rest
from ullage.detectors.usual_time import OwnPace, Progress, pace_per_h
from ullage.detectors.vessel import Vessel

ENOUGH = 1.2
"""Share of the way to 90 % that must have gone by: worts and yeasts differ by a factor of two either way."""
DAY_S, ONCE_S = 24 * 3600.0, 8 * 3600.0
LITTLE_G_PER_L = 0.3
"""What a cycling valve may let off in a day, each drop counted at its most, and fermentation still seem to be over."""
SLID_SOONER = 2 / 3
"""Share of the time by which a plain slide that has come to rest is asked about."""
MOST_HEAT, LAST_HEAT = 0.7, 0.2
"""Share of the heat that goes with the wort's CO2 which must have come (the lag of a vessel is known to a factor of 1.5), and
the most of it that may still have shown lately."""
FADING, FADING_K = 0.2, 0.2
"""Heat that still grows by more than such a share, where the beer has cooled against its air by so much, is still made."""
PATIENCE = 2.5
"""Share of the usual time after which that no longer speaks against the end."""
CIDER = 0.5
"""Share of a wort's pace at which cider ferments: must is poor in what yeast needs to grow (common practice: two to three weeks)."""
SLOW_TO_FILL, LEAST_CLOCK = 0.4, 0.3
"""A wort that fills its vessel at less than such a multiple of the usual pace is slow for good; less slow beginnings are made up
for. No wort is slower than the least: a vessel that seeps while it fills, fills late."""
PACE_S, OWN_PACE_S = 3600.0, 1800.0
COOLED_K = 3.0
"""Beer that was cooled by more within a day takes up gas, and its yeast slows down: what it shows then is the cooling."""
SOON_H = 3.0
"""So long before the rated limit nobody is asked to wind a valve shut: a test takes longer."""
HALF_WAY = 0.5
"""Share of the usual time before which silence says nothing: a cycling valve's drops become too fast to be seen."""
FAIR_SHARE = 0.5
"""Share of the hours that an answer gave in which nothing is asked: the guess is good to a factor of two."""
UNSEEN_H = 240.0
"""Most hours before the first reading that count: an older word of pitching is another batch's."""
RISING_BAR = 0.05
"""A rise in twelve hours that speaks of production; less may be gas that the beer gives off in a shut vessel."""


class Suspicion:
    """Adds up what a held pressure gives away."""

    def __init__(self, vessel: Vessel) -> None:
        self.vessel = vessel
        self._time = Progress()
        self._own = OwnPace()
        self._kind = CIDER if vessel.batch is not None and vessel.batch.beverage is Beverage.CIDER else 1.0
        self._needed = ENOUGH
        self._quiet_from = HALF_WAY
        self._unasked_until_s = -math.inf
        self._off_the_valve = OffTheValve()
        self._slide = Slide()

    @property
    def progress(self) -> float:
        """Share of the time that a wort at these temperatures takes, as a rule, to make nine tenths of its gas."""
        return self._time.share

    @property
    def clock(self) -> float:
        """Progress by which questions are asked: slower in a cider."""
        return self.progress * self._kind

    def _time_suffices(self) -> bool:
        """Tell whether so much time has gone by that nothing need be seen: more in a wort that was very slow to fill its vessel.

        A quick beginning makes it no less: behind one, slow last sugars are as likely as elsewhere.
        """
        own = 1.0 if math.isnan(self._own.times) else min(self._own.times / SLOW_TO_FILL, 1.0)
        return self.clock * max(own, LEAST_CLOCK) >= ENOUGH

    def refuted(self, now_s: float, hours_to_go: float) -> None:
        """A test has shown production: ask again only when a third more time has passed, and never within a fair part of the
        hours that the answer gave. A slide may have looked at rest already when the test was made.
        """
        self._needed = max(self.clock * 1.4, ENOUGH)
        self._quiet_from = max(self.clock * 1.4, HALF_WAY)
        self.put_off(now_s + FAIR_SHARE * hours_to_go * 3600)

    def put_off(self, until_s: float) -> None:
        """Ask nothing before a moment, s."""
        self._unasked_until_s = max(self._unasked_until_s, until_s)

    def take(self, record: Record) -> None:
        """Take the newest frame: time goes by, faster in the warm."""
        now_s = record.now_s
        if self._time.untouched and record.joined_late and record.pitched_s is not None:
            self._time.share = pace_per_h(record.beer_c) * min((now_s - record.pitched_s) / 3600, UNSEEN_H)
        self._time.take(now_s, record.beer_c)
        if record.due(OWN_PACE_S):
            self._own.take(now_s, record)
        self._slide.take(record)
        self._off_the_valve.take(record, often=self.clock >= HALF_WAY)

    def weigh(self, record: Record) -> tuple[str, ...]:
        """Return the evidence once it suffices, else nothing."""
        now_s = record.now_s
        valve = record.valve
        if record.chill_s is not None or valve.held.since_s is None or not record.due(PACE_S):
            return ()
        if now_s < self._unasked_until_s or _limit_at_hand(record) or record.cooled_k(DAY_S) > COOLED_K:
            return ()
        dropped = _lets_off(record)
        heat = record.exotherm.heat()
        clock = self.clock
        if clock < self._needed:
            if clock >= self._quiet_from and (quiet := self._gone_quiet(record, heat, dropped)):
                return quiet
            sooner = clock >= SLID_SOONER * self._needed and not dropped
            return slid_to_rest(record, self._slide.levels(record)) if sooner else ()
        if dropped or (clock < PATIENCE and _heat_fades(heat)):
            return ()
        levels = self._slide.levels(record)
        if len(levels) < 4:
            return ()
        slide = float(max(levels[:-2]) - levels[-1])
        lately = float(levels[-3] - levels[-1])
        if lately < -max(RISING_BAR, 6 * valve.frame_noise_bar):
            return ()
        hours = record.age_h
        if valve.cycles and now_s - valve.sudden_drops()[-1].time_s < DAY_S:
            return (
                f"the drops that were seen in a day let off no more than {_let_off_g_per_l(record):.1f} g/L CO2",
                f"{hours:.0f} h since the first gas: most worts are done by then",
            )
        if slide > MOST_SLIDE_BAR:
            return ()
        if slide > max(SLIDE_BAR, 6 * valve.frame_noise_bar):
            if lately > SLIDE_DONE * slide + 2 * valve.frame_noise_bar:
                return ()
            return slid(record, slide)
        if not self._time_suffices():
            return self._gone_quiet(record, heat, dropped)
        lately_c = record.since(now_s - 2 * CHUNK_S)[:, BEER]
        lately_c = lately_c[np.isfinite(lately_c)]
        where = f", now at {float(lately_c.mean()):.1f} °C" if len(lately_c) else ""
        return (
            "held for twelve hours without a sign of flow",
            f"{hours:.0f} h since the first gas{where}: most worts are done by then",
        )

    def _gone_quiet(self, record: Record, heat: Heat | None, dropped: bool) -> tuple[str, ...]:
        """Return what else speaks of the end: drops that have ceased, cool hours that show, heat that has all come."""
        return (
            gone_quiet(record)
            or self._off_the_valve.evidence(record)
            or (() if dropped else _all_heat(record, heat))
        )


def _limit_at_hand(record: Record) -> bool:
    """Tell whether the pressure is at the rated limit, or climbs so that it will be soon: that comes first, whatever ferments."""
    lately = record.since(record.now_s - 3600)[:, BAR]
    climb_bar_per_h = float(lately[-1] - lately.min())
    return record.bar + SOON_H * climb_bar_per_h >= record.vessel.rated_pressure_bar


def _lets_off(record: Record) -> bool:
    """Tell whether drops show that gas comes: of a valve that cycles as much as a fermentation makes in a day."""
    drops = record.valve.sudden_drops()
    if not record.valve.cycles:
        return bool(drops) and record.now_s - drops[-1].time_s < ONCE_S
    teeth = record.valve.teeth
    if teeth.count > len(teeth.drops) and record.now_s - teeth.drops[0].time_s < DAY_S:
        return True  # more than are kept
    return _let_off_g_per_l(record) > LITTLE_G_PER_L


def _let_off_g_per_l(record: Record) -> float:
    """Return at most how much CO2 the drops of the last day were, as far as they are kept, g/L."""
    lately = [drop for drop in record.valve.sudden_drops() if record.now_s - drop.time_s < DAY_S]
    return record.capacity_g_per_l_bar * sum(drop.size_bar for drop in lately)


def _all_heat(record: Record, heat: Heat | None) -> tuple[str, ...]:
    """Return the evidence that the beer has given off the heat of all its sugar, in beer warm enough; empty if it has not."""
    limits = record.vessel.yeast_temperature_c
    if (
        heat is None
        or heat.co2_g_per_l < MOST_HEAT * record.expected_co2_g_per_l
        or not heat.growth <= LAST_HEAT
    ):
        return ()
    if limits is not None and record.beer_c < limits[0]:
        return ()
    given_off = (
        f"the heat that the beer gave off is that of {heat.co2_g_per_l:.0f} g/L CO2, of {record.expected_co2_g_per_l:.0f} "
        f"expected: at the height it was {heat.fallen_k:.1f} K further above its air than now"
    )
    return given_off, f"{record.age_h:.0f} h since the first gas"


def _heat_fades(heat: Heat | None) -> bool:
    """Tell whether the beer's warmth above its air still falls, as it does while production fades."""
    return heat is not None and heat.fallen_k > FADING_K and heat.growth > FADING
