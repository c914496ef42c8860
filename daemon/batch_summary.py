"""What came of a batch: how long each stage was, its height, its temperature, its gas, its alarms."""

import json
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass

import numpy as np
import sqlalchemy as sa

from ullage.adapters.reading import Quantity
from ullage.adapters.timestamps import format_rfc3339
from ullage.daemon.config_vessels import WatchedVessel
from ullage.daemon.final_gravity import final_gravity
from ullage.daemon.judged import judged
from ullage.daemon.store.alarm_tables import alarm_event
from ullage.daemon.store.batches import StoredBatch
from ullage.daemon.store.columns import to_ms
from ullage.daemon.store.store import Store
from ullage.detectors.co2 import total_co2_g
from ullage.detectors.extract import co2_to_come_g_per_l
from ullage.detectors.gravity import BEER_ATTENUATION_PERCENT, assumed_final_gravity, attenuation
from ullage.detectors.pace import LEAST_HEIGHT_G_PER_L_DAY
from ullage.detectors.record import Record
from ullage.detectors.stage import Stage, StageChange
from ullage.detectors.temperature import Temperature, TemperatureSettings
from ullage.detectors.vessel import Vessel


@dataclass(frozen=True, slots=True, kw_only=True)
class StageSpan:
    """One stage of the batch."""

    stage: str
    since: str
    """RFC 3339."""
    hours: float
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """A batch in numbers; None where nothing was measured that tells it."""

    vessel: str
    name: str
    beverage: str
    began: str
    ended: str | None
    hours: float
    stages: tuple[StageSpan, ...]
    peak_rate_g_per_l_day: float | None
    """Highest rate measured, over two hours; while a valve passes gas none can be."""
    yeast_range_c: tuple[float, float] | None
    in_range_share: float | None
    """Of the time from pitching to the end of fermentation in which the temperature was heard."""
    on_plan_share: float | None = None
    """Of the same: near the plan's step that was due; None without a plan."""
    highest_bar: float | None
    original_gravity: float | None
    final_gravity: float | None
    final_gravity_basis: str = ""
    """What it was measured with."""
    alcohol_percent: float | None
    vented_g: float | None
    """Gas let off until the end of fermentation: an estimate."""
    vented_basis: str
    alarms: dict[str, int]


def summarise(store: Store, watched: WatchedVessel, batch: StoredBatch, now_s: float) -> Summary:
    """Return the summary of a batch, out of its stored readings and journal.

    Parameters
    ----------
    store
        The database.
    watched
        The vessel, with the batch's own yeast range and original gravity.
    batch
        Which batch.
    now_s
        Its end, if it has not ended.

    Raises
    ------
    StoreError
        If the database refuses.
    """
    end_s = batch.ended_s if batch.ended_s is not None else now_s
    record = judged(store, watched, batch.began_s, end_s)
    vessel = watched.vessel
    over_s = _reached(record.stages, Stage.FINISHED)
    found = final_gravity(store, vessel.name, batch.began_s, over_s, end_s)
    final = None if found is None else found.gravity
    vented, basis = _vented(vessel, record, final, over_s)
    original = vessel.original_gravity
    bars = store.coarse(vessel.name, Quantity.PRESSURE, batch.began_s, end_s)
    return Summary(
        vessel=vessel.name,
        name=batch.wishes.name,
        beverage=batch.wishes.beverage.value,
        began=format_rfc3339(batch.began_s),
        ended=None if batch.ended_s is None else format_rfc3339(batch.ended_s),
        hours=round((end_s - batch.began_s) / 3600, 2),
        stages=tuple(_spans(record.stages, end_s)),
        peak_rate_g_per_l_day=_peak(record),
        yeast_range_c=vessel.yeast_temperature_c,
        in_range_share=_in_range(store, vessel, batch.began_s, over_s or end_s),
        on_plan_share=_on_plan(store, watched, record, over_s or end_s),
        highest_bar=round(float(bars.maximum.max()), 2) if len(bars) else None,
        original_gravity=original,
        final_gravity=final,
        final_gravity_basis="" if found is None else found.basis,
        alcohol_percent=None
        if original is None or final is None
        else round(attenuation(original, final).alcohol_volume_percent, 1),
        vented_g=vented,
        vented_basis=basis,
        alarms=_alarms(store, vessel.name, batch.began_s, end_s),
    )


def to_json(summary: Summary) -> str:
    """Return the summary as one JSON object."""
    return json.dumps(asdict(summary), ensure_ascii=False, allow_nan=False)


def from_json(text: str) -> Summary:
    """Return what `to_json` wrote."""
    found = json.loads(text)
    spans = tuple(StageSpan(**span) for span in found.pop("stages"))
    limits = found.pop("yeast_range_c")
    return Summary(stages=spans, yeast_range_c=None if limits is None else (limits[0], limits[1]), **found)


def _spans(changes: Sequence[StageChange], end_s: float) -> Iterator[StageSpan]:
    """Yield the stages that held, each with its length; one after the other of the same stage is one."""
    held = [change for change in changes if change.undone_s is None]
    merged: list[StageChange] = []
    for change in held:
        if not merged or merged[-1].stage is not change.stage:
            merged.append(change)
    ends = [*(change.since_s for change in merged[1:]), end_s]
    for change, until_s in zip(merged, ends[: len(merged)], strict=True):
        yield StageSpan(
            stage=change.stage.value,
            since=format_rfc3339(change.since_s),
            hours=round(max(until_s - change.since_s, 0.0) / 3600, 2),
            why=change.why,
        )


def _reached(changes: Sequence[StageChange], stage: Stage) -> float | None:
    """Return when the batch came to a stage or beyond it."""
    for change in changes:
        if change.undone_s is None and change.stage.place >= stage.place:
            return change.since_s
    return None


def _in_range(store: Store, vessel: Vessel, began_s: float, end_s: float) -> float | None:
    if vessel.yeast_temperature_c is None:
        return None
    low, high = vessel.yeast_temperature_c
    bins = store.coarse(vessel.name, Quantity.TEMPERATURE, began_s, end_s)
    if not len(bins):
        return None
    return round(float(np.mean((bins.mean >= low) & (bins.mean <= high))), 3)


def _on_plan(store: Store, watched: WatchedVessel, record: Record, end_s: float) -> float | None:
    batch, began_s = watched.vessel.batch, record.pitched_s or record.first_s
    if batch is None or not batch.temperatures.steps or began_s is None:
        return None
    bins = store.coarse(watched.vessel.name, Quantity.TEMPERATURE, began_s, end_s)
    settings = watched.detectors.get(Temperature.name)
    off_c = (
        settings.off_plan_c if isinstance(settings, TemperatureSettings) else TemperatureSettings().off_plan_c
    )
    near = [
        wanted is not None and wanted.low_c - off_c <= mean_c <= wanted.high_c + off_c
        for time_s, mean_c in zip(bins.start_s.tolist(), bins.mean.tolist(), strict=True)
        for wanted in [batch.temperatures.wanted(began_s, time_s)]
    ]
    return round(float(np.mean(near)), 3) if near else None


def _peak(record: Record) -> float | None:
    highest = max(record.rates.peak_co2_g_per_l_day, record.steepest_g_per_l_day)
    return round(highest, 1) if highest >= LEAST_HEIGHT_G_PER_L_DAY else None


def _vented(
    vessel: Vessel, record: Record, final: float | None, over_s: float | None
) -> tuple[float | None, str]:
    """Return the gas made less the gas kept, g, and what that rests on."""
    if vessel.original_gravity is None:
        return None, "no original gravity is known"
    if over_s is None:
        return None, "fermentation is not over"
    rows = record.since(over_s - 7200)
    if not len(rows):
        return None, "no pressure around the end"
    bar = float(np.median(rows[:12, 1])) - (record.zero_bar or 0.0)
    celsius = float(np.nanmedian(rows[:12, 4])) if not np.isnan(rows[:12, 4]).all() else record.beer_c
    ends_at = assumed_final_gravity(vessel.original_gravity) if final is None else final
    made = float(co2_to_come_g_per_l(vessel.original_gravity, ends_at)) * vessel.beer_volume_l
    kept = float(total_co2_g(vessel, bar, celsius))
    how = (
        "the gravity measured"
        if final is not None
        else f"{BEER_ATTENUATION_PERCENT:.0f} % attenuation (assumed)"
    )
    return round(
        max(made - kept, 0.0)
    ), f"estimate: CO2 by Balling from {how}, less what beer and head space kept"


def _alarms(store: Store, vessel: str, began_s: float, end_s: float) -> dict[str, int]:
    event = alarm_event.c
    query = sa.select(event.condition).where(
        event.vessel == vessel,
        event.kind == "raised",
        event.time_ms >= to_ms(began_s),
        event.time_ms <= to_ms(end_s),
    )
    with store.reading() as connection:
        return dict(sorted(Counter(connection.scalars(query)).items()))
