"""`ullage status`: vessels, latest readings with their age, standing alarms; from the database, daemon or not."""

import argparse
import json
import shutil

from ullage.adapters.timestamps import format_rfc3339
from ullage.adapters.units import units_of
from ullage.daemon.alarm_states import Alarm
from ullage.daemon.alarms import AlarmDesk
from ullage.daemon.commands.common import INSTALLATION, load_config, open_store, system_clock
from ullage.daemon.local_time import LocalTime
from ullage.daemon.routes import Nobody
from ullage.daemon.status import VesselStatus, vessel_statuses
from ullage.daemon.status_screen import status_lines
from ullage.detectors.volumes import G_PER_VOLUME


def handle(options: argparse.Namespace) -> int:
    """Show how things stand."""
    config = load_config(options)
    clock = system_clock()
    with open_store(config, read_only=True) as store:
        desk = AlarmDesk(store, Nobody(), clock)
        statuses = vessel_statuses(store, desk, config.vessels)
    if options.json:
        print(json.dumps(_json(statuses, clock.wall_s()), ensure_ascii=False, indent=2))
        return 0
    zone = LocalTime.named(config.timezone)
    width = max(40, shutil.get_terminal_size((80, 24)).columns)
    for status in statuses:
        if status.name or status.alarms:
            print("\n".join(status_lines(status, clock.wall_s(), zone, width, INSTALLATION)))
    return 0


def _json(statuses: tuple[VesselStatus, ...], now_s: float) -> dict[str, object]:
    return {
        "time": format_rfc3339(now_s),
        "vessels": [
            {
                "vessel": status.name,
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
                "alarms": [_alarm_json(alarm) for alarm in status.alarms],
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
            for status in statuses
            if status.name
        ],
        "installation": [
            _alarm_json(alarm) for status in statuses if not status.name for alarm in status.alarms
        ],
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
        "sample": None
        if sample is None
        else {
            "time": format_rfc3339(sample.time_s),
            "gravity": round(sample.gravity, 4),
            "instrument": sample.instrument.value,
        },
    }


def _alarm_json(alarm: Alarm) -> dict[str, object]:
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
