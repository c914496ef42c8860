"""Detector state as bytes and back, and nothing else."""

import contextlib
import os
import pickle

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ullage.daemon.snapshot import Saved, SnapshotRefused, dump, fingerprint, load
from ullage.detectors.proof import Proof
from ullage.detectors.registry import compose
from ullage.detectors.samples import Kind, Samples
from ullage.detectors.vessel import Vessel
from ullage.detectors.watch import VesselWatch

NORTH = Vessel(name="north", total_volume_l=23, beer_volume_l=19, rated_pressure_bar=2.5)


def block(*pressures_bar: float, from_s: float = 1_790_000_000.0) -> Samples:
    times_s = from_s + np.arange(len(pressures_bar), dtype=np.float64)
    return Samples.of(Kind.PRESSURE, times_s, np.array(pressures_bar, np.float64))


def state(watch: VesselWatch) -> Saved:
    return Saved(
        watch=watch,
        standing=(("over-pressure", "", "critical"),),
        newest_ms={"pressure": 1_790_000_000_000},
        last_entry_id=17,
        entries=((1_790_000_000_000, "valve shut"),),
    )


def test_detectors_go_on_where_they_were() -> None:
    """The first reading above the limit came before the snapshot, the second after it."""
    watch = VesselWatch(NORTH, compose({}))
    watch.update(block(*[1.0] * 3000, 2.6))
    again = load(dump(state(watch)))
    later = block(2.6, from_s=1_790_003_001.0)
    assert again.watch.update(later) == watch.update(later)
    assert again.standing == (("over-pressure", "", "critical"),)
    assert again.last_entry_id == 17
    assert again.newest_ms == {"pressure": 1_790_000_000_000}
    assert again.entries == ((1_790_000_000_000, "valve shut"),)


class Trap:
    def __reduce__(self) -> tuple[object, tuple[str]]:
        return os.system, ("exit 7",)


class Eval:
    def __reduce__(self) -> tuple[object, tuple[str]]:
        return eval, ("1",)


@pytest.mark.parametrize(
    "payload",
    [
        pickle.dumps(Trap()),
        pickle.dumps(Eval()),
        b"cos\nsystem\n(S'exit 7'\ntR.",
        b"cullage.detectors.watch\nVesselWatch.__init__.__globals__\n.",
        b"cbuiltins\ngetattr\n.",
        b"cnumpy\nload\n.",
        pickle.dumps(([], [], {}, 0, [])),
        pickle.dumps(1),
        b"",
    ],
)
def test_what_has_no_place_in_a_snapshot_is_refused(payload: bytes) -> None:
    """A database that somebody has tampered with can't make the daemon run a command."""
    with pytest.raises(SnapshotRefused):
        load(payload)


@given(st.data())
def test_damaged_snapshots_are_refused_or_read(data: st.DataObject) -> None:
    """A flipped byte never gets further than an exception of one kind."""
    payload = bytearray(dump(state(VesselWatch(NORTH))))
    at = data.draw(st.integers(0, len(payload) - 1))
    payload[at] = data.draw(st.integers(0, 255))
    with contextlib.suppress(SnapshotRefused):
        load(bytes(payload))


def test_other_settings_make_another_fingerprint() -> None:
    """A snapshot made under other settings is not used."""
    other = Vessel(name="north", total_volume_l=23, beer_volume_l=19, rated_pressure_bar=2.6)
    assert fingerprint(NORTH, compose({})) == fingerprint(NORTH, compose({}))
    assert fingerprint(NORTH, compose({})) != fingerprint(other, compose({}))


class Named:
    """Written as Python 3.11.2 writes a member of an enumeration: by the attribute's name."""

    def __init__(self, of: object, name: str) -> None:
        self.of, self.name = of, name

    def __reduce__(self) -> tuple[object, ...]:
        return getattr, (self.of, self.name)


@pytest.mark.parametrize(
    ("of", "name", "why"),
    [
        pytest.param(Proof, "WORD", "is no vessel's watch", id="a member, read as such"),
        pytest.param(Proof, "mro", "has no place", id="of an enumeration what is no member"),
        pytest.param(Kind, "__init__", "has no place", id="nor a method"),
        pytest.param(Vessel, "name", "has no place", id="of another class anything"),
    ],
)
def test_of_an_enumeration_only_members_are_looked_up(of: object, name: str, why: str) -> None:
    """Debian 12 has such a Python: its snapshots are read, and no other attribute of anything is."""
    payload = pickle.dumps((Named(of, name), (), {}, 0, ()))
    with pytest.raises(SnapshotRefused, match=why):
        load(payload)
