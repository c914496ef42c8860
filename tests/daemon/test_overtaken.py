"""Notices that waited for the morning: told only if what they ask for is still to be done."""

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from tests.daemon.backlogs import read_backlogs
from tests.daemon.desk_kit import T0, Recorder, finding, open_store
from tests.servers.http_receiver import HttpReceiver
from ullage.daemon.alarm_states import AlarmKey
from ullage.daemon.alarms import AlarmDesk
from ullage.daemon.clock import ManualClock
from ullage.daemon.config_vessels import WatchedVessel
from ullage.daemon.events import TO_DO, EventKind, from_finding, own_event
from ullage.daemon.notifier import Notifier
from ullage.daemon.notify_settings import NotifySettings
from ullage.daemon.overtaken import Situation, standing
from ullage.daemon.status import vessel_statuses
from ullage.daemon.store import batches
from ullage.daemon.store.journal import JournalEntry
from ullage.daemon.store.store import Store
from ullage.detectors.batch import Batch
from ullage.detectors.finding import Condition, Finding, Priority
from ullage.detectors.stage import NextStep, Stage, StageChange
from ullage.detectors.vessel import Vessel

HOUR = 3600.0
DUE_S = T0 + 2 * HOUR  # 22:26 UTC
MORNING_S = T0 + 11 * HOUR
COLD = StageChange(stage=Stage.COLD, since_s=DUE_S, why="")
STEP = NextStep("First dose of finings", DUE_S, DUE_S + 24 * HOUR)
Do = Callable[[Store], None]


def _due(time_s: float = DUE_S) -> Finding:
    return finding(Condition.FINING_DUE, time_s=time_s, subject="first dose", text="Dose it.")


def _then(stage: Stage, after_h: float = 1.0) -> tuple[StageChange, ...]:
    return COLD, StageChange(stage=stage, since_s=DUE_S + after_h * HOUR, why="")


@pytest.fixture(name="store")
def _store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path) as store:
        batches.begin(store, "north", Batch(), began_s=T0 - 9 * HOUR, made_s=T0, origin="command")
        yield store


def _told(store: Store, meanwhile: Do, until_s: float = MORNING_S, *, anew: bool = False) -> int:
    """Return how many messages have come by `until_s` of what fell due at night."""
    clock = ManualClock(DUE_S)
    with HttpReceiver() as phone:
        target = {"name": "phone", "url": phone.notify_url}
        settings = NotifySettings.model_validate({"targets": [target], "timezone": "UTC"})
        notifier = Notifier(settings, store, clock)
        notifier.start()
        try:
            notifier.settle(30.0)
            batches.keep_stages(store, "north", 1, (COLD,), STEP)
            desk = AlarmDesk(store, notifier, clock)
            desk.take([_due()])
            assert notifier.settle()
            meanwhile(store)
            for moment_s in (MORNING_S, until_s):
                clock.advance_to(moment_s)
                notifier.wake()
                assert notifier.settle()
            if anew:
                desk.take([_due(until_s)])
                assert notifier.settle()
            return len(phone.accepted)
        finally:
            notifier.stop()


def _dosed(store: Store) -> None:
    batches.keep_stages(store, "north", 1, _then(Stage.FIRST_FINING), None)


def _warmed(store: Store) -> None:
    batches.keep_stages(store, "north", 1, _then(Stage.CHILLING), None)


def _ended(store: Store) -> None:
    batches.end(store, 1, ended_s=DUE_S + HOUR, summary="")


def _snoozed(store: Store) -> None:
    batches.keep_stages(store, "north", 1, (COLD,), replace(STEP, quiet_until_s=MORNING_S + 4 * HOUR))


def _nothing(_store: Store) -> None:
    pass


@pytest.mark.parametrize(
    ("meanwhile", "expected"), [(_nothing, 1), (_dosed, 0), (_warmed, 0), (_ended, 0), (_snoozed, 0)]
)
def test_in_the_morning(store: Store, meanwhile: Do, expected: int) -> None:
    """What was done, undone or put off at night is not asked for."""
    assert _told(store, meanwhile) == expected


def test_what_was_dropped_says_why(store: Store) -> None:
    """Its row stays, given up, with the reason."""
    _told(store, _dosed)
    with store.reading() as connection:
        (backlog,) = read_backlogs(connection)
        reasons = list(connection.exec_driver_sql("select reason from outbox").scalars())
    assert (backlog.waiting, backlog.given_up, reasons) == (0, 1, ["overtaken"])


def test_a_snooze_is_waited_for_and_ends_in_one_message(store: Store) -> None:
    """The detector's new word takes the place of the old one; without one the old one is told."""
    assert _told(store, _snoozed, MORNING_S + 4 * HOUR, anew=True) == 1


def test_a_snooze_that_nobody_speaks_after(store: Store) -> None:
    """As with a dead sensor: what waited is told all the same."""
    assert _told(store, _snoozed, MORNING_S + 5.1 * HOUR) == 1


def test_a_dose_that_settles_anew() -> None:
    """The beer has warmed up in a stage that stays: it is to be chilled first, or has to wait once more."""
    event = from_finding(replace(_due(), subject="second dose"), DUE_S)
    stages = (StageChange(stage=Stage.FIRST_FINING, since_s=DUE_S - 12 * HOUR, why=""),)

    def overtaken(step: NextStep) -> bool:
        return standing(event, Situation(stages=stages, step=step), MORNING_S).overtaken != ""

    assert not overtaken(NextStep("Second dose", DUE_S, DUE_S + 24 * HOUR))
    assert overtaken(NextStep("Chill it again", None, DUE_S + 3 * HOUR))
    assert overtaken(NextStep("Second dose", MORNING_S + HOUR, None))
    assert not overtaken(NextStep("See that the beer is cold"))


def test_a_stage_not_yet_written_proves_nothing() -> None:
    """The notice comes first, the stage that it stands for a little later."""
    before = (StageChange(stage=Stage.CHILLING, since_s=DUE_S - 12 * HOUR, why=""),)
    event = from_finding(_due(), DUE_S)
    assert not standing(event, Situation(stages=before), MORNING_S).overtaken
    undone = (*before, replace(COLD, undone_s=DUE_S + HOUR))
    assert standing(event, Situation(stages=undone), MORNING_S).overtaken
    struck = JournalEntry(
        id=3, time_s=DUE_S - HOUR, text="chill 2", made_s=DUE_S - HOUR, struck_s=DUE_S + HOUR
    )
    assert standing(event, Situation(stages=before, entries=(struck,)), MORNING_S).overtaken


def test_what_was_answered() -> None:
    """A test asked for and made, an end taken back."""
    asked = from_finding(finding(Condition.FINISH_SUSPECTED, time_s=DUE_S), DUE_S)
    over = from_finding(finding(Condition.FINISHED, time_s=DUE_S), DUE_S)
    still = from_finding(finding(Condition.STILL_FERMENTING, time_s=DUE_S + HOUR), DUE_S)
    shut = JournalEntry(id=1, time_s=DUE_S + HOUR, text="valve shut", made_s=DUE_S + HOUR)
    assert standing(asked, Situation(entries=(shut,)), MORNING_S).overtaken == "the journal"
    assert not standing(asked, Situation(entries=(replace(shut, time_s=T0),)), MORNING_S).overtaken
    assert standing(over, Situation(events=(still, over)), MORNING_S).overtaken == "a later notice"
    assert not standing(over, Situation(stages=_then(Stage.CHILLING), events=(over,)), MORNING_S).overtaken


def test_alarms_and_the_installations_own_words_stand() -> None:
    """They are told whatever stage the beer is in."""
    leak = from_finding(finding(Condition.LEAK, time_s=DUE_S), DUE_S)
    assert not standing(leak, Situation(since_s=MORNING_S), MORNING_S).overtaken


def test_a_reminder_of_another_step() -> None:
    """It stands while the step is the same and nobody has put it off."""
    event = own_event(AlarmKey("north", TO_DO), EventKind.NOTED, Priority.MEDIUM, "Serve it. Later?", DUE_S)
    step = NextStep("Serve it", DUE_S, DUE_S)
    assert not standing(event, Situation(step=step), MORNING_S).overtaken
    for other in (None, NextStep("Chill it", DUE_S, DUE_S), replace(step, quiet_until_s=MORNING_S + 1)):
        assert standing(event, Situation(step=other), MORNING_S).overtaken


def test_status_shows_the_newest_that_stands(store: Store) -> None:
    """Neither a dose that was given, nor what a reminder says again."""
    desk = AlarmDesk(store, Recorder(), ManualClock(DUE_S))
    vessel = Vessel(name="north", total_volume_l=23, beer_volume_l=19, rated_pressure_bar=2.5)
    watched = WatchedVessel(vessel=vessel, channels=(), detectors={})
    desk.take([finding(Condition.FINISHED, time_s=T0), _due()])
    desk.announce(TO_DO, "Dose it.", vessel="north", time_s=DUE_S + 1)

    def shown() -> str:
        notice = vessel_statuses(store, desk, [watched])[1].notice
        return "" if notice is None else notice.alarm.condition

    batches.keep_stages(store, "north", 1, (COLD,), STEP)
    assert shown() == "fining-due"
    _dosed(store)
    assert shown() == "finished"
    _ended(store)
    assert shown() == ""
