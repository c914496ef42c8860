"""The end of fermentation, with evidence: a bound on the CO2 still to come, never a flat line alone.

`finished` needs a stretch in which gas provably could not leave (valve.py), and in it an upper bound of production
that leaves no more than `to_come_g_per_l` of CO2, given how slowly a fermentation of this age can die away
(ending_bound.py, tail.py). A falling content is no proof either: it may be a leak that hides production
(ending_doubts.py).

Gas that the beer gives off after the yeast has stopped looks like production that dies away. It only delays the
verdict: as it fades, the bound falls below the limit whichever it was.
"""

import math
from dataclasses import dataclass

from ullage.detectors import ending_told as told
from ullage.detectors.coming_again import coming_again
from ullage.detectors.cooled_shut import beside_uptake, shut_by_cooling
from ullage.detectors.detector import Detector
from ullage.detectors.early_chill import made_at_the_chill
from ullage.detectors.ending_bound import Bound, ToCome
from ullage.detectors.ending_by_gravity import (
    far_enough,
    gravity_evidence,
    stands_too_high,
    stood_since_s,
    too_high,
)
from ullage.detectors.ending_doubts import gas_goes, past_its_peak, suddenly_still
from ullage.detectors.fading import fades
from ullage.detectors.finding import Finding
from ullage.detectors.frames import Frame
from ullage.detectors.over_since import over_since_s
from ullage.detectors.proof import Proof
from ullage.detectors.record import BAR, Record
from ullage.detectors.shut_test import SURELY_BEGUN, AnswerSettings, ShutTest, tested
from ullage.detectors.stalls import SOON, Stalls
from ullage.detectors.standing import Standing
from ullage.detectors.suspicion import Suspicion
from ullage.detectors.vessel import Vessel

OVERRULED_S = 86_400.0
"""So long after the brewer has said that it is not over, or gas has come again, it is not called over again."""
PACE_S = 3600.0
PACE_TEST_S = 1800.0
"""Pause between two looks at the bound, and during a shut-valve test."""
AWAKE_S = 24 * 3600.0
"""So long after a cold spell has ended, silence may still be sleep."""
SURELY_SLOW = 1 / 6
"""Time constant, as a share of age, with which no leak hides production that still goes on."""
MOST_ARE_DONE = 1.0
"""Share of the time that most worts take for nine tenths of their gas: a chill before it is early, as a rule."""
AGAIN_S = 24 * 3600.0
"""So long after a test that ended unsettled it may be asked for again."""
WIDER = 1.4
"""A bound that stood is not lost by one that is wider by so much: what is to come never grows."""
PROOFS_OF_END = (Proof.SEALED, Proof.WORD, Proof.CYCLE)
"""A little below the held level proves too little: a fading flow can take it there as well. Far below it, cooling has
(cooled_shut.py)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EndingSettings(AnswerSettings):
    """When the end is called, and when its opposite."""

    least_shut_h: float = 3.0
    confirm_h: float = 1.0
    """How long the bound must stay below the limit before it is believed."""
    confirm_sealed_h: float = 4.0
    confirm_cycling_h: float = 10.0
    confirm_fading_h: float = 3.0
    """The same where many teeth have shown production fade no faster than yeast does."""
    young_h: float = 20.0
    """No fermentation is over sooner after its first gas."""


class Ending(Detector):
    """Says `finish-suspected`, `still-fermenting`, `finished` and `stalled`."""

    name = "ending"
    Settings = EndingSettings

    def __init__(self, vessel: Vessel, settings: EndingSettings) -> None:
        super().__init__(vessel)
        self.settings = settings
        self._to_come = ToCome(settings)
        self._suspicion = Suspicion(vessel)
        self._test = ShutTest(settings, self._to_come)
        self._stalls = Stalls(settings.young_h)
        self._finished_made = math.nan
        self._standing = Standing()
        self._weighed_chill_s: float | None = None
        self._taken_back_s = -math.inf
        """When gas came again after the end had been called."""

    def frame(self, frame: Frame, record: Record) -> list[Finding]:
        """Weigh the evidence once a frame: the bound first, then gravity, cold, and time alone."""
        if math.isnan(frame.pressure_bar) or record.activity_s is None or record.tapped_s is not None:
            return []
        self._stalls.note_cold(record)
        if record.frozen:
            return []
        self._to_come.take(record)
        self._suspicion.take(record)
        self._test.take(frame)
        if record.finished_s is not None:
            return self._resumed(record)
        found = self._by_production(record) or self._at_the_chill(record)
        if not found and self._due(record):
            found = self._by_gravity(record)
        found += self._stalls.watch(record, self._suspicion.progress)
        if not found and record.suspected_s is None and not self._stalls.standing:
            rests = self._test.by_rest(record, self._suspicion.progress)
            found = [rests] if rests is not None else self._by_time(record)
        return found

    def _due(self, record: Record) -> bool:
        """Tell whether it is time for a look: oftener during a test."""
        return record.due(PACE_TEST_S if tested(record) else PACE_S)

    # -- the end by production -------------------------------------------------------------------------------------

    def _by_production(self, record: Record) -> list[Finding]:
        """Bound what is to come in the shut stretch that lasts now, and say what follows."""
        ended = self._test.at_its_end(record, self._suspicion.progress)
        if ended is not None:
            return self._refuted(record, ended)
        if self._test.left_unsettled():
            record.suspected_s = None
            self._suspicion.put_off(record.now_s + AGAIN_S)
        start_s = record.valve.shut_s if math.isfinite(record.valve.shut_s) else record.began_s
        start_s = max(start_s, record.trusted_since_s, self._stalls.warm_since_s)
        if not record.valve.shut:
            self._standing.gas_may_leave(record.now_s)
            return self._at_the_opening(record, start_s)
        if not self._due(record):
            return self._answer(record, start_s)
        bound = self._to_come.tightest(record, start_s)
        if bound is None:
            return self._answer(record, start_s)
        if record.valve.proof is Proof.COOLED:
            bound = beside_uptake(record, bound, self._suspicion.progress)
        record.production = bound.production
        self._standing.looked_s = record.now_s
        return self._verdict(record, bound, start_s)

    def _verdict(self, record: Record, bound: Bound, start_s: float) -> list[Finding]:
        shut_h = (record.now_s - start_s) / 3600
        begun = self._suspicion.progress >= SURELY_BEGUN
        if record.valve.proof is Proof.ABOVE and begun and self._stands(record, bound, shut_h):
            return self._seems_over(record, bound, shut_h)
        limit = self._to_come.limit_g_per_l(record)
        if not self._is_over(record, bound, start_s, WIDER * limit):
            self._standing.doubt(record.valve.proof, PACE_S)
            return self._answer(record, start_s)
        if not self._standing.look(record.now_s, bound, limit):
            return self._answer(record, start_s)
        return self._conclude(record, bound, start_s)

    def _at_the_opening(self, record: Record, start_s: float) -> list[Finding]:
        """Go on with a bound that stood until the pressure came up to where the valve opens, and rests there.

        Gas may leave now, but what was to come at the last look has not become more; a drop or a leak ends it.
        """
        stood = self._standing.bound
        if self._standing.since_s is None or stood is None or stood.proof is not Proof.CYCLE:
            return []
        if (
            not self._due(record)
            or record.valve.gas_left_s > self._standing.looked_s
            or not record.valve.rests_at_opening(record.last(BAR))
        ):
            return []
        if self._stalls.breaks_off(record, self._to_come.let_off, self._suspicion.progress):
            return []  # the next tooth will tell
        return self._conclude(record, stood, start_s)

    def _conclude(self, record: Record, bound: Bound, start_s: float) -> list[Finding]:
        """Call the end once the bound has stood long enough, unless cold, gravity or time say that it is a stall."""
        since_s = self._standing.since_s
        assert since_s is not None
        if record.now_s - since_s < self._confirm_s(record, bound) - 1:
            return []
        if self._stalls.asleep or self._stalls.sampled_high(record):
            return []
        if self._stalls.cold_before(since_s):
            return self._stalls.by_cold(record, bound.production, self._suspicion.progress)
        if record.now_s - self._stalls.warm_since_s < AWAKE_S:
            return []
        attenuation = too_high(record)
        if attenuation is not None:
            return self._stalls.by_gravity(record, attenuation)
        progress = self._suspicion.progress
        if self._stalls.too_soon(record, self._to_come.let_off, progress, bound.proof):
            return self._stalls.stopped_too_soon(record, bound.production, progress)
        if bound.proof is Proof.CYCLE and self._stalls.hardly(record, progress):
            return []
        if bound.proof is Proof.CYCLE and self._stalls.early_for_its_wort(record, progress):
            return self._stalls.ask_for_gravity(record, bound.production)
        self._finish(record, over_since_s(record, bound, start_s, self.settings.to_come_by_word_g_per_l))
        soon = not record.valve.sealed and progress < SOON and not far_enough(record)
        limit, shut_h = self._to_come.limit_g_per_l(record), (self._standing.looked_s - start_s) / 3600
        return [*self._stalls.over(record), told.finished(record, bound, limit, shut_h, soon=soon)]

    def _is_over(self, record: Record, bound: Bound, start_s: float, limit: float) -> bool:
        """Tell whether the bound is below a limit, in a stretch that proves it, and nothing speaks against it."""
        s, production = self.settings, bound.production
        shut_h = (record.now_s - start_s) / 3600
        return (
            bound.most_g_per_l <= limit
            and (record.valve.proof in PROOFS_OF_END or self._shut_by_cooling(record))
            and max(shut_h, production.hours) >= s.least_shut_h
            and production.hours >= 0.8 * s.least_window_h
            and record.age_h >= s.young_h
            and not self._overruled(record)
            and not gas_goes(record, production, max(start_s, record.valve.gas_left_s))
            and not suddenly_still(record, bound.measured)
            and not self._test.broken_off(record, start_s, production.rate_g_per_l_day)
            and past_its_peak(record, bound, self._to_come)
        )

    def _shut_by_cooling(self, record: Record) -> bool:
        return not self._stalls.too_cold and shut_by_cooling(record, self._suspicion.progress)

    def _confirm_s(self, record: Record, bound: Bound) -> float:
        """Return how long the bound must stand: longer where a leak could cancel production for a while."""
        s = self.settings
        hours = {Proof.WORD: s.confirm_h, Proof.SEALED: s.confirm_sealed_h}
        natural = bound.whole_teeth and fades(record, self._to_come.let_off, SURELY_SLOW)
        cycling_h = s.confirm_fading_h if natural else s.confirm_cycling_h
        return 3600 * hours.get(bound.proof or Proof.CYCLE, cycling_h)

    def _stands(self, record: Record, bound: Bound, shut_h: float) -> bool:
        """Tell whether a vessel that seems shut, though nobody said so, makes next to nothing any more."""
        s = self.settings
        return (
            bound.most_g_per_l <= s.to_come_by_word_g_per_l
            and bound.production.hours >= s.least_window_h
            and shut_h >= s.ask_hours
            and record.age_h >= s.young_h
        )

    def _seems_over(self, record: Record, bound: Bound, shut_h: float) -> list[Finding]:
        if record.suspected_s is not None:
            return []
        record.suspected_s = record.now_s
        return [told.seems_over(record, bound, shut_h)]

    def _finish(self, record: Record, since_s: float) -> None:
        record.finished_s, record.over_since_s = record.now_s, since_s
        self._finished_made = self._to_come.let_off.made_g_per_l(record)

    def _overruled(self, record: Record) -> bool:
        """Tell whether the brewer, or gas that came again, has said within a day that it is not over."""
        return record.now_s - max(record.overruled_s, self._taken_back_s) < OVERRULED_S

    # -- the end by other evidence ---------------------------------------------------------------------------------

    def _by_gravity(self, record: Record) -> list[Finding]:
        """Call the end by gravity samples that stand still."""
        attenuation = stands_too_high(record)
        if attenuation is not None and not self._stalls.too_cold:
            return self._stalls.by_gravity(record, attenuation)
        evidence = gravity_evidence(record, record.now_s)
        if evidence is None or self._overruled(record):
            return []
        self._finish(record, stood_since_s(record))
        return [*self._stalls.over(record), told.finished_by_gravity(record, evidence)]

    def _by_time(self, record: Record) -> list[Finding]:
        """Ask for a shut-valve test, where nothing proves that gas can't leave and none is going on."""
        if record.valve.proof is Proof.WORD:
            return []
        evidence = self._suspicion.weigh(record)
        if not evidence:
            return []
        record.suspected_s = record.now_s
        return [told.may_be_over(record, evidence, self.settings.ask_hours)]

    # -- not the end -----------------------------------------------------------------------------------------------

    def _answer(self, record: Record, start_s: float) -> list[Finding]:
        """Answer a shut-valve test that shows production: then nothing seems to be over."""
        said_else = self._standing.since_s is not None or self._stalls.standing or self._stalls.too_cold
        silent = said_else or record.chill_s is not None
        answer = self._test.answer(record, start_s, self._suspicion.progress, silent=silent)
        if answer is None:
            return []
        return [answer] if self._test.doubtful else self._refuted(record, answer)

    def _refuted(self, record: Record, answer: Finding) -> list[Finding]:
        record.suspected_s = None
        self._suspicion.refuted(record.now_s, answer.value or 0.0)
        return [answer]

    def _at_the_chill(self, record: Record) -> list[Finding]:
        """Say at once that a chill has begun too early, if it surely has, or that nothing shows whether it has."""
        if record.chill_s == self._weighed_chill_s:
            return []
        self._weighed_chill_s = record.chill_s
        production = made_at_the_chill(record, self._to_come.let_off)
        if production is not None and production.low > self.settings.going_g_per_l_day:
            return [told.chilled_early(record, production)]
        early = self._suspicion.progress < MOST_ARE_DONE and self._standing.since_s is None
        unasked = record.suspected_s is None and not self._stalls.standing
        return [told.chilled_unproved(record)] if early and unasked and not far_enough(record) else []

    def _resumed(self, record: Record) -> list[Finding]:
        """Take `finished` back if CO2 surely comes again at a steady temperature: held by the beer, or in drops let off."""
        assert record.finished_s is not None
        hours = (record.now_s - record.finished_s) / 3600
        production = coming_again(record, record.finished_s, self.settings.going_g_per_l_day)
        if production is None:
            return []
        made = self._to_come.let_off.made_g_per_l(record)
        if math.isnan(self._finished_made):  # the brewer said that it was over
            self._finished_made = made
        if made - self._finished_made < 2 * self.settings.to_come_g_per_l:
            return []
        record.finished_s = record.over_since_s = None
        record.suspected_s = None
        self._taken_back_s = record.now_s
        return [self._test.still(record, production, hours, self._suspicion.progress)]
