"""How many connections the page holds, and for how long without a request.

The page shares a process, and so its file descriptors, with the watch: a stranger who opens a thousand connections and
says nothing must not keep the database or a sensor from being opened. So there is a limit for each address (a network of
64 bits counts as one in IPv6, where a single machine has them all), one for all, and a time within which a connection
has to say what it wants. This machine's own addresses have no limit of their own: a proxy comes from there.
"""

import asyncio
import ipaddress
from typing import Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

CONNECTIONS = 250
FROM_ONE_ADDRESS = 60
"""A browser opens six; a household behind one address some dozens."""
REQUEST_S = 10.0
"""From the connection to the last line of a request's head."""
IDLE_S = 15
"""How long a connection may wait for another request before its first byte."""

DRAIN_S = 2.0
"""How long the rest of a body is still taken that was answered before its end: ended at once, the answer would be lost."""


class BoundedProtocol(H11Protocol):
    """HTTP/1.1 for connections that are few and say soon what they want."""

    _late: asyncio.TimerHandle | None = None
    _judged: object = None
    """The request that was taken last: a new one has come when it is another."""

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Take a connection, or end it at once if there are too many."""
        super().connection_made(transport)
        if self._one_too_many():
            transport.abort()
            return
        self._wait(REQUEST_S)

    def data_received(self, data: bytes) -> None:
        """Read on."""
        super().data_received(data)
        self._taken()

    def on_response_complete(self) -> None:
        """Wait for the next request on the same connection, unless it had come already."""
        super().on_response_complete()
        if not self._taken():
            unread = self.conn.their_state is h11.SEND_BODY
            self._wait(DRAIN_S if unread else IDLE_S + REQUEST_S)

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget the connection."""
        self._stop_waiting()
        super().connection_lost(exc)

    def _one_too_many(self) -> bool:
        if len(self.connections) > CONNECTIONS:
            return True
        own = _neighbourhood(self.client)
        if not own:
            return False
        others: Any = self.connections
        return sum(_neighbourhood(other.client) == own for other in others) > FROM_ONE_ADDRESS

    def _taken(self) -> bool:
        """Tell whether another request's head is complete; then nobody waits for it any more."""
        if self.cycle is self._judged:
            return False
        self._judged = self.cycle
        self._stop_waiting()
        return True

    def _wait(self, seconds: float) -> None:
        self._stop_waiting()
        self._late = self.loop.call_later(seconds, self.transport.abort)

    def _stop_waiting(self) -> None:
        if self._late is not None:
            self._late.cancel()
            self._late = None


def _neighbourhood(client: tuple[str, int] | None) -> str:
    """Return what counts as one address; empty for this machine's own."""
    try:
        address = ipaddress.ip_address(client[0].partition("%")[0]) if client is not None else None
    except ValueError:
        address = None
    if address is None or address.is_loopback:
        return ""
    if isinstance(address, ipaddress.IPv6Address):
        if address.ipv4_mapped is not None:
            return "" if address.ipv4_mapped.is_loopback else str(address.ipv4_mapped)
        return str(ipaddress.ip_network((address, 64), strict=False))
    return str(address)
