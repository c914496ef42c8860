"""What stands before every request: whose name it calls us by, whether it may come in, whether it may change anything.

- An unknown Host gets 421: a page elsewhere that has its own name point here (DNS rebinding) learns nothing.
- Without the token only the way in is served.
- A change comes by POST, and from our own page or from a program: a browser says where a request comes from
  (`Sec-Fetch-Site`, else `Origin`), and what comes from elsewhere gets 403.
- Bodies are bounded, and every answer forbids whatever the page does not need.
"""

import asyncio
import ipaddress
import json
import socket
from collections.abc import Awaitable, Callable, Iterable, MutableMapping
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from typing import Any

from ullage.daemon.clock import Clock
from ullage.daemon.page.tokens import COOKIE, Keeper
from ullage.daemon.page_settings import PageSettings

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

LONGEST_BODY = 64 * 1024
BODY_S = 10.0
"""Within which a body has to come whole."""
PAGE_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
PICTURE_POLICY = "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'"
"""For a chart that is served as a picture of its own and brings its style with it; it can run nothing."""
HEADERS = (
    ("x-content-type-options", "nosniff"),
    ("referrer-policy", "no-referrer"),
    ("cross-origin-opener-policy", "same-origin"),
    ("cross-origin-resource-policy", "same-origin"),
    ("x-frame-options", "DENY"),
    ("permissions-policy", "camera=(), geolocation=(), microphone=(), payment=(), usb=()"),
)
_OPEN = ("/login", "/static/page.css")
_SAFE = ("GET", "HEAD")
_CHANGES_NOTHING = ("/login", "/logout", "/preferences")
"""POSTs that a read-only page takes all the same."""


@dataclass(frozen=True, slots=True)
class Names:
    """The names under which the page may be called."""

    known: frozenset[str]
    wide: bool
    """Whether it listens on all addresses: then the address that a connection came to counts as a name."""

    @staticmethod
    def of(settings: PageSettings) -> "Names":
        """Return the names of this machine, as far as they follow from the settings."""
        own = {name.lower().rstrip(".") for name in settings.hosts}
        own |= {"localhost", "127.0.0.1", "::1"}
        host = settings.host.strip("[]").lower()
        wide = host in ("0.0.0.0", "::", "")
        if not settings.loopback:
            name = socket.gethostname().lower()
            own |= {name, f"{name.partition('.')[0]}.local"}
        if not wide:
            own.add(host)
        return Names(frozenset(own), wide)

    def admit(self, header: str, server: str) -> bool:
        """Tell whether a Host header names us; `server` is the address that the connection came to."""
        name = host_name(header)
        if name in self.known:
            return True
        return self.wide and bool(name) and name == server and _is_address(name)


def host_name(header: str) -> str:
    """Return the name in a Host header, without its port; empty if it is none."""
    text = header.strip().lower()
    if text.startswith("["):
        name, bracket, port = text[1:].partition("]")
        port = port.removeprefix(":") if port else ""
        return name if bracket and (not port or port.isdecimal()) else ""
    name, _, port = text.partition(":")
    return name.rstrip(".") if not port or port.isdecimal() else ""


def _is_address(name: str) -> bool:
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


@dataclass(slots=True)
class Guard:
    """Wraps the application."""

    app: App
    names: Names
    keeper: Keeper
    clock: Clock
    read_only: bool = False
    refused: dict[int, int] = field(default_factory=dict)
    """Status to how many requests were refused with it."""

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Judge one request."""
        if scope["type"] != "http":
            return
        headers = _headers(scope["headers"])
        refusal = self._refusal(scope, headers)
        if refusal is not None:
            status, detail = refusal
            self.refused[status] = self.refused.get(status, 0) + 1
            await _answer(scope, headers, _with_headers(send), status, detail)
            return
        scope["state"] = {"inside": self.inside(headers)}
        await self.app(scope, _bounded(receive), _with_headers(send))

    def inside(self, headers: dict[str, str]) -> bool:
        """Tell whether a request carries the token or a cookie that stands for it."""
        if not self.keeper.asks:
            return True
        kind, _, given = headers.get("authorization", "").partition(" ")
        if kind.lower() == "bearer" and self.keeper.is_token(given.strip()):
            return True
        return self.keeper.is_cookie(_cookie(headers.get("cookie", "")), self.clock.wall_s())

    def _refusal(self, scope: Scope, headers: dict[str, str]) -> tuple[int, str] | None:
        server = (scope.get("server") or ("", 0))[0]
        if not self.names.admit(headers.get("host", ""), server):
            return 421, "this page is not known by that name; add it to page.hosts in the configuration"
        path, method = scope["path"], scope["method"]
        if method not in (*_SAFE, "POST"):
            return 405, "only GET and POST are taken"
        if int(headers.get("content-length", "0") or 0) > LONGEST_BODY:
            return 413, f"a request may hold {LONGEST_BODY} bytes"
        if method == "POST" and not _from_here(headers):
            return 403, "a change must come from this page itself"
        address = (scope.get("client") or ("", 0))[0]
        if "authorization" in headers and self.keeper.asks and not self.inside(headers):
            now_s = self.clock.monotonic_s()
            if self.keeper.wait_s(address, now_s) > 0:
                return 429, "too many wrong tokens; wait a minute"
            self.keeper.failed(address, now_s)
            return 401, "that is not the token"
        if path not in _OPEN and not self.inside(headers):
            return 401, "the token is needed"
        if method == "POST" and self.read_only and path not in _CHANGES_NOTHING:
            return 403, "this page only shows; use the command line"
        return None


def _from_here(headers: dict[str, str]) -> bool:
    """Tell whether a change comes from our own page, or from a program that is no browser."""
    site = headers.get("sec-fetch-site")
    if site is not None:
        return site == "same-origin"
    origin = headers.get("origin")
    if origin is None:
        return True
    return origin.partition("://")[2].lower() == headers.get("host", "").lower()


def _cookie(header: str) -> str:
    jar: SimpleCookie = SimpleCookie()
    try:
        jar.load(header)
    except CookieError:
        return ""
    return jar[COOKIE].value if COOKIE in jar else ""


def _headers(raw: Iterable[tuple[bytes, bytes]]) -> dict[str, str]:
    """Return the headers; of one that is given twice the first counts, but two Hosts are none."""
    found: dict[str, str] = {}
    for name, value in raw:
        key = name.decode("latin-1").lower()
        if key == "host" and key in found:
            found[key] = ""
        found.setdefault(key, value.decode("latin-1"))
    if not found.get("content-length", "0").isdecimal():
        found["content-length"] = str(LONGEST_BODY + 1)
    return found


def _with_headers(send: Send) -> Send:
    """Add to every answer what all of them carry."""

    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            known = {name.lower() for name, _ in message["headers"]}
            extra = [(name.encode(), value.encode()) for name, value in HEADERS if name.encode() not in known]
            if b"content-security-policy" not in known:
                extra.append((b"content-security-policy", PAGE_POLICY.encode()))
            if b"cache-control" not in known:
                extra.append((b"cache-control", b"no-store"))
            message["headers"] = [*message["headers"], *extra]
        await send(message)

    return sending


def _bounded(receive: Receive) -> Receive:
    """Cut off a body that is longer than it may be, whatever its length was said to be, or that comes too slowly."""
    left, ends_s = LONGEST_BODY, 0.0
    whole = False

    async def receiving() -> Message:
        nonlocal left, ends_s, whole
        if whole:  # what comes now is only whether the reader is still there, and that may take a day
            return await receive()
        now_s = asyncio.get_running_loop().time()
        ends_s = ends_s or now_s + BODY_S
        try:
            message = await asyncio.wait_for(receive(), ends_s - now_s)
        except TimeoutError:
            return {"type": "http.disconnect"}
        if message["type"] == "http.request":
            left -= len(message.get("body", b""))
            whole = not message.get("more_body", False)
            if left < 0:
                return {"type": "http.disconnect"}
        return message

    return receiving


async def _answer(scope: Scope, headers: dict[str, str], send: Send, status: int, detail: str) -> None:
    """Send a refusal: a person at the door is shown in, a program gets a sentence."""
    wants_page = "text/html" in headers.get("accept", "") and scope["method"] in _SAFE
    extra: list[tuple[bytes, bytes]] = []
    if status == 401 and wants_page:
        status, extra = 303, [(b"location", b"/login")]
    elif status == 401:
        extra = [(b"www-authenticate", b'Bearer realm="ullage"')]
    elif status == 429:
        extra = [(b"retry-after", b"60")]
    elif status == 405:
        extra = [(b"allow", b"GET, HEAD, POST")]
    body = json.dumps({"error": detail}).encode()
    head = [(b"content-type", b"application/json"), (b"content-length", str(len(body)).encode()), *extra]
    await send({"type": "http.response.start", "status": status, "headers": head})
    await send({"type": "http.response.body", "body": body if scope["method"] != "HEAD" else b""})
