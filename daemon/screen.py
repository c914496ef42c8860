"""A terminal with a progress line that stays at the bottom, or plain output with a line now and then."""

import io
import shutil
import sys
import textwrap
import threading
import time
from typing import TextIO

ERASE_LINE = "\r\x1b[2K"
"""Carriage return and EL 2 (ECMA-48): the cursor goes to the start of an emptied line."""
REDRAW_EVERY_S = 0.1
_NARROWEST = 40
_BULLET = "· "


class Screen(io.TextIOBase):
    """Stands in for standard output: text that is printed appears above the progress line.

    Parameters
    ----------
    stream
        Where everything goes; a terminal gets a line that is drawn anew, anything else a plain line for each mark.
    """

    def __init__(self, stream: TextIO | None = None) -> None:
        self._stream = stream if stream is not None else sys.stdout
        self._lock = threading.RLock()
        self._line = ""
        self._drawn_s = 0.0
        self._mark: object = None
        self._terminal = self._stream.isatty()

    @property
    def encoding(self) -> str:  # type: ignore[override]
        """What the stream can show."""
        return getattr(self._stream, "encoding", None) or "utf-8"

    def writable(self) -> bool:
        """Tell that it takes text."""
        return True

    def isatty(self) -> bool:
        """Tell whether it is a terminal."""
        return self._terminal

    def write(self, text: str) -> int:
        """Print text above the progress line; on a terminal no word is broken at its edge."""
        with self._lock:
            if self._line and self._terminal:
                self._stream.write(ERASE_LINE)
            self._stream.write(_wrapped(text) if self._terminal else text)
            if self._line and self._terminal and text.endswith("\n"):
                self._stream.write(self._line)
            return len(text)

    def flush(self) -> None:
        """Have everything shown; a stream that is closed already has."""
        with self._lock:
            if not self._stream.closed:
                self._stream.flush()

    def progress(self, line: str, mark: object) -> None:
        """Show where things stand.

        Parameters
        ----------
        line
            What to show; cut off at the edge of the terminal, as a line that is wrapped can't be drawn anew.
        mark
            Where no terminal is, the line is printed only when this differs from the last time.
        """
        with self._lock:
            if self._terminal:
                now_s = time.monotonic()
                if now_s - self._drawn_s < REDRAW_EVERY_S:
                    return
                self._drawn_s = now_s
                self._line = line[: _columns() - 1]
                self._stream.write(ERASE_LINE + self._line)
            elif mark != self._mark:
                self._mark = mark
                self._stream.write(line + "\n")
            self._stream.flush()

    def end_progress(self) -> None:
        """Take the progress line away."""
        with self._lock:
            if self._line and self._terminal:
                self._stream.write(ERASE_LINE)
            self._line = ""
            self._stream.flush()


def _columns() -> int:
    return max(_NARROWEST, shutil.get_terminal_size((80, 24)).columns)


def _wrapped(text: str) -> str:
    """Return the text with its lines wrapped, set in as each begins."""
    return "".join(_wrapped_line(line) for line in text.splitlines(keepends=True))


def _wrapped_line(line: str) -> str:
    words, columns = line.rstrip("\n"), _columns()
    if len(words) <= columns:
        return line
    indent = " " * (len(words) - len(words.lstrip()) + (len(_BULLET) if words.startswith(_BULLET) else 0))
    return "\n".join(textwrap.wrap(words, columns, subsequent_indent=indent)) + line[len(words) :]
