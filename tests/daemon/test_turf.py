"""Alarms and messages where several daemons share the vessels: each sees to its own and leaves the others' alone."""

import math
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.daemon.backlogs import read_backlogs
from tests.daemon.desk_kit import T0, Recorder, finding, open_store
from tests.servers.daemon import wait_until
from tests.servers.http_receiver import HttpReceiver, Mode
from ullage.adapters.errors import StoreError
from ullage.daemon.alarm_states import AlarmState
from ullage.daemon.alarms import AlarmDesk
from ullage.daemon.clock import ManualClock
from ullage.daemon.household import DIFFERS, LOST, Household
from ullage.daemon.membership import Standing
from ullage.daemon.notifier import Notifier
from ullage.daemon.notify_settings import NotifySettings
from ullage.daemon.sharing import may_open
from ullage.daemon.store.leases import HOUSE, LeaseLost, Member
from ullage.daemon.store.store import Store
from ullage.daemon.turf import Alone, Shared
from ullage.detectors.finding import Condition, Priority

OVER = Condition.OVER_PRESSURE


class Share:
    """A turf that tests move about."""

    def __init__(self, name: str, *vessels: str) -> None:
        self.name = name
        self.token = ""
        self.vessels = set(vessels)
        self.stored = self.unstored = True
        """Whether messages with a row may go, and those without."""

    def mine(self, vessel: str) -> bool:
        return vessel in self.vessels

    def may_tell(self, *, stored: bool) -> bool:
        return self.stored if stored else self.unstored


@pytest.fixture(name="store")
def _store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path) as store:
        yield store


@pytest.fixture(name="clock")
def _clock() -> ManualClock:
    return ManualClock(T0)


class Standings:
    """A membership in whatever standing a test wants."""

    def __init__(self) -> None:
        self.now = Standing.HELD

    def standing(self) -> Standing:
        return self.now


@pytest.mark.parametrize(
    ("standing", "stored", "unstored", "alone", "opened"),
    [
        (Standing.HELD, True, True, True, True),
        (Standing.DOUBTFUL, False, False, False, False),
        (Standing.AWAY, False, True, True, True),
        (Standing.LOST, False, False, False, False),
    ],
)
def test_what_a_standing_permits(
    standing: Standing, *, stored: bool, unstored: bool, alone: bool, opened: bool
) -> None:
    """In doubt nothing; without the database only what no other could do, and no session that another may have opened."""
    standings = Standings()
    standings.now = standing
    shared, only = Shared(standings), Alone(standings)  # type: ignore[arg-type]
    assert (shared.may_tell(stored=True), shared.may_tell(stored=False)) == (stored, unstored)
    assert (only.may_tell(stored=True), only.may_tell(stored=False)) == (alone, alone)
    assert may_open(standing, math.inf) is opened
    assert may_open(standing, 5.0) is (standing is Standing.HELD)


def test_what_is_here_comes_and_goes_with_its_part() -> None:
    """The installation is a vessel without a name."""
    turf = Shared(Standings())  # type: ignore[arg-type]
    turf.take(0, [HOUSE])
    turf.take(3, ["north", "south"])
    assert [turf.mine(name) for name in (HOUSE, "north", "south", "east")] == [True, True, True, False]
    turf.drop(3)
    assert [turf.mine(name) for name in (HOUSE, "north")] == [True, False]
    assert list(turf.parts) == [0]


def _states(desk: AlarmDesk) -> dict[str, AlarmState]:
    desk.refresh()
    return {alarm.vessel: alarm.state for alarm in desk.standing()}


def test_findings_about_vessels_of_others_are_not_taken(store: Store, clock: ManualClock) -> None:
    """Whatever still lies about in a thread when a vessel has been let go raises nothing any more."""
    desk = AlarmDesk(store, Recorder(), clock, turf=Share("a", "north"))
    desk.take([finding(OVER), finding(OVER, vessel="south")])
    assert _states(desk) == {"north": AlarmState.UNACKNOWLEDGED}


def test_each_daemon_reminds_of_its_own_vessels(store: Store, clock: ManualClock) -> None:
    """An alarm that nobody acknowledges is told again by one of two daemons, not by both, whoever holds its vessel then."""
    here, there = Share("a", "north"), Share("b", "south")
    one, other = Recorder(), Recorder()
    desks = [AlarmDesk(store, one, clock, turf=here), AlarmDesk(store, other, clock, turf=there)]
    desks[0].take([finding(OVER)])
    for routes in (one, other):
        routes.messages.clear()
    clock.advance(3600)
    for desk in desks:
        desk.remind()
    assert (len(one.messages), len(other.messages)) == (1, 0)
    here.vessels, there.vessels = set(), {"north", "south"}
    clock.advance(3600)
    for desk in desks:
        desk.remind()
    assert (len(one.messages), len(other.messages)) == (1, 1)


def test_shelves_are_ended_by_whoever_holds_the_vessel(store: Store, clock: ManualClock) -> None:
    """One of the two tells again what was shelved, once."""
    routes = Recorder()
    desks = [
        AlarmDesk(store, routes, clock, turf=Share(name, vessel))
        for name, vessel in (("a", "north"), ("b", "x"))
    ]
    desks[0].take([finding()])
    desks[0].shelve("north", "temperature-high", 1, "tester")
    routes.messages.clear()
    for _ in range(3):
        clock.advance(1900)
        for desk in reversed(desks):
            desk.tick()
    assert len(routes.messages) == 1


def test_what_a_daemon_says_of_itself_bears_its_name(store: Store, clock: ManualClock) -> None:
    """One that reaches its broker does not clear the alarm of another that does not."""
    a, b = (AlarmDesk(store, Recorder(), clock, turf=Share(name, "north")) for name in ("a", "b"))
    a.report("source-lost", True, "cellar is out of reach.", subject="cellar")
    b.refresh()
    b.report("source-lost", False, "cellar is in reach again.", subject="cellar")
    a.refresh()
    assert [(alarm.key.subject, alarm.active) for alarm in a.standing("")] == [("cellar at a", True)]
    a.report("source-lost", False, "cellar is in reach again.", subject="cellar")
    assert not any(alarm.active for alarm in a.standing(""))


def test_a_daemon_that_has_lost_its_lease_tells_nothing_from_memory(store: Store, clock: ManualClock) -> None:
    """A database that refuses since another has taken over is no reason to go on without it."""
    routes = Recorder()
    desk = AlarmDesk(store, routes, clock, turf=Share("a", "north"))

    def refuse(_: object) -> None:
        raise LeaseLost("a")

    store.guard = refuse
    with pytest.raises(LeaseLost):
        desk.take([finding(OVER)])
    withdrawn = {event.key for event in routes.withdrawn}
    assert {event.key for event, _ in routes.direct} <= withdrawn
    assert not desk.standing()


@pytest.fixture(name="phone")
def _phone() -> Iterator[HttpReceiver]:
    with HttpReceiver() as receiver:
        yield receiver


Start = Callable[[Share], Notifier]


@pytest.fixture(name="start")
def _start(store: Store, clock: ManualClock, phone: HttpReceiver) -> Iterator[Start]:
    started: list[Notifier] = []

    def start(turf: Share) -> Notifier:
        target = {"name": "phone", "url": phone.notify_url, "timeout_s": 5}
        notifier = Notifier(NotifySettings.model_validate({"targets": [target]}), store, clock, turf=turf)
        notifier.start()
        notifier.settle(30.0)
        started.append(notifier)
        return notifier

    yield start
    for notifier in started:
        notifier.stop()


def _sent(store: Store) -> int:
    with store.reading() as connection:
        return sum(backlog.sent for backlog in read_backlogs(connection))


def test_messages_of_other_vessels_stay_in_the_outbox(
    store: Store, clock: ManualClock, phone: HttpReceiver, start: Start
) -> None:
    """What is written here about a vessel of another daemon, such as by its page, is told there."""
    here, there = Share("a", "north"), Share("b", "south")
    a = start(here)
    AlarmDesk(store, a, clock, turf=here).take([finding(OVER)])
    AlarmDesk(store, a, clock, turf=there).take([finding(OVER, vessel="south")])
    phone.wait_for(1)
    assert a.settle()
    assert len(phone.requests) == 1
    start(there)
    phone.wait_for(2)
    wait_until(lambda: _sent(store) == 2, "both marked as sent")
    assert sorted(request.title for request in phone.requests) == ["‼ Critical: north", "‼ Critical: south"]


def test_nothing_goes_out_while_it_is_not_known_whose_it_is(
    store: Store, clock: ManualClock, phone: HttpReceiver, start: Start
) -> None:
    """Held back while in doubt, a message goes as soon as there is none, without anybody waking the notifier."""
    turf = Share("a", "north")
    turf.stored = turf.unstored = False
    AlarmDesk(store, start(turf), clock, turf=turf).take([finding(OVER)])
    assert not phone.wait_until(lambda requests: bool(requests), timeout_s=1.5)
    turf.stored = True
    phone.wait_for(1)


def test_what_only_this_daemon_knows_of_goes_out_while_the_database_is_away(
    store: Store, clock: ManualClock, phone: HttpReceiver, start: Start
) -> None:
    """A message with a row could be told by whoever reaches the database; one without can't."""
    turf = Share("a", "north")
    turf.stored = False
    notifier = start(turf)
    desk = AlarmDesk(store, notifier, clock, turf=turf)
    desk.take([finding(Condition.TEMPERATURE_HIGH)])

    def refuse(_: object) -> None:
        raise StoreError("the database", "is away")

    store.guard = refuse
    desk.take([finding(OVER)])
    phone.wait_for(1)
    assert [request.title for request in phone.requests] == ["‼ Critical: north"]


def test_a_vessel_that_is_let_go_takes_its_messages_along(
    store: Store, clock: ManualClock, phone: HttpReceiver, start: Start
) -> None:
    """A message on its way is waited for, what waits behind it is told by the next holder, and none twice."""
    phone.mode = Mode.SLOW
    turf = Share("a", "north")
    a = start(turf)
    desk = AlarmDesk(store, a, clock, turf=turf)
    desk.take([finding(OVER)])
    wait_until(lambda: len(phone.requests) == 1, "the first on its way")
    assert a.busy_with({"north"})
    assert not a.busy_with({"south"})
    desk.take([finding(Condition.TEMPERATURE_HIGH, time_s=T0 + 1)])
    turf.vessels.clear()
    a.forget({"north"})
    wait_until(lambda: not a.busy_with({"north"}), "the first told and noted")
    assert _sent(store) == 1
    phone.mode = Mode.OK
    start(Share("b", "north"))
    phone.wait_for(2)
    wait_until(lambda: _sent(store) == 2, "both marked as sent")
    began_s = time.monotonic()
    wait_until(lambda: time.monotonic() - began_s > 1.2, "time for a second copy")
    assert len(phone.requests) == 2


def _member(name: str, *, left_s: float = 9.0, knows: str = "the same") -> Member:
    return Member(token=name, name=name, machine="shed", alone=False, knows=knows, left_s=left_s)


def test_a_daemon_that_is_lost_is_an_alarm_until_it_is_back(store: Store, clock: ManualClock) -> None:
    """One alarm however often it is looked at; what the lost one said of itself is taken back."""
    lost_ones = AlarmDesk(store, Recorder(), clock, turf=Share("b"))
    lost_ones.report("source-lost", True, "cellar is out of reach.", subject="cellar")
    routes, turf = Recorder(), Share("a", HOUSE)
    desk = AlarmDesk(store, routes, clock, turf=turf)
    household = Household(desk, turf, ["north"], clock)
    household.mourn([_member("b", left_s=0.0)])
    household.look([_member("a")])
    household.look([_member("a"), _member("b", left_s=-1.0)])
    assert [(a.key.condition, a.key.subject) for a in desk.standing("") if a.active] == [(LOST, "b")]
    assert "The daemon b on shed has not been heard" in desk.standing("")[0].text
    household.look([_member("a"), _member("b")])
    assert not any(alarm.active for alarm in desk.standing(""))
    assert desk.standing("")[0].priority is Priority.HIGH


def test_only_one_daemon_speaks_for_all(store: Store, clock: ManualClock) -> None:
    """Who does not hold the installation clears no alarm of it, and compares nothing."""
    desk = AlarmDesk(store, Recorder(), clock, turf=Share("a"))
    Household(desk, Share("a"), ["north"], clock).look([_member("a"), _member("b", knows="another")])
    assert not desk.standing()


def test_daemons_that_do_not_know_the_same_vessels_are_an_alarm(store: Store, clock: ManualClock) -> None:
    """A vessel that only one of them has in its configuration might be watched by none."""
    turf = Share("a", HOUSE)
    desk = AlarmDesk(store, Recorder(), clock, turf=turf)
    household = Household(desk, turf, ["north"], clock)
    household.look([_member("a"), _member("b", knows="another")])
    assert [a.key.condition for a in desk.standing("") if a.active] == [DIFFERS]
    household.look([_member("a"), _member("b")])
    assert not any(alarm.active for alarm in desk.standing(""))
