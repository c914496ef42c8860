"""A line on a terminal that says how far a long piece of work has come; silent anywhere else."""

import sys
import time
from collections.abc import Callable
from typing import TextIO

_BETWEEN_S = 0.1
_WIPE = "\r\x1b[K"


class ProgressLine:
    """Rewrites one line of stderr, at most ten times a second, if that is a terminal.

    Parameters
    ----------
    stream
        Where to; stderr unless given.
    monotonic_s
        The clock that spaces the updates.
    """

    def __init__(
        self, stream: TextIO | None = None, monotonic_s: Callable[[], float] = time.monotonic
    ) -> None:
        self._stream = stream if stream is not None else sys.stderr
        self._monotonic_s = monotonic_s
        self._on = self._stream.isatty()
        self._next_s = 0.0
        self._shown = False

    def show(self, text: str) -> None:
        """Show `text` unless something was shown a moment ago."""
        if not self._on or self._monotonic_s() < self._next_s:
            return
        self._next_s = self._monotonic_s() + _BETWEEN_S
        self._stream.write(_WIPE + text)
        self._stream.flush()
        self._shown = True

    def clear(self) -> None:
        """Wipe the line, so that other output can stand there."""
        if self._shown:
            self._stream.write(_WIPE)
            self._stream.flush()
            self._shown = False
            self._next_s = 0.0
