"""The end of fermentation, with evidence: a bound on the CO2 still to come, never a flat line alone.

`finished` needs a stretch in which gas provably could not leave (valve.py), and in it an upper bound of production
that leaves no more than `to_come_g_per_l` of CO2, given how slowly a fermentation of this age can die away
(production.tail_constant_h). A falling content is no proof either: it may be a leak that hides production.

Gas that the beer gives off after the yeast has stopped looks like production that dies away. It only delays the
verdict: as it fades, the bound falls below the limit whichever it was.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from ullage.detectors.detector import Detector
from ullage.detectors.ending_by_gravity import gravity_evidence
from ullage.detectors.finding import Condition, Finding, Priority, State
from ullage.detectors.frames import Frame
from ullage.detectors.late_halves import LateHalves
from ullage.detectors.let_off import LetOff
from ullage.detectors.production import Production
from ullage.detectors.record import BEER, Record
from ullage.detectors.suspicion import Suspicion
from ullage.detectors.tail import tail_by_age_h
from ullage.detectors.valve import Proof
from ullage.detectors.vessel import Vessel

LONGEST_H = 48.0
SHARES = (1.0, 0.5, 0.25)
"""Windows as shares of the shut stretch: a release that has died away must not spoil the later part."""
OVERRULED_S = 86_400.0
"""So long after the brewer has said that it is not over, it is not called over again."""
PACE_S = 3600.0
PACE_TEST_S = 1800.0
"""Pause between two looks at the bound, and during a shut-valve test."""
MUCH_G_PER_L = 8.0
"""CO2 once made after which a low rate can't be a beginning."""
GIVEN_OFF = 2.5
SURELY_SLOW = 1 / 6
"""Time constant, as a share of age, with which no leak hides production that still goes on."""
COUNTED_SIDE = 0.92
FALLEN = 0.35
"""Most time constants by which a rate may be taken to have fallen since the middle of its window."""
SOON = 1.15
"""Share of the time that most worts take to make nine tenths of their gas: production that breaks off before is odd."""
SURELY_SOON = 0.7
MOSTLY_DONE = 1.5
"""Share of that time after which a cold rest is no stall."""
CHILL_S, CHILL_K = 12 * 3600.0, 6.0
PROOFS_OF_END = (Proof.SEALED, Proof.WORD, Proof.CYCLE)
"""Cooling below the held level proves too little: a fading flow can take the level there as well."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EndingSettings:
    """When the end is called, and when its opposite."""

    to_come_g_per_l: float = 0.3
    """CO2 that may still come at `finished`: less than 0.1 °P (0.4 g/L), to leave room for what a bound can't know."""
    to_come_by_word_g_per_l: float = 0.4
    """The same where no valve can be at work: sealed, or shut by the brewer's word."""
    to_come_cycling_g_per_l: float = 0.35
    sure: float = 3.0
    sure_by_word: float = 2.0
    """Standard errors that the bound lies above the rate."""
    slow_side: float = 1.2
    """How much slower than first order the tail may be."""
    least_shut_h: float = 3.0
    least_window_h: float = 3.0
    confirm_h: float = 1.0
    """How long the bound must stay below the limit before it is believed."""
    confirm_sealed_h: float = 4.0
    confirm_cycling_h: float = 10.0
    confirm_fading_h: float = 3.0
    """The same where many teeth have shown production fade no faster than yeast does."""
    going_g_per_l_day: float = 0.6
    """A rate that is surely above this during a test means still fermenting."""
    answer_after_h: float = 0.3
    young_h: float = 20.0
    """No fermentation is over sooner after its first gas."""
    ask_hours: float = 6.0
    """How long the shut-valve test is asked for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bound:
    """What a shut stretch says: production, and CO2 still to come at the most and at the least, g/L."""

    production: Production
    most_g_per_l: float
    tail_h: float
    measured: Production
    """Production as the history of rates has it: in a cycling valve's drops larger than the truth by one factor."""
    whole_teeth: bool = False
    """Whether it counts the drops of whole teeth: then gas still came, if little of it."""


class Ending(Detector):
    """Says `finish-suspected`, `still-fermenting`, `finished` and `stalled`."""

    name = "ending"
    Settings = EndingSettings

    def __init__(self, vessel: Vessel, settings: EndingSettings) -> None:
        super().__init__(vessel)
        self.settings = settings
        self._suspicion = Suspicion(vessel)
        self._late_halves = LateHalves()
        self._let_off = LetOff()
        self._answered_shut_s = -math.inf
        self._finished_content = math.nan
        self._over_since_s: float | None = None
        self._looked_s = -math.inf
        self._broke_off = False
        self._stalled = False
        self._cold_since_s: float | None = None

    def frame(self, frame: Frame, record: Record) -> list[Finding]:
        """Weigh the evidence once a frame."""
        if math.isnan(frame.pressure_bar) or record.activity_s is None or record.tapped_s is not None:
            return []
        self._note_cold(frame.end_s, record)
        if record.frozen:
            return []
        self._let_off.take(record)
        self._suspicion.take(record)
        if record.finished_s is not None:
            return self._resumed(frame.end_s, record)
        found: list[Finding] = []
        start_s = record.valve.shut_s if math.isfinite(record.valve.shut_s) else record.began_s
        start_s = max(start_s, record.trusted_since_s)
        if not record.valve.shut:
            if frame.end_s - self._looked_s > 12 * 3600:
                self._over_since_s = None
        elif not self._due(frame.end_s, record):
            found += self._test_answer(frame.end_s, record, start_s, (frame.end_s - start_s) / 3600)
        else:
            bound = self._bound(record, start_s)
            if bound is not None:
                record.production = bound.production
                found += self._verdict(frame.end_s, record, bound, start_s)
        if not found and record.finished_s is None and self._due(frame.end_s, record):
            found += self._by_gravity(frame.end_s, record)
        found += self._stall_by_cold(frame.end_s, record)
        if not found and record.finished_s is None and record.suspected_s is None:
            evidence = self._suspicion.weigh(record)
            if evidence:
                found.append(self._suspect(frame.end_s, record, evidence))
        return found

    def _due(self, now_s: float, record: Record) -> bool:
        """Tell whether it is time for a look: by the clock, so that cuts change nothing; oftener during a test."""
        tested = record.valve.proof in (Proof.WORD, Proof.ABOVE)
        return now_s % (PACE_TEST_S if tested else PACE_S) < 1.0

    # -- measuring ------------------------------------------------------------------------------------------------

    def _tail_h(self, record: Record, production: Production, share: float = 1.0) -> float:
        """Return the slowest time constant that the rest of this fermentation may have, h."""
        if record.valve.sealed:
            made = record.capacity_g_per_l_bar * (record.bar - record.start_bar)
        else:
            made = 0.6 * record.expected_co2_g_per_l
        by_age = self.settings.slow_side * tail_by_age_h(
            max(made, 0.1), max(record.age_h, 6.0), production.high * share
        )
        by_rates = record.rates.tail_h(production)
        if by_rates is None:
            return by_age
        if (
            share < 1
        ):  # whole teeth are measured better than a slope, the last of them tell best how it goes on
            last = self._let_off.last(record)
            now_h = record.rates.tail_h(last) if last is not None else None
            by_rates = COUNTED_SIDE * max(by_rates, now_h or 0.0)
        return max(min(by_age, by_rates), record.age_h / (10 if share < 1 else 8), 4.0)

    def _bound(self, record: Record, start_s: float) -> Bound | None:
        """Return the tightest bound over stretches that end now.

        In a tooth the beer first gives back to the head space what the drop took from it; only what comes after that is
        production. So beside the whole stretch, with all teeth added up, count the last tooth alone and the later
        halves of the teeth before it.
        """
        tooth_s = max(start_s, record.valve.gas_left_s)
        bounds = self._bounds_since(record, start_s)
        if tooth_s > start_s:
            bounds += self._bounds_since(record, tooth_s)
        if record.valve.proof is Proof.CYCLE:
            late = self._late_halves.watch(record, tooth_s)
            if late is not None:
                bounds.append(self._as_bound(record, late))
            bounds += [
                self._as_bound(record, one.production, one.share, whole_teeth=True)
                for one in self._let_off.counted(record)
            ]
        elif bounds:
            record.rates.note(bounds[0].measured)
        teeth = [one for one in bounds if one.whole_teeth and one.most_g_per_l <= self._limit(record)]
        return min(teeth or bounds, key=lambda bound: bound.most_g_per_l, default=None)

    def _as_bound(
        self, record: Record, production: Production, share: float = 1.0, *, whole_teeth: bool = False
    ) -> Bound:
        sure = self.settings.sure_by_word if record.valve.proof is Proof.WORD else self.settings.sure
        high = max(production.rate_g_per_l_day + sure * production.se_g_per_l_day, 0.02)
        tail_h = self._tail_h(record, production, share)
        high *= share
        if share < 1:
            high *= 1 - self._let_off.released(record, tail_h)
        # the window's mean rate is that of its middle; a tail of at most tail_h has fallen since, but in a window that
        # is long against it the rate may have stood still and only then begun to fall, or the tail be another one
        ago_h = (record.now_s - (production.start_s + production.end_s) / 2) / 3600
        measured = production
        if share < 1:
            production = replace(
                production,
                rate_g_per_l_day=production.rate_g_per_l_day * share,
                se_g_per_l_day=production.se_g_per_l_day * share,
            )
        return Bound(
            production=production,
            most_g_per_l=high * tail_h / 24 * math.exp(-min(ago_h / tail_h, FALLEN)),
            tail_h=tail_h,
            measured=measured,
            whole_teeth=whole_teeth,
        )

    def _bounds_since(self, record: Record, start_s: float) -> list[Bound]:
        shut_h = (record.now_s - start_s) / 3600
        longest_h = min(shut_h, LONGEST_H)
        bounds: list[Bound] = []
        for share in SHARES:
            hours = longest_h * share
            if share < 1 and hours < self.settings.least_window_h:
                break
            production = record.production_over(start_s, hours + 0.01)
            if production is not None and production.hours >= 0.7 * hours:
                bounds.append(self._as_bound(record, production))
        return bounds

    def _limit(self, record: Record) -> float:
        s = self.settings
        return (
            s.to_come_by_word_g_per_l
            if record.valve.proof in (Proof.WORD, Proof.SEALED)
            else s.to_come_cycling_g_per_l
        )

    # -- verdicts -------------------------------------------------------------------------------------------------

    def _verdict(self, now_s: float, record: Record, bound: Bound, start_s: float) -> list[Finding]:
        self._looked_s = now_s
        shut_h = (now_s - start_s) / 3600
        if record.valve.proof is Proof.ABOVE and self._stands(record, bound, shut_h):
            return (
                [] if record.suspected_s is not None else [self._suspect_shut(now_s, record, bound, shut_h)]
            )
        if not self._is_over(record, bound, start_s, shut_h):
            self._over_since_s = None
            return self._test_answer(now_s, record, start_s, shut_h)
        if self._over_since_s is None:
            self._over_since_s = now_s
        if now_s - self._over_since_s < self._confirm_s(record, bound) - 1:
            return []
        if self._too_cold(record):
            return self._stall(now_s, record, bound.production)
        if self._too_soon(record):
            return self._stopped_too_soon(now_s, record, bound.production)
        return [self._finish(now_s, record, bound, shut_h)]

    def _too_soon(self, record: Record) -> bool:
        """Tell whether production broke off where most worts would still have gas to make: once seen, for good.

        Yeast that goes to sleep for a reason of its own looks like that. So do a few that are done early; only gravity
        knows.
        """
        if record.valve.proof is Proof.CYCLE and (not self._fades(record) or self._given_off(record)):
            self._broke_off = self._broke_off or self._suspicion.progress < SOON
        return self._broke_off

    def _stands(self, record: Record, bound: Bound, shut_h: float) -> bool:
        """Tell whether a vessel that seems shut, though nobody said so, makes next to nothing any more."""
        s = self.settings
        return (
            bound.most_g_per_l <= s.to_come_by_word_g_per_l
            and bound.production.hours >= s.least_window_h
            and shut_h >= s.ask_hours
            and record.age_h >= s.young_h
        )

    def _confirm_s(self, record: Record, bound: Bound) -> float:
        """Return how long the bound must stand: longer where a leak could cancel production for a while."""
        s = self.settings
        hours = {Proof.WORD: s.confirm_h, Proof.SEALED: s.confirm_sealed_h}
        natural = bound.whole_teeth and self._fades(record, SURELY_SLOW)
        cycling_h = s.confirm_fading_h if natural else s.confirm_cycling_h
        return 3600 * hours.get(record.valve.proof or Proof.CYCLE, cycling_h)

    def _test_answer(self, now_s: float, record: Record, start_s: float, shut_h: float) -> list[Finding]:
        """Answer a shut-valve test that shows production, once a shut stretch."""
        tested = record.valve.proof in (Proof.WORD, Proof.ABOVE)
        if not tested or shut_h < self.settings.answer_after_h or self._answered_shut_s == start_s:
            return []
        recent = record.production_over(start_s - 60, max(1.5, shut_h))
        if recent is None or recent.low <= self.settings.going_g_per_l_day:
            return []
        self._answered_shut_s = start_s
        record.suspected_s = None
        self._suspicion.refuted(now_s)
        return [self._still(now_s, record, recent, shut_h)]

    def _is_over(self, record: Record, bound: Bound, start_s: float, shut_h: float) -> bool:
        s = self.settings
        return (
            bound.most_g_per_l <= self._limit(record)
            and bound.production.high > -0.1  # gas that goes may hide gas that is made
            and bound.production.rate_g_per_l_day > self._least_rate(record, bound.production)
            and not self._suddenly_still(record, bound.measured)
            and not self._losing(record, max(start_s, record.valve.gas_left_s))
            and record.valve.proof in PROOFS_OF_END
            and max(shut_h, bound.production.hours) >= s.least_shut_h
            and bound.production.hours >= 0.8 * s.least_window_h
            and record.age_h >= s.young_h
            and record.now_s - record.overruled_s >= OVERRULED_S
            and self._past_its_peak(record, bound)
        )

    @staticmethod
    def _least_rate(record: Record, production: Production) -> float:
        """Return the rate below which gas surely goes, g/L/day: stricter where a valve may be at work."""
        return -production.se_g_per_l_day - 0.01 if record.valve.proof is Proof.CYCLE else -0.2

    @staticmethod
    def _suddenly_still(record: Record, production: Production) -> bool:
        """Tell whether a reading that does not move at all came to rest faster than yeast does: a frozen sensor?"""
        if record.now_s - record.moved_s < 2 * 3600:
            return False
        tail_h = record.rates.tail_h(production)
        return tail_h is not None and tail_h < record.age_h / 6

    @staticmethod
    def _losing(record: Record, start_s: float) -> bool:
        """Tell whether gas has been going for the last hours: then production may be hidden by a leak."""
        lately = record.production_over(start_s, 8.0)
        return lately is not None and lately.rate_g_per_l_day + 2 * lately.se_g_per_l_day < -0.03

    def _past_its_peak(self, record: Record, bound: Bound) -> bool:
        """A low rate that was never higher may be a beginning; a scatter beyond the noise, a valve at work."""
        production = bound.measured
        short = not bound.whole_teeth or self._let_off.stopped_short(record, record.age_h / 10)
        if record.valve.proof is Proof.CYCLE and short and self._abrupt(record):
            return False
        peak = record.rates.peak
        if record.valve.proof is Proof.CYCLE and self._let_off.made_g_per_l(record) > MUCH_G_PER_L:
            return True
        if (
            record.valve.proof is Proof.CYCLE
            and production.residual_sd_bar > 3 * record.valve.frame_noise_bar + 0.002
        ):
            return False
        return production.high <= 0.4 * peak if peak > 0 else record.age_h >= 48 and production.high < 0.15

    def _fades(self, record: Record, share_of_age: float = 1 / 8) -> bool:
        """Tell whether the rates are seen to have died away as slowly as a fermentation of this age does."""
        last = self._let_off.last(record)
        tail_h = record.rates.tail_h(last) if last is not None else None
        return (
            tail_h is not None
            and tail_h >= share_of_age * record.age_h
            and not self._let_off.stopped_short(record, record.age_h / 10)
        )

    def _given_off(self, record: Record) -> bool:
        """Tell whether what comes fades as fast as beer gives off what it holds: then nothing need be made any more."""
        last = self._let_off.last(record)
        tail_h = record.rates.tail_h(last) if last is not None else None
        return tail_h is not None and tail_h <= GIVEN_OFF * self._let_off.exchange_h(record)

    def _abrupt(self, record: Record) -> bool:
        """Tell whether production ended faster than yeast does, and too short ago to see what hides it.

        A leak as large as production holds the pressure still too, until production has faded further; and teeth too
        fast for the sampling look like none. Half a day alone, or a day where no slow teeth were seen before, tells.
        """
        tooth_h = (record.now_s - record.valve.gas_left_s) / 3600
        return not self._fades(record) and tooth_h < (
            12.0 if self._late_halves.slow_teeth(record.now_s) >= 2 else 24.0
        )

    def _finish(self, now_s: float, record: Record, bound: Bound, shut_h: float) -> Finding:
        record.finished_s = now_s
        production = bound.production
        self._finished_content = float(record.co2_g_per_l(record.since(now_s - 7200)).mean())
        proof = record.valve.proof
        assert proof is not None
        return self.finding(
            now_s, Condition.FINISHED, State.NOTED, Priority.MEDIUM,
            f"Fermentation is over: in {production.hours:.0f} h without a way out for gas no more than "
            f"{max(production.high, 0.02):.2f} g/L CO2 a day can have been made, so at most {bound.most_g_per_l:.1f} "
            "g/L are still to come. Next: leave the valve shut and chill. Before packaging or whenever in doubt, take "
            "a gravity sample.",
            value=bound.most_g_per_l, limit=self._limit(record), unit="g/L",
            rate_g_per_l_day=production.rate_g_per_l_day,
            evidence=(
                f"shut for {shut_h:.1f} h: {proof.value}",
                (
                    f"production {production.rate_g_per_l_day:.2f} ± {3 * production.se_g_per_l_day:.2f} g/L a day, "
                    "temperature taken out"
                ),
                f"a tail of at most {bound.tail_h:.0f} h after {record.age_h:.0f} h of fermentation",
            ),
        )  # fmt: skip

    def _by_gravity(self, now_s: float, record: Record) -> list[Finding]:
        """Call the end by gravity samples that stand still."""
        evidence = gravity_evidence(record, now_s)
        if evidence is None or now_s - record.overruled_s < OVERRULED_S:
            return []
        record.finished_s = now_s
        self._finished_content = float(record.co2_g_per_l(record.since(now_s - 7200)).mean())
        return [
            self.finding(
                now_s, Condition.FINISHED, State.NOTED, Priority.MEDIUM,
                f"Fermentation is over. {evidence} Nothing in temperature and pressure speaks against it. Next: leave "
                "the valve shut and chill.",
                evidence=(evidence,),
            )
        ]  # fmt: skip

    def _hours_to_go(self, record: Record, production: Production) -> float:
        """Return about how long it goes on, h: what the rate leaves to come, but no more than the wort still has.

        A young fermentation gets faster before it fades, and gas given off just after the valve is shut looks like more:
        so the wort's usual course at these temperatures bounds the estimate on both sides.
        """
        tail_h = min(self._tail_h(record, production), max(record.age_h / 2, 12.0))
        by_rate = production.rate_g_per_l_day * tail_h / 24
        by_time = record.expected_co2_g_per_l * 10**-self._suspicion.progress  # nine tenths gone at 1
        to_come = min(by_rate, by_time) if record.age_h > 48 else by_time
        return tail_h * math.log(max(to_come / self.settings.to_come_g_per_l, 1.5))

    def _still(self, now_s: float, record: Record, production: Production, shut_h: float) -> Finding:
        hours = self._hours_to_go(record, production)
        bar_per_h = production.rate_g_per_l_day / 24 / record.capacity_g_per_l_bar
        limit_h = (self.vessel.rated_pressure_bar - record.bar) / max(bar_per_h, 1e-6)
        sealed = self.vessel.valve_pressure_bar is None and record.valve.sealed
        advice = "If no gas is let off," if sealed else "Open the valve to its setting again; left shut,"
        return self.finding(
            now_s, Condition.STILL_FERMENTING, State.NOTED, Priority.MEDIUM,
            f"Still fermenting: {production.rate_g_per_l_day:.1f} g/L CO2 a day, about {hours:.0f} h to go. {advice} the "
            f"pressure reaches the rated {self.vessel.rated_pressure_bar:.2f} bar in about {limit_h:.0f} h.",
            value=hours, unit="h", rate_g_per_l_day=production.rate_g_per_l_day,
            evidence=(
                f"shut for {shut_h:.1f} h: {record.valve.proof.value if record.valve.proof else 'measured'}",
                f"pressure rises by {bar_per_h * 1000:.0f} mbar/h, temperature taken out",
            ),
        )  # fmt: skip

    def _suspect(self, now_s: float, record: Record, evidence: tuple[str, ...]) -> Finding:
        record.suspected_s = now_s
        return self.finding(
            now_s, Condition.FINISH_SUSPECTED, State.NOTED, Priority.MEDIUM,
            "Fermentation may be over, but behind the valve a flat pressure proves nothing. Wind the valve shut for "
            f"{self.settings.ask_hours:.0f} h and enter `valve shut` in the journal: if the pressure stays, it is over; "
            "if it climbs, open the valve again. Keep within the rated pressure.",
            evidence=evidence,
        )  # fmt: skip

    def _suspect_shut(self, now_s: float, record: Record, bound: Bound, shut_h: float) -> Finding:
        record.suspected_s = now_s
        return self.finding(
            now_s, Condition.FINISH_SUSPECTED, State.NOTED, Priority.MEDIUM,
            "Fermentation seems to be over: the valve looks shut, and pressure climbs no more. If it is shut, enter "
            "`valve shut` in the journal, or take a gravity sample: readings alone can't tell it from a valve that "
            "passes gas.",
            rate_g_per_l_day=bound.production.rate_g_per_l_day,
            evidence=(
                f"above where the valve used to open for {shut_h:.0f} h",
                f"no more than {max(bound.production.high, 0.02):.2f} g/L CO2 a day in the last {bound.production.hours:.0f} h",
            ),
        )  # fmt: skip

    def _resumed(self, now_s: float, record: Record) -> list[Finding]:
        """Take `finished` back if CO2 content climbs again at a steady temperature."""
        assert record.finished_s is not None
        hours = (now_s - record.finished_s) / 3600
        if hours < 6 or record.chill_s is not None or record.valve.opened_s > record.finished_s:
            return []
        rows = record.since(now_s - 8 * 3600)
        if len(rows) < 24 or abs(float(rows[0, BEER]) - float(rows[-1, BEER])) > 0.7:
            return []
        production = record.production_over(record.finished_s, 8.0)
        if production is None or production.low < self.settings.going_g_per_l_day:
            return []
        content = float(record.co2_g_per_l(rows[-6:]).mean())
        if math.isnan(self._finished_content):  # the brewer said that it was over
            self._finished_content = content
        if content - self._finished_content < 2 * self.settings.to_come_g_per_l:
            return []
        record.finished_s = None
        record.suspected_s = None
        return [self._still(now_s, record, production, hours)]

    # -- stalls ---------------------------------------------------------------------------------------------------

    def _note_cold(self, now_s: float, record: Record) -> None:
        if self.vessel.yeast_temperature_c is None:
            return
        low = self.vessel.yeast_temperature_c[0]
        if record.beer_c >= low - 0.3:
            self._cold_since_s = None
        elif self._cold_since_s is None:
            self._cold_since_s = now_s

    def _too_cold(self, record: Record) -> bool:
        return self._cold_since_s is not None

    def _stall_by_cold(self, now_s: float, record: Record) -> list[Finding]:
        if self._stalled:
            if self._cold_since_s is None:
                recent = record.production_over(max(record.valve.shut_s, now_s - 6 * 3600), 6.0)
                if recent is not None and recent.low > (1.0 if self._broke_off else 0.3):
                    self._stalled = self._broke_off = False
                    return [
                        self.finding(now_s, Condition.STALLED, State.CLEARED, Priority.MEDIUM,
                                     "Fermentation goes on again.", rate_g_per_l_day=recent.rate_g_per_l_day)
                    ]  # fmt: skip
            return []
        if self._cold_since_s is None or now_s - self._cold_since_s < 4 * 3600 or record.chill_s is not None:
            return []
        if self._suspicion.progress > MOSTLY_DONE or self._chilled(record):
            return []
        since_s = max(
            self._cold_since_s,
            record.valve.teeth.drops[-1].time_s + 1200 if record.valve.teeth.drops else 0.0,
        )
        recent = record.production_over(since_s, 8.0)
        if recent is None or recent.hours < 3 or recent.high > 0.9:
            return []
        if record.age_h < self.settings.young_h and record.rates.peak < 2 * recent.high:
            return []  # it has hardly begun
        return self._stall(now_s, record, recent)

    @staticmethod
    def _chilled(record: Record) -> bool:
        """Tell whether the beer has been cooled faster than a fridge gone wrong cools it by mistake: on purpose."""
        beer = record.since(record.now_s - CHILL_S)[:, BEER]
        return len(beer) > 1 and float(np.nanmax(beer)) - record.beer_c > CHILL_K

    def _stopped_too_soon(self, now_s: float, record: Record, production: Production) -> list[Finding]:
        """Ask for a gravity sample; an alarm where the original gravity says how much there was to ferment."""
        if self._stalled or record.suspected_s is not None:
            return []
        made = f"no more than {max(production.high, 0.02):.2f} g/L CO2 a day are made"
        soon = (
            f"{record.age_h:.0f} h after the first gas, sooner than most worts are done at this temperature"
        )
        if self.vessel.original_gravity is None or self._suspicion.progress > SURELY_SOON:
            record.suspected_s = now_s
            return [
                self.finding(
                    now_s, Condition.FINISH_SUSPECTED, State.NOTED, Priority.MEDIUM,
                    "Gas has stopped coming, within hours and early. Fermentation may be over, or the yeast asleep: "
                    "pressure can't tell. Take a gravity sample before anything else.",
                    rate_g_per_l_day=production.rate_g_per_l_day,
                    evidence=(made, soon),
                )
            ]  # fmt: skip
        self._stalled = True
        return [
            self.finding(
                now_s, Condition.STALLED, State.RAISED, Priority.MEDIUM,
                "Gas has stopped coming, within hours and early for a wort of "
                f"{self.vessel.original_gravity:.3f}: yeast asleep, or done sooner than most. Take a gravity sample. If "
                "it is high, rouse the yeast gently and warm it within its range.",
                rate_g_per_l_day=production.rate_g_per_l_day,
                evidence=(made, soon),
            )
        ]  # fmt: skip

    def _stall(self, now_s: float, record: Record, production: Production) -> list[Finding]:
        if self._stalled:
            return []
        self._stalled = True
        low = self.vessel.yeast_temperature_c[0] if self.vessel.yeast_temperature_c else math.nan
        return [
            self.finding(
                now_s, Condition.STALLED, State.RAISED, Priority.MEDIUM,
                f"Fermentation has stopped, and the beer is at {record.beer_c:.1f} °C, below the yeast's {low:.1f} °C: "
                "asleep rather than done. Warm it slowly into the range, rouse the yeast gently, and take a gravity "
                "sample.",
                value=record.beer_c, limit=low, unit="°C", rate_g_per_l_day=production.rate_g_per_l_day,
                evidence=(
                    f"production {production.rate_g_per_l_day:.2f} ± {3 * production.se_g_per_l_day:.2f} g/L a day",
                    "temperature below the yeast's range",
                ),
            )
        ]  # fmt: skip
