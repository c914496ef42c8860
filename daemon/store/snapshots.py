"""The detectors' state, one piece per vessel, so that a restart goes on where it left off."""

import zlib
from collections.abc import Mapping
from dataclasses import dataclass

import sqlalchemy as sa

from ullage.daemon.store.columns import to_ms
from ullage.daemon.store.readings import ensure_vessels
from ullage.daemon.store.schema import detector_snapshot, vessel


@dataclass(frozen=True, slots=True, kw_only=True)
class Snapshot:
    """State as it was saved; use it only if the fingerprint (of program and settings) is still the same."""

    saved_s: float
    fingerprint: str
    payload: bytes


def save(
    connection: sa.Connection, vessel_name: str, *, saved_s: float, fingerprint: str, payload: bytes
) -> None:
    """Put the state in place of the last one."""
    vessel_id = ensure_vessels(connection, [vessel_name])[vessel_name]
    values = {"saved_ms": to_ms(saved_s), "fingerprint": fingerprint, "payload": zlib.compress(payload)}
    place = detector_snapshot.c.vessel_id == vessel_id
    if connection.execute(detector_snapshot.update().where(place).values(values)).rowcount == 0:
        connection.execute(detector_snapshot.insert().values(vessel_id=vessel_id, **values))


def load_all(connection: sa.Connection, ids: Mapping[str, int]) -> dict[str, Snapshot]:
    """Return the states of several vessels, those that there are and that are whole."""
    names = {key: name for name, key in ids.items()}
    query = sa.select(detector_snapshot).where(detector_snapshot.c.vessel_id.in_(sorted(names)))
    found = {names[row.vessel_id]: _whole(row) for row in connection.execute(query)}
    return {name: snapshot for name, snapshot in found.items() if snapshot is not None}


def load(connection: sa.Connection, vessel_name: str) -> Snapshot | None:
    """Return the state, or None if there is none that is whole."""
    row = connection.execute(
        sa.select(detector_snapshot)
        .join(vessel, vessel.c.id == detector_snapshot.c.vessel_id)
        .where(vessel.c.name == vessel_name)
    ).first()
    return None if row is None else _whole(row)


def _whole(row: "sa.Row[tuple[object, ...]]") -> Snapshot | None:
    try:
        payload = zlib.decompress(row.payload)
    except zlib.error:
        return None
    return Snapshot(saved_s=row.saved_ms / 1000, fingerprint=row.fingerprint, payload=payload)
