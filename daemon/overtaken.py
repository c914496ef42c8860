"""Whether what has waited is still worth telling: against the vessel's batch, stage and snooze as they are by now.

A notice held for the night, or while the phone was away, may have been answered meanwhile; told all the same it asks for
a second dose of finings. Only what shows that it was overtaken counts: stages are written a little after the notices that
come with them, so a stage that is still the one before proves nothing.
"""

import math
from dataclasses import dataclass

from ullage.daemon import outbox
from ullage.daemon.batch_reminders import due_reminder_s
from ullage.daemon.events import TO_DO, Event, EventKind
from ullage.daemon.store import batches
from ullage.daemon.store.journal import JournalEntry
from ullage.daemon.store.store import Store
from ullage.detectors.finding import NOTICES, Condition
from ullage.detectors.journal import Word, understand
from ullage.detectors.stage import NextStep, Stage, StageChange, current
from ullage.detectors.waits import FIRST, SECOND, TOLD_AGAIN_WITHIN_S

_WEIGHED = frozenset(notice.value for notice in NOTICES) | {TO_DO}
_SNOOZED = (Condition.FINING_DUE.value, Condition.READY.value)
_AT = {
    (Condition.CHILLED.value, ""): Stage.COLD,
    (Condition.FINING_DUE.value, FIRST): Stage.COLD,
    (Condition.FINING_DUE.value, SECOND): Stage.FIRST_FINING,
    (Condition.READY.value, ""): Stage.CONDITIONED,
}
_ANSWERS = {
    Condition.FINISH_SUSPECTED.value: (Condition.FINISHED.value, Condition.STILL_FERMENTING.value),
    Condition.STILL_FERMENTING.value: (Condition.FINISHED.value,),
    Condition.FINISHED.value: (Condition.STILL_FERMENTING.value,),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Situation:
    """What is known of a vessel."""

    since_s: float = -math.inf
    """When its batch began, or the last one ended."""
    stages: tuple[StageChange, ...] = ()
    step: NextStep | None = None
    entries: tuple[JournalEntry, ...] = ()
    """Of this batch, those withdrawn included."""
    events: tuple[Event, ...] = ()
    """Of this batch, or the newest of them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """What is to be done with a notice that has waited."""

    overtaken: str = ""
    """By what; empty if it was not."""
    wait_until_s: float = -math.inf
    """When it may be told."""


def situation(store: Store, vessel: str) -> Situation:
    """Return how a vessel stands.

    Raises
    ------
    StoreError
        If the database refuses.
    """
    last = batches.newest(store, vessel)
    since_s = None if last is None else last.began_s if last.ended_s is None else last.ended_s
    with store.reading() as connection:
        events = outbox.read_events(connection, vessel, since_s, 200)
    return Situation(
        since_s=-math.inf if since_s is None else since_s,
        stages=batches.stages(store, vessel, 0 if last is None or last.ended_s is not None else last.id),
        step=batches.next_step(store, vessel),
        entries=store.entries(vessel, since_s, struck=True),
        events=events,
    )


def standing(event: Event, known: Situation, now_s: float) -> Standing:
    """Tell whether a notice still stands; an alarm has a life of its own and always does."""
    condition = event.alarm.condition
    if event.kind is not EventKind.NOTED or not event.alarm.vessel or condition not in _WEIGHED:
        return Standing()
    overtaken = _overtaken(event, known, now_s)
    if overtaken:
        return Standing(overtaken=overtaken)
    quiet_s = None if known.step is None else known.step.quiet_until_s
    if condition in _SNOOZED and quiet_s is not None and event.time_s < quiet_s:
        return Standing(wait_until_s=quiet_s + TOLD_AGAIN_WITHIN_S)
    return Standing()


def _overtaken(event: Event, known: Situation, now_s: float) -> str:
    if event.time_s < known.since_s:
        return "the batch"
    condition = event.alarm.condition
    if condition == TO_DO:
        step = known.step
        same = step is not None and event.text.startswith(f"{step.text}.")
        return (
            "" if same and step is not None and due_reminder_s(step, now_s) is not None else "the next step"
        )
    answers = _ANSWERS.get(condition, ())
    if any(other.alarm.condition in answers and other.time_s > event.time_s for other in known.events):
        return "a later notice"
    if condition == Condition.FINISH_SUSPECTED and _entered(known, Word.VALVE_SHUT, event.time_s):
        return "the journal"
    return "the stage" if _stage_left(event, known, now_s) else ""


def _entered(known: Situation, word: Word, since_s: float) -> bool:
    found = (understand(e.text) for e in known.entries if e.struck_s is None and e.time_s >= since_s)
    return any(one is not None and one.word is word for one in found)


def _stage_left(event: Event, known: Situation, now_s: float) -> bool:
    change = current(known.stages)
    if change is None:
        return False
    condition, moved = event.alarm.condition, change.since_s > event.time_s
    if condition == Condition.FINISH_SUSPECTED:
        return moved and change.stage.place >= Stage.FINISHED.place
    if condition == Condition.FINISHED:
        return moved and change.stage.place < Stage.FINISHED.place
    at = _AT.get((condition, event.alarm.subject))
    if at is None:
        return False
    if change.stage is at:
        return condition == Condition.FINING_DUE and _waits_anew(known.step, now_s)
    further = condition != Condition.CHILLED and change.stage.place > at.place
    undone = any(
        one.stage is at and one.undone_s is not None and one.undone_s >= event.time_s for one in known.stages
    )
    corrected = any(max(one.made_s, one.struck_s or 0.0) > event.made_s for one in known.entries)
    return moved or further or undone or corrected


def _waits_anew(step: NextStep | None, now_s: float) -> bool:
    """Tell whether the beer has warmed up since the dose was due: then it is to be chilled, or settles once more."""
    if step is None:
        return False
    return step.remind_s is not None if step.due_s is None else step.due_s > now_s
