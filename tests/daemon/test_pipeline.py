"""Deliveries in, findings and rows out, in the promised order."""

import threading
import time
from collections.abc import Sequence

import pytest

from ullage.adapters.reading import Delivery, Quantity, Reading, Reason, Refusal
from ullage.daemon.alarm_states import AlarmKey
from ullage.daemon.clock import ManualClock, SystemClock
from ullage.daemon.gate import Refused
from ullage.daemon.pipeline import Pipeline, PipelineSettings
from ullage.daemon.vessel_time import SETTLE_S
from ullage.daemon.watched import Watched
from ullage.detectors.finding import Condition, Finding, Priority, State
from ullage.detectors.samples import Entry, Samples
from ullage.detectors.vessel import Vessel
from ullage.detectors.watch import VesselWatch

NORTH = Vessel(name="north", total_volume_l=23, beer_volume_l=19, rated_pressure_bar=2.5)
SOUTH = Vessel(name="south", total_volume_l=23, beer_volume_l=19, rated_pressure_bar=2.0)


class Diary:
    """Store and desk in one, which notes in which order it was called."""

    def __init__(self) -> None:
        self.order: list[str] = []
        self.readings: list[Reading] = []
        self.entries: list[tuple[str, float, str]] = []
        self.findings: list[Finding] = []
        self.broken: set[str] = set()

    def append(self, readings: Sequence[Reading]) -> None:
        if "append" in self.broken:
            raise OSError("no space left on device")
        self.order.append("append")
        self.readings += readings

    def add_entry(self, vessel: str, time_s: float, text: str, *, made_s: float) -> None:
        self.order.append("add_entry")
        self.entries.append((vessel, time_s, text))

    def take(self, findings: Sequence[Finding]) -> Sequence[Finding]:
        if "take" in self.broken:
            raise OSError("no space left on device")
        self.order.append("take")
        self.findings += findings
        return findings


class Spy(VesselWatch):
    """Real detectors that note what they were asked."""

    def __init__(self, vessel: Vessel) -> None:
        super().__init__(vessel)
        self.calls: list[tuple[str, object]] = []
        self.fail = False

    def update(self, samples: Samples) -> tuple[Finding, ...]:
        if self.fail:
            raise RuntimeError("division by a rumour")
        self.calls.append(("update", samples.value.tolist()))
        return super().update(samples)

    def enter(self, entry: Entry) -> tuple[Finding, ...]:
        self.calls.append(("enter", entry.text))
        return super().enter(entry)

    def tick(self, now_s: float) -> tuple[Finding, ...]:
        self.calls.append(("tick", now_s))
        return super().tick(now_s)


class Bench:
    """A pipeline of two vessels on a clock that is moved by hand."""

    def __init__(self, settings: PipelineSettings | None = None) -> None:
        self.clock = ManualClock(wall_s=1_790_000_000.0)
        self.diary = Diary()
        self.spies: list[Spy] = []
        self.told = 0
        self.pipeline = Pipeline(
            {v.name: Watched(v.name, lambda v=v: self._make(v), self.clock) for v in (NORTH, SOUTH)},  # type: ignore[misc]
            self.diary,
            self.diary,
            self.clock,
            settings=settings,
            told=self._tell,
        )
        self.acknowledged: list[int] = []

    def _make(self, vessel: Vessel) -> Spy:
        self.spies.append(Spy(vessel))
        return self.spies[-1]

    def _tell(self) -> None:
        self.told += 1

    def spy(self, vessel: str) -> Spy:
        watch = self.pipeline.watched[vessel].watch
        assert isinstance(watch, Spy)
        return watch

    def give(self, *readings: Reading) -> None:
        def acknowledge() -> None:
            self.diary.order.append("acknowledge")
            self.acknowledged.append(len(readings))

        self.pipeline.deliver(Delivery("cellar", readings, acknowledge=acknowledge))

    def pressure(
        self, value: float, vessel: str = "north", quantity: Quantity = Quantity.PRESSURE
    ) -> Reading:
        self.clock.advance(1)
        return Reading(vessel, quantity, self.clock.wall_s(), value)

    def entry(self, text: str) -> Reading:
        self.clock.advance(1)
        return Reading("north", Quantity.JOURNAL, self.clock.wall_s(), 0.0, text)


@pytest.fixture(name="bench")
def _bench() -> Bench:
    return Bench()


def conditions(bench: Bench) -> list[tuple[str, Condition, State]]:
    return [(f.vessel, f.condition, f.state) for f in bench.diary.findings]


def test_the_alarm_is_told_before_the_rows_are_kept_and_those_before_the_acknowledgement(
    bench: Bench,
) -> None:
    """The safety path comes first, and nothing is acknowledged that a kill could still lose unjudged."""
    bench.give(bench.pressure(2.6))
    bench.give(bench.pressure(2.7))
    bench.pipeline.turn()
    assert ("north", Condition.OVER_PRESSURE, State.RAISED) in conditions(bench)
    assert bench.diary.order == ["take", "append", "acknowledge", "acknowledge"]
    assert bench.told == 1


def test_all_that_waits_is_judged_in_one_block_for_each_vessel(bench: Bench) -> None:
    """A hundred messages cost two calls of the detectors, in the order of arrival."""
    for number in range(50):
        bench.give(bench.pressure(number / 100), bench.pressure(number / 100, "south"))
    bench.pipeline.turn()
    updates = [c for c in bench.spy("north").calls if c[0] == "update"]
    assert updates == [("update", [n / 100 for n in range(50)])]
    assert len(bench.diary.readings) == 100
    assert len(bench.acknowledged) == 50


def test_a_journal_entry_keeps_its_place_between_readings(bench: Bench) -> None:
    """What was read before the valve was shut is judged before."""
    bench.give(bench.pressure(1.0))
    bench.give(bench.entry("valve shut"))
    bench.give(bench.pressure(1.1))
    bench.pipeline.turn()
    assert bench.spy("north").calls == [("update", [1.0]), ("enter", "valve shut"), ("update", [1.1])]
    assert [text for _, _, text in bench.diary.entries] == ["valve shut"]


def test_a_mark_of_a_batch_is_not_taken_from_outside(bench: Bench) -> None:
    """`batch started` is what the program writes; a button says `pitched`. Refused, counted, acknowledged."""
    bench.give(bench.entry("Batch started"))
    bench.give(bench.entry("batch ended: drunk up"))
    bench.pipeline.turn()
    assert bench.diary.entries == []
    assert bench.pipeline.refused["mark-of-a-batch"] == 2
    assert len(bench.acknowledged) == 2


def test_an_entry_read_back_from_the_table_is_not_taken_twice(bench: Bench) -> None:
    """The journal is polled for entries of other programs; those of the stream are in it too."""
    entry = bench.entry("valve shut")
    bench.give(entry)
    bench.pipeline.turn()
    bench.pipeline.call(lambda: bench.pipeline.enter("north", Entry(time_s=entry.time_s, text=entry.text)))
    bench.pipeline.call(lambda: bench.pipeline.enter("north", Entry(time_s=entry.time_s + 5, text="pitched")))
    bench.pipeline.turn()
    assert [c for c in bench.spy("north").calls if c[0] == "enter"] == [
        ("enter", "valve shut"),
        ("enter", "pitched"),
    ]


def test_failing_detectors_of_one_vessel_leave_the_other_alarm_standing(bench: Bench) -> None:
    """One detector's slip must not cost another vessel its over-pressure alarm."""
    bench.spy("north").fail = True
    bench.give(bench.pressure(1.0), bench.pressure(2.3, "south"))
    bench.give(bench.pressure(1.0), bench.pressure(2.4, "south"))
    bench.pipeline.turn()
    assert ("south", Condition.OVER_PRESSURE, State.RAISED) in conditions(bench)
    assert bench.pipeline.watched["north"].faults == 1
    assert len(bench.acknowledged) == 2


def test_detectors_that_keep_failing_are_replaced_and_see_over_pressure_again(bench: Bench) -> None:
    """Fresh detectors without memory are better than broken ones."""
    bench.spy("north").fail = True
    for _ in range(3):
        bench.give(bench.pressure(1.0))
        bench.pipeline.turn()
    bench.give(bench.pressure(2.6))
    bench.give(bench.pressure(2.6))
    bench.pipeline.turn()
    assert ("north", Condition.OVER_PRESSURE, State.RAISED) in conditions(bench)


def test_alarms_are_kept_and_told_later_when_the_database_refuses(bench: Bench) -> None:
    """A full disk stops neither the detectors nor, once it has room, the message."""
    bench.diary.broken = {"take", "append"}
    bench.give(bench.pressure(2.6))
    bench.give(bench.pressure(2.7))
    bench.pipeline.turn()
    assert bench.diary.findings == []
    assert bench.pipeline.counts.unstored == 2
    bench.diary.broken = set()
    bench.clock.advance(10)
    bench.pipeline.turn()
    assert ("north", Condition.OVER_PRESSURE, State.RAISED) in conditions(bench)
    bench.clock.advance(10)
    bench.pipeline.turn()
    assert conditions(bench).count(("north", Condition.OVER_PRESSURE, State.RAISED)) == 1


def test_what_is_refused_is_counted_by_its_reason_and_still_acknowledged(bench: Bench) -> None:
    """A message that can't be used must not come back at every reconnect."""
    bench.give(bench.pressure(1.0, "nowhere"))
    bench.give(Reading("north", Quantity.PRESSURE, bench.clock.wall_s() + 3600, 1.0))
    refusal = Refusal("cellar", "cellar/north", Reason.UNDECODABLE, "no number")
    bench.pipeline.deliver(Delivery("cellar", (), (refusal,)))
    bench.pipeline.turn()
    assert bench.pipeline.refused == {
        Refused.UNKNOWN_VESSEL: 1,
        Refused.FUTURE: 1,
        "cellar:undecodable": 1,
    }
    assert bench.diary.readings == []
    assert len(bench.acknowledged) == 2
    assert bench.pipeline.refusals["cellar"] == refusal


def test_readings_that_are_missing_are_counted_and_logged(
    bench: Bench, caplog: pytest.LogCaptureFixture
) -> None:
    """All that tells of a broker that had no more room for us; the readings on both sides are judged as ever."""
    for _ in range(10):
        bench.give(bench.pressure(1.0))
    bench.clock.advance(1800)
    bench.give(bench.pressure(1.0))
    bench.pipeline.turn()
    assert bench.pipeline.counts.gaps == 1
    (record,) = [record for record in caplog.records if record.message == "readings are missing"]
    assert (record.__dict__["vessel"], record.__dict__["minutes"]) == ("north", 30)
    assert len(bench.diary.readings) == 11


def ticks(bench: Bench) -> list[float]:
    return [at for call, at in bench.spy("north").calls if call == "tick" and isinstance(at, float)]


def test_time_comes_to_the_detectors_in_silence_too(bench: Bench) -> None:
    """About every ten seconds, by the time of the newest reading plus what has passed since."""
    bench.give(bench.pressure(1.0))
    bench.pipeline.turn()
    at_s = bench.clock.wall_s()
    for _ in range(60):
        bench.clock.advance(1)
        bench.pipeline.turn()
    assert ticks(bench) == pytest.approx([at_s + s for s in (9, 19, 29, 39, 49, 59)], abs=1.01)


@pytest.mark.parametrize("step_s", [3600.0, -3600.0, 50 * 365 * 86_400.0])
def test_a_step_of_the_wall_clock_makes_no_silence(
    bench: Bench, step_s: float, caplog: pytest.LogCaptureFixture
) -> None:
    """No tick carries the jump before each sensor was heard again; afterwards ticks follow the new time."""
    bench.give(bench.pressure(1.0), bench.pressure(18.0, quantity=Quantity.TEMPERATURE))
    bench.pipeline.turn()
    bench.clock.advance(30)
    bench.pipeline.turn()
    before = ticks(bench) if step_s > 0 else []  # set back, they are fresh ones
    bench.clock.step(step_s)
    bench.clock.advance(30)
    bench.pipeline.turn()
    bench.give(bench.pressure(1.0))  # the other sensor is yet to be heard
    bench.clock.advance(30)
    bench.pipeline.turn()
    assert ticks(bench) == before
    bench.give(bench.pressure(18.0, quantity=Quantity.TEMPERATURE))
    bench.pipeline.turn()
    bench.clock.advance(10)
    bench.pipeline.turn()
    assert ticks(bench)[-1] == pytest.approx(bench.clock.wall_s(), abs=1)
    assert [record.message for record in caplog.records].count("wall clock was set") == 1


def test_over_pressure_is_seen_at_once_after_a_clock_was_set_back(bench: Bench) -> None:
    """Detectors that go by time would wait for the old one to come again."""
    bench.give(bench.pressure(1.0), bench.pressure(1.0))
    bench.pipeline.turn()
    bench.clock.step(-3600)
    bench.give(bench.pressure(2.6))
    bench.give(bench.pressure(2.7))
    bench.pipeline.turn()
    assert ("north", Condition.OVER_PRESSURE, State.RAISED) in conditions(bench)


def test_over_pressure_is_seen_by_a_clock_that_is_behind_the_batch(bench: Bench) -> None:
    """Weeks behind, after a boot without the time: what comes now is judged; what is old by that clock, too, is not."""
    begin_s = bench.clock.wall_s() + 20 * 86_400
    bench.pipeline.watched["north"].begin_s = begin_s
    old = bench.clock.wall_s() - 7200
    bench.give(*(Reading("north", Quantity.PRESSURE, old + second, 3.1) for second in range(3)))
    bench.pipeline.turn()
    assert conditions(bench) == []
    bench.give(bench.pressure(3.1), bench.pressure(3.1))
    bench.pipeline.turn()
    assert conditions(bench) == [("north", Condition.OVER_PRESSURE, State.RAISED)]


@pytest.mark.parametrize(("step_s", "called"), [(60.0, 0), (200.0, 1), (-200.0, 1)])
def test_a_large_step_is_passed_on_once_all_before_it_is_put_down(
    bench: Bench, step_s: float, called: int
) -> None:
    """What was stamped wrongly is with the store by then, and can be stamped anew."""
    steps: list[tuple[float, int]] = []
    bench.pipeline.stepped = lambda step_s: steps.append((round(step_s), len(bench.diary.readings)))
    bench.give(bench.pressure(1.0))
    bench.pipeline.turn()
    bench.clock.step(step_s)
    bench.pipeline.turn()
    assert steps == [(round(step_s), 1)] * called


def test_a_sensor_that_stays_away_after_a_step_is_noticed_in_the_end(bench: Bench) -> None:
    """Time stands still for a quarter of an hour at most."""
    bench.give(bench.pressure(1.0))
    bench.pipeline.turn()
    bench.clock.step(3600)
    bench.pipeline.turn()
    bench.clock.advance(SETTLE_S + 10)
    bench.pipeline.turn()
    assert ticks(bench)[-1] == pytest.approx(bench.clock.wall_s(), abs=1)


def test_a_probe_comes_back_through_the_queue_after_what_waited_before_it(bench: Bench) -> None:
    """The watchdog proves the whole pipeline by it."""
    seen: list[int] = []
    bench.give(bench.pressure(1.0))
    bench.pipeline.call(lambda: seen.append(len(bench.diary.readings)))
    bench.give(bench.pressure(1.1))
    bench.pipeline.turn()
    assert seen == [1]


def test_stopping_judges_and_acknowledges_what_waits() -> None:
    """A clean stop leaves nothing in the queue, and what comes later stays unacknowledged with its sender."""
    diary = Diary()
    clock = SystemClock()
    pipeline = Pipeline({"north": Watched("north", lambda: VesselWatch(NORTH), clock)}, diary, diary, clock)
    done = threading.Semaphore(0)
    for number in range(500):
        reading = Reading("north", Quantity.PRESSURE, time.time() + number / 1000, 1.0)
        pipeline.deliver(Delivery("cellar", (reading,), acknowledge=done.release))
    pipeline.start()
    pipeline.stop()
    assert not pipeline.alive()
    assert all(done.acquire(timeout=0) for _ in range(500))
    pipeline.deliver(Delivery("cellar", (), acknowledge=done.release))
    assert not done.acquire(timeout=0)


def silence(state: State, time_s: float) -> Finding:
    return Finding(
        time_s=time_s, vessel="north", condition=Condition.SENSOR_SILENT, state=state,
        priority=Priority.HIGH, text="silent", subject="pressure",
    )  # fmt: skip


SILENT = AlarmKey("north", "sensor-silent", "pressure")


def test_what_stands_is_known_by_condition_and_subject(bench: Bench) -> None:
    """It is compared with the database after a restart."""
    watched = bench.pipeline.watched["north"]
    bench.spy("north").tick = lambda now_s: (silence(State.RAISED, now_s),)  # type: ignore[method-assign]
    assert [f.state for f in watched.tick()] == [State.RAISED]
    assert SILENT in watched.standing


def test_a_silence_that_was_this_daemons_own_is_not_told(bench: Bench) -> None:
    """After a start the first reading of one sensor makes the other look silent for as long as the daemon was down."""
    watched = bench.pipeline.watched["north"]
    watched.time.unsettle(frozenset({Quantity.PRESSURE, Quantity.TEMPERATURE}))
    spy = bench.spy("north")
    spy.update = lambda samples: (silence(State.RAISED, 1.0),)  # type: ignore[method-assign]
    assert watched.take(Samples.empty()) == ()
    spy.update = lambda samples: (silence(State.CLEARED, 2.0),)  # type: ignore[method-assign]
    assert watched.take(Samples.empty()) == ()
    bench.clock.advance(SETTLE_S + 1)
    assert watched.tick() == ()


def test_a_silence_that_lasts_past_the_time_to_settle_is_told(bench: Bench) -> None:
    """Held back is not forgotten."""
    watched = bench.pipeline.watched["north"]
    watched.time.unsettle(frozenset({Quantity.PRESSURE}))
    bench.spy("north").update = lambda samples: (silence(State.RAISED, 1.0),)  # type: ignore[method-assign]
    watched.take(Samples.empty())
    bench.clock.advance(SETTLE_S + 1)
    assert watched.tick() == (silence(State.RAISED, 1.0),)
    assert watched.tick() == ()


def test_a_silence_in_a_backlog_that_is_over_is_not_told(bench: Bench) -> None:
    """Raised and cleared in one block: nobody has anything to do about it."""
    watched = bench.pipeline.watched["north"]
    both = (silence(State.RAISED, 1.0), silence(State.CLEARED, 2.0), silence(State.RAISED, 3.0))
    bench.spy("north").update = lambda samples: both  # type: ignore[method-assign]
    assert watched.take(Samples.empty()) == (silence(State.RAISED, 3.0),)


def test_an_alarm_whose_readings_were_lost_stands_until_the_sensor_has_spoken_for_a_while(
    bench: Bench,
) -> None:
    """Neither forgotten at the restart nor standing for ever."""
    watched = bench.pipeline.watched["north"]
    watched.orphans.adopt(AlarmKey("north", "over-pressure"), Priority.CRITICAL)
    bench.clock.advance(SETTLE_S + 10)
    bench.pipeline.turn()
    assert conditions(bench) == []
    for _ in range(6):
        bench.give(bench.pressure(1.0))
    bench.clock.advance(10)
    bench.pipeline.turn()
    assert conditions(bench) == [("north", Condition.OVER_PRESSURE, State.CLEARED)]
    assert bench.diary.findings[0].priority is Priority.CRITICAL


def test_an_orphan_that_the_detectors_see_again_is_theirs(bench: Bench) -> None:
    """The alarm goes on standing, and its end is the detectors' word."""
    watched = bench.pipeline.watched["north"]
    watched.orphans.adopt(AlarmKey("north", "over-pressure"), Priority.CRITICAL)
    for _ in range(6):
        bench.give(bench.pressure(2.6))
    bench.pipeline.turn()
    bench.clock.advance(SETTLE_S + 10)
    bench.pipeline.turn()
    over = [c for c in conditions(bench) if c[1] is Condition.OVER_PRESSURE]
    assert over == [("north", Condition.OVER_PRESSURE, State.RAISED)]


def test_detectors_that_have_seen_a_far_future_are_renewed(bench: Bench) -> None:
    """A clock set back by years must not leave detectors waiting for that time; over-pressure is seen at once."""
    bench.give(bench.pressure(1.0))
    bench.pipeline.turn()
    bench.clock.step(-5 * 365 * 86_400.0)
    bench.pipeline.turn()
    bench.give(bench.pressure(2.6))
    bench.give(bench.pressure(2.6))
    bench.pipeline.turn()
    assert conditions(bench) == [("north", Condition.OVER_PRESSURE, State.RAISED)]
    assert len(bench.diary.readings) == 3


def patient() -> Bench:
    """Return a bench of a daemon with very many vessels, which may let readings wait for a few seconds."""
    return Bench(PipelineSettings(judge_within_s=4.0))


def test_with_very_many_vessels_readings_are_judged_a_few_at_a_time() -> None:
    """They are kept and acknowledged as they come; the detectors get them together, none later than agreed."""
    bench = patient()
    for number in range(10):
        bench.give(bench.pressure(number / 100))
        bench.pipeline.turn()
    assert [call for call in bench.spy("north").calls if call[0] == "update"] == [
        ("update", [0.0, 0.01, 0.02, 0.03, 0.04]),
        ("update", [0.05, 0.06, 0.07, 0.08, 0.09]),
    ]
    assert len(bench.diary.readings) == len(bench.acknowledged) == 10
    bench.give(bench.pressure(0.5))
    bench.pipeline.turn()
    bench.clock.advance(4)
    bench.pipeline.turn()
    assert bench.spy("north").calls[-1] == ("update", [0.5])


def test_a_pressure_near_the_limit_waits_for_nobody() -> None:
    """However many vessels there are, over-pressure is told with the second reading above the limit."""
    bench = patient()
    bench.give(bench.pressure(1.0))
    bench.pipeline.turn()
    bench.give(bench.pressure(2.6))
    bench.pipeline.turn()
    bench.give(bench.pressure(2.7))
    bench.pipeline.turn()
    assert ("north", Condition.OVER_PRESSURE, State.RAISED) in conditions(bench)
    assert [call for call in bench.spy("north").calls if call[0] == "update"] == [
        ("update", [1.0, 2.6]),
        ("update", [2.7]),
    ]


def test_what_waits_is_judged_before_an_entry_before_the_state_is_kept_and_at_the_end() -> None:
    """An entry of another program keeps its place, and nothing is forgotten in a snapshot or by a stop."""
    bench = patient()
    bench.give(bench.pressure(1.0))
    bench.pipeline.turn()
    bench.pipeline.enter("north", Entry(time_s=bench.clock.wall_s(), text="valve shut"), 7)
    bench.give(bench.pressure(1.1))
    bench.pipeline.turn()
    bench.pipeline.settle("north")
    bench.give(bench.pressure(1.2))
    bench.pipeline.start()
    bench.pipeline.stop()
    assert [call for call in bench.spy("north").calls if call[0] != "tick"] == [
        ("update", [1.0]),
        ("enter", "valve shut"),
        ("update", [1.1]),
        ("update", [1.2]),
    ]
