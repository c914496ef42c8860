"""What sensors, brokers and files can write into a log or onto a terminal: text, and nothing that is obeyed."""

import io
import json
import logging
import re
from pathlib import Path

import pytest

from tests.daemon.program import ullage
from tests.servers.broker import Broker
from tests.servers.daemon import DaemonProcess, wait_until
from ullage.daemon.delivery import Outcome
from ullage.daemon.finding_table import plain
from ullage.daemon.logs import KeyValueFormatter
from ullage.daemon.target_console import ConsoleTarget
from ullage.daemon.wording import Letter
from ullage.detectors.finding import Priority

NASTY = (
    "\x1b[2J\x1b]0;taken\x07",  # clear the screen, name the window (ECMA-48, 8.3.39 and 8.3.89)
    "\x9b31m",  # the same introducer as one character (C1)
    "a\n2026-01-01T00:00:00Z info all is well",
    "a\r2026-01-01T00:00:00Z info all is well",
    "a\u2028b\u2029c\x85d",  # line ends of Unicode (TR 13)
    "\u202egnihton\u2066",  # turns the rest of the line round (UAX 9)
    "a\x00b\x7f",
)
LINE = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ (debug|info|warning|error|critical) ")
VESSEL = '=cmd|"<b>north'
CONFIG = {
    "vessels": [
        {
            "name": VESSEL,
            "total_volume_l": 23,
            "beer_volume_l": 19,
            "rated_pressure_bar": 2.5,
            "pressure": {"source": "cellar", "topic": "cellar/+/top", "pointer": "/top", "unit": "bar"},
            "journal": {"source": "cellar", "topic": "cellar/north/word"},
        }
    ],
    "store": {"url": "sqlite:///u.db", "commit_interval_s": 0.2},
    "notify": {"targets": [{"kind": "console"}]},
}


def is_clean(text: str) -> bool:
    """Tell whether all lines of a text are free of what a terminal obeys or hides."""
    return all(line.isprintable() for line in text.split("\n"))


def test_what_sensors_send_stays_text(tmp_path: Path) -> None:
    """Payloads, topics and entries of every nasty kind leave whole lines in the log, clean screens and a clean export."""
    with Broker.start(tmp_path / "broker") as broker:
        sources = {"cellar": {"kind": "mqtt", "host": "127.0.0.1", "port": broker.port}}
        daemon = DaemonProcess(
            directory=tmp_path / "daemon",
            config={**CONFIG, "sources": sources},
            environ={"ULLAGE_LOG": "debug"},
        )
        daemon.start()
        try:
            wait_until(lambda: "connected" in daemon.log, "the connection")
            for text in NASTY:
                broker.publish("cellar/north/top", text.encode("utf-8", "replace"))
                broker.publish("cellar/north/top", json.dumps({text: text, "top": text}))
                broker.publish("cellar/north/word", text.encode("utf-8", "replace"))
                broker.publish("cellar/north/top", b"\xff\x1b[2J" + text.encode())
            broker.publish("cellar/\u202ehtron/top", '{"top": "\\u001b[2J"}')
            broker.publish("cellar/north/word", '=HYPERLINK("http://x.example") <script>alert(1)</script>')
            for _ in range(3):
                broker.publish("cellar/north/top", '{"top": 2.9}')
            wait_until(lambda: "Critical: " in daemon.log, "the alarm on the console")
            config = ("--config", daemon.config_path)
            wait_until(
                lambda: "HYPERLINK" in ullage("journal", "--list", VESSEL, *config).stdout, "the entry"
            )
            for command in (
                ("status",),
                ("status", "--json"),
                ("journal", "--list", VESSEL),
                ("check",),
                ("export",),
                ("batch", "show", VESSEL),
            ):
                done = ullage(*command, *config)
                assert is_clean(done.stdout), command
                assert is_clean(done.stderr), command
        finally:
            assert daemon.stop() == 0
        records = [line for line in daemon.log.split("\n") if line and not line.startswith(" ")]
        assert is_clean(daemon.log)
        forged = [line for line in records if LINE.match(line) and line.endswith("all is well")]
        assert forged == []


@pytest.mark.parametrize("journal", [False, True])
@pytest.mark.parametrize("text", NASTY)
def test_a_record_is_one_line(text: str, journal: bool) -> None:
    """Event, values and traceback of a record never begin a line that looks like another record."""
    formatter = KeyValueFormatter(journal=journal)
    try:
        raise RuntimeError(text)
    except RuntimeError as error:
        record = logging.LogRecord(
            "x", logging.INFO, "", 0, text, (), (type(error), error, error.__traceback__)
        )
    record.detail = text
    lines = formatter.format(record).split("\n")
    assert all(line.isprintable() for line in lines)
    head = re.compile(r"<6>info ") if journal else LINE
    assert head.match(lines[0])
    assert all(line.startswith("<6>  " if journal else "  ") for line in lines[1:])


@pytest.mark.parametrize("text", NASTY)
def test_screens_are_clean(text: str) -> None:
    """What a command prints, and a message on the console, steers no terminal."""
    assert plain(text).isprintable()
    stream = io.StringIO()
    answer = ConsoleTarget(500, stream).send(
        Letter(title=text, body=f"{text}\n{text}", count=1, priority=Priority.HIGH)
    )
    assert answer.outcome is Outcome.SENT
    title, *body = stream.getvalue().rstrip("\n").split("\n")
    assert title.isprintable()
    assert all(line.startswith("  ") and line.isprintable() for line in body)
