"""A TCP relay that tests can cut, freeze or let change what passes."""

import contextlib
import selectors
import socket
import threading
from collections.abc import Callable
from typing import Self

Change = Callable[[bytes], bytes]


def _unchanged(chunk: bytes) -> bytes:
    return chunk


class TcpProxy:
    """Relays from a free port of 127.0.0.1 to another one; close it with `close` or as a context.

    Parameters
    ----------
    target_port
        Where connections go.
    to_client
        Changes what the server says; an empty result ends the connection without a word.
    """

    def __init__(self, target_port: int, *, to_client: Change = _unchanged) -> None:
        self._target_port = target_port
        self._to_client = to_client
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._pairs: list[tuple[socket.socket, socket.socket]] = []
        self._unanswered: list[socket.socket] = []
        self.dark = False
        """While it is set nothing comes through and nobody is told; a connection that lost something stays so."""
        self._threads: list[threading.Thread] = []
        self.connections = 0
        self.shut = False
        """Whether connections that come are closed at once."""
        self._spawn(self._accept)

    def _spawn(self, run: Callable[[], None]) -> None:
        thread = threading.Thread(target=run, daemon=True)
        self._threads.append(thread)
        thread.start()

    def _accept(self) -> None:
        while True:
            try:
                client, _ = self._listener.accept()
            except OSError:
                return
            if self.shut:
                client.close()
                continue
            if self.dark:
                self._unanswered.append(client)
                continue
            try:
                server = socket.create_connection(("127.0.0.1", self._target_port), timeout=5)
            except OSError:
                client.close()
                continue
            self.connections += 1
            self._pairs.append((client, server))
            self._spawn(lambda client=client, server=server: self._relay(client, server))  # type: ignore[misc]

    def _relay(self, client: socket.socket, server: socket.socket) -> None:
        lost = False
        with client, server, selectors.DefaultSelector() as ready, contextlib.suppress(OSError, ValueError):
            ready.register(client, selectors.EVENT_READ)
            ready.register(server, selectors.EVENT_READ)
            while True:
                for key, _ in ready.select():
                    chunk = key.fileobj.recv(65_536)  # type: ignore[union-attr]
                    lost = lost or self.dark
                    if lost and chunk:
                        continue
                    if key.fileobj is client:
                        server.sendall(chunk)
                    else:
                        chunk = self._to_client(chunk)
                        client.sendall(chunk)
                    if not chunk:
                        return

    def cut(self) -> None:
        """Break every connection at once, as a cable that is pulled."""
        for pair in self._pairs:
            for each in pair:
                with contextlib.suppress(OSError):
                    each.shutdown(socket.SHUT_RDWR)
        self._pairs.clear()

    def close(self) -> None:
        """End it."""
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self.cut()
        for each in self._unanswered:
            each.close()
        for thread in self._threads:
            thread.join(5)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *unused: object) -> None:
        self.close()
