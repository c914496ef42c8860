"""Columns packed into bytes."""

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ullage.daemon.store import codec
from ullage.daemon.store.columns import Column
from ullage.detectors.samples import FloatArray

times = st.lists(st.integers(-(2**52), 2**52), unique=True, max_size=80).map(sorted)
steady = st.tuples(st.integers(0, 2**42), st.lists(st.integers(1, 2000), max_size=200)).map(
    lambda start: np.cumsum([start[0], *start[1]]).tolist()
)
anything = st.floats(width=64, allow_nan=True, allow_infinity=True)
decimals = st.integers(0, 6).flatmap(
    lambda places: st.integers(-(10**7), 10**7).map(lambda whole: whole / 10**places)
)
counts = st.integers(0, 4095).map(lambda whole: whole * 0.000805664 - 0.3)


def _bits(value: FloatArray) -> list[int]:
    found: list[int] = value.view(np.int64).tolist()
    return found


@settings(deadline=None)
@given(st.data(), st.one_of(times, steady), st.sampled_from([anything, decimals, counts]))
def test_every_bit_comes_back(
    data: st.DataObject, time_ms: list[int], values: st.SearchStrategy[float]
) -> None:
    """Whatever the times and values, infinities, NaN and negative zero included, they return bit for bit."""
    value = data.draw(st.lists(values, min_size=len(time_ms), max_size=len(time_ms)))
    column = Column(np.array(time_ms, np.int64), np.array(value, np.float64))
    found = codec.unpack(codec.pack(column))
    assert found.time_ms.tolist() == time_ms
    assert _bits(found.value) == _bits(column.value)


@settings(deadline=None)
@given(
    st.lists(st.tuples(st.integers(1, 2**40), st.integers(0, 2), steady), max_size=6),
    st.sampled_from([codec.pack_channels, codec.plain_channels]),
)
def test_channels_come_back_each_by_itself(
    found: list[tuple[int, int, list[int]]], pack: Callable[[list[tuple[int, int, Column]]], bytes]
) -> None:
    """Several channels in one piece return in order, and one vessel's can be had alone."""
    channels = [
        (v, k, Column(np.array(t, np.int64), np.arange(len(t), dtype=np.float64) / 8)) for v, k, t in found
    ]
    data = pack(channels)
    assert [(v, k, c.time_ms.tolist()) for v, k, c in codec.unpack_channels(data)] == found
    for vessel, _, _ in found:
        alone = list(codec.unpack_channels(data, vessel))
        assert [c.time_ms.tolist() for _, _, c in alone] == [t for v, _, t in found if v == vessel]


@settings(deadline=None)
@given(st.integers(0, 10**6), st.integers(1, 255))
def test_damage_is_noticed(place: int, change: int) -> None:
    """A byte that has changed anywhere is an error and never a wrong reading."""
    column = Column(np.arange(500, dtype=np.int64) * 1000, np.round(np.sin(np.arange(500.0)), 3))
    data = bytearray(codec.pack(column))
    data[place % len(data)] ^= change
    try:
        found = codec.unpack(bytes(data))
    except codec.Damaged:
        return
    # zlib ignores a few bits of its own header; what comes out must be right all the same
    assert found.time_ms.tolist() == column.time_ms.tolist()
    assert _bits(found.value) == _bits(column.value)


def test_a_piece_cut_short_is_damaged() -> None:
    """Half a piece, and none at all, are refused."""
    data = codec.pack(Column(np.arange(50, dtype=np.int64), np.arange(50.0)))
    for part in (data[: len(data) // 2], b"", b"\x63" + data[1:]):
        with pytest.raises(codec.Damaged):
            codec.unpack(part)


@pytest.mark.parametrize(
    ("scale", "limit"),
    [(1.0, 1.9), (0.0689475729, 2.6)],
    ids=["hundredths", "converted from psi"],
)
def test_a_noisy_second_by_second_hour_is_small(scale: float, limit: float) -> None:
    """An hour of quantised noise takes less than two bytes a reading, a converted unit little more (own figures)."""
    rng = np.random.default_rng(1)
    time_ms = (1_760_000_000_000 + np.arange(3600) * 1000 + rng.normal(0, 4, 3600)).astype(np.int64)
    value = np.round(20 + rng.normal(0, 0.03, 3600), 2) * scale
    assert len(codec.pack(Column(time_ms, value))) < limit * 3600


@settings(deadline=None)
@given(st.integers(0, 10**6), st.integers(1, 255))
def test_damage_of_what_is_plain_is_noticed(place: int, change: int) -> None:
    """The same where nothing is packed: its checksum tells, wherever the damage lies, and what is cut off, too."""
    column = Column(np.arange(20, dtype=np.int64) * 1000, np.round(np.sin(np.arange(20.0)), 3))
    whole = codec.plain_channels([(1, 0, column), (2, 1, column)])
    data = bytearray(whole)
    data[place % len(data)] ^= change
    for damaged in (bytes(data), whole[: place % len(whole)]):
        with pytest.raises(codec.Damaged):
            list(codec.unpack_channels(damaged))
