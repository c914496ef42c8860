"""A loopback HTTP receiver for notifications and heartbeats: records what came and when, and can misbehave."""

import base64
import json
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from types import TracebackType
from typing import Self

LARGE_BYTES = 10_000
"""More than any message without a picture."""


class Mode(StrEnum):
    """What the receiver does with the next request."""

    OK = "ok"
    SLOW = "slow"
    """Answers 200 after `slow_s`."""
    REFUSE = "refuse"
    """Answers 500."""
    BUSY = "429"
    """Answers 429, too many requests."""
    REJECT = "403"
    """Answers 403, forbidden."""
    HANG = "hang"
    """Takes the request and says nothing until the receiver closes or leaves this mode."""


@dataclass(frozen=True, slots=True)
class Request:
    """One request as it came."""

    method: str
    path: str
    body: str
    """As UTF-8; bytes that are none stand as lone surrogates."""
    at_s: float
    """Monotonic seconds (`time.perf_counter`) at which the body had been read."""
    accepted: bool
    """Whether the mode of that moment answered 200."""

    @property
    def title(self) -> str:
        """Title of a JSON notification; empty where there is none."""
        return str(json.loads(self.body).get("title", "")) if self.body.startswith("{") else ""

    @property
    def message(self) -> str:
        """Text of a JSON notification, else the whole body."""
        return str(json.loads(self.body).get("message", "")) if self.body.startswith("{") else self.body

    @property
    def pictures(self) -> tuple[tuple[str, bytes], ...]:
        """Names and contents of the files that a JSON notification carries."""
        if not self.body.startswith("{"):
            return ()
        files = json.loads(self.body).get("attachments", [])
        return tuple((one["filename"], base64.b64decode(one["base64"])) for one in files)


class _Server(ThreadingHTTPServer):
    def handle_error(self, request: object, client_address: object) -> None:
        """Say nothing of senders that were killed in the middle of a request."""
        if not isinstance(sys.exception(), ConnectionError):
            super().handle_error(request, client_address)  # type: ignore[arg-type]


class HttpReceiver:
    """Threaded server on a free loopback port; use it as a context manager.

    Parameters
    ----------
    mode
        What to do at first; set `mode` at any time.
    slow_s
        How long `Mode.SLOW` takes.

    Set `large` to have it do something else with bodies above `LARGE_BYTES`.
    """

    def __init__(self, mode: Mode = Mode.OK, slow_s: float = 1.0) -> None:
        self.mode = mode
        self.slow_s = slow_s
        self.large: Mode | None = None
        self._requests: list[Request] = []
        self._changed = threading.Condition()
        self._closing = threading.Event()
        self._server = _Server(("127.0.0.1", 0), _handler(self))
        self._server.daemon_threads = True
        self._server.block_on_close = False
        self._thread = threading.Thread(
            target=self._server.serve_forever, args=(0.05,), name="http-receiver", daemon=True
        )

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._closing.set()
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(5)

    @property
    def port(self) -> int:
        """Port that the receiver listens on."""
        return int(self._server.server_address[1])

    @property
    def notify_url(self) -> str:
        """Address for a JSON notification target."""
        return f"json://127.0.0.1:{self.port}/inbox"

    @property
    def http_url(self) -> str:
        """Address for a plain request."""
        return f"http://127.0.0.1:{self.port}/beat"

    @property
    def requests(self) -> tuple[Request, ...]:
        """Everything that came, in order, whether or not it was answered well."""
        with self._changed:
            return tuple(self._requests)

    @property
    def accepted(self) -> tuple[Request, ...]:
        """What was answered 200."""
        return tuple(request for request in self.requests if request.accepted)

    def wait_until(self, holds: Callable[[tuple[Request, ...]], bool], timeout_s: float = 30.0) -> bool:
        """Wait until `holds(requests)`; return whether it came to hold in time."""
        with self._changed:
            return self._changed.wait_for(lambda: holds(tuple(self._requests)), timeout_s)

    def wait_for(self, count: int, timeout_s: float = 30.0) -> tuple[Request, ...]:
        """Wait for at least `count` requests and return all.

        Raises
        ------
        AssertionError
            If fewer came in time.
        """
        if not self.wait_until(lambda requests: len(requests) >= count, timeout_s):
            raise AssertionError(f"{len(self.requests)} of {count} requests came within {timeout_s:g} s")
        return self.requests

    def _record(self, request: Request) -> None:
        with self._changed:
            self._requests.append(request)
            self._changed.notify_all()

    def _hang(self, mode: Mode) -> None:
        while mode in (self.mode, self.large) and not self._closing.wait(0.02):
            pass


def _handler(receiver: HttpReceiver) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"
        disable_nagle_algorithm = True

        def _take(self) -> None:
            received = self.rfile.read(int(self.headers.get("Content-Length", 0)))
            body = received.decode(errors="surrogateescape")
            large = receiver.large is not None and len(received) > LARGE_BYTES
            mode = receiver.large if large and receiver.large is not None else receiver.mode
            accepted = mode in (Mode.OK, Mode.SLOW)
            receiver._record(Request(self.command, self.path, body, time.perf_counter(), accepted))
            if mode is Mode.HANG:
                receiver._hang(mode)
                self.close_connection = True
                return
            if mode is Mode.SLOW:
                receiver._closing.wait(receiver.slow_s)
            status = {Mode.REFUSE: 500, Mode.BUSY: 429, Mode.REJECT: 403}.get(mode, 200)
            try:
                self.send_response(status)
                self.send_header("Content-Length", "0")
                self.end_headers()
            except OSError:  # the sender gave up meanwhile
                self.close_connection = True

        do_GET = do_POST = do_PUT = do_HEAD = _take

        def log_message(self, format: str, *args: object) -> None:
            return

    return Handler
