"""Rows of a known shape are read as Python's own float and datetime read them; what only looks alike is left alone."""

import io
import random
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from ullage.adapters.log_blocks import Block, LineBlocks
from ullage.adapters.log_fast import LongColumns
from ullage.adapters.log_format import HEADER, KIND_OF
from ullage.adapters.log_rows import LongRowParser, Refused
from ullage.adapters.log_shapes import FEW_ROWS, Shape, Shapes

BEGAN = datetime(2026, 2, 28, 23, 40, tzinfo=UTC)
LAYOUTS = ["Z", "z", ".250Z", ".123456+05:45", "+01:00", "-00:30", ".5Z"]


def log(draw: random.Random, layout: str, places: int, damaged: float = 0.0, seconds: int = 1500) -> bytes:
    """Draw a log whose rows have few shapes; a share of them is damaged by a character."""
    lines = [",".join(HEADER)]
    for second in range(seconds):
        stamp = (BEGAN + timedelta(seconds=second)).isoformat()[:19] + layout
        lines.append(f"{stamp},north 2,temperature,{draw.uniform(-12, 31):.{places}f},Cel")
        lines.append(f"{stamp},north 2,pressure,{draw.uniform(0, 260):.{places}f},bar")
        if draw.random() < damaged:
            line = lines[-draw.randrange(1, 3)]
            place = draw.randrange(len(line))
            lines[-1] = line[:place] + draw.choice('0123456789TZ:-+.," xé') + line[place + 1 :]
    return "\n".join(lines).encode()


def blocks(data: bytes, block_bytes: int = 1 << 14) -> Iterator[Block]:
    """Cut a log into blocks, header left out."""
    for number, block in enumerate(LineBlocks(io.BytesIO(data), block_bytes)):
        yield block if number else block.without_first()


@pytest.mark.parametrize("layout", LAYOUTS)
def test_values_are_float_s_and_times_are_datetime_s(layout: str) -> None:
    """Every row equals what the standard library makes of its fields, to the last bit."""
    reader = LongColumns()
    for places in range(5):
        for block in blocks(log(random.Random(places), layout, places)):
            plain = reader.read(block)
            assert plain.done.all()
            fields = [block.record(index).decode().split(",") for index in range(len(block.start))]
            assert plain.value.tolist() == [float(row[3]) for row in fields]
            assert plain.time_s.tolist() == [
                datetime.fromisoformat(row[0].replace("z", "Z")).timestamp() for row in fields
            ]


@pytest.mark.parametrize("seed", range(20))
def test_damage_is_never_read_as_the_shape_that_it_was(seed: int) -> None:
    """With every fifth row spoilt, each row that is read says what the strict parser says of it."""
    draw = random.Random(seed)
    reader, strict = LongColumns(), LongRowParser()
    for block in blocks(log(draw, draw.choice(LAYOUTS), draw.randrange(5), damaged=0.2)):
        plain = reader.read(block)
        columns = zip(
            plain.row.tolist(), plain.time_s.tolist(), plain.kind.tolist(), plain.value.tolist(), strict=True
        )
        for row, time_s, kind, value in columns:
            outcome = strict.parse(block.record(row))
            assert not isinstance(outcome, Refused), block.record(row)
            (reading,) = outcome
            assert (reading.time_s, KIND_OF[reading.quantity], reading.value) == (time_s, kind, value)
        assert plain.done.sum() > 0.7 * len(block.start)


def test_nearly_all_rows_of_an_even_log_are_read_by_shape() -> None:
    """From the third block on, only lengths that are rare or new are left to the general way."""
    shapes, left, count = Shapes(), 0, 0
    for number, block in enumerate(blocks(log(random.Random(3), "Z", 3, seconds=6000), 1 << 17)):
        rows = len(block.start)
        group = np.full(rows, -1)
        rest = shapes.read(block, np.empty(rows), np.empty(rows), group)
        shapes.learn(block, rest, np.zeros(len(rest), np.int64))
        if number > 1:
            left, count = left + len(rest), count + rows
    assert left < 0.06 * count


def test_rows_of_one_length_that_never_fit_cost_no_more_looks() -> None:
    """A shape that few rows of its length have is let go, and there is an end to learning."""
    names = [f"tank {number:02}" for number in range(40)]
    lines = [",".join(HEADER)]
    for second in range(200):
        stamp = (BEGAN + timedelta(seconds=second)).isoformat()[:19]
        lines += [f"{stamp}Z,{name},pressure,1.{second:03},bar" for name in names]
    shapes = Shapes()
    for block in blocks("\n".join(lines).encode()):
        group = np.full(len(block.start), -1)
        rest = shapes.read(block, np.empty(len(group)), np.empty(len(group)), group)
        assert len(rest) >= len(group) - FEW_ROWS
        shapes.learn(block, rest, np.zeros(len(rest), np.int64))
    assert len(shapes._shapes) <= 1


@pytest.mark.parametrize(
    "record",
    [
        b"2026-03-01T06:00:00Z,north,pressure,1.23456789,bar",  # more digits than a word holds
        b"2026-03-01T06:00:00Z,north,pressure,1e3,bar",
        b"2026-03-01T06:00:00Z,north,pressure,.,bar",
        b"2026-03-01T06:00:00Z,north,pressure,,bar",
        b'2026-03-01T06:00:00Z,"north",pressure,1.5,bar',
        b"2026-03-01T06:00:00.1234567Z,north,pressure,1.5,bar",
        b"2026-03-01 06:00:00Z,north,pressure,1.5,bar",
        b"2026-03-01T06:00:00Z," + b"n" * 100 + b",pressure,1.5,bar",
    ],
)
def test_what_is_out_of_the_ordinary_has_no_shape(record: bytes) -> None:
    """Such rows stay with the general way."""
    assert Shape.of(record, 0) is None
