"""The page's thread: a web server that starts late, stops soon, and never takes the watch down with it."""

import asyncio
import logging
import socket
import threading
from collections.abc import Callable
from typing import Any

import anyio.to_thread
import uvicorn

from ullage.adapters.errors import ConfigError, UllageError
from ullage.daemon.page.app import PageApp
from ullage.daemon.page.cellar import Cellar
from ullage.daemon.page.connections import CONNECTIONS, IDLE_S, BoundedProtocol
from ullage.daemon.page.shell import Look
from ullage.daemon.page_settings import PageSettings

log = logging.getLogger(__name__)

THREADS = 4
"""Threads that look things up for requests; more would only queue at the database."""
AGAIN_S = 10.0
STOP_S = 5.0


class PageServer:
    """Serves the page in a thread of its own.

    Parameters
    ----------
    cellar
        What the page knows and may do.
    settings
        Where, and for whom.
    token
        What `settings.token()` returned.
    look
        What a demonstration has otherwise.
    """

    def __init__(
        self, cellar: Cellar, settings: PageSettings, token: str | None, look: Look | None = None
    ) -> None:
        self._settings = settings
        self.page = PageApp(cellar, settings, token, look)
        self._socket: socket.socket | None = None
        self._server: uvicorn.Server | None = None
        self._thread: threading.Thread | None = None
        self._stopping = threading.Event()

    @property
    def address(self) -> str:
        """Where the page is, as it is typed into a browser; with the port that was really taken."""
        host = self._settings.host
        shown = {"0.0.0.0": socket.gethostname(), "::": socket.gethostname()}.get(host, host)
        port = self._settings.port
        if self._socket is not None:
            port = self._socket.getsockname()[1]
        return f"http://{f'[{shown}]' if ':' in shown else shown}:{port}/"

    def bind(self) -> None:
        """Take the port.

        Raises
        ------
        ConfigError
            If it can't be had.
        """
        host, port = self._settings.host.strip("[]"), self._settings.port
        try:
            family, _, _, _, address = socket.getaddrinfo(
                host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
            )[0]
            self._socket = socket.create_server(address[:2], family=family, backlog=64)
        except OSError as error:
            hint = "another program may have the port: give another page.port, or 0 for any that is free"
            raise ConfigError("page", f"can't be served at {host}:{port} ({error.strerror})", hint) from None

    def start(self) -> None:
        """Serve. A port that can't be had is logged, and the watch goes on without a page."""
        try:
            if self._socket is None:
                self.bind()
        except ConfigError as error:
            log.error("no page", extra={"error": str(error)})
            return
        self._thread = threading.Thread(target=self._run, name="page", daemon=True)
        self._thread.start()
        log.info("page", extra={"address": self.address, "token": self.page.keeper.asks})

    def stop(self) -> None:
        """Stop: open pages are let go at once."""
        self._stopping.set()
        self.page.live.stopping = True
        if self._server is not None:
            self._server.should_exit = True
        if self._thread is not None:
            self._thread.join(STOP_S)
            self._thread = None
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def alive(self) -> bool:
        """Tell whether the thread runs."""
        return self._thread is not None and self._thread.is_alive()

    def _run(self) -> None:
        """Serve until stopped; a server that falls over is started again."""
        while not self._stopping.is_set():
            try:
                asyncio.run(self._serve())
            except BaseException as error:  # noqa: BLE001 - uvicorn leaves by SystemExit, too
                log.error("the page fell over", extra={"error": f"{type(error).__name__}: {error}"})
            self._stopping.wait(AGAIN_S)

    async def _serve(self) -> None:
        anyio.to_thread.current_default_thread_limiter().total_tokens = THREADS
        assert self._socket is not None
        self._server = uvicorn.Server(_config(self.page.guard))
        if self._stopping.is_set():
            return
        warming = asyncio.get_running_loop().run_in_executor(None, self._warm)
        # a copy: the server closes what it is given, and it may have to be started again
        await self._server.serve(sockets=[self._socket.dup()])
        for connection in tuple(self._server.server_state.connections):
            connection.transport.abort()  # of who did not take the end of an answer within the time
        await warming  # and the transports close with the loop's next turn
        await asyncio.sleep(0)

    def _warm(self) -> None:
        """Go through what the first visitor will ask for."""
        cellar = self.page.cellar
        for name in cellar.names():
            if self._stopping.is_set():
                return
            try:
                cellar.lookback.curves(name, *cellar.lookback.current_span(name))
            except UllageError as error:
                log.info("charts are not warmed up", extra={"error": str(error)})


def _config(app: Callable[..., Any]) -> uvicorn.Config:
    return uvicorn.Config(
        app,
        http=BoundedProtocol,
        ws="none",
        loop="asyncio",
        lifespan="off",
        access_log=False,
        log_config=None,
        log_level="error",  # a stranger's junk requests would each write a warning
        server_header=False,
        date_header=True,
        proxy_headers=False,
        timeout_keep_alive=IDLE_S,
        timeout_graceful_shutdown=2,
        limit_concurrency=CONNECTIONS,
        h11_max_incomplete_event_size=16 * 1024,
    )
