"""Signals as words that a loop may wait for, without doing anything inside a signal handler."""

import select
import signal
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from enum import Enum
from types import FrameType


class Asked(Enum):
    """What somebody outside asked for."""

    STOP = "stop"
    RELOAD = "reload"


_MEANING = {signal.SIGTERM: Asked.STOP, signal.SIGINT: Asked.STOP, signal.SIGHUP: Asked.RELOAD}


def _note(number: int, frame: FrameType | None) -> None:
    """Do nothing: the number goes through the wake-up socket, and no lock is touched here."""


class Signals:
    """Waits for SIGTERM, SIGINT and SIGHUP. Made by `listen`."""

    def __init__(self, woken: socket.socket) -> None:
        self._woken = woken

    def wait(self, timeout_s: float) -> tuple[Asked, ...]:
        """Return what was asked for, at once when something was, else after `timeout_s`."""
        ready, _, _ = select.select([self._woken], [], [], timeout_s)
        if not ready:
            return ()
        numbers = self._woken.recv(64)
        return tuple(_MEANING[signal.Signals(n)] for n in numbers if signal.Signals(n) in _MEANING)


@contextmanager
def listen() -> Iterator[Signals]:
    """Take the signals over while the block runs. For the main thread, as Python has it."""
    woken, waker = socket.socketpair()
    with woken, waker:
        woken.setblocking(False)
        waker.setblocking(False)
        before = {number: signal.signal(number, _note) for number in _MEANING}
        wakeup_before = signal.set_wakeup_fd(waker.fileno(), warn_on_full_buffer=False)
        try:
            yield Signals(woken)
        finally:
            signal.set_wakeup_fd(wakeup_before)
            for number, handler in before.items():
                signal.signal(number, handler)
