"""Nobody comes in who should not, and nothing is changed from elsewhere."""

import logging
from collections.abc import Iterator
from http.cookies import SimpleCookie
from pathlib import Path

import pytest

from tests.daemon.page.kit import TOKEN, Kit
from ullage.adapters.errors import ConfigError
from ullage.daemon.page.guard import Names, host_name
from ullage.daemon.page.tokens import LASTS_S, TRIES, TRIES_ALTOGETHER, WITHIN_S, Keeper
from ullage.daemon.page_settings import PageSettings

FORM = {"Content-Type": "application/x-www-form-urlencoded"}
HTML = {"Accept": "text/html"}


@pytest.fixture(name="locked")
def _locked(tmp_path: Path) -> Iterator[Kit]:
    kit = Kit(tmp_path, token=TOKEN).start()
    yield kit
    kit.close()


def let_in(kit: Kit) -> dict[str, str]:
    """Come in by the token; return the header that keeps the door open."""
    answer = kit.ask("/login", f"token={TOKEN}", headers=FORM)
    assert answer.status == 303
    jar: SimpleCookie = SimpleCookie(answer.cookies[0])
    return {"Cookie": f"ullage-session={jar['ullage-session'].value}"}


# -- names -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "host",
    [
        "evil.example",
        "127.0.0.1.evil.example",
        "localhost.evil.example:80",
        "[::2]",
        "",
        "a b",
        "127.0.0.1:x",
    ],
)
def test_an_unknown_host_is_misdirected(kit: Kit, host: str) -> None:
    """A name elsewhere that points here (DNS rebinding) gets 421 (RFC 9110, 15.5.20) and nothing else."""
    answer = kit.ask("/api/v1/vessels", host=host or " ")
    assert answer.status in (400, 421)
    assert "north" not in answer.text


@pytest.mark.parametrize("host", ["localhost", "LOCALHOST:8080", "127.0.0.1", "[::1]:9", "localhost."])
def test_own_names_are_known(kit: Kit, host: str) -> None:
    """Whatever a browser on this machine would say is taken."""
    assert kit.ask("/api/v1/vessels", host=host).status == 200


def test_names_by_settings(tmp_path: Path) -> None:
    """A wide bind knows the machine's name, the address that was called, and what the configuration adds."""
    token = tmp_path / "t"
    names = Names.of(PageSettings(host="0.0.0.0", token_file=token, hosts=("beer.example",)))
    assert names.admit("beer.example:80", "10.0.0.5")
    assert names.admit("10.0.0.5:8080", "10.0.0.5")
    assert not names.admit("10.0.0.6", "10.0.0.5")
    assert not names.admit("other.example", "10.0.0.5")
    narrow = Names.of(PageSettings(host="10.0.0.5", token_file=token))
    assert narrow.admit("10.0.0.5", "10.0.0.5")
    assert not narrow.admit("10.0.0.6", "10.0.0.6")


@pytest.mark.parametrize(
    ("header", "name"),
    [("A.b:80", "a.b"), ("[::1]:80", "::1"), ("[::1", ""), ("x:y", ""), ("[::1]x", ""), ("a.", "a")],
)
def test_host_headers(header: str, name: str) -> None:
    """Ports are dropped, nonsense is no name (RFC 9110, 7.2; RFC 3986, 3.2.2)."""
    assert host_name(header) == name


# -- tokens ------------------------------------------------------------------------------------------------------------


def test_without_the_token_only_the_door_is_seen(locked: Kit) -> None:
    """A person is shown in, a program gets 401 and how to do it (RFC 9110, 11.6.1); no word about the cellar."""
    door = locked.ask("/", headers=HTML)
    assert (door.status, door.headers["location"]) == (303, "/login")
    for path in (
        "/api/v1/vessels",
        "/events",
        "/metrics",
        "/vessels/north/chart.svg",
        "/export/north.csv",
        "/static/page.js",
        "/nowhere",
    ):
        answer = locked.ask(path)
        assert (answer.status, answer.headers["www-authenticate"]) == (401, 'Bearer realm="ullage"'), path
        assert "north" not in answer.text
    assert locked.ask("/login").status == 200


def test_token_and_cookie(locked: Kit) -> None:
    """The token opens as a bearer's and, once, for a cookie that is strict, hidden from scripts, and not the token."""
    assert locked.ask("/api/v1/vessels", headers={"Authorization": f"Bearer {TOKEN}"}).status == 200
    answer = locked.ask("/login", f"token={TOKEN}", headers=FORM)
    cookie = answer.cookies[0]
    assert "HttpOnly" in cookie
    assert "samesite=strict" in cookie.lower()
    assert TOKEN not in cookie
    headers = let_in(locked)
    assert locked.ask("/", headers=headers | HTML).status == 200
    left = locked.ask("/logout", "", headers=headers | FORM, method="POST")
    assert 'ullage-session=""' in left.cookies[0]


def test_cookies_end_and_cannot_be_made(locked: Kit) -> None:
    """A cookie is over after a month, ends with another token, and no change of it is good."""
    keeper, now_s = Keeper(TOKEN), 1_000_000.0
    cookie = keeper.cookie(now_s)
    assert keeper.is_cookie(cookie, now_s)
    assert not keeper.is_cookie(cookie, now_s + LASTS_S)
    assert not Keeper(TOKEN + "x").is_cookie(cookie, now_s)
    end, _, mark = cookie.partition(".")
    for forged in (
        "",
        ".",
        f"{int(end) + 1}.{mark}",
        f"{end}.{mark[:-1]}",
        f"{end}.",
        mark,
        f"9{end}.{mark}",
        "é.ü",
    ):
        assert not keeper.is_cookie(forged, now_s), forged


def test_guessing_is_slowed(locked: Kit) -> None:
    """After five wrong tokens an address waits a minute, even with the right one; whoever is in stays in."""
    inside = let_in(locked)
    for _ in range(TRIES):
        assert locked.ask("/api/v1/vessels", headers={"Authorization": "Bearer wrong"}).status == 401
    assert locked.ask("/api/v1/vessels", headers={"Authorization": "Bearer wrong"}).status == 429
    shut = locked.ask("/login", f"token={TOKEN}", headers=FORM)
    assert shut.status == 429
    assert 0 < int(shut.headers["retry-after"]) <= WITHIN_S + 1
    assert locked.ask("/", headers=inside | HTML).status == 200
    locked.clock.advance(WITHIN_S + 1)
    assert locked.ask("/login", f"token={TOKEN}", headers=FORM).status == 303


def test_guessing_from_many_addresses_is_slowed() -> None:
    """Many addresses together are held back as well, and memory stays bounded."""
    keeper = Keeper(TOKEN)
    for number in range(5000):
        keeper.failed(f"10.0.{number // 250}.{number % 250}", float(number) / 1000)
    assert keeper.wait_s("10.9.9.9", 5.0) > 0
    assert keeper.wait_s("10.9.9.9", 5.0 + WITHIN_S) == 0
    assert TRIES_ALTOGETHER > TRIES


def test_the_token_is_never_said(locked: Kit, caplog: pytest.LogCaptureFixture) -> None:
    """Neither the log nor any answer repeats it, and no address can carry it."""
    caplog.set_level(logging.DEBUG)
    headers = let_in(locked)
    locked.ask("/login", "token=not-the-token-at-all", headers=FORM)
    texts = [
        locked.ask(path, headers=headers | HTML).text
        for path in ("/", "/history", "/api/v1/openapi.json", "/metrics")
    ]
    assert not [text for text in [caplog.text, *texts] if TOKEN in text or "not-the-token" in text]
    assert locked.ask(f"/api/v1/vessels?token={TOKEN}").status == 401


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("", "at least 22"),
        ("short", "at least 22"),
        ("a" * 40, "drawn by lot"),
        (None, "can't be read"),
        ("ü" * 30, "at least 22"),
    ],
)
def test_a_weak_token_is_refused(tmp_path: Path, content: str | None, said: str) -> None:
    """128 bits need 22 signs of base64 (RFC 4648); what can't hold them is no token."""
    path = tmp_path / "token"
    if content is not None:
        path.write_text(content)
    with pytest.raises(ConfigError, match=said):
        PageSettings(token_file=path).token()


def test_a_good_token_is_read(tmp_path: Path) -> None:
    """What `head -c 24 /dev/urandom | base64` writes is one; without a file there is none."""
    (tmp_path / "token").write_text("b6Yk0m3N+q/7sZr1VtUxW4aP9dEhGjLc\n")
    assert PageSettings(token_file=tmp_path / "token").token() == "b6Yk0m3N+q/7sZr1VtUxW4aP9dEhGjLc"
    assert PageSettings().token() is None


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.168.1.5", "fermenter.example"])
def test_a_place_that_others_reach_needs_a_token(host: str) -> None:
    """Only loopback does without."""
    with pytest.raises(ValueError, match=r"page\.token_file is needed"):
        PageSettings(host=host)
    for own in ("127.0.0.1", "::1", "localhost", "127.8.8.8"):
        assert PageSettings(host=own).loopback


# -- changes -----------------------------------------------------------------------------------------------------------

CROSS = [
    {"Origin": "http://evil.example"},
    {"Origin": "null"},
    {"Sec-Fetch-Site": "cross-site"},
    {"Sec-Fetch-Site": "same-site"},
    {"Sec-Fetch-Site": "none"},
    {"Origin": "http://127.0.0.1"},
]


@pytest.mark.parametrize("headers", CROSS, ids=[str(h) for h in CROSS])
def test_a_change_from_elsewhere_is_refused(kit: Kit, headers: dict[str, str]) -> None:
    """Fetch metadata (W3C) or Origin (RFC 6454) tell where a browser's request comes from."""
    answer = kit.ask("/api/v1/vessels/north/journal", {"text": "vented"}, headers=headers)
    assert answer.status == 403
    assert kit.store.entries("north") == ()


def test_a_change_from_here_is_taken(kit: Kit) -> None:
    """Our own page, old browsers that send Origin alone, and programs that are none."""
    own = f"http://127.0.0.1:{kit.port}"
    for number, headers in enumerate(({"Origin": own}, {"Sec-Fetch-Site": "same-origin", "Origin": own}, {})):
        answer = kit.ask("/api/v1/vessels/north/journal", {"text": f"note {number}"}, headers=headers)
        assert answer.status == 200
    assert len(kit.store.entries("north")) == 3


def test_getting_changes_nothing(kit: Kit) -> None:
    """No GET acts, and no other method is taken."""
    for act in ("acknowledge", "shelve", "strike", "stage"):
        assert kit.ask(f"/api/v1/vessels/north/{act}").status == 405
    for method in ("PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"):
        assert kit.ask("/api/v1/vessels", method=method).status == 405
    assert kit.ask("/api/v1/vessels", method="HEAD").text == ""


def test_a_page_that_only_shows(tmp_path: Path) -> None:
    """Read-only: nothing to press, and nothing done for whoever asks all the same; units may still be chosen."""
    kit = Kit(tmp_path, PageSettings(port=0, read_only=True)).start()
    try:
        kit.over_pressure()
        page = kit.ask("/", headers=HTML).text
        assert "over pressure" in page
        assert "/api/v1/vessels/north/" not in page
        assert kit.ask("/api/v1/vessels/north/acknowledge", {}).status == 403
        assert kit.desk.standing("north")[0].acknowledged_s is None
        chosen = kit.ask("/preferences", "temperature=F&pressure=psi", headers=FORM)
        assert chosen.status == 303
    finally:
        kit.close()


def test_bodies_are_bounded(kit: Kit) -> None:
    """A long body is refused by its length, and cut off if it lied about that."""
    assert kit.ask("/api/v1/vessels/north/journal", "x" * 70_000, headers=FORM).status == 413
    lied = kit.ask("/api/v1/vessels/north/journal", method="POST", headers={"Content-Length": "-5"})
    assert lied.status in (400, 413)


def test_headers_forbid_what_is_not_needed(kit: Kit) -> None:
    """No inline script or style, no framing, no guessing of types, no referrer, nothing kept by the browser."""
    for path in ("/", "/history", "/login", "/nowhere", "/api/v1/vessels", "/static/page.js"):
        headers = kit.ask(path, headers=HTML).headers
        policy = headers["content-security-policy"]
        assert "unsafe" not in policy
        assert policy.startswith("default-src 'none'")
        assert "frame-ancestors 'none'" in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "no-referrer"
    assert kit.ask("/", headers=HTML).headers["cache-control"] == "no-store"
    assert "server" not in kit.ask("/").headers


def test_documents_hold_nothing_inline(kit: Kit) -> None:
    """No inline script, style or handler, and nothing from another host, so that the policy breaks nothing."""
    kit.live_a_day(0.2)
    kit.over_pressure()
    for path in ("/", "/history", "/batch?of=north/now", "/login"):
        text = kit.ask(path, headers=HTML).text
        assert "<style" not in text, path
        assert " style=" not in text, path
        assert " onclick" not in text, path
        assert "javascript:" not in text, path
        outside = text.replace("http://www.w3.org/2000/svg", "")
        assert "http://" not in outside, path
        assert "https://" not in outside, path
