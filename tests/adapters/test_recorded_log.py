"""Recorded logs: read right, damage counted, the fast path equal to the strict one."""

import gzip
import io
import math
import random
from collections.abc import Sequence
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ullage.adapters import recorded_log
from ullage.adapters.column_map import ColumnMap
from ullage.adapters.errors import ConfigError, DataError
from ullage.adapters.log_blocks import LONGEST_RECORD_BYTES, LineBlocks
from ullage.adapters.log_fast import LongColumns, Plain, WideColumns
from ullage.adapters.log_format import KEPT_BAD_ROWS, BadRow, JournalRow, RecordedLog
from ullage.adapters.log_gather import Gatherer
from ullage.adapters.log_rows import LongRowParser, Refused, WideRowParser
from ullage.adapters.log_words import PAD, read_decimals, read_times, words_of
from ullage.adapters.reading import Reading
from ullage.adapters.recorded_log import read_log
from ullage.adapters.timestamps import parse_rfc3339

HEADER = "time,vessel,quantity,value,unit\n"


def written(folder: Path, text: str | bytes, name: str = "north.csv") -> Path:
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def seconds(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


def placed(items: Sequence[bytes]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Lay fields into one block of bytes, as a file would."""
    starts, stops, block = [], [], bytearray(PAD)
    for item in items:
        starts.append(len(block))
        block += item
        stops.append(len(block))
        block += b","
    return np.frombuffer(bytes(block + bytes(PAD)), np.uint8), np.array(starts), np.array(stops)


def test_rows_become_columns_of_canonical_values_sorted_by_time(tmp_path: Path) -> None:
    """Each vessel gets its readings in °C and bar, sorted by time, in order of first appearance."""
    log = read_log(
        written(
            tmp_path,
            HEADER
            + "2026-03-01T06:00:10Z,south,pressure,21.755658,[psi]\n"
            + "2026-03-01T06:00:05Z,north,temperature,68,[degF]\n"
            + "2026-03-01T07:00:00+01:00,north,pressure,150,kPa\n"
            + "2026-03-01T06:00:05.250Z,north,gravity,1.048,\n"
            + "2026-03-01T06:00:00Z,south,temperature,293.15,K\n",
        )
    )
    assert list(log.vessels) == ["south", "north"]
    north, south = log.vessels["north"], log.vessels["south"]
    start = seconds("2026-03-01T06:00:00+00:00")
    assert north.time_s.tolist() == [start, start + 5, start + 5.25]
    assert north.kind.tolist() == [1, 0, 2]
    assert north.value.tolist() == [1.5, 20.0, 1.048]
    # 1 psi = 6894.757293168 Pa (the pound of 1959 and standard gravity)
    assert south.value.tolist() == [20.0, pytest.approx(21.755658 * 0.06894757293168, rel=1e-12)]
    assert log.bad_rows.total == 0
    assert log.lines == 6


# RFC 3339 section 5.8, the examples of the standard itself, with the same moments in UTC beside them
RFC_3339_EXAMPLES = [
    ("1985-04-12T23:20:50.52Z", "1985-04-12T23:20:50.520000+00:00"),
    ("1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57+00:00"),
    ("1990-12-31T23:59:60Z", "1991-01-01T00:00:00+00:00"),
    ("1990-12-31T15:59:60-08:00", "1991-01-01T00:00:00+00:00"),
    ("1937-01-01T12:00:27.87+00:20", "1937-01-01T11:40:27.870000+00:00"),
]


def test_the_examples_of_rfc_3339_are_read(tmp_path: Path) -> None:
    """The standard's own time-stamps come out as the moments that it says they are."""
    rows = "".join(f"{text},v{n},pressure,1,bar\n" for n, (text, _) in enumerate(RFC_3339_EXAMPLES))
    log = read_log(written(tmp_path, HEADER + rows))
    for n, (_, moment) in enumerate(RFC_3339_EXAMPLES):
        assert log.vessels[f"v{n}"].time_s.tolist() == [pytest.approx(seconds(moment), abs=1e-6)]


def test_a_file_is_read_whatever_its_dress(tmp_path: Path) -> None:
    """A byte order mark, CRLF, no last line end, gzip and blank lines change nothing."""
    rows = "2026-03-01T06:00:00Z,north,pressure,1.25,bar\r\n\r\n2026-03-01T06:00:10z,north,pressure,1.5,bar"
    plain = written(tmp_path, "\ufeff" + HEADER.replace("\n", "\r\n") + rows)
    packed = written(tmp_path, gzip.compress(plain.read_bytes()), "north.csv.gz")
    for path in (plain, packed):
        log = read_log(path)
        assert log.vessels["north"].value.tolist() == [1.25, 1.5]
        assert (log.bad_rows.total, log.lines) == (0, 4)


def test_bad_rows_are_named_and_the_rest_is_used(tmp_path: Path) -> None:
    """Every refused row is counted under its reason and told with its line number."""
    bad = {
        2: (BadRow.COLUMNS, "2026-03-01T06:00:00Z,north,pressure,1.5"),
        3: (BadRow.TIME, "2026-03-01T06:00:00,north,pressure,1.5,bar"),
        4: (BadRow.TIME, "2026-02-30T06:00:00Z,north,pressure,1.5,bar"),
        5: (BadRow.QUANTITY, "2026-03-01T06:00:00Z,north,level,1.5,bar"),
        6: (BadRow.UNIT, "2026-03-01T06:00:00Z,north,pressure,1.5,psi"),
        7: (BadRow.VALUE, "2026-03-01T06:00:00Z,north,pressure,nan,bar"),
        8: (BadRow.VALUE, "2026-03-01T06:00:00Z,north,pressure,1e999,bar"),
        9: (BadRow.VALUE, "2026-03-01T06:00:00Z,north,pressure,1_5,bar"),
        10: (BadRow.VESSEL, "2026-03-01T06:00:00Z,,pressure,1.5,bar"),
        11: (BadRow.TEXT, '2026-03-01T06:00:00Z,"north,pressure,1.5,bar'),
        12: (BadRow.TEXT, "2026-03-01T06:00:00Z,north\0,pressure,1.5,bar"),
        13: (BadRow.TEXT, "2026-03-01T06:00:00Z,north,journal,,"),
    }
    good = "2026-03-01T06:00:00Z,north,pressure,1.5,bar\n"
    log = read_log(written(tmp_path, HEADER + "".join(row + "\n" for _, row in bad.values()) + good))
    assert log.vessels["north"].value.tolist() == [1.5]
    assert [line for line, _ in log.bad_rows.first] == list(bad)
    assert log.bad_rows.total == len(bad)
    for reason in {reason for reason, _ in bad.values()}:
        assert log.bad_rows.by_reason[reason] == sum(r is reason for r, _ in bad.values())
    assert "did you mean '[psi]'" in dict(log.bad_rows.first)[6]


def test_bad_rows_are_kept_within_bounds(tmp_path: Path) -> None:
    """However many rows are bad, only the first twenty are kept in full and all are counted."""
    good = "2026-03-01T06:00:00Z,north,pressure,1.5,bar\n"
    log = read_log(written(tmp_path, HEADER + "rubbish\n" * 5000 + good))
    assert log.bad_rows.total == log.bad_rows.by_reason[BadRow.COLUMNS] == 5000
    assert len(log.bad_rows.first) == KEPT_BAD_ROWS


def test_bytes_that_are_no_text_cost_only_their_row(tmp_path: Path) -> None:
    """A row that is not UTF-8, in whatever column, is refused and its neighbours are read."""
    row = b"2026-03-01T06:00:0%dZ,n\xc3\xb6rd,pressure,1.5,bar\n"
    data = HEADER.encode() + row % 0 + b"\xff\xfe\n" + (row % 1).replace(b"\xc3\xb6", b"\xf6") + row % 2
    log = read_log(written(tmp_path, data))
    assert len(log.vessels["nörd"]) == 2
    assert log.bad_rows.by_reason == {BadRow.TEXT: 2}


def test_repeated_rows_are_dropped_and_counted(tmp_path: Path) -> None:
    """The first row of a quantity and time stays; the same again and another value are counted apart."""
    rows = [
        "2026-03-01T06:00:10Z,north,pressure,1.6,bar",
        "2026-03-01T06:00:00Z,north,pressure,1.5,bar",
        "2026-03-01T06:00:00Z,north,temperature,20,Cel",
        "2026-03-01T07:00:00+01:00,north,pressure,1500,mbar",
        "2026-03-01T06:00:00Z,north,pressure,1.7,bar",
        "2026-03-01T06:00:00Z,north,journal,pitched,",
        "2026-03-01T06:00:00Z,north,journal,pitched,",
    ]
    north = read_log(written(tmp_path, HEADER + "\n".join(rows))).vessels["north"]
    assert north.value.tolist() == [1.5, 20.0, 1.6]
    assert (north.repeated, north.contradicting) == (2, 1)
    assert [entry.text for entry in north.entries] == ["pitched"]


def test_journal_texts_may_be_quoted_and_run_over_lines(tmp_path: Path) -> None:
    """Commas, quotation marks and line breaks in a quoted entry come back as they were (RFC 4180)."""
    rows = (
        '2026-03-01T06:00:00Z,north,journal,"smells of ""banana"", fine",\n'
        '2026-03-01T06:00:01Z,north,journal,"two\nlines",\n'
        "2026-03-01T06:00:02Z,north,pressure,1.5,bar\n"
        '2026-03-01T06:00:03Z,north,journal,"never closed,\n'
        "2026-03-01T06:00:04Z,north,pressure,1.6,bar\n"
    )
    log = read_log(written(tmp_path, HEADER + rows))
    north = log.vessels["north"]
    assert [entry.text for entry in north.entries] == ['smells of "banana", fine', "two\nlines"]
    assert north.entries[1] == JournalRow(seconds("2026-03-01T06:00:01+00:00"), "two\nlines")
    assert north.value.tolist() == [1.5, 1.6]
    assert [line for line, _ in log.bad_rows.first] == [6]
    assert log.lines == 7


def test_an_entry_in_the_brewers_own_units_is_understood_in_a_log(tmp_path: Path) -> None:
    """As on the command line: 22 psi are 1.52 bar (1 psi = 6894.757 Pa, NIST SP 811), 36 °F are 2.2 °C."""
    rows = "".join(
        f"2026-03-01T0{hour}:00:00Z,north,journal,{text},\n"
        for hour, text in enumerate(("valve set 22 psi", "chill 36F"))
    )
    entries = read_log(written(tmp_path, HEADER + rows)).vessels["north"].entries
    assert [entry.text for entry in entries] == ["valve set 1.52 bar", "chill 2.2 °C"]


def test_a_header_met_again_is_no_damage(tmp_path: Path) -> None:
    """Logs that were simply put one behind the other are read."""
    one = "\ufeff" + HEADER + "2026-03-01T06:00:00Z,north,pressure,1.5,bar\n"
    log = read_log(written(tmp_path, one + one.replace("06:00", "07:00")))
    assert (len(log.vessels["north"]), log.bad_rows.total) == (2, 0)


def test_a_gzip_file_that_breaks_off_gives_what_it_holds(tmp_path: Path) -> None:
    """What could be unpacked is used and the break is told."""
    rows = "".join(f"2026-03-01T06:{n // 60:02}:{n % 60:02}Z,north,pressure,{n},kPa\n" for n in range(3600))
    whole = gzip.compress((HEADER + rows).encode())
    log = read_log(written(tmp_path, whole[: len(whole) // 2], "north.csv.gz"))
    assert 100 < len(log.vessels["north"]) < 3600
    assert log.bad_rows.by_reason[BadRow.CUT_OFF] == 1


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "is empty"),
        (HEADER.encode(), "holds no row that can be used"),
        (b"a,b,c\n1,2,3\n", "--map"),
        (b"\x89PNG\r\n\x1a\n" + bytes(100), "first line"),
        (HEADER.encode("utf-16"), "UTF-16"),
        (b"\x1f\x8bnot gzip at all", "can't be read"),
        (HEADER.encode() + b"x,y\n" * 3, "3 bad rows, the first: line 2"),
    ],
)
def test_what_is_no_log_is_refused_in_one_sentence(tmp_path: Path, content: bytes, says: str) -> None:
    """The error names the file and what is wrong with it."""
    path = written(tmp_path, content)
    with pytest.raises(DataError, match=says) as caught:
        read_log(path)
    assert caught.value.subject == str(path)
    assert "\n" not in str(caught.value)


def test_a_file_that_is_not_there_is_refused_in_one_sentence(tmp_path: Path) -> None:
    """A missing file and a folder are told apart."""
    with pytest.raises(DataError, match="no such file"):
        read_log(tmp_path / "none.csv")
    with pytest.raises(DataError, match="is a folder"):
        read_log(tmp_path)


def test_an_endless_line_costs_one_row_and_no_memory(tmp_path: Path) -> None:
    """A line of megabytes is refused as too long; the rows around it are read."""
    row = "2026-03-01T06:00:0{}Z,north,pressure,1.5,bar\n"
    path = written(tmp_path, HEADER + row.format(0) + "x" * 5_000_000 + "\n" + row.format(1))
    log = read_log(path)
    assert len(log.vessels["north"]) == 2
    assert log.bad_rows.first[0][0] == 3
    assert (log.bad_rows.by_reason, log.lines) == ({BadRow.LENGTH: 1}, 4)


def test_progress_rises_to_the_end(tmp_path: Path) -> None:
    """The share of the file that was read never falls and ends at 1."""
    rows = "".join(f"2026-03-01T06:00:00.{n:06}Z,north,pressure,1.5,bar\n" for n in range(100_000))
    seen: list[float] = []
    read_log(written(tmp_path, HEADER + rows), progress=seen.append)
    assert len(seen) > 2
    assert seen == sorted(seen)
    assert seen[-1] == 1.0


WIDE = "time;temp_c;p;note\n2026-03-01T06:00:00Z;20.5;251.325;\n2026-03-01T06:01:00Z;;252.325;valve shut\n"


def test_a_wide_file_is_read_by_column_map(tmp_path: Path) -> None:
    """Columns, units and absolute pressure are as the map declares; empty cells give no reading."""
    columns = ColumnMap.parse(
        "time=time,temperature=temp_c:Cel,pressure=p:kPa:absolute,journal=note", vessel="north"
    )
    north = read_log(written(tmp_path, WIDE), columns=columns).vessels["north"]
    assert north.kind.tolist() == [0, 1, 1]
    assert north.value.tolist() == pytest.approx([20.5, 1.5, 1.51])
    assert [entry.text for entry in north.entries] == ["valve shut"]


def test_a_wide_file_may_count_unix_time(tmp_path: Path) -> None:
    """Unix seconds and milliseconds are read as declared."""
    for unit, text in (("s", "1772344800.5"), ("ms", "1772344800500")):
        path = written(tmp_path, f"t,p\n{text},1.5\n+{text},1.5\n")
        columns = ColumnMap.parse(f"time=t:{unit},pressure=p", vessel="north")
        north = read_log(path, columns=columns).vessels["north"]
        assert north.time_s.tolist() == [1772344800.5]
        assert north.repeated == 1


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("temperature=t", "does not name time"),
        ("time=t", "does not name any quantity"),
        ("time=t,temp=x", "is none of"),
        ("time=t,pressure=p:psi", r"did you mean '\[psi\]'"),
        ("time=t,temperature=x:Cel:absolute", "can't be absolute"),
        ("time=t,pressure=p:bar:vacuum", "neither gauge nor absolute"),
        ("time=t,pressure", "is not quantity=column:unit"),
        ("time=t,time=u,pressure=p", "twice"),
        ("time=t,pressure=p,pressure=q", "twice"),
        ("time=t:h,pressure=p", "time unit"),
    ],
)
def test_a_map_that_can_not_be_right_is_refused(text: str, says: str) -> None:
    """The sentence says which part is wrong."""
    with pytest.raises(ConfigError, match=says):
        ColumnMap.parse(text, vessel="north")


def test_a_map_must_fit_the_file(tmp_path: Path) -> None:
    """A column that the file lacks is refused with the nearest that it has."""
    with pytest.raises(ConfigError, match="did you mean 'temp_c'"):
        read_log(
            written(tmp_path, WIDE), columns=ColumnMap.parse("time=time,temperature=temp_C", vessel="north")
        )
    with pytest.raises(ConfigError, match="--vessel"):
        ColumnMap.parse("time=time,temperature=temp_c", vessel="")


# --- the fast path against the strict one ---------------------------------------------------------------------


def strictly(data: bytes, strict: LongRowParser | WideRowParser, names: list[str]) -> RecordedLog:
    """Read the records of a file one by one, without the fast path."""
    gatherer = Gatherer()
    blocks = LineBlocks(io.BytesIO(data))
    for number, block in enumerate(blocks):
        block = block.without_first() if number == 0 else block
        parsed: list[tuple[int, Reading]] = []
        for index in range(len(block.start)):
            outcome = strict.parse(block.record(index))
            if isinstance(outcome, Refused):
                gatherer.bad.note(int(block.line[index]), outcome.reason, outcome.sentence)
            else:
                parsed.extend((index, reading) for reading in outcome)
        nothing = np.empty(0, np.int64)
        none = Plain(
            row=nothing,
            vessel=nothing,
            kind=np.empty(0, np.uint8),
            time_s=np.empty(0),
            value=np.empty(0),
            names=names,
            done=np.zeros(len(block.start), bool),
        )
        gatherer.add(block, none, parsed)
    return gatherer.result(blocks.lines)


def assert_same(one: RecordedLog, other: RecordedLog) -> None:
    assert list(one.vessels) == list(other.vessels)
    assert one.bad_rows == other.bad_rows
    assert one.lines == other.lines
    for name, log in one.vessels.items():
        twin = other.vessels[name]
        assert log.time_s.tobytes() == twin.time_s.tobytes()
        assert log.kind.tobytes() == twin.kind.tobytes()
        assert log.value.tobytes() == twin.value.tobytes()
        assert (log.entries, log.repeated, log.contradicting) == (
            twin.entries,
            twin.repeated,
            twin.contradicting,
        )


TIMES = st.builds(
    lambda moment, fraction, zone: moment.strftime("%Y-%m-%dT%H:%M:%S") + fraction + zone,
    st.datetimes(datetime(1969, 12, 30), datetime(2201, 1, 2)),
    st.sampled_from(["", "", "", ".5", ".25", ".123", ".123456", ".1234567", "."]),
    st.sampled_from(["Z", "Z", "z", "+01:00", "-00:00", "-11:45", "+24:00", "+01:60", ""]),
)
VALUES = st.one_of(
    st.floats(-50, 300).map(lambda x: f"{x:.3f}"),
    st.floats().map(repr),
    st.integers(-(10**12), 10**12).map(str),
    st.sampled_from(
        ["", "-", ".", "-.", ".5", "5.", "-0", "-0.0", "+1", "1e3", "1E-3", "nan", "inf", "1_0", "１"]
    ),
    st.text("0123456789.-+e ", max_size=26),
)
ROWS = st.one_of(
    st.builds(
        ",".join,
        st.tuples(
            TIMES,
            st.sampled_from(
                ["north", "south", " north", "a-vessel-with-a-name-of-more-than-forty-letters", "nörd", ""]
            ),
            st.sampled_from(["temperature", "pressure", "gravity", "journal", "Pressure", "level"]),
            VALUES,
            st.sampled_from(
                ["Cel", "[degF]", "K", "bar", "mbar", "kPa", "Pa", "hPa", "[psi]", "", " bar", "furlongs"]
            ),
        ),
    ),
    st.text('0123456789TZ:-,." \r\0é', max_size=40),
    st.sampled_from(
        ["", "time,vessel,quantity,value,unit", '2026-03-01T06:00:01Z,north,journal,"two', 'lines",']
    ),
)


@st.composite
def damaged_files(draw: st.DrawFn) -> bytes:
    """Draw a file of plausible rows, some of them spoilt byte by byte."""
    rows = draw(st.lists(ROWS, max_size=30))
    data = bytearray("\n".join(rows).encode())
    for _ in range(draw(st.integers(0, 4))):
        if data:
            place = draw(st.integers(0, len(data) - 1))
            data[place : place + draw(st.integers(0, 3))] = draw(st.binary(max_size=3))
    return HEADER.encode() + bytes(data)


def read_fast(data: bytes, block_bytes: int = 1 << 20) -> RecordedLog:
    gatherer = Gatherer()
    reader = recorded_log._Reader(LongColumns(), LongRowParser())
    blocks = LineBlocks(io.BytesIO(data), block_bytes)
    for number, block in enumerate(blocks):
        reader.read(block.without_first() if number == 0 else block, gatherer)
    return gatherer.result(blocks.lines)


@settings(max_examples=400, deadline=None)
@given(damaged_files())
def test_fast_is_strict(data: bytes) -> None:
    """Whatever the file, the fast path gives the strict parser's log to the last bit, and the same bad rows."""
    assert_same(read_fast(data), strictly(data, LongRowParser(), []))


@settings(max_examples=100, deadline=None)
@given(damaged_files(), st.integers(64, 300))
def test_block_borders_change_nothing(data: bytes, block_bytes: int) -> None:
    """A file read in blocks of a few dozen bytes is the same log."""
    assert_same(read_fast(data, block_bytes), read_fast(data))


@settings(max_examples=150, deadline=None)
@given(
    st.lists(
        st.one_of(
            st.builds(
                ";".join,
                st.tuples(TIMES, VALUES, VALUES, st.sampled_from(["", "", "", "fined 15", '"a;b"'])),
            ),
            st.text('0123456789TZ:-;." é', max_size=40),
        ),
        max_size=20,
    )
)
def test_wide_fast_is_wide_strict(rows: list[str]) -> None:
    """Wide files, too, read the same both ways."""
    columns = ColumnMap.parse(
        "time=time,temperature=t:[degF],pressure=p:kPa:absolute,journal=note", vessel="north"
    )
    names = ["time", "t", "p", "note"]
    data = ("time;t;p;note\n" + "\n".join(rows)).encode()
    parser = WideRowParser(columns, names, ";")
    gatherer = Gatherer()
    reader = recorded_log._Reader(WideColumns(parser), parser)
    blocks = LineBlocks(io.BytesIO(data))
    for number, block in enumerate(blocks):
        reader.read(block.without_first() if number == 0 else block, gatherer)
    assert_same(gatherer.result(blocks.lines), strictly(data, parser, ["north"]))


def test_plain_decimals_are_read_as_float_reads_them() -> None:
    """A hundred thousand decimals of every length equal Python's own correctly rounded conversion."""
    draw = random.Random(20260301)
    texts = [
        f"{draw.choice(['', '-'])}{draw.randrange(10 ** draw.randrange(1, 8))}.{draw.randrange(10**places):0{places}}"
        for places in (draw.randrange(1, 12) for _ in range(100_000))
    ]
    block, start, stop = placed([text.encode() for text in texts])
    value, sure = read_decimals(words_of(block), block, start, stop)
    assert sure.all()
    assert value.tolist() == [float(text) for text in texts]


def test_full_doubles_are_read_back_to_the_last_bit() -> None:
    """Shortest digits of doubles, and decimals beside the middle of two doubles, come out as `float()` has them."""
    draw = random.Random(20260302)
    doubles = [draw.uniform(-50, 300) for _ in range(50_000)]
    middles = [
        str(Decimal(math.nextafter(x, 999)) / 2 + Decimal(x) / 2)[: draw.randrange(15, 24)] for x in doubles
    ]
    for texts, share in (([repr(x) for x in doubles], 1.0), (middles, 0.5)):
        block, start, stop = placed([text.encode() for text in texts])
        value, sure = read_decimals(words_of(block), block, start, stop)
        assert sure.mean() >= share
        assert value[sure].tolist() == [float(text) for text, it in zip(texts, sure, strict=True) if it]


@settings(max_examples=200, deadline=None)
@given(st.lists(TIMES.map(str.encode), min_size=1, max_size=20))
def test_times_are_read_as_the_strict_parser_reads_them(texts: list[bytes]) -> None:
    """Where the fast path is sure it is right, and it is sure of the common layouts."""
    block, start, stop = placed(texts)
    time_s, sure = read_times(words_of(block), start, stop)
    for text, value, certain in zip(texts, time_s.tolist(), sure.tolist(), strict=True):
        if certain:
            assert value == parse_rfc3339(text.decode())
        elif len(text) == 20 and text.endswith(b"Z") and b"1970" < text[:4] < b"2200":
            assert b"T" not in text or parse_rfc3339(text.decode()) is None


def test_every_day_of_the_calendar_is_read() -> None:
    """The dates of 230 years, leap years of all kinds among them, equal the standard library's calendar."""
    days = [datetime.fromordinal(n).replace(tzinfo=UTC) for n in range(719_163, 803_168)]
    block, start, stop = placed([day.strftime("%Y-%m-%dT%H:%M:%SZ").encode() for day in days])
    time_s, sure = read_times(words_of(block), start, stop)
    assert sure.all()
    assert time_s.tolist() == [day.timestamp() for day in days]


def test_more_groups_than_are_kept_are_still_read(tmp_path: Path) -> None:
    """Thousands of vessels in one file, more than the fast path remembers, are all there."""
    rows = "".join(f"2026-03-01T06:00:00Z,v{n},pressure,1.5,bar\n" for n in range(6000))
    log = read_log(written(tmp_path, HEADER + rows + rows))
    assert len(log.vessels) == 6000
    assert list(log.vessels)[:3] == ["v0", "v1", "v2"]
    assert {(len(v), v.repeated) for v in log.vessels.values()} == {(1, 1)}


def test_open_quotes_do_not_swallow_the_file() -> None:
    """Stray quotation marks in many rows cost those rows alone, and the reader ends."""
    good = "2026-03-01T06:00:00Z,v{},pressure,1.5,bar\n"
    spoilt = '2026-03-01T06:00:00Z,north,journal,"open,\n'
    data = HEADER + "".join(good.format(n) + (spoilt if n % 50 == 0 else "") for n in range(500))
    log = read_fast(data.encode(), 200)
    assert len(log.vessels) == 500
    assert log.bad_rows.by_reason == {BadRow.TEXT: 10}
    longest = HEADER + spoilt + "x" * (3 * LONGEST_RECORD_BYTES)
    assert read_fast(longest.encode(), 100).bad_rows.total == 2
