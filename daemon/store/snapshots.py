"""The detectors' state, one piece per vessel, so that a restart goes on where it left off."""

import zlib
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


def load(connection: sa.Connection, vessel_name: str) -> Snapshot | None:
    """Return the state, or None if there is none that is whole."""
    row = connection.execute(
        sa.select(detector_snapshot)
        .join(vessel, vessel.c.id == detector_snapshot.c.vessel_id)
        .where(vessel.c.name == vessel_name)
    ).first()
    if row is None:
        return None
    try:
        payload = zlib.decompress(row.payload)
    except zlib.error:
        return None
    return Snapshot(saved_s=row.saved_ms / 1000, fingerprint=row.fingerprint, payload=payload)
