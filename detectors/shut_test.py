"""The shut-valve test that shows production: `still-fermenting`, with a rate and the hours to go.

Early in a batch the answer comes within minutes, before the pressure is anywhere near the plate. Late in it a slow climb may
be no more than beer that gives off what it holds beyond saturation, which dies away within a day: then the test has to last
for the hours that were asked for, and the answer waits until production is surely beside it. From then on, while it waits, what is
known is told at growing intervals (`unsettled.py`).
"""

import math
from dataclasses import dataclass, replace

from ullage.detectors import ending_told as told
from ullage.detectors.ending_bound import BoundSettings, ToCome
from ullage.detectors.finding import Finding
from ullage.detectors.first_climb import WHOLE, FirstClimb, Worth, climbing_since_s, worth
from ullage.detectors.frames import Frame
from ullage.detectors.held_level import OVER_LIFT_BAR
from ullage.detectors.hours_to_go import hours_to_go
from ullage.detectors.production import Production
from ullage.detectors.proof import Proof
from ullage.detectors.record import BAR, Record
from ullage.detectors.rest_above import rests_above
from ullage.detectors.unsettled import Unsettled, dies_away, far_from_limit
from ullage.detectors.usual_time import pace_per_h

UNASKED_S = 86_400.0
"""A valve that sticks looks like a test again and again: where nobody asked for one it is answered once a day."""
SURELY_BEGUN = 0.5
"""Share of the way to nine tenths of the gas before which a climb that slows down is no end."""
REST_PACE_S = 3600.0
SURELY_MUCH = 2.5
"""Production, g/L a day, that beer which gives off what it holds does not feign."""
FASTEST, FASTEST_H = 12.0, 4.0
"""Age divided by it, or that many hours, is the fastest time constant with which yeast goes to rest."""
LEAST_G_PER_L_DAY = 0.2
MOSTLY_OVER, MAY_BE_OVER = 0.8, 0.4
"""Shares of the usual time after which a climb may be what the beer gives off: told so, where a test can wait. Yeasts differ by
a factor of two, so from the second on a climb that is little enough may be."""
LITTLE_G_PER_L_DAY = 1.2
"""Production at the least, by the head space alone, that is so little."""
SURELY_MADE_G_PER_L_DAY = 3.5
"""After the hours that were asked for a climb by more is production; beer that was roused gives off two or three."""
FADING = 0.8
"""A climb whose last third surely is below so much of the whole falls too fast for yeast that still has much to do."""
STUCK_AT_LEAST = 0.25
"""Share of the usual mean production that a vessel surely makes before half of the usual time, once its valve has begun to hold."""
WELL_H = 2.0
"""Time to spare before the rated limit, where a test goes on."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AnswerSettings(BoundSettings):
    """When a test is answered."""

    going_g_per_l_day: float = 0.6
    """A rate that is surely above this during a test means still fermenting."""
    answer_after_h: float = 0.1
    ask_hours: float = 6.0
    """How long the shut-valve test is asked for."""
    late_progress: float = 1.0
    """Share of the usual time after which a test is given longer where the rate is below `late_g_per_l_day`."""
    late_g_per_l_day: float = 2.0
    longest_test_h: float = 24.0


def tested(record: Record) -> bool:
    """Tell whether a shut-valve test seems to be going on."""
    return record.valve.proof in (Proof.WORD, Proof.ABOVE)


def _far_too_slow(record: Record, climb: Production, progress: float) -> bool:
    """Tell whether a climb that nobody announced is too slow for a wort in full swing behind a valve that sticks.

    So slow is the level of a smooth valve as its flow still grows, by whatever the valve lifts.
    """
    usual_g_per_l_day = 24 * pace_per_h(record.beer_c) * record.expected_co2_g_per_l
    return progress < SURELY_BEGUN and climb.rate_g_per_l_day < STUCK_AT_LEAST * usual_g_per_l_day


class ShutTest:
    """Answers each test once; keeps which one was answered, and whether anybody had said that the valve is shut."""

    def __init__(self, settings: AnswerSettings, to_come: ToCome) -> None:
        self.settings = settings
        self._to_come = to_come
        self._first_climb = FirstClimb()
        self._answered_shut_s = self._answered_s = -math.inf
        self._doubted_shut_s = -math.inf
        """Start of the test of which was said that the climb may be gas given off."""
        self.doubtful = False
        """Whether the last answer said so: then it refutes nothing."""
        self._unsettled = Unsettled()
        self._left_unsettled = False
        self._surely_g_per_l_day = 0.0
        """Production at the least by which the last test was answered."""
        self._ended_s = -math.inf
        """When the last test ended that was looked at once more."""
        self._unsaid_shut_s: float | None = None
        """Start of the climb that was answered though nobody had said that the valve is shut."""

    def take(self, frame: Frame) -> None:
        """Take the newest frame's minutes."""
        self._first_climb.take(frame)

    def answer(
        self, record: Record, start_s: float, progress: float, *, silent: bool = False
    ) -> Finding | None:
        """Return that production goes on, once a shut stretch (since `start_s`), or what is known; None if there is nothing to say.

        `progress` is the suspicion's: the share of the usual time that has gone by. `silent` if what is not settled is not to
        be told: an end is about to be called, or something else was said of it.
        """
        s, said = self.settings, record.valve.proof is Proof.WORD
        shut_h = (record.now_s - start_s) / 3600
        if not tested(record) or shut_h < s.answer_after_h or self._answered_shut_s == start_s:
            return None
        asked = said or record.suspected_s is not None
        if not asked and (record.now_s - self._answered_s < UNASKED_S or self._may_be_flow(record, progress)):
            return None
        from_s = start_s if said else climbing_since_s(record, start_s)
        recent = record.production_over(from_s - 60, max(1.5, shut_h))
        if recent is None:
            recent = self._first_climb.production(record, from_s)
        share = worth(record, shut_h)
        if not asked and recent is not None and _far_too_slow(record, recent, progress):
            return None
        waits = said and not silent and (record.suspected_s is not None or progress >= MAY_BE_OVER)
        if recent is None or share.likely * recent.low <= s.going_g_per_l_day:
            return self._word(record, start_s) if waits else None
        doubted = self._doubted_shut_s == start_s
        may_be = said and self._may_be_over(recent, share, progress, doubted=doubted)
        self.doubtful = may_be and self._can_wait(record, recent, shut_h)
        if self.doubtful and not doubted:
            self._doubted_shut_s = start_s
            return told.gas_comes(record, recent, share, shut_h, s.ask_hours, late=progress >= MOSTLY_OVER)
        if self.doubtful or (
            said
            and (doubted or progress >= s.late_progress)
            and self._may_be_given_off(record, start_s, share.likely * recent.rate_g_per_l_day)
        ):
            return self._word(record, start_s) if waits else None
        if waits and self._may_stay_shut(record, recent, start_s, progress):
            return self._word(record, start_s)
        self._answered_shut_s, self._answered_s = start_s, record.now_s
        self._surely_g_per_l_day = share.least * recent.low
        self._unsaid_shut_s = None if said else start_s
        return self.still(record, recent, shut_h, progress, share)

    def _word(self, record: Record, start_s: float) -> Finding | None:
        """Return what is known of a test that is not settled, if a word is due; one that the limit ends is answered by it."""
        word = self._unsettled.word(record, start_s, self.settings.ask_hours)
        self.doubtful = word is not None and word.value is None
        if word is not None and not self.doubtful:
            self._answered_shut_s, self._answered_s = start_s, record.now_s
            self._surely_g_per_l_day, self._unsaid_shut_s = 0.0, None
        return word

    def _may_stay_shut(self, record: Record, climb: Production, start_s: float, progress: float) -> bool:
        """Tell whether a vessel that still makes a little had better stay shut: late in a batch, well below its rated limit, for a
        day, and for longer if less and less comes.
        """
        hours = (record.now_s - start_s) / 3600
        return (
            progress >= MOSTLY_OVER
            and hours >= self.settings.ask_hours
            and climb.rate_g_per_l_day < SURELY_MUCH
            and far_from_limit(record, start_s)
            and (hours <= self.settings.longest_test_h or dies_away(record, start_s))
        )

    def at_its_end(self, record: Record, progress: float) -> Finding | None:
        """Return the same for a test that ended before it was answered: in a small head space minutes may be all there are."""
        if record.valve.tested_s is None or record.valve.tested_s[1] == self._ended_s:
            return None
        shut_s, self._ended_s = record.valve.tested_s
        if self._answered_shut_s >= shut_s:
            return None
        self._left_unsettled = shut_s == self._doubted_shut_s or self._unsettled.told_of(shut_s)
        climb = self._first_climb.production(record, shut_s, self._ended_s)
        shut_h = (self._ended_s - shut_s) / 3600
        share = worth(record, shut_h)
        s = self.settings
        late = progress >= s.late_progress
        least = max(s.late_g_per_l_day, s.going_g_per_l_day) if late else s.going_g_per_l_day
        if climb is None or share.likely * climb.low <= least:
            return None
        self._answered_shut_s, self._answered_s = shut_s, record.now_s
        return self.still(record, climb, shut_h, progress, share, ended=True)

    def left_unsettled(self) -> bool:
        """Tell, once, that a test has ended of which a climb was told and not what it is."""
        left, self._left_unsettled = self._left_unsettled, False
        return left

    def broken_off(self, record: Record, start_s: float, rate_g_per_l_day: float) -> bool:
        """Tell whether a climb that was surely production, in the stretch since `start_s`, has ended faster than yeast goes to rest.

        Then gas has found its way out: a valve that was hardly turned opens again a little higher.
        """
        if self._answered_shut_s != start_s or self._surely_g_per_l_day < SURELY_MUCH:
            return False
        fallen = math.log(self._surely_g_per_l_day / max(rate_g_per_l_day, LEAST_G_PER_L_DAY))
        fastest_h = max(record.age_h / FASTEST, FASTEST_H)
        return record.now_s - self._answered_s < fastest_h * 3600 * fallen

    @staticmethod
    def _may_be_flow(record: Record, progress: float) -> bool:
        """Tell whether a climb may be that of a smooth valve's level as its flow still grows."""
        first_bar = record.valve.held.first_bar
        return (
            progress < SURELY_BEGUN and first_bar is not None and record.last(BAR) < first_bar + OVER_LIFT_BAR
        )

    def _may_be_over(self, climb: Production, share: Worth, progress: float, *, doubted: bool) -> bool:
        """Tell whether a climb need not be production, for all that is known so far; once doubted it stays so for longer."""
        rate = climb.rate_g_per_l_day
        if progress >= MOSTLY_OVER:
            return share.least * rate < self.settings.late_g_per_l_day
        return (
            progress >= MAY_BE_OVER
            and share.least * rate < LITTLE_G_PER_L_DAY
            and (doubted or share.likely * rate < SURELY_MUCH)
        )

    def _can_wait(self, record: Record, climb: Production, shut_h: float) -> bool:
        """Tell whether a climb may go on, well below the rated limit, until it is known what it is."""
        left_h = self.settings.ask_hours - shut_h
        return left_h > 0 and self._well_below(record, climb, left_h + WELL_H)

    @staticmethod
    def _well_below(record: Record, climb: Production, hours: float) -> bool:
        """Tell whether a climb leaves the pressure below the rated limit for so long."""
        in_the_end_bar = record.bar + climb.high / 24 * hours / record.capacity_g_per_l_bar
        return in_the_end_bar < record.vessel.rated_pressure_bar

    def _may_be_given_off(self, record: Record, start_s: float, rate_g_per_l_day: float) -> bool:
        """Tell whether a low rate may be what the beer gives off."""
        s, shut_h = self.settings, (record.now_s - start_s) / 3600
        most = (
            s.late_g_per_l_day if shut_h < s.ask_hours else max(SURELY_MADE_G_PER_L_DAY, s.late_g_per_l_day)
        )
        if rate_g_per_l_day >= most or shut_h > s.longest_test_h:
            return False
        if shut_h < s.ask_hours:
            return True
        apart = record.production_beside_release(start_s, shut_h)
        if apart is not None and apart.low <= s.going_g_per_l_day:
            return True
        # within its first half day a release can't be told from production, but it fades faster than yeast does
        whole, lately = record.production_over(start_s, shut_h), record.production_over(start_s, shut_h / 3)
        return (
            whole is not None
            and lately is not None
            and lately.high < FADING * whole.rate_g_per_l_day
            and self._well_below(record, whole, WELL_H)
        )

    def still(
        self,
        record: Record,
        most: Production,
        shut_h: float,
        progress: float,
        share: Worth = WHOLE,
        *,
        ended: bool = False,
    ) -> Finding:
        """Return that it still ferments, and for how long it will go on; `ended` once the valve is open again."""
        likely = replace(most, rate_g_per_l_day=share.likely * most.rate_g_per_l_day)
        tail_h, left = self._to_come.tail_h(record, likely), self.settings.to_come_g_per_l
        to_go_h = hours_to_go(record, likely, tail_h, progress, left)
        return told.still_fermenting(record, most, share, shut_h, to_go_h, ended=ended)

    def by_rest(self, record: Record, progress: float) -> Finding | None:
        """Ask for the brewer's word, where a climb that was answered as production has come to rest of itself."""
        since_s = self._unsaid_shut_s
        if since_s is None or not record.due(REST_PACE_S) or progress < SURELY_BEGUN:
            return None
        if record.valve.proof is Proof.WORD or record.valve.gas_left_s > since_s:
            self._unsaid_shut_s = None
            return None
        if not rests_above(record, since_s):
            return None
        self._unsaid_shut_s = None
        record.suspected_s = record.now_s
        return told.rests_above(record, (record.now_s - since_s) / 3600)
