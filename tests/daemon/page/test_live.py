"""Live pages: what is new, soon, to everybody, at little cost, and an end to it."""

import http.client
import json
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest

from tests.daemon.page.kit import Kit
from tests.servers.daemon import wait_until
from ullage.adapters.errors import StoreError
from ullage.daemon.page import live as live_module
from ullage.daemon.page_settings import PageSettings


class Stream:
    """One open page's events, read in a thread."""

    def __init__(self, kit: Kit, headers: dict[str, str] | None = None) -> None:
        self.told: list[dict[str, Any]] = []
        self.ended = threading.Event()
        self._connection = http.client.HTTPConnection("127.0.0.1", kit.port, timeout=20)
        self._connection.request("GET", "/events", headers=headers or {})
        assert self._connection.sock is not None
        self._socket = self._connection.sock.dup()  # the answer takes the other one with it
        self.answer = self._connection.getresponse()
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self) -> None:
        try:
            for line in self.answer:
                if line.startswith(b"data: "):
                    self.told.append(json.loads(line[6:]))
        except (OSError, http.client.HTTPException, ValueError, AttributeError):
            pass
        self.ended.set()

    def pieces(self) -> dict[str, str]:
        """Return what the page would show by now."""
        shown: dict[str, str] = {}
        for told in tuple(self.told):
            shown |= told["pieces"]
        return shown

    def close(self) -> None:
        """Go away."""
        with suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)
        self._thread.join(5)
        self.answer.close()
        self._socket.close()
        self._connection.close()


@contextmanager
def stream(kit: Kit, headers: dict[str, str] | None = None) -> Iterator[Stream]:
    """Open a page, and close it at the end."""
    one = Stream(kit, headers)
    try:
        yield one
    finally:
        one.close()


def test_a_new_reading_is_there_within_a_second(kit: Kit) -> None:
    """From its arrival to the page: at most a second, a few times over."""
    kit.read(1.0, 20.0)
    with stream(kit) as page:
        wait_until(lambda: "1.00" in page.pieces().get("v0-now", ""), "the first look")
        latest_s = 0.0
        for number in range(1, 5):
            kit.clock.advance(1.0)
            kit.read(1.0 + number / 100, 20.0)
            began_s = time.monotonic()
            wait_until(lambda n=number: f"1.0{n}" in page.pieces()["v0-now"], "the new reading")  # type: ignore[misc]
            came_s = time.monotonic()
            assert kit.ask("/").status == 200
            looked_s = time.monotonic() - came_s  # what a look costs on this machine, busy as it is now
            latest_s = max(latest_s, came_s - began_s - looked_s)
        assert latest_s < 1.5


def test_only_what_is_new_is_sent(kit: Kit) -> None:
    """After the first look a page hears of the vessel that changed and of nothing else."""
    kit.read(1.0, 20.0)
    with stream(kit) as page:
        wait_until(lambda: "v1-journal" in page.pieces(), "the first look")
        before = len(page.told)
        kit.clock.advance(1.0)
        kit.read(1.1, 20.0)
        wait_until(lambda: "1.10" in page.pieces()["v0-now"], "the new reading")
        news = {key for told in page.told[before:] for key in told["pieces"]}
        assert "v0-now" in news
        assert not {key for key in news if key.startswith("v1-")}


def test_what_is_done_shows_at_once(kit: Kit) -> None:
    """An acknowledgement on one page shows on another."""
    kit.over_pressure()
    with stream(kit) as page:
        wait_until(lambda: "not acknowledged" in page.pieces().get("v0-alarms", ""), "the alarm")
        kit.ask("/api/v1/vessels/north/acknowledge", {})
        wait_until(lambda: "not acknowledged" not in page.pieces()["v0-alarms"], "the acknowledgement")
        assert "acknowledged" in page.pieces()["v0-alarms"]


def test_each_page_has_its_units(kit: Kit) -> None:
    """Two readers with different units see the same vessel."""
    kit.read(1.0, 20.0)
    with stream(kit) as one, stream(kit, {"Cookie": "ullage-units=F.psi"}) as other:
        wait_until(lambda: ">1.00<" in one.pieces().get("v0-now", ""), "bar")
        wait_until(lambda: ">14.5<" in other.pieces().get("v0-now", ""), "psi")


def test_a_database_that_refuses_is_said(kit: Kit, monkeypatch: pytest.MonkeyPatch) -> None:
    """A look that fails says so, so that no number passes for fresh; it is over when the database is back."""
    kit.read(1.0, 20.0)
    with stream(kit) as page:
        wait_until(lambda: bool(page.pieces()), "the first look")

        def refuse() -> None:
            raise StoreError("database", "is locked")

        monkeypatch.setattr(kit.cellar, "statuses", refuse)
        wait_until(lambda: page.told[-1]["ok"] is False, "word of the failure")
        monkeypatch.undo()
        wait_until(lambda: page.told[-1]["ok"] is True, "word of its end")


def test_nobody_looks_for_nobody(kit: Kit, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without an open page there is no look, and however many pages are open there is one a second."""
    looks = 0
    whole = kit.cellar.statuses

    def counted() -> object:
        nonlocal looks
        looks += 1
        return whole()

    monkeypatch.setattr(kit.cellar, "statuses", counted)
    pages = [Stream(kit) for _ in range(12)]
    wait_until(lambda: all(page.pieces() for page in pages), "every first look")
    before, began_s = looks, time.monotonic()
    wait_until(lambda: looks >= before + 3, "three more looks")
    took_s = time.monotonic() - began_s
    assert looks - before <= took_s + 2
    for page in pages:
        page.close()
    wait_until(lambda: kit.server.page.live.count == 0, "everybody to leave")
    before = looks
    until_s = time.monotonic() + 2.5
    wait_until(lambda: time.monotonic() > until_s, "a while")
    assert looks <= before + 1


def test_too_many_pages_are_turned_away(kit: Kit, monkeypatch: pytest.MonkeyPatch) -> None:
    """Memory stays bounded: who comes last is told so."""
    from ullage.daemon.page import app

    monkeypatch.setattr(app, "MOST_PAGES", 1)
    with stream(kit) as page:
        wait_until(lambda: bool(page.told), "the first look")
        assert kit.ask("/events").status == 503
    assert live_module.MOST_PAGES > 20


def test_stopping_does_not_wait_for_pages(tmp_path: Path) -> None:
    """With pages open the server is gone within a few seconds, and they know it."""
    kit = Kit(tmp_path).start()
    pages = [Stream(kit) for _ in range(5)]
    wait_until(lambda: all(page.told for page in pages), "every first look")
    began_s = time.monotonic()
    kit.close()
    assert time.monotonic() - began_s < 15
    wait_until(lambda: all(page.ended.is_set() for page in pages), "every page to notice")
    for page in pages:
        page.close()


def test_a_port_that_is_taken(tmp_path: Path, kit: Kit, caplog: pytest.LogCaptureFixture) -> None:
    """The watch goes on without a page, and the log says why."""
    (tmp_path / "other").mkdir()
    other = Kit(tmp_path / "other", PageSettings(port=kit.port))
    other.start()
    try:
        assert not other.server.alive()
        assert "can't be served at 127.0.0.1" in caplog.text or any(
            "no page" in r.message for r in caplog.records
        )
        other.read(1.0, 20.0)
    finally:
        other.close()


def test_a_server_that_falls_over_comes_back(kit: Kit, monkeypatch: pytest.MonkeyPatch) -> None:
    """The thread serves again after a while, on the same port."""
    from ullage.daemon.page import server

    monkeypatch.setattr(server, "AGAIN_S", 0.2)
    assert kit.ask("/api/v1/vessels").status == 200
    first = kit.server._server
    assert first is not None
    first.should_exit = True
    wait_until(lambda: kit.server._server is not first, "another server")
    wait_until(lambda: _answers(kit), "an answer")


def _answers(kit: Kit) -> bool:
    try:
        return kit.ask("/api/v1/vessels").status == 200
    except OSError:
        return False


def test_ages_are_of_the_moment_of_the_look(kit: Kit, monkeypatch: pytest.MonkeyPatch) -> None:
    """However long a look takes, a number that was fresh when it was looked up is not sent as an old one."""
    kit.read(1.0, 20.0)
    looked_up = kit.cellar.statuses

    def slowly() -> Any:
        found = looked_up()
        kit.clock.advance(20 * 60)
        return found

    monkeypatch.setattr(kit.cellar, "statuses", slowly)
    with stream(kit) as page:
        wait_until(lambda: page.pieces().get("v0-now") is not None, "the numbers")
        (first,) = [told for told in page.told if "v0-now" in told["pieces"]][:1]
    assert 'class="number old"' not in first["pieces"]["v0-now"]
    at = float(first["pieces"]["v0-now"].partition('data-time="')[2].partition('"')[0])
    assert first["now"] - at < 60
