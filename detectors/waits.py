"""Waits of the cold side, each by the beer and not only the clock: finings when due, the second dose, ready.

Cold through takes about twelve hours with the beer in its target; a dose of finings settles about twelve hours, and the
beer stands twelve to twenty-four more after the last one; cider needs no finings (all common practice). A beer that
warms up meanwhile begins its wait anew. What is due is said once; again when the wait had to begin anew, or when a
`snooze` is over.
"""

import math
from dataclasses import dataclass, replace

from ullage.detectors.advice import fining_advice, serving_advice
from ullage.detectors.advice_bottle import CLOSE
from ullage.detectors.advice_fining import DOSING_DIFFERENCE_BAR
from ullage.detectors.advice_gap import gap_text
from ullage.detectors.bottle_on import bottle_on
from ullage.detectors.co2 import dissolved_g_per_l, volumes_from_g_per_l
from ullage.detectors.detector import Detector
from ullage.detectors.finding import Condition, Finding, Priority, State
from ullage.detectors.frames import Frame
from ullage.detectors.journal import Word, understand
from ullage.detectors.next_step import next_step
from ullage.detectors.old_gauge import old_gauge
from ullage.detectors.record import Record
from ullage.detectors.samples import Entry
from ullage.detectors.stage import Stage, StageChange, current
from ullage.detectors.stages import Hours, Stages
from ullage.detectors.vessel import Vessel

SNOOZE_H = 12.0
LONGEST_SNOOZE_H = 14 * 24.0
TOLD_AGAIN_WITHIN_S = 3600.0
"""So soon after a snooze what is still due is said anew, if anything is heard of the vessel."""
BY_THE_GAUGE = (
    f"No pressure is known here: by the vessel's gauge the head space must be {DOSING_DIFFERENCE_BAR:g} bar below the dosing gas. "
    "If it is not, vent slowly, with door or window open: CO2 gathers low."
)
FIRST, SECOND, READY = "first dose", "second dose", "ready"
_WAITED_FOR_IN = {FIRST: Stage.COLD, SECOND: Stage.FIRST_FINING, READY: Stage.CONDITIONED}
"""The stage in which each is waited for; in a later one it is done."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WaitsSettings:
    """How long each wait is, and the gas that pushes finings in."""

    cold_h: float = 12.0
    settle_h: float = 12.0
    """After a dose of finings that is not the last."""
    last_settle_h: float = 18.0
    """After the last dose: within the 12 to 24 h of common practice."""
    cold_c: float = 5.0
    """Counts as cold where neither journal nor plan names a target."""
    within_c: float = 1.0
    dosing_bar: float = 1.0
    """Gas that finings are pushed in with, bar gauge."""


class Waits(Detector):
    """Says `fining-due` and `ready`, and keeps the stage of the batch."""

    name = "waits"
    Settings = WaitsSettings

    def __init__(self, vessel: Vessel, settings: WaitsSettings) -> None:
        super().__init__(vessel)
        self.settings = settings
        self.stages = Stages(
            vessel,
            Hours(
                cold_h=settings.cold_h,
                settle_h=settings.settle_h,
                last_settle_h=settings.last_settle_h,
                cold_c=settings.cold_c,
                within_c=settings.within_c,
            ),
        )
        self._told = ""
        self._told_before: set[str] = set()
        self._quiet_until_s = -math.inf

    def frame(self, frame: Frame, record: Record) -> list[Finding]:
        """Move the stage on, and say what has become due."""
        self.stages.frame(frame, record)
        self._look_ahead(frame.end_s, record)
        due = self._due(frame.end_s, record)
        if due != self._told:
            self._told = ""
        if not due or due == self._told or frame.end_s < self._quiet_until_s:
            return []
        self._told = due
        again = due in self._told_before
        self._told_before.add(due)
        if due == READY:
            return [self._ready(frame.end_s, record)]
        return [self._fining_due(frame.end_s, record, due, again=again)]

    def entry(self, entry: Entry, record: Record) -> list[Finding]:
        """Take the brewer's word about stages, doses and snoozes."""
        known = understand(entry.text)
        if known is not None and known.word is Word.SNOOZE:
            hours = SNOOZE_H if known.number is None else known.number
            if 0 < hours <= LONGEST_SNOOZE_H:
                self._quiet_until_s = entry.time_s + hours * 3600
                self._told = ""
        self.stages.enter(entry, record)
        self._look_ahead(entry.time_s, record)
        return []

    def _look_ahead(self, now_s: float, record: Record) -> None:
        """Say what is next, at once after the brewer's word: with a dead sensor no frame comes."""
        step = next_step(self.stages, record, now_s)
        if step is not None and math.isfinite(self._quiet_until_s):
            step = replace(step, quiet_until_s=self._quiet_until_s)
            if step.remind_s is not None and self._due(
                now_s, record
            ):  # said anew first, not only reminded of
                told_s = self._quiet_until_s + TOLD_AGAIN_WITHIN_S
                step = replace(step, remind_s=max(step.remind_s, told_s))
        record.next_step = step

    def _due(self, now_s: float, record: Record) -> str:
        """Return what waits for the brewer now; empty if nothing does."""
        stage = _stage(record)
        if stage is Stage.COLD and self.stages.batch.doses > 0:
            return FIRST
        if stage is Stage.FIRST_FINING and self.stages.batch.doses > 1:
            settled_s = self.stages.settling_until_s()
            return SECOND if settled_s is not None and now_s >= settled_s else ""
        return READY if stage is Stage.CONDITIONED else ""

    def _fining_due(self, now_s: float, record: Record, due: str, *, again: bool) -> Finding:
        beer_c = _beer_c(record)
        cold_s = self.stages.cold.since_s
        why = f"The beer has been in the cold for {_hours(now_s, cold_s)} h, at {beer_c:.1f} °C: "
        if due == SECOND:
            why = f"The first dose has settled for {self._settled_h(now_s)} h at {beer_c:.1f} °C: "
        elif cold_s is None:
            why = f"You have entered that the beer is cold; it is at {beer_c:.1f} °C: "
        anew = self._anew(due, again=again)
        advice = None
        if not math.isnan(record.bar):
            advice = fining_advice(self.vessel, record.bar, self.settings.dosing_bar, _sane_c(beer_c))
        how = BY_THE_GAUGE if advice is None else advice.text
        dosing_bar = self.settings.dosing_bar if advice is None else advice.dosing_bar
        text = f"{why}the {due} of finings is due{anew}. {how}{old_gauge(now_s, record)} "
        text += "Then enter `fined` with the mL."
        if due == FIRST and record.finished_s is None:
            text += " That fermentation is over has not been proved here: take a gravity sample first."
        return self.finding(
            now_s, Condition.FINING_DUE, State.NOTED, Priority.MEDIUM, text, subject=due,
            value=None if advice is None else record.bar,
            limit=None if advice is None else advice.vent_to_bar, unit="bar",
            evidence=(self._in_target(now_s), f"dosing gas of {dosing_bar:.2f} bar"),
        )  # fmt: skip

    def _in_target(self, now_s: float) -> str:
        since_s = self.stages.cold.since_s
        return (
            "the brewer's word" if since_s is None else f"beer in its target for {_hours(now_s, since_s)} h"
        )

    def _waited(self, now_s: float) -> str:
        """Say what the last wait was."""
        if not self.stages.doses and (self.stages.batch.doses or self.stages.cold.since_s is None):
            return "so you have entered"
        if not self.stages.doses:
            return f"cold for {_hours(now_s, self.stages.cold.since_s)} h, and no finings wanted"
        which = "dose" if len(self.stages.doses) == 1 else "last dose"
        return f"the {which} of finings has settled for {self._settled_h(now_s)} h in the cold"

    def _anew(self, due: str, *, again: bool) -> str:
        """Say so if the beer warmed up during the wait."""
        warmed_s = self.stages.cold.warmed_s
        if (
            warmed_s is None
            or (due == FIRST and not again)
            or (due == SECOND and warmed_s < self.stages.doses[0])
        ):
            return ""
        return "; the beer had warmed up meanwhile, so the wait began anew"

    def _settled_h(self, now_s: float) -> str:
        return _hours(now_s, max(self.stages.doses[-1], self.stages.cold.since_s or -math.inf))

    def _ready(self, now_s: float, record: Record) -> Finding:
        beer_c, bar = _sane_c(_beer_c(record)), record.bar
        batch = self.stages.batch
        text = f"Ready: {self._waited(now_s)}. "
        wanted = batch.wanted_g_per_l
        if math.isnan(bar):
            text += "How much CO2 it holds is not known, as no pressure is. "
            text += "" if wanted is None else serving_advice(self.vessel, wanted, batch.serving_c).text
            return self._ready_with(now_s, record, text, None)
        holds = float(dissolved_g_per_l(bar, beer_c, self.vessel.air_pressure_bar))
        bottle = bottle_on(record)
        if bottle is not None and bottle.before_g_per_l < holds * (1 - CLOSE):
            text += (
                f"The beer held about {bottle.before_g_per_l:.1f} g/L of CO2 before gas was connected {bottle.hours:.0f} h ago, "
                f"and takes up more for days: at {bar:.2f} bar and {beer_c:.1f} °C it comes to {holds:.1f} g/L. It is there once "
                "the gauge stands still with the bottle shut. "
            )
            text += "" if wanted is None else serving_advice(self.vessel, wanted, batch.serving_c).text
            return self._ready_with(now_s, record, text + old_gauge(now_s, record), bottle.before_g_per_l)
        text += (
            f"At {bar:.2f} bar and {beer_c:.1f} °C the beer holds about "
            f"{holds:.1f} g/L ({float(volumes_from_g_per_l(holds)):.1f} volumes) of CO2. "
        )
        if wanted is not None:
            gap = gap_text(self.vessel, wanted, bar, beer_c)
            serving = serving_advice(self.vessel, wanted, batch.serving_c).text
            text += f"{gap} For serving: {serving[0].lower()}{serving[1:]}" if gap else serving
        else:
            text += (
                f"A regulator at {max(bar, 0.0):.2f} bar keeps that while the beer stays at {beer_c:.1f} °C."
            )
        return self._ready_with(now_s, record, text + old_gauge(now_s, record), holds)

    def _ready_with(self, now_s: float, record: Record, text: str, holds_g_per_l: float | None) -> Finding:
        text = text.rstrip()
        if record.finished_s is None:
            text += " That fermentation is over has not been proved here: take a gravity sample before it gets warm."
        text += " Draw the first glass off, taste, and enter `tapped`. Air the room: CO2 gathers low."
        return self.finding(
            now_s, Condition.READY, State.NOTED, Priority.MEDIUM, text,
            value=holds_g_per_l, limit=self.stages.batch.wanted_g_per_l, unit="g/L",
            evidence=(self._in_target(now_s),),
        )  # fmt: skip


def still_due(finding: Finding, record: Record) -> bool:
    """Tell whether what a notice asks for is yet to be done; a notice that asks for no step of the cold side always holds."""
    if finding.condition not in (Condition.FINING_DUE, Condition.READY):
        return True
    due = READY if finding.condition is Condition.READY else finding.subject
    return _stage(record) is _WAITED_FOR_IN.get(due)


def _hours(now_s: float, since_s: float | None) -> str:
    return "some" if since_s is None else f"{(now_s - since_s) / 3600:.0f}"


def _stage(record: Record) -> Stage | None:
    change: StageChange | None = current(record.stages)
    return None if change is None else change.stage


def _beer_c(record: Record) -> float:
    """Return the beer's temperature as last heard, whether or not a pressure came with it."""
    heard_c = record.thermometer.beer_c
    return record.beer_c if math.isnan(heard_c) else heard_c


def _sane_c(celsius: float) -> float:
    """Return a beer temperature within what the advice is good for."""
    return min(max(celsius, -2.0), 36.0)
