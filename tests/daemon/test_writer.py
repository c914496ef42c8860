"""What is written when."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import pytest

from ullage.adapters.reading import Delivery, Quantity, Reading
from ullage.daemon.clock import ManualClock
from ullage.daemon.pipeline import Pipeline
from ullage.daemon.receipts import HELD_AT_MOST, Receipts
from ullage.daemon.snapshot import load
from ullage.daemon.store.journal import JournalEntry
from ullage.daemon.watched import Watched
from ullage.daemon.writer import Writer, WriterSettings
from ullage.detectors.finding import Finding
from ullage.detectors.vessel import Vessel
from ullage.detectors.watch import VesselWatch

NAMES = ("north", "south")


@dataclass
class Shelf:
    """A store that notes when it was asked to commit, and may refuse."""

    clock: ManualClock
    readings: list[Reading] = field(default_factory=list)
    flushed_s: list[float] = field(default_factory=list)
    snapshots: list[tuple[str, bytes]] = field(default_factory=list)
    journal: list[tuple[str, JournalEntry]] = field(default_factory=list)
    full: bool = False

    @property
    def pending(self) -> int:
        return len(self.readings)

    def append(self, readings: Sequence[Reading]) -> None:
        self.readings += readings

    def add_entry(self, vessel: str, time_s: float, text: str, *, made_s: float) -> None:
        raise AssertionError("no entry comes through the pipeline here")

    def take(self, findings: Sequence[Finding]) -> Sequence[object]:
        return findings

    def flush(self) -> int:
        if self.full:
            raise OSError("no space left on device")
        self.flushed_s.append(self.clock.monotonic_s())
        self.readings.clear()
        return 0

    def save_snapshot(self, vessel: str, *, saved_s: float, fingerprint: str, payload: bytes) -> None:
        self.snapshots.append((vessel, payload))

    def entries_after(self, entry_id: int) -> list[tuple[str, JournalEntry]]:
        return [(vessel, entry) for vessel, entry in self.journal if entry.id > entry_id]


class Bench:
    """Two vessels, a writer, and a clock that is moved by hand."""

    def __init__(self) -> None:
        self.clock = ManualClock(wall_s=1_790_000_000.0)
        self.start_s = self.clock.monotonic_s()
        self.shelf = Shelf(self.clock)
        self.pipeline = Pipeline(
            {name: Watched(name, lambda n=name: VesselWatch(_vessel(n)), self.clock) for name in NAMES},  # type: ignore[misc]
            self.shelf,
            self.shelf,
            self.clock,
        )
        self.writer = Writer(
            self.shelf,
            self.pipeline,
            self.clock,
            entries_after=self.shelf.entries_after,
            fingerprints=dict.fromkeys(NAMES, "mark"),
            settings=WriterSettings(most_pending=50, snapshot_interval_s=3600),
            settled=lambda: self.settled,
            room=lambda: self.room,
        )
        self.settled = self.room = True

    def pass_s(self, seconds: int) -> None:
        for _ in range(seconds):
            self.clock.advance(1)
            self.writer.turn()

    def flushes(self) -> list[float]:
        return [at_s - self.start_s for at_s in self.shelf.flushed_s]


def _vessel(name: str) -> Vessel:
    return Vessel(name=name, total_volume_l=23, beer_volume_l=19, rated_pressure_bar=2.5)


@pytest.fixture(name="bench")
def _bench() -> Bench:
    return Bench()


def test_readings_are_written_once_a_commit_interval(bench: Bench) -> None:
    """A minute: what a kill may cost, and what a memory card can bear."""
    bench.pass_s(185)
    assert bench.flushes() == [60, 120, 180]


def test_many_readings_are_written_earlier(bench: Bench) -> None:
    """A transaction stays small however fast a source is."""
    bench.pass_s(5)
    bench.shelf.readings = [Reading("north", Quantity.PRESSURE, float(n), 1.0) for n in range(50)]
    bench.pass_s(1)
    assert bench.flushes() == [6]


def test_readings_behind_an_alarm_are_written_soon_but_not_for_each_alarm(bench: Bench) -> None:
    """The first alarm waits half a second; those after it share a commit every ten."""
    bench.pass_s(20)
    bench.writer.hurry()
    bench.pass_s(1)
    assert bench.flushes() == [21]
    for _ in range(15):
        bench.writer.hurry()
        bench.pass_s(1)
    assert bench.flushes() == [21, 31]


def test_a_full_disk_is_tried_again_at_the_next_interval(bench: Bench) -> None:
    """Readings stay in memory meanwhile; trying more often would help nobody."""
    bench.shelf.full = True
    bench.pass_s(61)
    assert bench.flushes() == []
    bench.shelf.full = False
    bench.pass_s(60)
    assert bench.flushes() == [120]


def test_readings_wait_for_room_on_the_disk_and_nothing_else_does(bench: Bench) -> None:
    """The state of detectors is written on; what waits when the daemon stops is written all the same."""
    bench.pipeline.start()
    try:
        bench.room = False
        bench.pass_s(1801)
        assert (bench.flushes(), len(bench.shelf.snapshots)) == ([], 1)
        bench.room = True
        bench.pass_s(60)
        assert len(bench.flushes()) == 1
        bench.room = False
        bench.pass_s(600)
        assert len(bench.flushes()) == 1
    finally:
        bench.pipeline.stop()
    bench.writer.stop()
    assert len(bench.flushes()) == 2


def test_a_sender_waits_for_no_room(bench: Bench) -> None:
    """Its broker sends nothing more before it hears from us, so only as many messages are held as it can spare."""
    acknowledged: list[int] = []
    receipts = Receipts(most=1000)
    writer = Writer(
        bench.shelf,
        bench.pipeline,
        bench.clock,
        entries_after=bench.shelf.entries_after,
        fingerprints={},
        receipts=receipts,
        room=lambda: False,
    )
    for number in range(100):
        receipts.hold(Delivery("cellar", acknowledge=lambda n=number: acknowledged.append(n)))  # type: ignore[misc]
    bench.clock.advance(61)
    writer.turn()
    assert acknowledged == list(range(100 - HELD_AT_MOST))


def test_journal_entries_of_other_programs_reach_the_detectors_once(bench: Bench) -> None:
    """In the order of their numbers, though their dates differ."""
    for number, text in ((3, "pitched"), (5, "valve shut")):
        entry = JournalEntry(id=number, time_s=1_790_000_000.0 - number, text=text, made_s=0.0)
        bench.shelf.journal.append(("north", entry))
    bench.pass_s(3)
    bench.pipeline.turn()
    assert bench.pipeline.counts.entries == 2
    assert bench.pipeline.watched["north"].last_entry_id == 5


def test_the_state_of_one_vessel_after_another_is_kept_at_its_interval() -> None:
    """Taken on the pipeline's thread, in between readings."""
    bench = Bench()
    bench.pipeline.start()
    bench.pipeline.deliver(Delivery("cellar", (Reading("south", Quantity.PRESSURE, 1_790_000_000.0, 1.0),)))
    bench.pass_s(2 * 3600 + 1)
    bench.pipeline.stop()
    assert [vessel for vessel, _ in bench.shelf.snapshots] == ["north", "south", "north", "south"]
    assert dict(load(bench.shelf.snapshots[1][1]).newest_ms) == {"pressure": 1_790_000_000_000}


def test_the_state_is_not_written_before_what_it_has_found(bench: Bench) -> None:
    """Else a kill between the two would leave an alarm that the detectors hold and nobody knows of."""
    bench.pipeline.start()
    try:
        bench.settled = False
        bench.pass_s(1801)
        assert bench.shelf.snapshots == []
        bench.settled = True
        bench.pass_s(1801)
        assert [name for name, _ in bench.shelf.snapshots] == ["south"]
    finally:
        bench.pipeline.stop()
    bench.settled = False
    bench.writer.stop()
    assert len(bench.shelf.snapshots) == 1


def test_a_clean_stop_writes_readings_and_the_state_of_all(bench: Bench) -> None:
    """So that the next start has nothing to judge again."""
    bench.writer.start()
    bench.pipeline.stop()
    bench.writer.stop()
    assert not bench.writer.alive()
    assert len(bench.flushes()) == 1
    assert [vessel for vessel, _ in bench.shelf.snapshots] == ["north", "south"]
