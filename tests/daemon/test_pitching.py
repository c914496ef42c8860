"""A batch begins with the word `pitched`, from whatever side it comes, and goes when the word is withdrawn."""

import json
import re
import time
import urllib.request
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from tests.daemon.program import ullage
from tests.servers.broker import Broker
from tests.servers.daemon import DaemonProcess, wait_until
from ullage.daemon.batches import adopt, begin, current
from ullage.daemon.config_vessels import WatchedVessel
from ullage.daemon.pitching import follow_pitching, take_over
from ullage.daemon.store import batches
from ullage.daemon.store.store import Store
from ullage.detectors.batch import Batch
from ullage.detectors.stage import Stage, StageChange
from ullage.detectors.vessel import Vessel

T0 = 1_780_000_000.0
HOUR = 3600.0
NORTH = WatchedVessel(
    vessel=Vessel(name="north", total_volume_l=23, beer_volume_l=19, rated_pressure_bar=2.5),
    channels=(),
    detectors={},
)


@pytest.fixture(name="store")
def _store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(f"sqlite:///{tmp_path / 'ullage.db'}") as store:
        yield store


def spans(store: Store) -> list[tuple[float, float | None]]:
    """Return hours of beginning and end of every batch."""
    return [
        ((b.began_s - T0) / HOUR, None if b.ended_s is None else (b.ended_s - T0) / HOUR)
        for b in batches.all_batches(store, "north")
    ]


def pitch(store: Store, hours: float) -> int:
    """Enter `pitched` and let the program see it an hour later."""
    number = store.add_entry("north", T0 + hours * HOUR, "Pitched", made_s=T0 + hours * HOUR)
    follow_pitching(store, NORTH, T0 + (hours + 1) * HOUR)
    return number


def show(store: Store, stage: Stage, hours: float) -> None:
    """Have the current batch stand at a stage since an hour."""
    batch = current(store, "north")
    assert batch is not None
    change = StageChange(stage=stage, since_s=T0 + hours * HOUR, why="told")
    batches.keep_stages(store, "north", batch.id, (change,), None)


def test_pitching_begins_a_batch_where_none_is(store: Store) -> None:
    """At the moment of pitching, once; not again after its end, and not from an entry of the future."""
    follow_pitching(store, NORTH, T0)
    assert spans(store) == []
    store.add_entry("north", T0 + 50 * HOUR, "pitched", made_s=T0)
    follow_pitching(store, NORTH, T0)
    assert spans(store) == []
    pitch(store, 2)
    follow_pitching(store, NORTH, T0 + 10 * HOUR)
    assert spans(store) == [(2, None)]
    batch = current(store, "north")
    assert batch is not None
    batches.end(store, batch.id, ended_s=T0 + 20 * HOUR, summary="")
    follow_pitching(store, NORTH, T0 + 21 * HOUR)
    assert spans(store) == [(2, 20)]
    pitch(store, 30)
    assert spans(store) == [(2, 20), (30, None)]
    marks = [entry.time_s for entry in store.entries("north") if entry.text == "batch started"]
    assert marks == pytest.approx([T0 + 2 * HOUR, T0 + 30 * HOUR], abs=0.01)  # so that a replay sees it, too


def test_a_batch_begins_with_the_pitching_that_is_entered_after_it(store: Store) -> None:
    """`batch start` first, and then `pitched` for 20 minutes before: it began with the yeast, mark included."""
    begin(store, "north", Batch(), now_s=T0 + HOUR, began_s=T0 + HOUR)
    store.add_entry("north", T0 + 0.7 * HOUR, "pitched", made_s=T0 + 1.05 * HOUR)
    for _ in range(2):
        follow_pitching(store, NORTH, T0 + 1.1 * HOUR)
        assert spans(store) == [pytest.approx((0.7, None))]
    texts = [(entry.time_s, entry.text) for entry in store.entries("north")]
    assert [text for _, text in texts] == ["batch started", "pitched"]
    assert texts[0][0] == pytest.approx(T0 + 0.7 * HOUR, abs=0.01)


def test_an_older_pitching_moves_no_batch(store: Store) -> None:
    """One that was known when the batch was begun, one of days ago, and one of the batch before it."""
    store.add_entry("north", T0, "pitched", made_s=T0)
    begin(store, "north", Batch(), now_s=T0 + HOUR, began_s=T0 + HOUR)
    follow_pitching(store, NORTH, T0 + 2 * HOUR)
    assert spans(store) == [(1, None)]
    store.add_entry("north", T0 - 50 * HOUR, "pitched", made_s=T0 + 2 * HOUR)
    batch = current(store, "north")
    assert batch is not None
    batches.end(store, batch.id, ended_s=T0 + 30 * HOUR, summary="")
    begin(store, "north", Batch(), now_s=T0 + 40 * HOUR, began_s=T0 + 40 * HOUR)
    store.add_entry("north", T0 + 20 * HOUR, "pitched", made_s=T0 + 41 * HOUR)
    follow_pitching(store, NORTH, T0 + 42 * HOUR)
    assert spans(store) == [(1, 30), (40, None)]


@pytest.mark.parametrize(
    ("stage", "ends"),
    [
        (Stage.LAG, False),
        (Stage.ACTIVE, False),
        (Stage.COLD, False),
        (Stage.CONDITIONED, True),
        (Stage.ON_TAP, True),
    ],
)
def test_a_vessel_filled_anew_has_another_batch(store: Store, stage: Stage, ends: bool) -> None:
    """Beer that was ready is gone when yeast is pitched again; one that still works got a second dose of yeast."""
    pitch(store, 0)
    show(store, stage, 100)
    pitch(store, 120)
    assert spans(store) == ([(0, 120), (120, None)] if ends else [(0, None)])


def test_a_withdrawn_pitching_withdraws_its_batch(store: Store) -> None:
    """A button pressed by mistake: the batch that it ended goes on, with its stages."""
    pitch(store, 0)
    first = current(store, "north")
    show(store, Stage.ON_TAP, 100)
    number = pitch(store, 120)
    store.strike_entry(number, made_s=T0 + 122 * HOUR)
    follow_pitching(store, NORTH, T0 + 123 * HOUR)
    assert spans(store) == [(0, None)]
    assert current(store, "north") == first
    assert first is not None
    assert [change.stage for change in batches.stages(store, "north", first.id)] == [Stage.ON_TAP]
    assert [entry.text for entry in store.entries("north")] == ["batch started", "Pitched"]


def test_a_corrected_pitching_moves_its_batch(store: Store) -> None:
    """An hour earlier than it was entered."""
    number = pitch(store, 10)
    store.replace_entry(number, made_s=T0 + 11 * HOUR, time_s=T0 + 9 * HOUR)
    follow_pitching(store, NORTH, T0 + 12 * HOUR)
    assert spans(store) == [(9, None)]


def test_batch_start_gives_it_its_wishes(store: Store) -> None:
    """The same batch, from then on the brewer's own: a struck entry no longer takes it away."""
    number = pitch(store, 0)
    taken = take_over(store, "north", Batch(name="amber"), now_s=T0 + 2 * HOUR)
    assert taken == current(store, "north")
    assert taken is not None
    assert taken.wishes.name == "amber"
    assert take_over(store, "north", Batch(), now_s=T0 + 3 * HOUR) is None
    store.strike_entry(number, made_s=T0 + 4 * HOUR)
    follow_pitching(store, NORTH, T0 + 5 * HOUR)
    assert current(store, "north") == taken


def test_batch_start_may_move_its_beginning(store: Store) -> None:
    """With a time of its own."""
    pitch(store, 5)
    taken = take_over(store, "north", Batch(name="amber"), now_s=T0 + 7 * HOUR, began_s=T0 + 3 * HOUR)
    assert taken == current(store, "north")
    assert spans(store) == [(3, None)]


def test_wishes_of_the_configuration_are_those_of_the_vessel(store: Store) -> None:
    """Its batch was ended; the next pitching means the same wishes, and changes of them are taken over."""
    block = Batch(name="house ale", carbonation="5 g/L")
    north = replace(NORTH, vessel=NORTH.vessel.carrying(block))
    adopt(store, north, T0)
    first = current(store, "north")
    assert first is not None
    batches.end(store, first.id, ended_s=T0 + HOUR, summary="")
    store.add_entry("north", T0 + 2 * HOUR, "pitched", made_s=T0)
    follow_pitching(store, north, T0 + 3 * HOUR)
    changed = replace(NORTH, vessel=NORTH.vessel.carrying(replace(block, carbonation="6 g/L")))
    adopt(store, changed, T0 + 4 * HOUR)
    second = current(store, "north")
    assert second is not None
    assert (second.began_s, second.wishes.carbonation) == (T0 + 2 * HOUR, "6 g/L")
    batches.end(store, second.id, ended_s=T0 + 5 * HOUR, summary="")
    adopt(store, changed, T0 + 6 * HOUR)
    assert current(store, "north") is None


NAMES = ("button", "command", "page")


PASSWORDS = {"brewer": "right-pass", "stranger": "another-pass"}
"""Invented. The broker lets the stranger publish readings and nothing else."""
ACCESS = """
user brewer
topic readwrite cellar/#
user stranger
topic write cellar/+/bar
"""


@pytest.fixture(name="broker")
def _broker(tmp_path: Path) -> Iterator[Broker]:
    access = tmp_path / "access"
    access.write_text(ACCESS)
    access.chmod(0o600)
    broker = Broker.start(tmp_path / "broker", passwords=PASSWORDS, extra=[f"acl_file {access}"])
    yield broker
    broker.stop()


@pytest.fixture(name="daemon")
def _daemon(tmp_path: Path, broker: Broker) -> Iterator[DaemonProcess]:
    secret = tmp_path / "broker-password"
    secret.write_text(PASSWORDS["brewer"])
    secret.chmod(0o600)
    source = {
        "kind": "mqtt",
        "host": "127.0.0.1",
        "port": broker.port,
        "first_pause_s": 0.1,
        "username": "brewer",
        "password_file": str(secret),
        "status_topic": "",
    }
    daemon = DaemonProcess(
        directory=tmp_path / "daemon",
        config={
            "store": {"url": f"sqlite:///{tmp_path / 'ullage.db'}", "commit_interval_s": 1.0},
            "page": {"port": 0},
            "timezone": "UTC",
            "vessels": [
                {
                    "name": name,
                    "total_volume_l": 23,
                    "beer_volume_l": 19,
                    "rated_pressure_bar": 2.5,
                    "pressure": {"source": "cellar", "topic": f"cellar/{name}/bar", "unit": "bar"},
                    "journal": {"source": "cellar", "topic": f"cellar/{name}/journal"},
                }
                for name in NAMES
            ],
            "sources": {"cellar": source},
        },
    )
    daemon.start()
    yield daemon
    daemon.stop()


def command(daemon: DaemonProcess, *arguments: str) -> str:
    done = ullage(*arguments, "--config", daemon.config_path)
    assert (done.returncode, done.stderr) == (0, "")
    return done.stdout


def test_every_way_into_the_journal_begins_a_batch(
    daemon: DaemonProcess, broker: Broker, tmp_path: Path
) -> None:
    """A button by MQTT, the command line and the page, each into its own vessel of the running daemon.

    The button is one that the broker lets in; what a stranger publishes there never arrives.
    """
    began_s = time.time()

    def heard() -> bool:
        broker.publish("cellar/button/bar", "0.01")
        return "first reading judged" in daemon.log

    wait_until(heard, "a reading, so that the topics are subscribed to")
    stranger = replace(broker, username="stranger", password=PASSWORDS["stranger"], process=None)
    stranger.publish("cellar/button/journal", "tapped")
    broker.publish("cellar/button/journal", "pitched")
    said = command(daemon, "journal", "command", "pitched")
    assert "A batch begins with it" in said
    assert "ullage batch start command" in said
    wait_until(lambda: "address=http" in daemon.log, "the page")
    port = re.search(r"address=http://127\.0\.0\.1:(\d+)", daemon.log)
    assert port is not None
    address = f"http://127.0.0.1:{port[1]}/api/v1/vessels/page/journal"
    body = json.dumps({"text": "pitched"}).encode()
    asked = urllib.request.Request(address, body, {"Content-Type": "application/json"})
    assert urllib.request.urlopen(asked, timeout=30).status < 300

    def begun(name: str) -> bool:
        with Store.open(f"sqlite:///{tmp_path / 'ullage.db'}", read_only=True) as store:
            batch = current(store, name)
        return batch is not None and abs(batch.began_s - began_s) < 60

    for name in NAMES:
        wait_until(lambda name=name: begun(name), f"a batch in {name}")  # type: ignore[misc]

    with Store.open(f"sqlite:///{tmp_path / 'ullage.db'}", read_only=True) as store:
        assert sorted(entry.text for entry in store.entries("button")) == ["batch started", "pitched"]

    def staged() -> bool:
        broker.publish("cellar/button/bar", "0.01")
        return "button: pitched, since" in command(daemon, "status")

    wait_until(staged, "its stage")
    done = command(daemon, "batch", "start", "button", "--name", "Amber", "--carbonation", "5 g/L")
    assert re.match(r'button: batch \d "Amber", begun ', done)
    assert daemon.stop() == 0
