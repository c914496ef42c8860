"""What is acknowledged is committed, unless so much comes that the broker would fall silent."""

from tests.daemon.test_writer import Bench
from ullage.adapters.reading import Delivery, Quantity, Reading
from ullage.daemon.pipeline import Pipeline
from ullage.daemon.receipts import ASK_AT, HELD_AT_MOST, Receipts
from ullage.daemon.writer import Writer, WriterSettings


class Desk:
    """A pipeline and a writer that share receipts, and the order in which senders hear that we have their messages."""

    def __init__(self) -> None:
        self.bench = Bench()
        self.heard: list[int] = []
        self.receipts = Receipts()
        bench = self.bench
        self.pipeline = Pipeline(
            bench.pipeline.watched, bench.shelf, bench.shelf, bench.clock, receipts=self.receipts
        )
        self.writer = Writer(
            bench.shelf,
            self.pipeline,
            bench.clock,
            entries_after=bench.shelf.entries_after,
            fingerprints={},
            settings=WriterSettings(commit_interval_s=60, receipt_interval_s=5),
            receipts=self.receipts,
        )
        self.pipeline.books.held = self.writer.free
        self.number = 0

    def give(self, count: int, pause_s: float = 0.0, messages: int = 1) -> None:
        for _ in range(count):
            self.number += 1
            number = self.number
            self.bench.clock.advance(0.001)
            reading = Reading("north", Quantity.PRESSURE, self.bench.clock.wall_s(), 1.0)
            delivery = Delivery("cellar", (reading,), (), lambda n=number: self.heard.append(n), messages)  # type: ignore[misc]
            self.pipeline.deliver(delivery)
            self.pipeline.turn()
            self.bench.clock.advance(pause_s)
            self.writer.turn()


def test_a_message_is_acknowledged_when_it_is_committed() -> None:
    """Five messages wait for the commit that comes after a minute."""
    desk = Desk()
    desk.give(ASK_AT - 1)
    assert (desk.heard, desk.bench.flushes()) == ([], [])
    desk.bench.clock.advance(60)
    desk.writer.turn()
    assert desk.heard == list(range(1, ASK_AT))


def test_messages_that_wait_ask_for_a_commit_but_not_too_often() -> None:
    """A message a second is never acknowledged unwritten, and costs a commit each six seconds and no more."""
    desk = Desk()
    desk.give(60, 1.0)
    assert desk.receipts.early == 0
    assert desk.heard == list(range(1, 61))
    assert len(desk.bench.flushes()) == 10


def test_a_flood_and_a_disk_that_refuses_hold_up_nothing() -> None:
    """A broker waits for acknowledgements: it gets them, in order, and they are counted."""
    desk = Desk()
    desk.bench.shelf.full = True
    desk.give(100, 0.01)
    assert desk.heard == list(range(1, 101 - HELD_AT_MOST))
    assert desk.receipts.early == 100 - HELD_AT_MOST
    desk.bench.shelf.full = False
    desk.bench.clock.advance(60)
    desk.writer.turn()
    assert desk.heard == list(range(1, 101))


def test_a_delivery_of_many_messages_counts_as_many() -> None:
    """What waited at the broker comes in bundles."""
    desk = Desk()
    desk.give(1, messages=HELD_AT_MOST + 1)
    assert desk.heard == [1]
    desk.give(2, messages=HELD_AT_MOST)
    assert desk.heard == [1, 2]


def test_before_a_stop_nothing_waits() -> None:
    """Else the broker would send again what is stored already, with another time of arrival."""
    desk = Desk()
    desk.give(1)
    desk.writer.hasten()
    desk.writer.turn()
    assert desk.heard == [1]
    desk.give(3)
    assert desk.heard == [1, 2, 3, 4]


def test_one_busy_source_takes_nothing_from_the_others() -> None:
    """What may be held is counted for each source by itself: each has a broker, or a session, of its own."""
    heard: list[str] = []
    receipts = Receipts(lambda delivery: heard.append(delivery.source), most=20)
    for _ in range(20):
        receipts.hold(Delivery("busy"))
    receipts.hold(Delivery("quiet"))
    assert heard == []
    receipts.hold(Delivery("busy"))
    assert heard == ["busy"]


def test_while_the_database_refuses_no_more_is_held_than_any_broker_can_spare() -> None:
    """However much may be held otherwise, the watch goes on at a broker that sends 20 and waits."""
    heard: list[str] = []
    receipts = Receipts(lambda delivery: heard.append(delivery.source), most=250)
    for _ in range(100):
        receipts.hold(Delivery("cellar"))
    receipts.refused()
    assert len(heard) == 100 - HELD_AT_MOST
    receipts.hold(Delivery("cellar"))
    assert len(heard) == 101 - HELD_AT_MOST
    receipts.settle(receipts.number)
    for _ in range(100):
        receipts.hold(Delivery("cellar"))
    assert len(heard) == 101


def test_what_another_daemon_may_have_taken_over_is_never_let_go_uncommitted() -> None:
    """The broker has it for that one; when this one turns out to be the holder still, the next commit frees all."""
    heard: list[int] = []
    ours = False
    receipts = Receipts(most=20, may_let_go=lambda: ours)
    for number in range(30):
        receipts.hold(Delivery("cellar", acknowledge=lambda n=number: heard.append(n)))  # type: ignore[misc]
    receipts.refused()
    assert (heard, receipts.early) == ([], 0)
    ours = True
    receipts.refused()
    assert heard == list(range(30 - HELD_AT_MOST))
    receipts.settle(receipts.number)
    assert heard == list(range(30))
