"""Bytes to lines: whole ones only, of bounded length, back in step after garbage."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Line:
    """A line without its end; `cut` if it was longer than the limit and only its start was kept."""

    content: bytes
    cut: bool = False


class LineBuffer:
    """Cuts a stream of bytes into lines.

    `readline` of the serial library hands out half a line when its time-out passes in the middle of one (tried), which
    turns 18.45 into 18. Here a line exists when its end has come.

    Parameters
    ----------
    end
        The byte that ends a line.
    limit
        Longest line in bytes; what is longer is dropped up to the next end.
    skip_first
        Pass over everything up to the first end: it may be the tail of a line that began before we listened.
    """

    def __init__(self, *, end: bytes = b"\n", limit: int = 256, skip_first: bool = False) -> None:
        self._end = end
        self._limit = limit
        self._kept = b""
        self._skipping = skip_first

    def feed(self, chunk: bytes) -> list[Line]:
        """Add bytes; return the lines that they completed, empty ones left out."""
        *whole, rest = (self._kept + chunk).split(self._end)
        lines: list[Line] = []
        for content in whole:
            if self._skipping:
                self._skipping = False
                continue
            self._add(lines, content)
        if len(rest) > self._limit:
            # the + 1 keeps a carriage return before the end from counting
            if not self._skipping and len(rest) > self._limit + 1:
                lines.append(Line(rest[: self._limit], cut=True))
                self._skipping = True
            rest = b"" if self._skipping else rest
        self._kept = rest
        return lines

    def resynchronise(self) -> None:
        """Forget what was begun and pass over everything up to the next end."""
        self._kept = b""
        self._skipping = True

    def _add(self, lines: list[Line], content: bytes) -> None:
        stripped = content.strip(b"\r\n\0")
        # what is cut does not depend on how much of the line had come before its end
        if len(content) > self._limit + 1 or len(stripped) > self._limit:
            lines.append(Line(content[: self._limit], cut=True))
        elif stripped:
            lines.append(Line(stripped))
