"""`ullage check`: words about a configuration; a real broker and a real receiver for what it tries outside."""

import os
import pty
import re
import subprocess
import threading
import tty
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.daemon.configs import BARE, EXAMPLE, write
from tests.daemon.program import COMMAND, environment, sentences, ullage
from tests.servers.broker import Broker
from tests.servers.http_receiver import HttpReceiver
from ullage.adapters.errors import ConfigError
from ullage.daemon.checking import plain_words, warnings
from ullage.daemon.cli import main
from ullage.daemon.describing import promises
from ullage.daemon.settings import load
from ullage.detectors.finding import NOTICES, Condition


@pytest.fixture(name="address")
def _address(tmp_path: Path) -> Path:
    """A target's address in a file of its own; nobody listens there."""
    path = tmp_path / "push-url"
    path.write_text("json://127.0.0.1:9/hunter2\n")
    path.chmod(0o600)
    return path


@pytest.mark.usefixtures("address")
def test_every_limit_delay_and_listener_is_said(tmp_path: Path) -> None:
    """A brewer can read what will happen, vessel by vessel, and what can't for want of a key."""
    done = ullage("check", "--config", write(tmp_path), env={"COLUMNS": "400"})
    assert (done.returncode, done.stderr) == (0, "")
    said = done.stdout
    for words in (
        "north: 23 L with 19 L of beer, rated 2.5 bar, valve set to 1.5 bar",
        "temperature from cellar (mqtt), topic cellar/north, pointer /beer, in Cel",
        "pressure from cellar (mqtt), topic cellar/north, pointer /top, in bar, gauge",
        "over-pressure [critical, tells push-url]: above 2.5 bar for two readings in a row, no other delay",
        "temperature-high [high, tells push-url]: above 24 °C for 40 min",
        "temperature-low [medium, tells NOBODY]: below 18 °C for 40 min",
        "temperature-high [medium, tells NOBODY]: beer that was chilled stands for 2 h more than 3 K above",
        "sensor-silent [high, tells push-url]: a sensor says nothing for 15 min (a float for 24 h)",
        "missing: no probe: say whether it sits in the beer or in the air",
        "push-url is told of: critical, high",
        "kept one by one for 400 days",
        "With less than 100 MB free on that disk readings wait in memory for room",
        "the relief valve protects",
        "config.yaml: the configuration is right.",
    ):
        assert words in said
    assert "hunter2" not in said


def test_who_gets_a_picture_is_said(tmp_path: Path, address: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever is told of the end gets one, unless it is not wanted; what is missing for it is said."""
    wanted = ("priorities: [critical, high]", "priorities: [medium]")
    config = load(write(tmp_path, EXAMPLE, wanted), {})
    said = "\n".join(plain_words(config))
    assert "With finished a picture of the batch goes to push-url, if the service takes any." in said
    monkeypatch.setattr("ullage.daemon.checking.can_draw", lambda: False)
    assert "missing: no picture comes with finished: pip install '.[png]'" in "\n".join(plain_words(config))
    plain = load(write(tmp_path, EXAMPLE, ("priorities: [critical, high]", "pictures: false")), {})
    assert "picture of" not in "\n".join(plain_words(plain))
    assert "picture of" not in "\n".join(plain_words(load(write(tmp_path), {})))


def test_settings_that_are_changed_are_said(tmp_path: Path) -> None:
    """The words follow the settings, not the defaults."""
    path = write(tmp_path, EXAMPLE, ("    original_gravity", "    probe: air\n    original_gravity"))
    env = {
        "ULLAGE_VESSELS__0__BATCH": '{"plan": "16 for 3 days, 20"}',
        "ULLAGE_DETECTORS__TEMPERATURE__OFF_PLAN_C": "1.5",
        "ULLAGE_DETECTORS__OVER_PRESSURE__DEAD_BAND_BAR": "0.1",
        "ULLAGE_DETECTORS__TEMPERATURE__PATIENCE_AIR_H": "3",
        "ULLAGE_NOTIFY__QUIET_HOURS": "22:00-07:00",
    }
    said = "\n".join(plain_words(load(path, env)))
    assert "over when it is below 2.4 bar" in said
    assert "above 24 °C for 3 h, the longer patience of a probe in air" in said
    assert "more than 1.5 K off the plan's step for 2 h" in said
    assert "Between 22:00-07:00 only critical messages ring" in said


def test_every_alarm_of_the_contract_is_described(tmp_path: Path) -> None:
    """No alarm comes as a surprise."""
    told = {
        word
        for promise in promises(load(write(tmp_path), {}).vessels[0])
        for word in promise.what.split(", ")
    }
    assert {condition.value for condition in Condition} - told <= {
        Condition.FINING_DUE.value,
        Condition.READY.value,
    }
    assert {notice.value for notice in NOTICES} & told


def test_what_is_allowed_and_probably_not_meant_is_warned_of(tmp_path: Path, address: Path) -> None:
    """Unused sources, secrets that others may read, nobody told of critical alarms."""
    address.chmod(0o644)
    password = tmp_path / "password"
    password.write_text("hunter2")
    password.chmod(0o640)
    text = EXAMPLE.replace("priorities: [critical, high]", "priorities: [high]")
    text = text.replace("host: localhost,", "host: localhost, username: me, password_file: password,")
    text = text.replace("notify:", "  spare: {kind: serial, url: /dev/null}\nnotify:")
    found = list(warnings(load(write(tmp_path, text), {})))
    assert found == [
        "sources.spare: no channel uses it: what it sends is left alone",
        f"sources.cellar.password_file: others may read {password}; run: chmod 600 {password}",
        f"target push-url: others may read {address}; run: chmod 600 {address}",
        "notify: no target is told of critical alarms; over-pressure would ring nowhere",
    ]


def test_a_rating_in_psi_is_warned_of(tmp_path: Path) -> None:
    """A plate that says 36 psi, copied as it stands, would let nobody be told; a keg's 9 bar are no matter."""
    psi = load(write(tmp_path, EXAMPLE, ("rated_pressure_bar: 2.5", "rated_pressure_bar: 36")), {})
    (warned,) = [said for said in warnings(psi) if "rated_pressure_bar" in said]
    assert "36 bar is more than beer vessels bear. If the plate says 36 psi, write 2.48" in warned
    keg = load(write(tmp_path, EXAMPLE, ("rated_pressure_bar: 2.5", "rated_pressure_bar: 9")), {})
    assert not [said for said in warnings(keg) if "rated_pressure_bar" in said]


def test_a_cellar_of_like_vessels_is_said_shortly(tmp_path: Path) -> None:
    """Limits stand once; what each vessel is, and what it lacks, is said of each."""
    one = EXAMPLE[EXAMPLE.index("  - name: north") : EXAMPLE.index("sources:")]
    other = one.replace("north", "south").replace("    original_gravity: 1.048\n", "")
    odd = one.replace("north", "east").replace("2.5", "3")
    lines = list(plain_words(load(write(tmp_path, EXAMPLE, ("sources:", f"{other}{odd}sources:")), {})))
    assert "  told of as north is, by the same limits" in lines
    south = lines[lines.index("south: 23 L with 19 L of beer, rated 2.5 bar, valve set to 1.5 bar") :]
    south = south[: south.index("")]
    assert len(south) < 7
    assert any("missing: no original_gravity" in line for line in south)
    assert sum("over-pressure [" in line for line in lines) == 2
    assert any("above 3 bar for two readings" in line for line in lines)


def test_a_valve_close_to_the_plate_is_warned_of(tmp_path: Path) -> None:
    """Within the margin that all advice keeps; at the plate or above it is a mistake."""
    near = load(write(tmp_path, EXAMPLE, ("valve_pressure_bar: 1.5", "valve_pressure_bar: 2.4")), {})
    (warned,) = [said for said in warnings(near) if "valve_pressure_bar" in said]
    assert warned.startswith(
        "vessels.north.valve_pressure_bar: 2.4 bar is close to the plate's 2.5 bar, and a small"
    )
    assert warned.endswith("2.25 bar or less is advised")
    for bar in ("2.5", "3.0"):
        path = write(tmp_path, EXAMPLE, ("valve_pressure_bar: 1.5", f"valve_pressure_bar: {bar}"))
        with pytest.raises(ConfigError, match=r"below rated_pressure_bar 2\.5 bar"):
            load(path, {})


def test_a_vessel_without_channels_is_warned_of(tmp_path: Path) -> None:
    """Right for replay, useless for watching."""
    config = load(write(tmp_path, BARE), {})
    assert "no vessel has a channel with a source: nothing will be read" in list(warnings(config))
    assert (
        "  missing: no pressure channel: over-pressure, leaks and the end of fermentation can't be told"
        in list(plain_words(config))
    )


def test_an_address_that_leads_nowhere_is_a_mistake(tmp_path: Path, address: Path) -> None:
    """A missing or unknown address is found before the first alarm needs it, and never shown."""
    path = write(tmp_path)
    address.write_text("nosuchservice://hunter2\n")
    done = ullage("check", "--config", path)
    assert done.returncode == 2
    (said,) = sentences(done)
    assert said.startswith("ullage: target push-url: the address is not one that Apprise knows")
    assert "hunter2" not in done.stdout + done.stderr
    address.unlink()
    done = ullage("check", "--config", path)
    assert done.returncode == 2
    assert sentences(done) == [
        f"ullage: target push-url: url_file {address} can't be read: No such file or directory; put the address there"
    ]


@pytest.mark.usefixtures("address")
def test_a_floor_that_the_disk_is_below_already_is_a_warning(tmp_path: Path) -> None:
    """Readings would wait from the start on; with 0 none do, and nothing is said of it."""
    floor = "keep_days: 400, free_space_floor_mb: "
    config = load(write(tmp_path, EXAMPLE, ("keep_days: 400", f"{floor}90000000")), {})
    assert "less than 9e+07: readings will wait" in "\n".join(warnings(config))
    config = load(write(tmp_path, EXAMPLE, ("keep_days: 400", f"{floor}0")), {})
    assert "free" not in "\n".join((*warnings(config), *plain_words(config)))


@pytest.mark.usefixtures("address")
@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ('topic: "cellar/north", pointer: "/top"', 'pointer: "/top"', "north pressure: topic '' is missing"),
        (
            "sqlite:///ullage.db",
            "foo",
            'store.url: is not a database URL; write it as "sqlite:///ullage.db" or',
        ),
        ("sqlite:///ullage.db", "mysqll://x/y", "store.url: no driver for mysqll; use sqlite or postgresql"),
    ],
)
def test_what_only_the_parts_can_judge_is_judged(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], old: str, new: str, sentence: str
) -> None:
    """Sources and the database's URL are tried without being opened."""
    assert main(["check", "--config", str(write(tmp_path, EXAMPLE, (old, new)))]) == 2
    assert capsys.readouterr().err.startswith(f"ullage: {sentence}")


def test_a_test_message_goes_through_every_target(tmp_path: Path, address: Path) -> None:
    """One that takes it and one that refuses the connection: each result is told, and the exit code says not all."""
    with HttpReceiver() as receiver:
        good = tmp_path / "good"
        good.write_text(receiver.notify_url)
        good.chmod(0o600)
        path = write(tmp_path, EXAMPLE, ("targets: [", "targets: [{url_file: good}, "))
        done = ullage("check", "--notify", "--config", path)
        assert done.returncode == 1
        assert "good: test message sent" in done.stdout
        assert "push-url: NOT sent: refused" in done.stdout
        assert [request.message.startswith("This is a test.") for request in receiver.requests] == [True]
    assert "hunter2" not in done.stdout + done.stderr
    del address


class Listening:
    """`check --listen` in a process of its own, read line by line."""

    def __init__(self, path: Path, seconds: float) -> None:
        command = [*COMMAND, "check", "--config", str(path), "--listen", str(seconds)]
        self.process = subprocess.Popen(
            command,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env=environment({"COLUMNS": "400"}),
        )
        self.lines: list[str] = []

    def until(self, words: str) -> None:
        """Read up to a line with these words."""
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.lines.append(line.rstrip())
            if words in line:
                return
        raise AssertionError(f"{words!r} did not come: {self.lines}")

    def rest(self) -> list[str]:
        """Read the rest and wait for the end."""
        out, err = self.process.communicate(timeout=60)
        assert err == ""
        return out.splitlines()


def test_listening_shows_what_a_broker_sends(tmp_path: Path, address: Path) -> None:
    """Values as decoded, what could not be and why, and which channel stayed silent."""
    del address
    broker = Broker.start(tmp_path / "broker")
    text = EXAMPLE.replace("port: 1883", f"port: {broker.port}").replace("localhost", "127.0.0.1")
    text = text.replace("sources:", '    gravity: {source: cellar, topic: "cellar/float"}\nsources:')
    try:
        listening = Listening(write(tmp_path, text), 4)
        listening.until("Listening for 4 s")
        stop = threading.Event()
        publisher = threading.Thread(target=_publish, args=(broker, stop))
        publisher.start()
        try:
            rest = listening.rest()
        finally:
            stop.set()
            publisher.join()
    finally:
        broker.stop()
    assert "  north temperature 19.5 °C" in rest
    assert any(line.startswith("  cellar refused: cellar/north: ") and "warm" in line for line in rest)
    (pressure,) = [line for line in rest if line.startswith("north pressure: ")]
    assert pressure.endswith("the last 1.234 bar")
    assert any(line.startswith("cellar: ") and "refused as not-a-number" in line for line in rest)
    assert "north gravity: NOTHING came from cellar" in rest
    assert listening.process.returncode == 1
    assert not (tmp_path / "ullage.db").exists()


def test_listening_tells_of_a_clock_that_is_behind(tmp_path: Path, address: Path) -> None:
    """A sender in the wrong zone is heard, and its readings would all be old news: that is said."""
    del address
    broker = Broker.start(tmp_path / "broker")
    text = EXAMPLE.replace("port: 1883", f"port: {broker.port}").replace("localhost", "127.0.0.1")
    text = text.replace('pointer: "/beer"', 'pointer: "/beer", time_pointer: "/t"')
    stop = threading.Event()
    stamp = f"{datetime.now(UTC) - timedelta(hours=2):%Y-%m-%dT%H:%M:%SZ}"
    payload = f'{{"beer": 19.5, "top": 1.234, "t": "{stamp}"}}'

    def publish() -> None:
        while not stop.wait(0.1):
            broker.publish("cellar/north", payload)

    publisher = threading.Thread(target=publish)
    try:
        listening = Listening(write(tmp_path, text), 3)
        listening.until("Listening for 3 s")
        publisher.start()
        try:
            rest = listening.rest()
        finally:
            stop.set()
            publisher.join()
    finally:
        broker.stop()
    (temperature,) = [line for line in rest if line.startswith("north temperature: ")]
    assert re.search(
        r"; it was (2 h|1 h 59 min) old: an old message, or the sender's clock or zone", temperature
    )
    (pressure,) = [line for line in rest if line.startswith("north pressure: ")]
    assert pressure.endswith("the last 1.234 bar")


def _publish(broker: Broker, stop: threading.Event) -> None:
    """Publish until told to stop: whoever subscribes late gets its share."""
    while not stop.wait(0.1):
        broker.publish("cellar/north", '{"beer": 19.5, "top": 1.234}')
        broker.publish("cellar/north", '{"beer": "warm", "top": 1.234}')


def test_listening_shows_what_a_serial_port_sends(tmp_path: Path, address: Path) -> None:
    """A pty stands in for the port: the program opens it as it would a device."""
    del address
    ours, theirs = pty.openpty()
    tty.setraw(ours)
    text = EXAMPLE.replace(
        "{kind: mqtt, host: localhost, port: 1883}", f"{{kind: serial, url: {os.ttyname(theirs)}}}"
    )
    text = text.replace('topic: "cellar/north", pointer: "/beer"', "key: t")
    text = text.replace('topic: "cellar/north", pointer: "/top", unit: bar', "key: p, unit: kPa")
    listening = Listening(write(tmp_path, text), 3)
    listening.until("Listening for 3 s")
    stop = threading.Event()

    def speak() -> None:
        while not stop.wait(0.1):
            os.write(ours, b"t=19.5 p=123.4\n")

    speaker = threading.Thread(target=speak)
    speaker.start()
    try:
        rest = listening.rest()
    finally:
        stop.set()
        speaker.join()
        os.close(ours)
        os.close(theirs)
    assert "  north temperature 19.5 °C" in rest
    assert "  north pressure 1.234 bar" in rest
    assert listening.process.returncode == 0


def test_a_source_out_of_reach_is_named(tmp_path: Path, address: Path) -> None:
    """Nobody listens on port 9 of this machine: why not, and exit 1."""
    del address
    path = write(tmp_path, EXAMPLE, ("host: localhost, port: 1883", "host: 127.0.0.1, port: 9"))
    done = ullage("check", "--listen", "1", "--config", path)
    assert done.returncode == 1
    assert "cellar: NOT connected: " in done.stdout
    assert "north temperature: NOTHING came from cellar" in done.stdout


@pytest.mark.parametrize("seconds", ["0", "-1", "nan", "1e9"])
def test_listening_times_that_make_no_sense(tmp_path: Path, seconds: str) -> None:
    """Above nothing, at most an hour."""
    done = ullage("check", "--config", write(tmp_path), f"--listen={seconds}")
    assert done.returncode == 2
    assert "must be above 0 and at most 3600" in sentences(done)[0]
