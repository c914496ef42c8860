"""`ullage status`: vessels, latest readings with their age, standing alarms; from the database, daemon or not."""

import argparse
import json
import shutil
import textwrap

from ullage.adapters.reading import Quantity, Reading
from ullage.adapters.timestamps import format_rfc3339
from ullage.adapters.units import units_of
from ullage.daemon.alarm_states import Alarm
from ullage.daemon.alarms import AlarmDesk
from ullage.daemon.commands.common import INSTALLATION, load_config, open_store, system_clock
from ullage.daemon.finding_table import plain
from ullage.daemon.local_time import LocalTime
from ullage.daemon.routes import Nobody
from ullage.daemon.status import STALE_AFTER_S, VesselStatus, vessel_statuses
from ullage.daemon.times import duration_text, local_text

_SHOWN = {
    Quantity.TEMPERATURE: ("{:.1f}", "°C"),
    Quantity.PRESSURE: ("{:.2f}", "bar"),
    Quantity.GRAVITY: ("{:.3f}", "SG"),
}


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
    for status in statuses:
        if status.name or status.alarms:
            print("\n".join(_lines(status, clock.wall_s(), zone)))
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
                    }
                    for quantity, reading in status.latest.items()
                },
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


def _lines(status: VesselStatus, now_s: float, zone: LocalTime) -> list[str]:
    width = max(40, shutil.get_terminal_size((100, 24)).columns)
    readings = [_reading(quantity, reading, now_s) for quantity, reading in status.latest.items()]
    lines = [plain(status.name) or INSTALLATION]
    if status.name:
        lines += [f"  {line}" for line in readings or ["no reading yet"]]
    if status.notice is not None:
        notice = f"{local_text(status.notice.time_s, zone)}: {status.notice.alarm.condition}"
        lines += textwrap.wrap(
            plain(f"{notice}. {status.notice.text}"), width, initial_indent="  * ", subsequent_indent="    "
        )
    for alarm in status.alarms:
        lines += textwrap.wrap(
            plain(_alarm(alarm, zone)), width, initial_indent="  ! ", subsequent_indent="    "
        )
    return lines + [
        f"  - {condition} is shelved until {local_text(until_s, zone)}"
        for condition, until_s in status.shelved
    ]


def _reading(quantity: Quantity, reading: Reading, now_s: float) -> str:
    form, unit = _SHOWN[quantity]
    age_s = now_s - reading.time_s
    old = ", OLD" if quantity is not Quantity.GRAVITY and age_s > STALE_AFTER_S else ""
    return f"{quantity.value:<12} {form.format(reading.value):>7} {unit:<4} {duration_text(age_s)} ago{old}"


def _alarm(alarm: Alarm, zone: LocalTime) -> str:
    subject = f" ({alarm.subject})" if alarm.subject else ""
    by = (
        f" by {alarm.acknowledged_by}"
        if alarm.acknowledged_by and alarm.state.value == "acknowledged"
        else ""
    )
    return (
        f"{alarm.condition}{subject} [{alarm.priority.value}] {alarm.state.value}{by}, "
        f"since {local_text(alarm.raised_s, zone)}: {alarm.text}"
    )
