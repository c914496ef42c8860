"""The log writer, with the reader as its mirror, and logs played as if live."""

import csv
import gzip
import io
import math
import threading
from collections import defaultdict
from pathlib import Path
from tempfile import TemporaryDirectory

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ullage.adapters.errors import DataError
from ullage.adapters.log_format import KIND_OF
from ullage.adapters.log_writer import write_log
from ullage.adapters.reading import Delivery, Quantity, Reading
from ullage.adapters.recorded_log import read_log
from ullage.adapters.recorded_source import RecordedLogSettings, RecordedLogSource
from ullage.daemon.clock import ManualClock, SystemClock

START_S = 1_772_344_800.0
ROWS = [
    Reading("north", Quantity.JOURNAL, START_S, 0.0, "pitched"),
    Reading("north", Quantity.TEMPERATURE, START_S, 20.0625),
    Reading("north", Quantity.PRESSURE, START_S + 0.25, 0.1 + 0.2),
    Reading("south", Quantity.GRAVITY, START_S + 60, 1.048),
    Reading("north", Quantity.JOURNAL, START_S + 61, 0.0, 'tasted: "clean", dry'),
]
EXPECTED = """\
time,vessel,quantity,value,unit
2026-03-01T06:00:00Z,north,journal,pitched,
2026-03-01T06:00:00Z,north,temperature,20.0625,Cel
2026-03-01T06:00:00.250Z,north,pressure,0.30000000000000004,bar
2026-03-01T06:01:00Z,south,gravity,1.048,
2026-03-01T06:01:01Z,north,journal,"tasted: ""clean"", dry",
"""

TEXTS = st.text(
    st.characters(blacklist_categories=["Cs"], blacklist_characters="\0"), min_size=1, max_size=60
).filter(lambda text: bool(text.strip()) and text.count("\n") < 30)
NAMES = st.text(st.characters(blacklist_categories=["Cs", "Cc"]), min_size=1, max_size=50).filter(
    lambda name: name == name.strip() and name.isprintable()
)


def test_the_air_around_a_vessel_keeps_to_the_words_of_the_format() -> None:
    """Quantities are four: air is the temperature of `north/air`, and comes back as the vessel's own."""
    rows = [
        Reading("north", Quantity.PRESSURE, START_S, 1.2),
        Reading("north", Quantity.AIR_TEMPERATURE, START_S, 4.5),
        Reading("north", Quantity.TEMPERATURE, START_S + 60, 18.0),
        Reading("south", Quantity.AIR_TEMPERATURE, START_S + 60, 5.0),
    ]
    text = io.StringIO()
    write_log(text, rows)
    assert [line.split(",")[1:3] for line in text.getvalue().splitlines()[1:]] == [
        ["north", "pressure"],
        ["north/air", "temperature"],
        ["north", "temperature"],
        ["south/air", "temperature"],
    ]
    with TemporaryDirectory() as folder:
        path = Path(folder, "log.csv")
        path.write_text(text.getvalue())
        log = read_log(path)
    assert list(log.vessels) == ["north", "south"]
    codes = [KIND_OF[row.quantity] for row in rows]
    assert sorted(log.vessels["north"].kind.tolist()) == sorted(codes[:3])
    assert log.vessels["south"].kind.tolist() == codes[3:]


def test_a_name_with_air_that_says_more_than_temperatures_is_a_vessel() -> None:
    """A log from elsewhere may call a vessel so."""
    with TemporaryDirectory() as folder:
        path = Path(folder, "log.csv")
        path.write_text(
            "time,vessel,quantity,value,unit\n"
            "2026-03-01T06:00:00Z,hot/air,temperature,20,Cel\n"
            "2026-03-01T06:00:00Z,hot/air,pressure,1,bar\n"
        )
        assert list(read_log(path).vessels) == ["hot/air"]


def test_a_vessel_that_is_called_like_air_can_not_be_written() -> None:
    """It would come back as another's air."""
    with pytest.raises(DataError, match="air around a vessel"):
        write_log(io.StringIO(), [Reading("north/air", Quantity.PRESSURE, START_S, 1.2)])


@st.composite
def readings(draw: st.DrawFn) -> Reading:
    """Draw a reading with a time that is a whole number of milliseconds, as the format keeps it."""
    milliseconds = draw(st.integers(0, 4_102_444_800_000))
    time_s = milliseconds // 1000 + milliseconds % 1000 / 1000
    quantity = draw(st.sampled_from(list(Quantity)))
    if quantity is Quantity.JOURNAL:
        return Reading(draw(NAMES), quantity, time_s, 0.0, draw(TEXTS).strip())
    return Reading(draw(NAMES), quantity, time_s, draw(st.floats(allow_nan=False, allow_infinity=False)))


def test_rows_are_written_as_the_format_says() -> None:
    """Header, UTC stamps, shortest digits, canonical units, quotation by RFC 4180."""
    stream = io.StringIO()
    assert write_log(stream, ROWS) == 5
    assert stream.getvalue() == EXPECTED


def test_a_path_ending_in_gz_is_compressed_the_same_way_each_time(tmp_path: Path) -> None:
    """The suffix decides, and the same rows give the same bytes."""
    plain, packed, again = (tmp_path / name for name in ("a.csv", "b.csv.gz", "c.csv.gz"))
    for path in (plain, packed, again):
        write_log(path, ROWS)
    assert plain.read_text() == gzip.decompress(packed.read_bytes()).decode() == EXPECTED
    assert packed.read_bytes() == again.read_bytes()


def test_another_csv_reader_agrees(tmp_path: Path) -> None:
    """pandas, an independent reader, finds the same columns and values."""
    write_log(tmp_path / "a.csv", ROWS)
    frame = pd.read_csv(tmp_path / "a.csv", keep_default_na=False)
    assert frame["value"].tolist() == [
        "pitched",
        "20.0625",
        "0.30000000000000004",
        "1.048",
        'tasted: "clean", dry',
    ]
    stamps = [pd.Timestamp(text).timestamp() for text in frame["time"]]
    assert stamps == [row.time_s for row in ROWS]


@settings(max_examples=200, deadline=None)
@given(st.lists(readings(), min_size=1, max_size=20), st.sampled_from(["a.csv", "a.csv.gz"]))
def test_what_is_written_is_read_back(rows: list[Reading], name: str) -> None:
    """Reading a written log gives every reading and entry back, to the last bit."""
    with TemporaryDirectory() as folder:
        path = Path(folder, name)
        write_log(path, rows)
        log = read_log(path)
    assert log.bad_rows.total == 0
    wanted: dict[str, dict[tuple[Quantity, float], float]] = defaultdict(dict)
    entries: dict[str, set[tuple[float, str]]] = defaultdict(set)
    for row in rows:
        if row.quantity is Quantity.JOURNAL:
            entries[row.vessel].add((row.time_s, row.text))
        else:
            wanted[row.vessel].setdefault((row.quantity, row.time_s), row.value)
    assert list(log.vessels) == list(dict.fromkeys(row.vessel for row in rows))
    quantity_of = {code: quantity for quantity, code in KIND_OF.items()}
    for vessel, held in log.vessels.items():
        columns = zip(held.kind.tolist(), held.time_s.tolist(), held.value.tolist(), strict=True)
        assert {(quantity_of[kind], time_s): value for kind, time_s, value in columns} == wanted[vessel]
        assert {(entry.time_s, entry.text) for entry in held.entries} == entries[vessel]


@pytest.mark.parametrize(
    "row",
    [
        Reading("north", Quantity.PRESSURE, START_S, math.nan),
        Reading("north", Quantity.PRESSURE, START_S, math.inf),
        Reading(" north", Quantity.PRESSURE, START_S, 1.0),
        Reading("nor\nth", Quantity.PRESSURE, START_S, 1.0),
        Reading("north", Quantity.PRESSURE, math.inf, 1.0),
        Reading("north", Quantity.JOURNAL, START_S, 0.0, "  "),
        Reading("north", Quantity.JOURNAL, START_S, 0.0, "x\n" * 40 + "x"),
    ],
)
def test_a_row_that_could_not_be_read_back_is_refused(row: Reading) -> None:
    """Nothing is written that the reader would refuse."""
    with pytest.raises(DataError):
        write_log(io.StringIO(), [row])


def test_a_path_that_can_not_be_written_is_told_in_one_sentence(tmp_path: Path) -> None:
    """A folder that is not there is a sentence with the path."""
    with pytest.raises(DataError, match="can't be written"):
        write_log(tmp_path / "none" / "a.csv", ROWS)


class Collector:
    """Takes deliveries; lets a test wait for a number of readings."""

    def __init__(self) -> None:
        self.readings: list[Reading] = []
        self._more = threading.Condition()

    def __call__(self, delivery: Delivery) -> None:
        with self._more:
            self.readings.extend(delivery.readings)
            self._more.notify_all()

    def wait_for(self, count: int, timeout_s: float = 20.0) -> bool:
        with self._more:
            return self._more.wait_for(lambda: len(self.readings) >= count, timeout_s)


def test_a_log_plays_all_its_rows_in_the_order_of_time(tmp_path: Path) -> None:
    """At speed 0 everything comes at once, vessels merged, entries in their places."""
    write_log(tmp_path / "a.csv", reversed(ROWS))
    source = RecordedLogSource(
        "trial", RecordedLogSettings(path=tmp_path / "a.csv", speed=0), (), SystemClock()
    )
    taken = Collector()
    source.start(taken)
    assert taken.wait_for(5)
    source.stop()
    assert not source.alive()
    assert sorted(map(repr, taken.readings)) == sorted(map(repr, ROWS))
    assert [row.time_s for row in taken.readings] == sorted(row.time_s for row in ROWS)


def test_a_log_keeps_the_pace_and_may_be_moved_to_now(tmp_path: Path) -> None:
    """Rows come when their time has come on the clock, shifted so that the first is read now."""
    write_log(tmp_path / "a.csv", ROWS)
    clock = ManualClock(wall_s=2e9, monotonic_s=5.0)
    told = RecordedLogSettings(path=tmp_path / "a.csv", speed=60, as_if_now=True)
    source = RecordedLogSource("trial", told, (), clock)
    taken = Collector()
    source.start(taken)
    assert taken.wait_for(2)
    assert not taken.wait_for(3, timeout_s=0.2)
    clock.advance(0.9)
    assert taken.wait_for(3)
    assert not taken.wait_for(4, timeout_s=0.2)
    clock.advance(0.9)
    assert taken.wait_for(5)
    source.stop()
    assert [row.time_s - 2e9 for row in taken.readings] == pytest.approx([0, 0, 0.25, 60, 61])


@pytest.mark.parametrize(
    "keys", [{"speed": -1.0}, {"speed": math.inf}, {"map": "time=t,pressure=p"}, {"vessel": "x"}]
)
def test_settings_that_can_not_be_right_are_refused(keys: dict[str, object]) -> None:
    """Speeds below 0 and half a column map are refused at start."""
    with pytest.raises(ValueError, match=r"speed|belong together"):
        RecordedLogSettings(path=Path("a.csv"), **keys)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "text", ["=1+1", '=HYPERLINK("http://x.example","a")', "+1", "-1+1", "@SUM(1)", "- dry, clean"]
)
def test_a_spreadsheet_runs_nothing(text: str, tmp_path: Path) -> None:
    """No field but a number begins with a sign of a formula (OWASP, CSV injection), and the log is the same when read."""
    path = tmp_path / "log.csv"
    write_log(
        path,
        [
            Reading("=north", Quantity.JOURNAL, START_S, 0.0, text),
            Reading("=north", Quantity.TEMPERATURE, START_S, -1.5),
        ],
    )
    rows = list(csv.reader(path.read_text().splitlines()))[1:]
    assert not any(field[:1] in tuple("=+-@") for row in rows for field in row if field != "-1.5")
    log = read_log(path).vessels["=north"]
    assert [entry.text for entry in log.entries] == [text]
    assert log.value.tolist() == [-1.5]
