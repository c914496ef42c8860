"""How the vessels stand, as the database has it: what `status` shows."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from ullage.adapters.reading import Quantity, Reading
from ullage.daemon.alarm_states import Alarm
from ullage.daemon.alarms import AlarmDesk
from ullage.daemon.cautions import valve_cautions
from ullage.daemon.config_vessels import WatchedVessel
from ullage.daemon.events import TO_DO, Event, EventKind
from ullage.daemon.gravity_report import samples_of
from ullage.daemon.holding import DaemonShare, Holding, holding
from ullage.daemon.overtaken import Situation, situation, standing
from ullage.daemon.store import batches
from ullage.daemon.store.batches import StoredBatch
from ullage.daemon.store.store import Store
from ullage.daemon.trends import trends
from ullage.detectors.co2 import dissolved_g_per_l
from ullage.detectors.gravity import GRAVITIES, attenuation, co2_still_to_come_g_per_l
from ullage.detectors.gravity_samples import GravitySample
from ullage.detectors.stage import NextStep, StageChange, current
from ullage.detectors.vessel import Vessel

TURNED_BEFORE_S = 86_400.0
"""A valve that was set so long before pitching is set so for the batch."""
STALE_AFTER_S = 900.0
"""Age from which a reading is called old: as long as silence is given before it is an alarm."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fermented:
    """How far a beer is by its gravity (Balling)."""

    apparent_percent: float
    alcohol_volume_percent: float
    to_come_g_per_l: float
    """CO2, if it ends at the attenuation that is assumed where nobody stated one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VesselStatus:
    """One vessel; `name` is empty for the installation itself."""

    name: str
    latest: Mapping[Quantity, Reading]
    alarms: tuple[Alarm, ...]
    shelved: tuple[tuple[str, float], ...]
    """Condition and end (Unix seconds) of each shelf."""
    notice: Event | None
    """The newest notice since the batch began, or the last one ended, that nothing has overtaken."""
    cautions: tuple[str, ...] = ()
    """What is wrong with how the vessel is set up, and no alarm tells."""
    batch: StoredBatch | None = None
    """The current batch."""
    ended_s: float | None = None
    """When the last batch ended, if none runs."""
    stage: StageChange | None = None
    step: NextStep | None = None
    trends: Mapping[Quantity, str] = field(default_factory=dict)
    carbonation_g_per_l: float | None = None
    """In balance with the pressure and temperature read last; None unless both are fresh."""
    gravity: GravitySample | None = None
    """The newest sample by hand."""
    fermented: Fermented | None = None
    """By the newest gravity, of a wort whose original one is known."""
    holder: str | None = None
    """Which of several daemons watches it, empty if none does; None where there is only one."""
    daemons: tuple[DaemonShare, ...] = ()
    """Of the installation: the daemons that share the vessels."""


def vessel_statuses(
    store: Store, desk: AlarmDesk, vessels: Iterable[WatchedVessel]
) -> tuple[VesselStatus, ...]:
    """Return the installation itself, then every configured vessel.

    Raises
    ------
    StoreError
        If the database refuses.
    """
    shelved, held = desk.shelved(), holding(store)
    return (
        VesselStatus(
            name="",
            latest={},
            alarms=desk.standing(""),
            shelved=_shelves(shelved, ""),
            notice=None,
            daemons=() if held is None else held.daemons,
        ),
        *(_status(store, desk, watched.vessel, shelved, held) for watched in vessels),
    )


def _status(
    store: Store,
    desk: AlarmDesk,
    vessel: Vessel,
    shelved: Sequence[tuple[str, str, float]],
    held: Holding | None,
) -> VesselStatus:
    name = vessel.name
    latest = store.latest(name)
    last = batches.newest(store, name)
    batch = last if last is not None and last.ended_s is None else None
    since_s = None if last is None else (last.ended_s or last.began_s)
    history = desk.history(name)
    newest_s = max((reading.time_s for reading in latest.values()), default=None)
    samples = samples_of(store, name, since_s)
    turned_since_s = None if since_s is None else since_s - TURNED_BEFORE_S
    of_batch = [event for event in history if since_s is None or event.time_s >= since_s]
    return VesselStatus(
        name=name,
        latest=latest,
        alarms=desk.standing(name),
        shelved=_shelves(shelved, name),
        notice=_notice(of_batch, situation(store, name), math.inf if newest_s is None else newest_s),
        cautions=valve_cautions(vessel, store.entries(name, turned_since_s), of_batch),
        batch=batch,
        ended_s=None if last is None else last.ended_s,
        stage=current(batches.stages(store, name, batches.NO_BATCH if batch is None else batch.id)),
        step=batches.next_step(store, name),
        trends={} if newest_s is None else trends(store, name, newest_s),
        carbonation_g_per_l=carbonation_now(vessel, latest),
        gravity=samples[-1] if samples else None,
        fermented=fermented_now(
            vessel.carrying(None if batch is None else batch.wishes), latest, samples[-1:]
        ),
        holder=None if held is None else held.holders.get(name, ""),
    )


def _notice(history: Sequence[Event], known: Situation, now_s: float) -> Event | None:
    """Return it; a reminder says no more than the next step, which is shown anyway."""
    notices = (event for event in history if event.kind is EventKind.NOTED and event.alarm.condition != TO_DO)
    return next((event for event in notices if not standing(event, known, now_s).overtaken), None)


def fermented_now(
    vessel: Vessel, latest: Mapping[Quantity, Reading], samples: Sequence[GravitySample]
) -> Fermented | None:
    """Return how far the beer is by the newest gravity, of a float or by hand; None if that or the original one is not known."""
    float_ = latest.get(Quantity.GRAVITY)
    known = [(sample.time_s, sample.gravity) for sample in samples]
    known += [] if float_ is None else [(float_.time_s, float_.value)]
    original = vessel.original_gravity
    if original is None or not known:
        return None
    gravity = max(known)[1]
    if not GRAVITIES[0] <= gravity <= original:
        return None
    beer = attenuation(original, gravity)
    return Fermented(
        apparent_percent=beer.apparent_percent,
        alcohol_volume_percent=beer.alcohol_volume_percent,
        to_come_g_per_l=co2_still_to_come_g_per_l(original, gravity),
    )


def _shelves(shelved: Sequence[tuple[str, str, float]], name: str) -> tuple[tuple[str, float], ...]:
    return tuple((what, until_s) for owner, what, until_s in shelved if owner == name)


def carbonation_now(vessel: Vessel, latest: Mapping[Quantity, Reading]) -> float | None:
    """Return what the beer holds in balance, if both readings are there and of the same time."""
    temperature, pressure = latest.get(Quantity.TEMPERATURE), latest.get(Quantity.PRESSURE)
    if temperature is None or pressure is None or abs(temperature.time_s - pressure.time_s) > STALE_AFTER_S:
        return None
    if not (-2 <= temperature.value <= 40 and -0.1 <= pressure.value <= 5):
        return None
    return float(dissolved_g_per_l(pressure.value, temperature.value, vessel.air_pressure_bar))
