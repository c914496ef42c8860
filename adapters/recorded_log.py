"""Reads a recorded log: what is plain in whole blocks, what is unusual row by row, what is damaged counted.

The format is `time,vessel,quantity,value,unit` in UTF-8 CSV, or any wide CSV with a `ColumnMap`; gzip is recognised
by its first bytes. Rows may come in any order and more than once.

Examples
--------
>>> from pathlib import Path
>>> from tempfile import TemporaryDirectory
>>> with TemporaryDirectory() as folder:
...     path = Path(folder, "north.csv")
...     _ = path.write_text(
...         "time,vessel,quantity,value,unit\\n"
...         "2026-03-01T06:00:00Z,north,pressure,150,kPa\\n"
...         "2026-03-01T07:00:00+01:00,north,temperature,68,[degF]\\n"
...         "yesterday,north,pressure,1.5,bar\\n"
...     )
...     log = read_log(path)
>>> log.vessels["north"].value.tolist(), log.bad_rows.total
([1.5, 20.0], 1)
"""

import gzip
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from io import BufferedIOBase
from os import PathLike, fspath
from pathlib import Path

from ullage.adapters.column_map import ColumnMap
from ullage.adapters.errors import DataError
from ullage.adapters.log_blocks import Block, LineBlocks
from ullage.adapters.log_fast import LongColumns, WideColumns
from ullage.adapters.log_format import HEADER, BadRow, RecordedLog
from ullage.adapters.log_gather import Gatherer
from ullage.adapters.log_rows import LongRowParser, Refused, WideRowParser, split_record
from ullage.adapters.reading import Reading

Progress = Callable[[float], None]
"""Told the share of the file that has been read, 0 to 1."""


def read_log(
    path: str | PathLike[str], *, columns: ColumnMap | None = None, progress: Progress | None = None
) -> RecordedLog:
    """Read a log whole.

    Parameters
    ----------
    path
        The file.
    columns
        What the columns of a wide file mean; none for the log format.
    progress
        Told the share of the file read, a few times a second at most.

    Returns
    -------
    RecordedLog
        Every vessel's readings sorted by time, and what could not be used.

    Raises
    ------
    DataError
        If the file can't be read, is no log, or holds no row that can be used.
    ConfigError
        If the map names columns that the file does not have.
    """
    name = fspath(path)
    with _opened(Path(name)) as (raw, stream, size):
        blocks = LineBlocks(stream)
        gatherer = Gatherer()
        reader: _Reader | None = None
        for block in blocks:
            if reader is None:
                reader = _reader(name, block, columns)
                block = block.without_first()
            reader.read(block, gatherer)
            if progress is not None:
                progress(min(raw.tell() / size, 1.0) if size else 1.0)
        if blocks.broken_off:
            gatherer.bad.note(
                blocks.lines + 1, BadRow.CUT_OFF, f"the file breaks off here ({blocks.broken_off})"
            )
        log = gatherer.result(blocks.lines)
    if reader is None:
        detail = f"can't be read ({blocks.broken_off})" if blocks.broken_off else "is empty"
        raise DataError(name, detail, "give a log with the header " + ",".join(HEADER))
    if not log.vessels:
        first = (
            f", the first: line {log.bad_rows.first[0][0]}: {log.bad_rows.first[0][1]}"
            if log.bad_rows.first
            else ""
        )
        raise DataError(name, f"holds no row that can be used ({log.bad_rows.total} bad rows{first})")
    return log


@contextmanager
def _opened(path: Path) -> Iterator[tuple[BufferedIOBase, BufferedIOBase, int]]:
    """Open a plain or gzip file; what goes wrong becomes one sentence."""
    try:
        raw = path.open("rb")
    except FileNotFoundError:
        raise DataError(str(path), "there is no such file", "check the path") from None
    except IsADirectoryError:
        raise DataError(str(path), "is a folder", "name the log file in it") from None
    except OSError as error:
        raise DataError(str(path), f"can't be opened ({error.strerror or error})") from error
    with raw:
        size = path.stat().st_size
        magic = raw.peek(2)[:2]
        if magic in (b"\xff\xfe", b"\xfe\xff"):
            raise DataError(str(path), "is written in UTF-16", "save it as UTF-8")
        if magic == b"\x1f\x8b":
            with gzip.GzipFile(fileobj=raw) as unpacked:
                yield raw, unpacked, size
        else:
            yield raw, raw, size


class _Reader:
    """The fast path of one file with the strict parser behind it."""

    def __init__(self, fast: LongColumns | WideColumns, strict: LongRowParser | WideRowParser) -> None:
        self._fast = fast
        self._strict = strict

    def read(self, block: Block, gatherer: Gatherer) -> None:
        """Read one block."""
        plain = self._fast.read(block)
        parsed: list[tuple[int, Reading]] = []
        for index in (~plain.done).nonzero()[0].tolist():
            outcome = self._strict.parse(block.record(index))
            if isinstance(outcome, Refused):
                gatherer.bad.note(int(block.line[index]), outcome.reason, outcome.sentence)
            else:
                parsed.extend((index, reading) for reading in outcome)
        gatherer.add(block, plain, parsed)


def _reader(name: str, block: Block, columns: ColumnMap | None) -> _Reader:
    """Look at the header and choose how to read what follows."""
    header = block.record(0).removeprefix(b"\xef\xbb\xbf")
    if columns is None:
        fields = split_record(header)
        if not isinstance(fields, Refused) and tuple(field.lower() for field in fields) == HEADER:
            return _Reader(LongColumns(), LongRowParser())
        if b"\0" in header or header.startswith((b"PK", b"\x1f\x8b", b"%PDF")):
            raise DataError(name, "is no text", f"a log is a CSV file that begins with {','.join(HEADER)}")
        raise DataError(
            name,
            f"its first line is {_shown(header)} and not {','.join(HEADER)}",
            "part the columns by commas"
            if header.replace(b";", b",").replace(b"\t", b",").lower() == ",".join(HEADER).encode()
            else "for other columns say which is which with --map",
        )
    best: list[str] = []
    delimiter = ","
    for mark in ",;\t":
        fields = split_record(header, mark)
        if not isinstance(fields, Refused) and len(fields) > len(best):
            best, delimiter = fields, mark
    parser = WideRowParser(columns, best, delimiter)
    return _Reader(WideColumns(parser), parser)


def _shown(header: bytes) -> str:
    text = header[:60].decode("utf-8", "replace")
    return repr(text) if text else "blank"
