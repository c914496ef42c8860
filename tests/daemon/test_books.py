"""What is judged is put down in order, and judging waits for none of it."""

import functools
import threading
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import pytest

from tests.servers.daemon import wait_until
from ullage.adapters.reading import Delivery, Quantity, Reading
from ullage.daemon.books import BooksSettings, Page
from ullage.daemon.clock import SystemClock
from ullage.daemon.pipeline import Pipeline, PipelineSettings
from ullage.daemon.receipts import HELD_AT_MOST, Receipts
from ullage.daemon.watched import Watched
from ullage.detectors.finding import Condition, Finding, Priority, State
from ullage.detectors.vessel import Vessel
from ullage.detectors.watch import VesselWatch

NORTH = Vessel(name="north", total_volume_l=23, beer_volume_l=19, rated_pressure_bar=2.5)


@dataclass
class Disk:
    """Store and desk on a disk that hangs until it is let go."""

    let_go: threading.Event = field(default_factory=threading.Event)
    order: list[str] = field(default_factory=list)
    readings: list[Reading] = field(default_factory=list)
    entries: list[str] = field(default_factory=list)
    told: list[Finding] = field(default_factory=list)

    def take(self, findings: Sequence[Finding]) -> Sequence[Finding]:
        assert self.let_go.wait(30)
        self.order.append("take")
        self.told += findings
        return findings

    def append(self, readings: Sequence[Reading]) -> None:
        self.order.append("append")
        self.readings += readings

    def add_entry(self, vessel: str, time_s: float, text: str, *, made_s: float) -> None:
        self.order.append("entry")
        self.entries.append(text)


class House:
    """A running pipeline upon that disk."""

    def __init__(self) -> None:
        self.disk = Disk()
        self.ran: list[int] = []
        self.promised: list[Finding] = []
        self.heard: list[float] = []
        clock = SystemClock()
        self.receipts = Receipts()
        self.pipeline = Pipeline(
            {"north": Watched("north", lambda: VesselWatch(NORTH), clock)},
            self.disk,
            self.disk,
            clock,
            settings=PipelineSettings(books=BooksSettings(pages=50)),
            receipts=self.receipts,
            promise=self.promised.extend,
        )
        self.pipeline.start()
        self.time_s = time.time() - 3600

    def give(self, *pressures_bar: float) -> None:
        """Deliver readings one by one, each judged before the next."""
        for value in pressures_bar:
            self.time_s += 1
            reading = Reading("north", Quantity.PRESSURE, self.time_s, value)
            turns = self.pipeline.counts.readings
            self.pipeline.deliver(Delivery("cellar", (reading,), (), lambda v=value: self.heard.append(v)))  # type: ignore[misc]
            wait_until(lambda turns=turns: self.pipeline.counts.readings > turns, "a judgement")  # type: ignore[misc]


@pytest.fixture(name="house")
def _house() -> Iterator[House]:
    house = House()
    yield house
    house.disk.let_go.set()
    house.pipeline.stop()


def test_a_disk_that_hangs_delays_no_judgement_and_no_critical_alarm(house: House) -> None:
    """The alarm is promised at once, the next readings are judged, and all is put down in order afterwards."""
    house.give(2.6, 2.7)
    assert [finding.condition for finding in house.promised] == [Condition.OVER_PRESSURE]
    house.give(*[1.0] * 30)
    assert house.disk.order == ["append"]
    house.disk.let_go.set()
    wait_until(lambda: len(house.disk.readings) == 32, "all readings")
    assert house.disk.order[:3] == ["append", "take", "append"]
    assert [reading.value for reading in house.disk.readings] == [2.6, 2.7, *[1.0] * 30]


def test_its_broker_is_not_kept_waiting_either(house: House) -> None:
    """Beyond what may be held messages are acknowledged in order, though nothing can be put down."""
    house.give(2.6, 2.7, *[1 + n / 100 for n in range(30)])
    assert house.heard == [2.6, 2.7, *[1 + n / 100 for n in range(30)]][: 32 - HELD_AT_MOST]


def test_a_commit_acknowledges_only_what_was_put_down_before_it(house: House) -> None:
    """A number that is judged and not yet with the store is in no commit."""
    house.give(1.0, 2.6, 2.7, 2.8)
    wait_until(lambda: len(house.disk.readings) == 2, "what does not hang")
    ticket = house.receipts.ticket()
    house.disk.let_go.set()
    wait_until(lambda: len(house.disk.readings) == 4, "the rest")
    house.receipts.settle(ticket)
    assert house.heard == [1.0, 2.6]
    house.receipts.settle(house.receipts.ticket())
    assert house.heard == [1.0, 2.6, 2.7, 2.8]


def test_memory_is_bounded_and_what_is_given_up_is_counted(house: House) -> None:
    """Findings are kept, readings beyond the room are not."""
    house.give(2.6, 2.7, *[1.0] * 100)
    assert house.pipeline.books.waiting <= 100
    house.disk.let_go.set()
    wait_until(lambda: not house.pipeline.books.waiting, "an empty queue")
    wait_until(lambda: len(house.disk.readings) + house.pipeline.counts.unstored == 102, "all accounted for")
    assert house.pipeline.counts.unstored > 0


def test_a_stop_puts_down_what_waits(house: House) -> None:
    """Nothing that was judged is left in the queue."""
    house.give(2.6, 2.7, 1.0)
    house.disk.let_go.set()
    house.pipeline.stop()
    assert len(house.disk.readings) == 3
    assert not house.pipeline.alive()


def test_findings_and_entries_are_never_given_up(house: House) -> None:
    """Twice as many pages as may wait, each with a word of its own: all of them arrive once the disk goes on."""
    books = house.pipeline.books
    house.give(2.6, 2.7)
    wait_until(lambda: not books.waiting, "the disk hangs")
    count = 3 * 50
    for number in range(count):
        word = Reading("north", Quantity.JOURNAL, float(number), 0.0, text=f"note {number}")
        finding = Finding(
            time_s=float(number), vessel="north", condition=Condition.LEAK, state=State.RAISED,
            priority=Priority.HIGH, text=f"leak {number}",
        )  # fmt: skip
        done: list[int] = house.ran
        books.put(Page(findings=(finding,), entries=(word,), action=functools.partial(done.append, number)))
    assert books.waiting <= 100
    house.disk.let_go.set()
    wait_until(lambda: not books.waiting, "an empty queue")
    wait_until(lambda: len(house.disk.entries) == count, "all words")
    assert house.ran == list(range(count))
    assert [f.text for f in house.disk.told if f.condition is Condition.LEAK] == [
        f"leak {n}" for n in range(count)
    ]
