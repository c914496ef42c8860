"""The life of an alarm, held against a model made from the standard's own table of states.

ISA-18.2 / IEC 62682 tell alarm states apart by two questions (is the process in alarm, has it been acknowledged):
normal no/yes, unacknowledged yes/no, acknowledged yes/yes, returned to normal unacknowledged no/no. The model below
keeps nothing but the two answers and a shelf.
"""

from dataclasses import dataclass, field
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.daemon.desk_kit import T0, Recorder, finding, open_store
from ullage.daemon.alarm_states import AlarmState, Cause, follow
from ullage.daemon.alarms import AlarmDesk
from ullage.daemon.clock import ManualClock
from ullage.detectors.finding import Condition, State

NAMES = {
    (False, True): AlarmState.NORMAL,
    (True, False): AlarmState.UNACKNOWLEDGED,
    (True, True): AlarmState.ACKNOWLEDGED,
    (False, False): AlarmState.RETURNED,
}


@dataclass
class Model:
    """An alarm as two answers and a shelf."""

    in_alarm: bool = False
    acknowledged: bool = True
    shelved: bool = False
    told: list[str] = field(default_factory=list)
    announced: bool = False

    def raised(self) -> None:
        if not self.in_alarm:
            self.in_alarm, self.acknowledged, self.announced = True, False, not self.shelved
            if not self.shelved:
                self.told.append("raised")

    def cleared(self) -> None:
        if self.in_alarm:
            self.in_alarm = False
            self.acknowledged = self.acknowledged or self.shelved
            if not self.shelved and self.announced:
                self.told.append("cleared")

    def acknowledge(self) -> None:
        self.acknowledged = True

    def shelve(self) -> None:
        self.shelved = True

    def unshelve(self) -> None:
        if self.shelved:
            self.shelved = False
            if self.in_alarm:
                self.acknowledged, self.announced = False, True
                self.told.append("reminder")


STEPS = st.lists(
    st.sampled_from(["raised", "cleared", "acknowledge", "shelve", "unshelve", "restart", "shelf-ends"]),
    max_size=25,
)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(steps=STEPS)
def test_an_alarm_lives_as_the_standard_has_it(tmp_path: Path, steps: list[str]) -> None:
    """Whatever happens in whatever order, also across restarts, state and messages are those of the model."""
    folder = tmp_path / f"run{len(list(tmp_path.iterdir()))}"
    folder.mkdir()
    clock, routes, model = ManualClock(T0), Recorder(), Model()
    with open_store(folder) as store:
        desk = AlarmDesk(store, routes, clock)
        for step in steps:
            clock.advance(1.0)
            if step == "restart":
                desk = AlarmDesk(store, routes, clock)
            elif step == "shelf-ends":
                clock.advance(3600.0)
                desk.tick()
                model.unshelve()
            else:
                getattr(model, step)()
                _do(desk, step, clock.wall_s())
            standing = {alarm.key.condition: alarm for alarm in desk.standing()}
            found = standing.get("temperature-high")
            state = found.state if found is not None else AlarmState.NORMAL
            assert state is NAMES[(model.in_alarm, model.acknowledged)]
            assert [message.event.kind.value for message in routes.messages] == model.told


def _do(desk: AlarmDesk, step: str, now_s: float) -> None:
    if step in ("raised", "cleared"):
        desk.take([finding(state=State(step), time_s=now_s)])
    elif step == "acknowledge":
        desk.acknowledge("north", "temperature-high", "tester")
    elif step == "shelve":
        desk.shelve("north", Condition.TEMPERATURE_HIGH, 1.0, "tester")
    else:
        desk.unshelve("north", Condition.TEMPERATURE_HIGH, "tester")


@given(state=st.sampled_from(AlarmState), cause=st.sampled_from(Cause), shelved=st.booleans())
def test_the_same_cause_again_changes_nothing(state: AlarmState, cause: Cause, shelved: bool) -> None:
    """Every cause leads to a state in which it means nothing any more."""
    once = follow(state, cause, shelved=shelved)
    assert follow(once, cause, shelved=shelved) is once
