"""The daemon's parts in one process: what becomes of a dead thread, of a source out of reach, of failing detectors."""

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
import yaml

from tests.servers.broker import Broker
from tests.servers.daemon import wait_until
from tests.servers.ports import free_port
from ullage.daemon.books import Page
from ullage.daemon.building import build
from ullage.daemon.clock import ManualClock
from ullage.daemon.service import DIED, SOURCE_LOST_S, SOURCE_STUCK_S, Service
from ullage.daemon.settings import load
from ullage.detectors.watch import Failure


@pytest.fixture(name="clock")
def _clock() -> ManualClock:
    return ManualClock(wall_s=1_790_000_000.0)


def _built(folder: Path, port: int, clock: ManualClock) -> Service:
    """A daemon that reads from a broker and tells nobody."""
    config = {
        "store": {"url": f"sqlite:///{folder / 'ullage.db'}"},
        "vessels": [
            {
                "name": "north",
                "total_volume_l": 23,
                "beer_volume_l": 19,
                "rated_pressure_bar": 2.5,
                "pressure": {"source": "cellar", "topic": "cellar/north", "unit": "bar"},
            }
        ],
        "sources": {"cellar": {"kind": "mqtt", "host": "127.0.0.1", "port": port}},
    }
    path = folder / "config.yaml"
    path.write_text(yaml.safe_dump(config))
    path.chmod(0o600)
    return build(load(path, {}), {}, clock)


@pytest.fixture(name="service")
def _service(tmp_path: Path, clock: ManualClock) -> Iterator[Service]:
    """One whose broker nobody has started."""
    service = _built(tmp_path, free_port(), clock)
    service.start()
    yield service
    service.stop()


def conditions(service: Service) -> list[tuple[str, str]]:
    return [(alarm.vessel, alarm.condition) for alarm in service.parts.desk.standing()]


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")  # that is what is tested
def test_a_dead_thread_ends_the_process(service: Service) -> None:
    """The service manager then starts everything anew."""
    assert service.look() == 0
    service.parts.pipeline.call(lambda: sys.exit("the thread ends here"))
    wait_until(lambda: not service.parts.pipeline.alive(), "the end of the thread")
    assert service.look() == DIED


def test_a_source_out_of_reach_is_an_alarm_after_some_minutes(service: Service, clock: ManualClock) -> None:
    """A broker's restart is none; five minutes are."""
    service.look()
    clock.advance(SOURCE_LOST_S - 10)
    service.look()
    assert conditions(service) == []
    clock.advance(20)
    service.look()
    service.look()
    assert conditions(service) == [("", "source-lost")]
    assert "out of reach: cellar" in service.status()


def test_a_topic_that_a_broker_withholds_without_a_word_is_an_alarm(
    tmp_path: Path, clock: ManualClock
) -> None:
    """By its access list Mosquitto grants a subscription and then sends nothing: all looks well, so silence must be told."""
    access = tmp_path / "access"
    access.write_text("topic write cellar/#\ntopic readwrite ullage/#\n")
    access.chmod(0o600)
    with Broker.start(tmp_path / "broker", extra=[f"acl_file {access}"]) as broker:
        service = _built(tmp_path, broker.port, clock)
        service.start()
        try:
            wait_until(lambda: service.sources[0].health().connected, "a connection")
            broker.publish("cellar/north", "1.0")

            def missed() -> bool:
                clock.advance(60.0)
                return ("north", "sensor-silent") in conditions(service)

            wait_until(missed, "the alarm")
            assert "source-lost" not in {condition for _, condition in conditions(service)}
        finally:
            service.stop()


def test_a_source_that_makes_no_round_ends_the_process(service: Service, clock: ManualClock) -> None:
    """Stuck in a call that never returns, its thread can't be ended; one that keeps no count is left alone."""
    source = service.sources[0]
    for _ in range(3):
        clock.advance(SOURCE_STUCK_S)
        assert service.look() == 0
    source.turns = 1
    assert service.look() == 0
    clock.advance(SOURCE_STUCK_S - 1)
    source.turns += 1
    assert service.look() == 0
    clock.advance(SOURCE_STUCK_S)
    assert service.look() == DIED


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")  # that is what is tested
def test_every_watched_loop_counts(service: Service) -> None:
    """The books, the desk's ticker: whatever is watched over must live."""
    assert service.look() == 0
    service.parts.pipeline.books.put(Page(action=lambda: (_ for _ in ()).throw(SystemExit)))
    wait_until(lambda: not service.parts.pipeline.alive(), "the end of the thread")
    assert service.look() == DIED


def test_detectors_that_fail_are_an_alarm(service: Service) -> None:
    """A watch that has stopped watching must say so."""
    watch = service.parts.pipeline.watched["north"].watch
    watch.failures["over-pressure"] = Failure("RuntimeError: division by a rumour", 0.0)
    service.look()
    assert conditions(service) == [("north", "watch-failing")]
    text = service.parts.desk.standing()[0].text
    assert "over-pressure" in text
    watch.failures.clear()
    service.look()
    assert not any(alarm.active for alarm in service.parts.desk.standing())
