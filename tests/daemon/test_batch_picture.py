"""From readings to the phone: the daemon as it is built, a recorded batch, and the picture that comes with its end."""

import itertools
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import yaml

from tests.daemon.chart.test_png import pixels
from tests.servers.http_receiver import HttpReceiver
from ullage.adapters.reading import Delivery, Quantity, Reading
from ullage.adapters.recorded_log import read_log
from ullage.daemon import batch_picture
from ullage.daemon.building import build
from ullage.daemon.chart.style import LIGHT
from ullage.daemon.clock import ManualClock
from ullage.daemon.settings import load
from ullage.detectors.samples import Kind

FIXTURE = Path(__file__).parents[2] / "replay_fixtures" / "heron_pitched_to_tap.csv.gz"
STEP_S = 600.0
QUANTITIES = {Kind.TEMPERATURE: Quantity.TEMPERATURE, Kind.PRESSURE: Quantity.PRESSURE}


def readings() -> Iterator[Reading]:
    """Yield the fixture's readings and entries in the order of time."""
    log = read_log(FIXTURE).vessels["heron"]
    rows = zip(log.time_s.tolist(), log.kind.tolist(), log.value.tolist(), strict=True)
    told = [Reading("heron", QUANTITIES[Kind(kind)], at, value) for at, kind, value in rows]
    told += [Reading("heron", Quantity.JOURNAL, entry.time_s, 0.0, entry.text) for entry in log.entries]
    yield from sorted(told, key=lambda reading: reading.time_s)


@pytest.fixture(name="config")
def _config(tmp_path: Path, phone: HttpReceiver) -> Path:
    """The fixture's own vessel, with a source that nothing comes from and a phone."""
    given = yaml.safe_load(FIXTURE.with_name("heron_pitched_to_tap.yaml").read_text())
    (vessel,) = given["vessels"]
    for quantity, unit in (("pressure", "bar"), ("temperature", "Cel")):
        vessel[quantity] = {"source": "probe", "key": quantity, "unit": unit}
    vessel["batch"]["name"] = "first ale"
    given |= {
        "store": {"url": f"sqlite:///{tmp_path / 'u.db'}"},
        "sources": {"probe": {"kind": "serial", "url": "socket://127.0.0.1:9"}},
        "notify": {"targets": [{"name": "phone", "url_file": "address"}], "night": ""},
    }
    (tmp_path / "address").write_text(phone.notify_url)
    path = tmp_path / "config.yaml"
    path.write_text(yaml.safe_dump(given))
    path.chmod(0o600)
    return path


@pytest.fixture(name="phone")
def _phone() -> Iterator[HttpReceiver]:
    with HttpReceiver() as receiver:
        yield receiver


def of_colour(rows: list[bytearray], colour: str) -> list[int]:
    """Return the columns in which a picture has about that colour; thin lines are blended with the paper."""
    wanted = np.frombuffer(bytes.fromhex(colour.removeprefix("#")), np.uint8).astype(int)
    seen = np.array([np.frombuffer(row, np.uint8) for row in rows]).reshape(len(rows), -1, 4)[:, :, :3]
    return np.flatnonzero((np.abs(seen - wanted) < 40).all(axis=2).any(axis=0)).tolist()


def test_the_end_comes_with_the_batch_in_a_picture(
    config: Path, phone: HttpReceiver, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A whole batch goes through the daemon's parts, and the message of its end shows pressure, temperature and production."""
    monkeypatch.setattr(batch_picture, "DOTS_PER_PIXEL", 1)  # a small one is decoded soon
    told = list(readings())
    clock = ManualClock(wall_s=told[0].time_s)
    parts = build(load(config, {}), {}, clock).parts
    assert parts.notifier is not None
    parts.notifier.start()
    try:
        for _, group in itertools.groupby(told, key=lambda reading: reading.time_s // STEP_S):
            step = tuple(group)
            clock.advance_to(step[-1].time_s)
            parts.pipeline.deliver(Delivery("probe", step))
            parts.pipeline.turn()
            if parts.pipeline.watched["heron"].watch.record.finished_s is not None:
                break
        assert phone.wait_until(lambda requests: any(one.pictures for one in requests), 60)
    finally:
        parts.notifier.stop()
        parts.store.close()
    (request,) = [one for one in phone.requests if one.pictures]
    assert "Fermentation is over" in request.message
    ((name, png),) = request.pictures
    assert name == "heron-finished.png"
    assert len(png) < 300_000
    width, height, rows = pixels(png)
    assert (width, height > width) == (374, True)
    for line, least in (("pressure", 0.85), ("temperature", 0.85), ("production", 0.5)):
        columns = of_colour(rows, LIGHT[line])
        assert (max(columns) - min(columns)) > least * width, line
