"""Recorded logs: read in bulk as row by row, whatever the file; and what was read can be written and read again."""

import gzip
import io
import math
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from tests.fuzz.target import Target, tells
from ullage.adapters import recorded_log
from ullage.adapters.column_map import ColumnMap
from ullage.adapters.errors import ConfigError, DataError
from ullage.adapters.log_blocks import LineBlocks
from ullage.adapters.log_format import HEADER, KIND_OF, BadRow, JournalRow, RecordedLog
from ullage.adapters.log_gather import Gatherer
from ullage.adapters.log_rows import LongRowParser, Refused, WideRowParser
from ullage.adapters.log_writer import write_log
from ullage.adapters.reading import Quantity, Reading
from ullage.adapters.recorded_log import read_log
from ullage.adapters.timestamps import format_rfc3339

_HEADER = ",".join(HEADER).encode() + b"\n"
_MAP = ColumnMap.parse(
    "time=time,temperature=t:[degF],pressure=p:kPa:absolute,gravity=sg,journal=note", vessel="north"
)
_MAP_OF_UNIX_TIMES = ColumnMap.parse("time=time:ms,temperature=t:K,pressure=p:MPa", vessel="north")
_QUANTITY_OF = {code: quantity for quantity, code in KIND_OF.items()}
# without the modules that compare arrays: the engine keeps what it sees compared, which came to 20 KB an input
_CODE = tuple(
    f"ullage.adapters.{name}"
    for name in ("recorded_log", "log_rows", "log_writer", "column_map", "timestamps", "units")
)


@dataclass(slots=True)
class _Plain:
    """A log as the strict parser alone makes it, in plain lists."""

    rows: dict[str, list[tuple[float, int, float]]] = field(default_factory=dict)
    entries: dict[str, list[JournalRow]] = field(default_factory=dict)
    bad: dict[BadRow, int] = field(default_factory=dict)
    order: dict[str, int] = field(default_factory=dict)

    def take(self, line: int, outcome: tuple[Reading, ...] | Refused) -> None:
        if isinstance(outcome, Refused):
            self.bad[outcome.reason] = self.bad.get(outcome.reason, 0) + 1
            assert outcome.sentence.isprintable()
            assert len(outcome.sentence) < 400
            return
        for reading in outcome:
            self.order.setdefault(reading.vessel, line)
            if reading.quantity is Quantity.JOURNAL:
                self.entries.setdefault(reading.vessel, []).append(JournalRow(reading.time_s, reading.text))
            else:
                row = (reading.time_s, KIND_OF[reading.quantity], reading.value)
                self.rows.setdefault(reading.vessel, []).append(row)

    def sorted_rows(self, vessel: str) -> list[tuple[float, int, float]]:
        """Rows by time, of each quantity and time the first alone."""
        found: dict[tuple[float, int], float] = {}
        for time_s, kind, value in sorted(self.rows.get(vessel, []), key=lambda row: row[0]):
            found.setdefault((time_s, kind), value)
        return [(time_s, kind, value) for (time_s, kind), value in found.items()]


def _bulk(
    data: bytes, block_bytes: int, columns: ColumnMap | None
) -> tuple[RecordedLog, LongRowParser | WideRowParser] | None:
    """Read as a file is read, in blocks of the given size; None if its header is not one."""
    gatherer = Gatherer()
    blocks = LineBlocks(io.BytesIO(data), block_bytes)
    reader = None
    for block in blocks:
        if reader is None:
            try:
                reader = recorded_log._reader("a log", block, columns)
            except (DataError, ConfigError) as error:
                tells(error)
                return None
            block = block.without_first()
        reader.read(block, gatherer)
    return None if reader is None else (gatherer.result(blocks.lines), reader._strict)


def _agree(data: bytes, block_bytes: int, columns: ColumnMap | None) -> None:
    """Hold the laws of a log: sound values, and the same log from the strict parser alone."""
    read = _bulk(data, block_bytes, columns)
    if read is None:
        return
    log, strict = read
    plain = _Plain()
    for number, block in enumerate(LineBlocks(io.BytesIO(data))):
        for index in range(number == 0, len(block.start)):
            plain.take(int(block.line[index]), strict.parse(block.record(index)))
    assert dict(log.bad_rows.by_reason) == plain.bad
    assert list(log.vessels) == sorted(plain.order, key=lambda name: plain.order[name])
    for name, found in log.vessels.items():
        rows = list(zip(found.time_s.tolist(), found.kind.tolist(), found.value.tolist(), strict=True))
        wanted = plain.sorted_rows(name)
        assert [_exact(row) for row in rows] == [_exact(row) for row in wanted], "in bulk as row by row"
        entries = plain.entries.get(name, [])
        assert found.entries == tuple(dict.fromkeys(sorted(entries, key=lambda entry: entry.time_s)))
        given = len(plain.rows.get(name, [])) + len(entries)
        assert found.repeated + found.contradicting == given - len(rows) - len(found.entries)
        _are_sound(rows, found.entries)


def _exact(row: tuple[float, int, float]) -> tuple[str, int, str]:
    return row[0].hex(), row[1], row[2].hex()


def _are_sound(rows: list[tuple[float, int, float]], entries: tuple[JournalRow, ...]) -> None:
    assert all(math.isfinite(value) for _, _, value in rows), "a value must be finite"
    assert all(entry.text.strip() for entry in entries)
    for time_s in (*(row[0] for row in rows), *(entry.time_s for entry in entries)):
        format_rfc3339(time_s)  # a time that can't be written is none


def long(data: bytes) -> None:
    """The log format, in one block or, as the first byte says, in many small ones."""
    small = data[0] if data else 0
    _agree(_HEADER + data[1:], 1 << 20 if small < 128 else small, None)


def wide(data: bytes) -> None:
    """Files in which each column is a quantity, header included; RFC 3339 and Unix times."""
    for columns in (_MAP, _MAP_OF_UNIX_TIMES):
        _agree(data, 1 << 20, columns)


def column_map(data: bytes) -> None:
    """A column map is one, or a sentence says what is wrong with it."""
    text, _, rest = data.partition(b"\n")
    try:
        columns = ColumnMap.parse(text.decode("utf-8", "replace"), vessel="north")
    except ConfigError as error:
        tells(error)
        return
    _agree(rest, 1 << 20, columns)


def file(data: bytes) -> None:
    """A file is a log or a sentence says what it is instead; what was read is the same when written and read again."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "north.csv")
        path.write_bytes(data)
        _written_again(path, Path(folder, "again.csv"))


def packed_file(data: bytes) -> None:
    """A compressed file, cut and spoilt: what stands before the damage is used, the damage is said."""
    spoilt = int.from_bytes(data[:2], "little")
    cut, change = data[2] if len(data) > 2 else 0, data[3] if len(data) > 3 else 0
    packed = bytearray(gzip.compress(_HEADER + data[4:], 1, mtime=0))
    if change:
        packed[spoilt % len(packed)] ^= change
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "north.csv.gz")
        path.write_bytes(packed[: len(packed) - cut])
        log = _written_again(path, Path(folder, "again.csv"))
        if log is not None and cut and not change:
            assert log.bad_rows.by_reason.get(BadRow.CUT_OFF) == 1, "a file that breaks off is said to"


def _written_again(path: Path, copy: Path) -> RecordedLog | None:
    try:
        log = read_log(path)
    except (DataError, ConfigError) as error:
        tells(error)
        return None
    for vessel in log.vessels.values():
        rows = list(zip(vessel.time_s.tolist(), vessel.kind.tolist(), vessel.value.tolist(), strict=True))
        _are_sound(rows, vessel.entries)
        readings = [Reading(vessel.name, _QUANTITY_OF[kind], time_s, value) for time_s, kind, value in rows]
        readings += [
            Reading(vessel.name, Quantity.JOURNAL, entry.time_s, 0.0, entry.text) for entry in vessel.entries
        ]
        _comes_back(readings, copy)
    return log


def _comes_back(readings: list[Reading], copy: Path) -> None:
    """Hold that rows written to the millisecond are read again as they were."""
    on_time = [reading for reading in readings if _in_milliseconds(reading.time_s)]
    try:
        written = write_log(copy, on_time)
    except DataError as error:
        tells(error)
        return
    if not written:
        return
    again = read_log(copy)
    assert again.bad_rows.total == 0, "whatever is written can be read"
    (vessel,) = again.vessels.values()
    found = {
        (time_s, kind, value)
        for time_s, kind, value in zip(
            vessel.time_s.tolist(), vessel.kind.tolist(), vessel.value.tolist(), strict=True
        )
    }
    wanted = {(r.time_s, KIND_OF[r.quantity], r.value) for r in on_time if r.quantity in KIND_OF}
    assert found == wanted
    assert {(e.time_s, e.text) for e in vessel.entries} == {
        (r.time_s, r.text) for r in on_time if r.quantity is Quantity.JOURNAL
    }


def _in_milliseconds(time_s: float) -> bool:
    return round(time_s * 1e3) / 1e3 == time_s


_ROWS = (
    b"2026-03-01T06:00:00Z,north,pressure,150,kPa\n2026-03-01T07:00:00+01:00,north,temperature,68,[degF]\n",
    b'2026-03-01T06:00:00.5Z,north,journal,"valve set 1.5, then ""shut""\nand more",\n2026-03-01T06:00:00Z,south,gravity,1.012,\n',
    b"2026-03-01T06:00:00Z,north,pressure,1.5,bar\n2026-03-01T06:00:00Z,north,pressure,1.6,bar\nyesterday,north,x,1,bar\n\n",
    b"time,vessel,quantity,value,unit\r\n2025-02-28T23:59:60Z, north ,pressure,1e3,Pa\r\n2024-02-29T00:00:00-11:45,n,temperature,-.5,K\r\n",
)
_WIDE = (
    b"time,t,p,sg,note\n2026-03-01T06:00:00Z,68,250,1.012,\n2026-03-01T06:01:00Z,,250.5,,valve shut\n",
    b'time;t;p;sg;note\n2026-03-01T06:00:00Z;68;;;"a;b"\n;;;;\n',
    b"time\tp\tt\tnote\tsg\n2026-03-01T06:00:00Z\t1\t2\t\t1\n",
    b"time,t,p\n1772346600000,291.15,0.25\n1772346600500.5,1e2,\n",
)
_WORDS = (
    b"2026-03-01T06:00:00Z,", b",north,", b"temperature", b"pressure", b"gravity", b',journal,"', b'"', b'""', b"\n", b"\r\n",
    b"bar", b"[degF]", b"K", b"MPa", b"[psi]", b"atm", b"1e308", b"1.7e308", b"9" * 20, b"0.1", b"-0", b"\0", b"\xff", b",,", b"\xef\xbb\xbf", b";",
)  # fmt: skip


def _target(name: str, check: Callable[[bytes], None], seeds: tuple[bytes, ...], longest: int) -> Target:
    return Target(name=name, check=check, seeds=seeds, words=_WORDS, usual=1024, longest=longest, code=_CODE)


TARGETS = (
    _target(
        "log", long, tuple(size + rows for size in (b"\x00", b"\x80", b"\xff") for rows in _ROWS), 70_000
    ),
    _target("wide log", wide, _WIDE, 70_000),
    _target(
        "column map",
        column_map,
        tuple(
            b"time=time,temperature=t:[degF],pressure=p:kPa:absolute,journal=note\n" + rows for rows in _WIDE
        ),
        4096,
    ),
    _target("log file", file, (*(_HEADER + rows for rows in _ROWS), b"\xff\xfet\0"), 8192),
    _target("packed log file", packed_file, tuple(b"\0\0\0\0" + rows for rows in _ROWS), 8192),
)
