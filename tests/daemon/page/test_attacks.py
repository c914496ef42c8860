"""What a stranger on the network can try against the page, tried for real."""

import html.parser
import json
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from tests.daemon.page.kit import HOSTILE, TOKEN, Kit
from tests.servers.daemon import wait_until
from ullage.daemon.batches import begin
from ullage.daemon.page import connections, guard
from ullage.daemon.page.connections import CONNECTIONS, FROM_ONE_ADDRESS, _neighbourhood
from ullage.detectors.batch import Batch

HTML = {"Accept": "text/html"}


@pytest.fixture(name="locked")
def _locked(tmp_path: Path) -> Iterator[Kit]:
    kit = Kit(tmp_path, token=TOKEN).start()
    yield kit
    kit.close()


def connected(kit: Kit, stack: ExitStack) -> socket.socket:
    """Open a connection and say nothing."""
    return stack.enter_context(socket.create_connection(("127.0.0.1", kit.port), timeout=30))


def is_ended(connection: socket.socket) -> bool:
    """Tell whether the other side has ended a connection, whatever it said before."""
    connection.setblocking(False)
    try:
        while connection.recv(4096):
            pass
    except BlockingIOError:
        return False
    except ConnectionError:
        return True
    return True


# -- connections -------------------------------------------------------------------------------------------------------


def test_a_thousand_connections_leave_the_watch_its_files(locked: Kit) -> None:
    """Connections beyond the limit are ended at once: file descriptors belong to database and sensors, too."""
    with ExitStack() as stack:
        held = [connected(locked, stack) for _ in range(CONNECTIONS + 150)]
        wait_until(lambda: sum(map(is_ended, held)) >= 150, "the end of what is too much")
        assert sum(map(is_ended, held)) < len(held)


def test_the_silent_are_sent_away(locked: Kit, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever holds all connections and says nothing, or a letter now and then, has lost them soon."""
    monkeypatch.setattr(connections, "REQUEST_S", 0.5)
    with ExitStack() as stack:
        held = [connected(locked, stack) for _ in range(CONNECTIONS)]
        slow = held[0]
        slow.sendall(b"GET / HTTP/1.1\r\nHost: localhost\r\nX-A: ")

        def talking() -> bool:
            try:
                slow.setblocking(True)
                slow.sendall(b"b")
            except OSError:
                return True
            return is_ended(slow)

        wait_until(talking, "the end of a request that never ends")
        wait_until(lambda: all(map(is_ended, held[1:])), "the end of the silent ones")
        assert locked.ask("/login").status == 200


def test_a_second_request_has_no_longer(locked: Kit, monkeypatch: pytest.MonkeyPatch) -> None:
    """The time counts anew for each request on a connection that is kept."""
    monkeypatch.setattr(connections, "REQUEST_S", 0.3)
    monkeypatch.setattr(connections, "IDLE_S", 0.3)
    with ExitStack() as stack:
        kept = connected(locked, stack)
        kept.sendall(b"GET /login HTTP/1.1\r\nHost: localhost\r\n\r\n")
        assert kept.recv(4096).startswith(b"HTTP/1.1 200")
        kept.sendall(b"GET /login HTT")
        wait_until(lambda: is_ended(kept), "the end of the second request")


def test_a_slow_body_is_not_waited_for(locked: Kit, monkeypatch: pytest.MonkeyPatch) -> None:
    """A body that does not come is given up, and the page answers others meanwhile."""
    monkeypatch.setattr(guard, "BODY_S", 0.5)
    with ExitStack() as stack:
        slow = connected(locked, stack)
        slow.sendall(b"POST /login HTTP/1.1\r\nHost: localhost\r\nContent-Length: 1000\r\n\r\ntoken=")
        began_s = time.monotonic()
        assert locked.ask("/login").status == 200
        assert slow.recv(4096).startswith(b"HTTP/1.1 401")
        assert time.monotonic() - began_s < 20


def test_an_endless_body_is_cut_off(kit: Kit, monkeypatch: pytest.MonkeyPatch) -> None:
    """A body in pieces that never ends is refused after 64 KiB, and its connection ended soon after."""
    monkeypatch.setattr(connections, "DRAIN_S", 0.3)
    with ExitStack() as stack:
        endless = connected(kit, stack)
        endless.sendall(
            b"POST /api/v1/vessels/north/journal HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\n"
            b"Transfer-Encoding: chunked\r\n\r\n"
        )
        piece = b"4000\r\n" + b"x" * 0x4000 + b"\r\n"
        sent, began_s = 0, time.monotonic()
        try:
            while time.monotonic() - began_s < 20:
                endless.sendall(piece)
                sent += len(piece)
        except OSError:
            pass
        answer = _whatever_came(endless)
        assert b"HTTP/1.1 400" in answer or answer == b""
        assert time.monotonic() - began_s < 20, "the page went on reading"
        assert sent > guard.LONGEST_BODY
        assert kit.store.entries("north") == ()


def _whatever_came(connection: socket.socket) -> bytes:
    try:
        return connection.recv(65_536)
    except OSError:
        return b""


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("192.0.2.1", "192.0.2.1", True),
        ("192.0.2.1", "192.0.2.2", False),
        ("2001:db8::1", "2001:db8::ffff:2", True),
        ("2001:db8::1", "2001:db8:0:1::1", False),
        ("::ffff:192.0.2.1", "192.0.2.1", True),
        ("fe80::1%eth0", "fe80::2%eth0", True),
    ],
)
def test_what_counts_as_one_address(one: str, other: str, same: bool) -> None:
    """In IPv6 a machine has all of its network's 2^64 addresses (RFC 4291, 2.5.1; documentation prefixes)."""
    assert (_neighbourhood((one, 1)) == _neighbourhood((other, 2))) is same


def test_this_machine_may_be_a_proxy() -> None:
    """Connections from this machine may stand for many people."""
    assert {_neighbourhood((name, 1)) for name in ("127.0.0.1", "::1", "::ffff:127.0.0.1")} == {""}


_NETWORK = """
import json, socket, sys
from pathlib import Path
from tests.daemon.page.kit import TOKEN, Kit
from tests.daemon.page.test_attacks import is_ended
from tests.servers.daemon import wait_until
from ullage.daemon.page_settings import PageSettings

folder = Path(sys.argv[1])
(folder / "token").write_text(TOKEN)
kit = Kit(folder, PageSettings(host="192.0.2.1", port=0, token_file=folder / "token"), TOKEN).start()

def connected(address):
    found = socket.socket()
    found.bind((address, 0))
    found.settimeout(10)
    found.connect(("192.0.2.1", kit.port))
    return found

crowd = [connected("192.0.2.2") for _ in range(80)]
wait_until(lambda: sum(map(is_ended, crowd)) >= 20, "the end of what is too much")
other = connected("192.0.2.3")
other.sendall(b"GET /login HTTP/1.1\\r\\nHost: 192.0.2.1\\r\\n\\r\\n")
print(json.dumps([sum(map(is_ended, crowd)), other.recv(15).decode()]))
kit.close()
"""


def test_one_address_can_not_take_all(tmp_path: Path) -> None:
    """In a network of its own (addresses of RFC 5737): one guest gets his share, another is still served."""
    addresses = " && ".join(f"ip addr add 192.0.2.{n}/24 dev lo" for n in (1, 2, 3))
    inside = f'ip link set lo up && {addresses} && exec "$@"'
    command = ["unshare", "-rn", "sh", "-c", inside, "sh", sys.executable, "-c", _NETWORK, str(tmp_path)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout) == [80 - FROM_ONE_ADDRESS, "HTTP/1.1 200 OK"]


# -- paths and headers -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "path",
    [
        "/static/../app.py",
        "/static/%2e%2e/app.py",
        "/static/..%2f..%2fapp.py",
        "/static/%2fetc%2fpasswd",
        "//etc/passwd",
        "/export/..%2f..%2f..%2fetc%2fpasswd.csv",
        "/export/%2fetc%2fpasswd.csv",
        "/export/north%00.csv",
        "/export/north.csv/../../static",
        "/vessels/..%2f..%2fetc/chart",
        "/batch?of=../../etc/passwd",
    ],
)
def test_paths_lead_nowhere_else(kit: Kit, path: str) -> None:
    """No name in a request becomes a file's name."""
    answer = kit.ask(path)
    assert answer.status in (400, 404)
    assert "root:" not in answer.text
    assert "import " not in answer.text


@pytest.mark.parametrize(
    "path",
    [
        "/?temperature=C%0d%0aSet-Cookie:%20a=b",
        "/export/north.csv?from=1%0d%0aX-Evil:%201",
        "/vessels/north/chart?range=%0d%0aX-Evil:%201&layout=%0d%0aX-Evil:%201",
        "/history?vessel=north%0d%0aX-Evil:%201",
        "/%0d%0aX-Evil:%201",
        "/login?next=//evil.example",
    ],
)
def test_nothing_from_a_request_becomes_a_header(kit: Kit, path: str) -> None:
    """Line breaks in a request end in no header of the answer, and no answer leads elsewhere."""
    answer = kit.ask(path)
    assert "x-evil" not in answer.headers
    assert answer.cookies == ()
    assert answer.headers.get("location", "/") == "/"


def test_the_name_of_an_export_is_plain(kit: Kit) -> None:
    """A vessel's name, whatever it holds, gives a file's name of letters and digits."""
    from urllib.parse import quote

    answer = kit.ask(f"/export/{quote(HOSTILE)}.csv")
    assert answer.status == 200
    name = answer.headers["content-disposition"].removeprefix('attachment; filename="').removesuffix('"')
    assert name.replace("-", "").replace(".", "").isalnum()


# -- what others wrote -------------------------------------------------------------------------------------------------

MARKUP = (
    "\"'><script>alert(1)</script><img src=x onerror=alert(1)>",
    "</script><script>alert(1)</script>",
    "]]><svg onload=alert(1)>",
    "{{7*7}} ${7*7} &lt;script&gt; <!-- <a href=javascript:alert(1)>",
)


class Elements(html.parser.HTMLParser):
    """Collects what a browser would run or load."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.scripts: list[str] = []
        self.handlers: list[str] = []
        self.links: list[str] = []
        self.names: set[str] = set()
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.names.add(tag)
        given = dict(attrs)
        if tag == "script":
            self.scripts.append(given.get("src") or "inline")
        self.handlers += [name for name in given if name.startswith("on")]
        self.links += [
            value or "" for name, value in attrs if name in ("href", "src", "action", "xlink:href")
        ]


def test_what_others_wrote_stays_text(kit: Kit) -> None:
    """Names, entries, batch names and what programs send are text on every page, in every event and chart."""
    for vessel in ("north", HOSTILE):
        for text in MARKUP:
            kit.store.add_entry(vessel, kit.clock.wall_s(), text, made_s=kit.clock.wall_s())
        begin(kit.store, vessel, Batch(name=MARKUP[0][:60]), now_s=kit.clock.wall_s())
        kit.read(1.0, 20.0, vessel)
        kit.clock.advance(60)
        kit.read(2.9, 20.0, vessel)
        kit.clock.advance(10)
        kit.read(2.9, 20.0, vessel)
    of = kit.ask("/api/v1/vessels").json()["vessels"]
    assert HOSTILE in [vessel["vessel"] for vessel in of]
    pages = [
        "/",
        "/history",
        "/batch?of=north/now",
        "/nowhere",
        "/login",
        f"/history?vessel={MARKUP[1]}".replace(" ", "+"),
    ]
    for path in pages:
        found = Elements(kit.ask(path, headers=HTML).text)
        assert set(found.scripts) <= {"/static/page.js"}, path
        assert found.handlers == [], path
        assert not any(
            link.strip().lower().startswith(("javascript", "data", "http", "//")) for link in found.links
        )
        assert not {"x", "alert(1)"} & {*found.links}, path
    assert "&lt;script&gt;alert(1)" in kit.ask("/", headers=HTML).text, "the entry was not shown at all"
    chart = kit.ask("/vessels/north/chart").json()
    for piece in (chart["svg"], chart["marks"], kit.ask("/vessels/north/chart.svg").text):
        drawn = Elements(piece)
        assert drawn.scripts == []
        assert drawn.handlers == []


def test_a_program_s_answers_are_no_pages(kit: Kit) -> None:
    """Answers that carry what others wrote say what they are, so that no browser takes them for a document."""
    kit.store.add_entry("north", kit.clock.wall_s(), MARKUP[0], made_s=kit.clock.wall_s())
    for path, kind in (
        ("/api/v1/vessels/north/journal", "application/json"),
        ("/api/v1/nowhere/<script>", "application/json"),
        ("/export/north.csv", "text/csv"),
        ("/metrics", "application/openmetrics-text"),
    ):
        answer = kit.ask(path.replace("<", "%3C").replace(">", "%3E"))
        assert answer.headers["content-type"].startswith(kind)
        assert answer.headers["x-content-type-options"] == "nosniff"


def test_errors_tell_nothing_of_the_inside(kit: Kit, monkeypatch: pytest.MonkeyPatch) -> None:
    """A slip of the program is a sentence on the page and a traceback in the log alone."""

    def broken(*_given: object) -> object:
        raise RuntimeError("the inside: /etc/ullage/page-token")

    monkeypatch.setattr(kit.cellar, "statuses", broken)
    for accept in (HTML, {}):
        answer = kit.ask("/", headers=accept)
        assert answer.status == 500
        assert "inside" not in answer.text
        assert "Traceback" not in answer.text
