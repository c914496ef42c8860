"""Words to the service manager: one datagram to the socket that `NOTIFY_SOCKET` names (sd_notify(3), systemd 252)."""

import socket
from collections.abc import Mapping


def notify(message: str, environ: Mapping[str, str]) -> bool:
    """Send `READY=1`, `WATCHDOG=1`, `STATUS=…`; several separated by newlines.

    Returns
    -------
    bool
        Whether a service manager took it; False where none listens, which is no error.
    """
    address = environ.get("NOTIFY_SOCKET", "")
    if address[:1] not in ("/", "@") or len(address) < 2:
        return False
    if address[0] == "@":  # a name in the abstract name space starts with a zero byte
        address = "\0" + address[1:]
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as to_manager:
        try:
            to_manager.settimeout(1.0)  # a manager that hangs must not hang the pipeline
            to_manager.connect(address)
            to_manager.sendall(message.encode())
        except OSError:
            return False
    return True


def watchdog_interval_s(environ: Mapping[str, str], pid: int) -> float | None:
    """Return how often to send `WATCHDOG=1`, in seconds: half of what the manager allows; None if it asks for none.

    `WATCHDOG_PID`, where set, says which process is meant (sd_watchdog_enabled(3)).
    """
    if environ.get("WATCHDOG_PID", str(pid)) != str(pid):
        return None
    try:
        allowed_us = int(environ.get("WATCHDOG_USEC", ""))
    except ValueError:
        return None
    return allowed_us / 2e6 if allowed_us > 0 else None
