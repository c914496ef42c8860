"""TCP ports that stay free until a test's server takes them, and again while it is stopped and started."""

import random
import socket
from pathlib import Path

_CHANCE = random.SystemRandom()
"""Not the one that a seed turns: processes that share the suite would draw the same."""
_LOWEST, _TRIES = 10_000, 200


def free_port() -> int:
    """Return a TCP port of 127.0.0.1 that nobody listens on now.

    It lies below those that the kernel hands out to whoever connects: among them another process, or the very client that tries
    again while its server is away, might be given it.
    """
    for _ in range(_TRIES):
        port = _CHANCE.randrange(_LOWEST, _handed_out_from())
        with socket.socket() as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)  # as servers do
            try:
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
            return port
    raise RuntimeError(f"no free port of 127.0.0.1 in {_TRIES} tries")


def _handed_out_from() -> int:
    """Return the lowest port that the kernel gives to a connection."""
    try:
        lowest = int(Path("/proc/sys/net/ipv4/ip_local_port_range").read_text().split()[0])
    except OSError:  # not Linux
        return 32_768
    return max(lowest, _LOWEST + 1000)
