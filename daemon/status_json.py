"""How the vessels stand as JSON: the same for `status --json` and the page's interface for programs."""

from collections.abc import Sequence

from ullage.adapters.timestamps import format_rfc3339
from ullage.adapters.units import units_of
from ullage.daemon.alarm_states import Alarm
from ullage.daemon.status import VesselStatus
from ullage.detectors.volumes import G_PER_VOLUME


def status_json(statuses: Sequence[VesselStatus], now_s: float) -> dict[str, object]:
    """Return all vessels, and the alarms of the installation itself."""
    return {
        "time": format_rfc3339(now_s),
        "vessels": [vessel_json(status, now_s) for status in statuses if status.name],
        "installation": [
            alarm_json(alarm) for status in statuses if not status.name for alarm in status.alarms
        ],
        "daemons": [
            {"name": daemon.name, "machine": daemon.machine, "vessels": daemon.vessels}
            for status in statuses
            for daemon in status.daemons
        ],
    }


def vessel_json(status: VesselStatus, now_s: float) -> dict[str, object]:
    """Return one vessel."""
    return {
        "vessel": status.name,
        "daemon": status.holder,
        "latest": {
            quantity.value: {
                "time": format_rfc3339(reading.time_s),
                "age_s": round(now_s - reading.time_s, 1),
                "value": round(reading.value, 6),
                "unit": units_of(quantity)[0],
                "trend": status.trends.get(quantity),
            }
            for quantity, reading in status.latest.items()
        },
        **_batch_json(status),
        "alarms": [alarm_json(alarm) for alarm in status.alarms],
        "cautions": list(status.cautions),
        "shelved": [
            {"condition": condition, "until": format_rfc3339(until_s)}
            for condition, until_s in status.shelved
        ],
        "notice": None
        if status.notice is None
        else {
            "time": format_rfc3339(status.notice.time_s),
            "condition": status.notice.alarm.condition,
            "text": status.notice.text,
        },
    }


def alarm_json(alarm: Alarm) -> dict[str, object]:
    """Return one alarm."""
    return {
        "condition": alarm.condition,
        "subject": alarm.subject,
        "state": alarm.state.value,
        "priority": alarm.priority.value,
        "raised": format_rfc3339(alarm.raised_s),
        "value": alarm.value,
        "limit": alarm.limit,
        "unit": alarm.unit,
        "text": alarm.text,
        "acknowledged_by": alarm.acknowledged_by,
        "shelved_until": None if alarm.shelved_until_s is None else format_rfc3339(alarm.shelved_until_s),
    }


def _batch_json(status: VesselStatus) -> dict[str, object]:
    stage, step, batch, sample = status.stage, status.step, status.batch, status.gravity
    due_s = None if step is None else step.due_s
    grams = status.carbonation_g_per_l
    return {
        "batch": None
        if batch is None
        else {"number": batch.id, "name": batch.wishes.name, "began": format_rfc3339(batch.began_s)},
        "stage": None
        if stage is None
        else {"stage": stage.stage.value, "since": format_rfc3339(stage.since_s), "why": stage.why},
        "next": None
        if step is None
        else {"text": step.text, "due": None if due_s is None else format_rfc3339(due_s)},
        "carbonation": None
        if grams is None
        else {"g_per_l": round(grams, 2), "volumes": round(grams / G_PER_VOLUME, 2)},
        "fermented": None
        if status.fermented is None
        else {
            "apparent_percent": round(status.fermented.apparent_percent, 1),
            "alcohol_volume_percent": round(status.fermented.alcohol_volume_percent, 2),
            "co2_to_come_g_per_l": round(status.fermented.to_come_g_per_l, 1),
        },
        "sample": None
        if sample is None
        else {
            "time": format_rfc3339(sample.time_s),
            "gravity": round(sample.gravity, 4),
            "instrument": sample.instrument.value,
        },
    }
