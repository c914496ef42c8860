"""The service manager hears from the daemon only while all of it is alive."""

from collections.abc import Callable

import pytest

from ullage.daemon.clock import ManualClock
from ullage.daemon.health import Health, Heartbeat, LoopHealth
from ullage.daemon.inbox import Inbox
from ullage.daemon.watchdog import Watchdog


class Bench:
    """A watchdog over one loop and a queue that is drained by hand."""

    def __init__(self, interval_s: float | None = 15.0, room: int = 10) -> None:
        self.clock = ManualClock()
        self.health = Health()
        self.loop = Heartbeat("writer", self.clock, longest_turn_s=20.0)
        self.health.watch(self.loop.health)
        self.queue: Inbox[Callable[[], None]] = Inbox(room)
        self.sent: list[str] = []
        self.watchdog = Watchdog(
            self.health, lambda p: self.queue.put(p, 0.0), self.sent.append, self.clock, interval_s=interval_s
        )

    def drain(self) -> None:
        for action in self.queue.take(100, 0):
            action()

    def look(self, *, beat: bool = True, drain: bool = True, after_s: float = 15.0) -> bool:
        self.clock.advance(after_s)
        if beat:
            self.loop.beat()
        if drain:
            self.drain()
        return self.watchdog.turn("Watching 2 vessels")

    @property
    def pings(self) -> int:
        return sum("WATCHDOG=1" in words for words in self.sent)


@pytest.fixture(name="bench")
def _bench() -> Bench:
    return Bench()


def test_it_pings_at_each_interval_while_everything_moves(bench: Bench) -> None:
    """Four looks, four pings, the status in plain words with each."""
    assert [bench.look() for _ in range(4)] == [True] * 4
    assert bench.pings == 4
    assert bench.sent[-1] == "WATCHDOG=1\nSTATUS=Watching 2 vessels"


def test_between_intervals_nothing_is_sent(bench: Bench) -> None:
    """The main loop may turn as often as it likes."""
    bench.look()
    for _ in range(10):
        bench.look(after_s=1.0)
    assert len(bench.sent) == 1


def test_a_stuck_loop_stops_the_pings_and_is_named(bench: Bench) -> None:
    """One loop of all is enough; when it moves again the pings go on."""
    bench.look()
    assert bench.look(beat=False)  # fifteen seconds are within its longest turn
    assert not bench.look(beat=False)
    assert bench.pings == 2
    assert "writer" in bench.sent[-1]
    assert bench.sent[-1].startswith("STATUS=In trouble")
    assert bench.look()
    assert bench.pings == 3


def test_a_pipeline_that_takes_nothing_from_its_queue_stops_the_pings(bench: Bench) -> None:
    """Though every loop says that it moved."""
    bench.look()
    assert not bench.look(drain=False)
    assert "pipeline" in bench.sent[-1]
    assert bench.pings == 1


def test_a_full_queue_stops_the_pings() -> None:
    """A probe that finds no place proves nothing."""
    bench = Bench(room=1)
    bench.look()  # its probe fills the queue
    assert not bench.look(drain=False)
    assert not bench.look(drain=False)
    assert bench.pings == 1


def test_a_loop_that_does_not_answer_is_unhealthy(bench: Bench) -> None:
    """Failing to tell is telling."""

    def silent() -> LoopHealth:
        raise RuntimeError("no answer")

    bench.health.watch(silent)
    assert not bench.look()
    assert not bench.health.healthy()


def test_without_a_manager_that_watches_only_the_status_is_sent() -> None:
    """WATCHDOG_USEC unset."""
    bench = Bench(interval_s=None)
    assert bench.look()
    assert bench.sent == ["STATUS=Watching 2 vessels"]


def test_ready_and_stopping_are_said(bench: Bench) -> None:
    """sd_notify(3)."""
    bench.watchdog.ready("Watching 2 vessels")
    bench.watchdog.stopping()
    assert bench.sent[0] == "READY=1\nSTATUS=Watching 2 vessels"
    assert bench.sent[1].startswith("STOPPING=1")
