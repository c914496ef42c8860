"""Stalls: production that stops in beer too cold for its yeast, or breaks off sooner than most worts are done.

A stall by cold is told by temperature; the other looks like an end that came too soon, and only gravity tells the two
apart.
"""

import math
from itertools import pairwise

from ullage.detectors import ending_told as told
from ullage.detectors.drop_worth import drop_share
from ullage.detectors.ending_by_gravity import far_enough
from ullage.detectors.fading import fades, given_off
from ullage.detectors.finding import Finding
from ullage.detectors.gone_quiet import clear_gap_s
from ullage.detectors.let_off import LetOff
from ullage.detectors.medians import median
from ullage.detectors.production import Production
from ullage.detectors.proof import Proof
from ullage.detectors.record import BAR, Record
from ullage.detectors.temperature import BELOW_BEER_K
from ullage.detectors.usual_time import pace_per_h

SOON = 1.15
"""Share of the time that most worts take to make nine tenths of their gas: production that breaks off before is odd."""
GOES_ON_H = 3.0
"""Gas has to come for so long again before a stall that looked like an end is over: the first hour of a tooth gives back
what the drop took."""
WENT_ON_S = 24 * 3600.0
"""So long after gas has come again a gravity that stands is no stall: a smooth valve's pressure wavers, and so would the alarm."""
ASLEEP_S = 12 * 3600.0
"""So long in the cold, and yeast may sleep for a day after it: silence counts again only then (half a day below the range)."""
COLD_S = 4 * 3600.0
"""So long below the range, and what is measured there is measured in the cold: a door left open is no cold spell."""
SOON_FOR_ITS_WORT = 1.0
"""Share of that time before which an end that came as one does is asked about, where the original gravity is known: a sample tells then.
Of 62 sound tuning batches 12 were over sooner, of 13 that stopped with sugar left 8."""
SURELY_SOON = 0.7
"""Up to this share of that time gas that broke off is a stall where the original gravity is known, beyond it a question."""
HARDLY = 0.6
"""Before this share of that time an end behind a valve is not believed yet, however it came."""
MAY_BE_DONE = 0.8
"""Share of that time after which beer that is silent in the cold may as well be done: many worts are by then."""
MOSTLY_DONE = 1.5
"""Share of that time after which a cold rest is no stall."""
ASLEEP_G_PER_L_DAY = 0.9
"""A fortieth of what a wort of 1.048 makes, a day: yeast at work in the middle of a fermentation makes ten times as much."""
COLD_SURE = 2.0
"""Standard errors that are enough for a stall which the temperature explains."""
HARDLY_COLD_K = 2.5
"""So little below its range yeast may go on, if more slowly; further down it is asleep or nearly so (common practice)."""
GAS_STAYS = (Proof.SEALED, Proof.WORD, Proof.CYCLE)
COLD_K = 1.0
"""So far below its range yeast that lets the valve rest does so for the cold."""
OFF_BAR, OFF_NOISES, QUIET_S = 0.03, 5.0, 8 * 3600.0
"""How far below its level a smooth valve's pressure is then, and for how long one that cycles has let nothing off."""
TAKEN_DOWN_BAR = 0.05
"""A pressure so far below the held level, in beer that cools, has left it."""
LEAST_QUIET_S, QUIET_TEETH = 3 * 3600.0, 8
"""A cycling valve that is quiet for so long, and so many teeth: what comes is a small part of what came before."""
WARM_S, AT_WORK_S, DROPS_AT_WORK = 24 * 3600.0, 6 * 3600.0, 3
"""So long after the beer came back into its range a valve that has let off so many drops within so long shows yeast at work."""
SLACK_C = 0.3
CHILL_S, CHILL_K = 12 * 3600.0, 6.0
"""Beer that was cooled by so much within so long was cooled on purpose: a fridge gone wrong is slower."""


class Stalls:
    """Keeps since when the beer has been too cold, and whether a stall stands. `progress` is the suspicion's."""

    def __init__(self, young_h: float) -> None:
        self._young_h = young_h
        self._cold_since_s: float | None = None
        self.warm_since_s = -math.inf
        """When the beer last came back into the yeast's range from a spell below it that was long enough to send it to sleep."""
        self._back_s = -math.inf
        """When the beer last came back into that range, however short the spell."""
        self._stalled = False
        self._broke_off = False
        self._went_on_s = -math.inf
        self._sampled_s: float | None = None
        """When the sample was taken by which a stall stands."""

    def note_cold(self, record: Record) -> None:
        """Note whether the newest frame is below the yeast's range: clearly below to begin with, then until it is back in."""
        limits = record.vessel.yeast_temperature_c
        if limits is None:
            return
        slack_c = BELOW_BEER_K if record.thermometer.in_air else SLACK_C
        if record.beer_c >= limits[0] - (slack_c if self._cold_since_s is None else 0.0):
            if self._cold_since_s is not None and record.now_s - self._cold_since_s >= ASLEEP_S:
                self.warm_since_s = record.now_s
            if self._cold_since_s is not None:
                self._back_s = record.now_s
            self._cold_since_s = None
        elif self._cold_since_s is None:
            self._cold_since_s = record.now_s

    @property
    def too_cold(self) -> bool:
        """Tell whether the beer is below the yeast's range."""
        return self._cold_since_s is not None

    @property
    def asleep(self) -> bool:
        """Tell whether a stall stands and the beer is still too cold: then silence is no end."""
        return self._stalled and self.too_cold

    @property
    def standing(self) -> bool:
        """Tell whether a stall stands: then nothing seems to be over."""
        return self._stalled

    def cold_before(self, time_s: float) -> bool:
        """Tell whether it has been too cold since before a moment (s): an end that the warm beer showed is one."""
        return self._cold_since_s is not None and self._cold_since_s < time_s

    def watch(self, record: Record, progress: float) -> list[Finding]:
        """Raise a stall by cold, or clear a stall of either kind."""
        if self._stalled:
            return self._goes_on(record)
        production = self._nothing_made_in_the_cold(record, progress)
        return self.by_cold(record, production, progress) if production is not None else []

    def by_cold(self, record: Record, production: Production, progress: float) -> list[Finding]:
        """Raise a stall by cold, if none stands and the cold is not the brewer's own plan."""
        meant_c = record.coldest_meant_c(record.now_s)
        planned = meant_c is not None and record.beer_c >= meant_c - SLACK_C
        cold_s = self._cold_since_s
        if self._stalled or planned or record.chill_s is not None:
            return []  # cold is what is wanted
        if cold_s is None or record.now_s - cold_s < COLD_S:
            return []
        self._stalled = True
        return [told.stalled_by_cold(record, production, late=progress >= MAY_BE_DONE)]

    def by_gravity(self, record: Record, attenuation: float) -> list[Finding]:
        """Raise a stall with much extract left, if none stands and gas has not been seen to come again of late."""
        if self._stalled or record.now_s - self._went_on_s < WENT_ON_S:
            return []
        self._stalled = True
        latest = record.gravity.latest
        self._sampled_s = latest.time_s if latest is not None else None
        return [told.stalled_high(record, attenuation)]

    def sampled_high(self, record: Record) -> bool:
        """Tell whether a stall stands by a sample: silence says nothing against it, only a newer sample or gas does."""
        latest = record.gravity.latest
        if not self._stalled or self._sampled_s is None:
            return False
        return latest is None or latest.time_s <= self._sampled_s

    def over(self, record: Record) -> list[Finding]:
        """Clear a stall that stands: fermentation is over."""
        if not self._stalled:
            return []
        self._stalled, self._sampled_s = False, None
        return [told.stalled_no_more(record)]

    def hardly(self, record: Record, progress: float) -> bool:
        """Tell whether even a natural end would come surprisingly soon: beer that gives off gas can look like one."""
        return progress < HARDLY and not far_enough(record)

    def too_soon(self, record: Record, let_off: LetOff, progress: float, proof: Proof | None) -> bool:
        """Tell whether production broke off where most worts would still have gas to make: once seen, for good.

        Yeast that goes to sleep for a reason of its own looks like that. So do a few that are done early; only gravity
        knows.
        """
        if far_enough(record):
            self._broke_off = False
        elif proof is Proof.CYCLE and self.breaks_off(record, let_off, progress):
            self._broke_off = True
        return self._broke_off

    @staticmethod
    def breaks_off(record: Record, let_off: LetOff, progress: float) -> bool:
        """Tell whether production behind a cycling valve ended sooner, and faster, than that of most worts."""
        if fades(record, let_off) and not given_off(record, let_off):
            return False
        return _when_it_ceased(record, progress) < SOON

    @staticmethod
    def early_for_its_wort(record: Record, progress: float) -> bool:
        """Tell whether a wort whose gravity is known would be done sooner than most, and no sample says that it is."""
        if record.vessel.original_gravity is None or far_enough(record):
            return False
        return _when_it_ceased(record, progress) < SOON_FOR_ITS_WORT

    def ask_for_gravity(self, record: Record, production: Production) -> list[Finding]:
        """Ask for a sample, where an end is as likely as yeast that has stopped."""
        if self._stalled or record.suspected_s is not None:
            return []
        record.suspected_s = record.now_s
        return [told.over_early(record, production)]

    def stopped_too_soon(self, record: Record, production: Production, progress: float) -> list[Finding]:
        """Ask for a gravity sample; an alarm where the original gravity says how much there was to ferment."""
        if self._stalled or record.suspected_s is not None:
            return []
        if record.vessel.original_gravity is None or progress > SURELY_SOON:
            record.suspected_s = record.now_s
            return [told.over_or_asleep(record, production)]
        self._stalled = True
        return [told.stalled_early(record, production)]

    def _nothing_made_in_the_cold(self, record: Record, progress: float) -> Production | None:
        """Return what next to nothing is made in beer gone cold by mistake; None if it is made, or can't be told."""
        cold_s = self._cold_since_s
        if cold_s is None or record.now_s - cold_s < COLD_S or record.chill_s is not None:
            return None
        if progress > MOSTLY_DONE or record.cooled_k(CHILL_S) > CHILL_K:
            return None
        if record.suspected_s is not None and record.suspected_s < cold_s:
            return None  # it seemed to be over while the beer was warm
        drops = record.valve.teeth.drops
        recent = record.production_over(max(cold_s, drops[-1].time_s + 1200 if drops else 0.0), 8.0)
        if recent is None or recent.hours < 3:
            return None
        ceased = _drops_ceased(record) and clear_gap_s(record.valve) is not None
        left = ceased or self._left_the_valve(record, progress)
        if self._hardly_cold(record) and record.valve.proof not in GAS_STAYS and not left:
            return None  # flat behind a valve says nothing, and a fading flow slides as far as cool beer takes it down
        most = recent.rate_g_per_l_day + COLD_SURE * recent.se_g_per_l_day
        if most > ASLEEP_G_PER_L_DAY and not _taken_down(record) and not _drops_ceased(record):
            return None
        hardly_begun = record.age_h < self._young_h and record.rates.peak < 2 * recent.high
        return None if hardly_begun else recent

    @staticmethod
    def _left_the_valve(record: Record, progress: float) -> bool:
        """Tell whether the valve of a beer that is too cold has no work any more: its drops have ceased for hours, or before most
        worts are done cooling takes the pressure off it, which flow pins at the height."""
        limits, held_bar = record.vessel.yeast_temperature_c, record.valve.held.bar
        if limits is None or held_bar is None or record.beer_c > limits[0] - COLD_K:
            return False
        quiet_s = record.now_s - record.valve.gas_left_s
        if _drops_ceased(record) and quiet_s >= QUIET_S:
            return True
        off_bar = max(OFF_BAR, OFF_NOISES * record.valve.frame_noise_bar)
        cooled = record.valve.proof is Proof.COOLED and progress < MAY_BE_DONE
        return cooled and held_bar - record.last(BAR) >= off_bar

    @staticmethod
    def _hardly_cold(record: Record) -> bool:
        limits = record.vessel.yeast_temperature_c
        return limits is not None and record.beer_c > limits[0] - HARDLY_COLD_K

    def _goes_on(self, record: Record) -> list[Finding]:
        """Clear the stall once gas surely comes again in beer that is warm enough."""
        if self.too_cold:
            return []
        doubted = self._broke_off or self._sampled_s is not None  # then a wobble must not end it
        if not doubted and self._lets_off_again(record):
            self._stalled = False
            self._went_on_s = record.now_s
            return [told.lets_off_again(record)]
        recent = record.production_over(max(record.valve.shut_s, record.now_s - 6 * 3600), 6.0)
        if recent is None or (doubted and recent.hours < GOES_ON_H):
            return []
        share = drop_share(record) if record.valve.proof is Proof.CYCLE else 1.0
        if recent.low * share > (1.0 if doubted else 0.3):
            self._stalled = self._broke_off = False
            self._sampled_s = None
            self._went_on_s = record.now_s
            return [told.goes_on_again(record, recent)]
        return []

    def _lets_off_again(self, record: Record) -> bool:
        """Tell whether a cycling valve is at work in beer that has been warm for a day: by then what warming drove out is gone.

        Teeth too fast for the readings, or cut off by a swing, show no rate; that drops come is plain all the same.
        """
        if record.now_s - self._back_s < WARM_S:
            return False
        lately = [drop for drop in record.valve.usual_drops if record.now_s - drop.time_s < AT_WORK_S]
        return len(lately) >= DROPS_AT_WORK


def _when_it_ceased(record: Record, progress: float) -> float:
    """Return the share of the usual time that had passed when the valve last let gas off."""
    since_h = (record.now_s - record.valve.gas_left_s) / 3600
    return progress - since_h * pace_per_h(record.beer_c)


def _taken_down(record: Record) -> bool:
    """Tell whether cooling beer takes up so much more gas than is made that pressure has left the valve's level.

    A kelvin asks for 0.1 g/L: yeast at work makes as much within the hour, and the valve goes on passing gas.
    """
    held_bar = record.valve.held.bar
    if record.valve.proof is not Proof.COOLED or held_bar is None:
        return False
    return held_bar - record.last(BAR) >= TAKEN_DOWN_BAR


def _drops_ceased(record: Record) -> bool:
    """Tell whether a cycling valve has been quiet for many times as long as its last teeth took."""
    drops = record.valve.usual_drops[-6:]
    if len(drops) < 3:
        return False
    usual_s = median(later.time_s - earlier.time_s for earlier, later in pairwise(drops))
    return record.now_s - record.valve.gas_left_s >= max(LEAST_QUIET_S, QUIET_TEETH * usual_s)
