"""Recorded readings as a log file, in pieces: a year of them never stands in memory at once."""

import io
import itertools
from collections.abc import Iterable, Iterator

from ullage.adapters.log_writer import write_log
from ullage.adapters.reading import Reading

_ROWS = 5000


def log_pieces(rows: Iterable[Reading]) -> Iterator[str]:
    """Yield the text of a log, header first."""
    waiting = iter(rows)
    first = True
    while first or (piece := tuple(itertools.islice(waiting, _ROWS))):
        if first:
            piece = tuple(itertools.islice(waiting, _ROWS))
        text = io.StringIO()
        write_log(text, piece)
        written = text.getvalue()
        yield written if first else written.partition("\n")[2]
        first = False
