"""How the vessels stand, as the database has it: what `status` shows."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from ullage.adapters.reading import Quantity, Reading
from ullage.daemon.alarm_states import Alarm
from ullage.daemon.alarms import AlarmDesk
from ullage.daemon.config_vessels import WatchedVessel
from ullage.daemon.events import Event
from ullage.daemon.store.store import Store

STALE_AFTER_S = 900.0
"""Age from which a reading is called old: as long as silence is given before it is an alarm."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VesselStatus:
    """One vessel; `name` is empty for the installation itself."""

    name: str
    latest: Mapping[Quantity, Reading]
    alarms: tuple[Alarm, ...]
    shelved: tuple[tuple[str, float], ...]
    """Condition and end (Unix seconds) of each shelf."""
    notice: Event | None
    """The newest notice."""


def vessel_statuses(
    store: Store, desk: AlarmDesk, vessels: Iterable[WatchedVessel]
) -> tuple[VesselStatus, ...]:
    """Return the installation itself, then every configured vessel.

    Raises
    ------
    StoreError
        If the database refuses.
    """
    names = ["", *(watched.vessel.name for watched in vessels)]
    shelved = desk.shelved()
    return tuple(
        VesselStatus(
            name=name,
            latest=store.latest(name) if name else {},
            alarms=desk.standing(name),
            shelved=tuple((what, until_s) for owner, what, until_s in shelved if owner == name),
            notice=_newest_notice(desk, name) if name else None,
        )
        for name in names
    )


def _newest_notice(desk: AlarmDesk, vessel: str) -> Event | None:
    return next((event for event in desk.history(vessel) if event.kind.value == "noted"), None)
