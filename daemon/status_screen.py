"""How the vessels stand, on a terminal of 80 columns, in words and without colour.

A vessel's name and stage first, then what must be acted on, then what is measured, then what is next.
"""

import textwrap
from collections.abc import Iterator

from ullage.adapters.reading import Quantity, Reading
from ullage.daemon.alarm_states import Alarm, AlarmState
from ullage.daemon.batch_screen import carbonation_text, next_text
from ullage.daemon.finding_table import plain
from ullage.daemon.gravity_text import gravity_text
from ullage.daemon.local_time import LocalTime
from ullage.daemon.status import STALE_AFTER_S, VesselStatus
from ullage.daemon.times import duration_text, local_text
from ullage.detectors.stage import Stage

_SHOWN = {
    Quantity.TEMPERATURE: ("{:z.1f}", "°C"),
    Quantity.PRESSURE: ("{:z.2f}", "bar"),
    Quantity.AIR_TEMPERATURE: ("{:z.1f}", "°C"),
}
_AIR = "air"
_LABEL = 14
_OVER = "over but unacknowledged"
"""An alarm that has returned to normal before anybody acknowledged it: "returned" would read as if it were back."""
_NOTHING = "no reading yet: they are written within a minute; `ullage check --listen 30` shows what arrives"


def status_lines(status: VesselStatus, now_s: float, zone: LocalTime, width: int, owner: str) -> list[str]:
    """Return the lines of one vessel, or of the installation itself, which is called `owner`."""
    lines = [_head(status, now_s, zone, owner)]
    if status.name:
        lines += [f"  {line}" for line in _readings(status, now_s)] or _wrapped("", _NOTHING, width, indent=2)
    if status.holder == "":
        lines.append("  ! no daemon watches it now")
    for caution in status.cautions:
        lines += _wrapped("! ", f"caution: {caution}", width, indent=2)
    for alarm in status.alarms:
        lines += _wrapped("! ", _alarm(alarm, zone), width, indent=2)
    lines += [
        f"  - {condition} is shelved until {local_text(until_s, zone)}"
        for condition, until_s in status.shelved
    ]
    for label, text in _more(status, now_s, zone):
        lines += _wrapped(f"{label:<{_LABEL}}", text, width, indent=2)
    return lines


def _head(status: VesselStatus, now_s: float, zone: LocalTime, owner: str) -> str:
    name = plain(status.name) or owner
    if status.stage is None:
        return name if status.ended_s is None else f"{name}: no batch"
    since_s = status.stage.since_s
    return (
        f"{name}: {status.stage.stage.value}, "
        f"since {local_text(since_s, zone)} ({duration_text(now_s - since_s)})"
    )


def _readings(status: VesselStatus, now_s: float) -> Iterator[str]:
    for quantity, reading in status.latest.items():
        yield _reading(quantity, reading, status.trends.get(quantity, ""), now_s)
    if status.gravity is not None:
        age = duration_text(now_s - status.gravity.time_s)
        text = f"{gravity_text(status.gravity.gravity)} by {status.gravity.instrument}, {age} ago"
        yield f"{'sample':<{_LABEL}}{text}"


def _reading(quantity: Quantity, reading: Reading, trend: str, now_s: float) -> str:
    age_s = now_s - reading.time_s
    old = quantity is not Quantity.GRAVITY and age_s > STALE_AFTER_S
    if quantity is Quantity.GRAVITY:
        value = f"{gravity_text(reading.value)} "
    else:
        form, unit = _SHOWN[quantity]
        value = f"{form.format(reading.value)} {unit}"
    moving = "" if old else trend  # of what was, nobody knows where it went
    label = _AIR if quantity is Quantity.AIR_TEMPERATURE else quantity.value
    return f"{label:<{_LABEL}}{value:<10}{moving:<9}{duration_text(age_s)} ago{', OLD' if old else ''}"


def _more(status: VesselStatus, now_s: float, zone: LocalTime) -> Iterator[tuple[str, str]]:
    """Yield label and text of what is derived."""
    if status.stage is not None and status.stage.stage is Stage.SLOWING:
        yield "slowing", status.stage.why  # measured or guessed: the stage alone doesn't tell
    newest_s = max((reading.time_s for reading in status.latest.values()), default=0.0)
    if status.carbonation_g_per_l is not None and now_s - newest_s <= STALE_AFTER_S:
        wanted = None if status.batch is None else status.batch.wishes.wanted_g_per_l
        goal = "" if wanted is None else f", wanted {wanted:.1f} g/L"
        yield "carbonation", f"about {carbonation_text(status.carbonation_g_per_l)} in balance{goal}"
    if status.fermented is not None:
        far = status.fermented
        reached = (
            f"{far.apparent_percent:.0f} % apparent, {far.alcohol_volume_percent:.1f} % alcohol by volume"
        )
        yield "attenuation", f"{reached}, about {far.to_come_g_per_l:.1f} g/L of CO2 to come"
    if status.batch is not None:
        name = f'"{plain(status.batch.wishes.name)}", ' if status.batch.wishes.name else ""
        age = duration_text(now_s - status.batch.began_s)
        yield "batch", f"{name}{status.batch.wishes.beverage.value}, {age} old"
    elif status.ended_s is not None:
        ended = local_text(status.ended_s, zone, seen_s=now_s)
        yield "batch", f"none runs: the last one ended {ended}"
    if status.holder:
        yield "watched by", plain(status.holder)
    for daemon in status.daemons:
        vessels = f"{daemon.vessels} vessel{'s' * (daemon.vessels != 1)}"
        yield "daemon", plain(f"{daemon.name} on {daemon.machine} watches {vessels}")
    if status.step is not None:
        yield "next", next_text(status.step, zone, now_s)
    if status.notice is not None:
        head = f"{status.notice.alarm.condition}, {local_text(status.notice.time_s, zone)}"
        yield "last notice", plain(f"{head}: {_first_sentence(status.notice.text)}")


def _first_sentence(text: str) -> str:
    """Return what a notice says first; the rest was sent, and stands in the journal of messages."""
    end = text.find(". ")
    return text if end < 0 else text[: end + 1]


def _alarm(alarm: Alarm, zone: LocalTime) -> str:
    subject = f" ({alarm.subject})" if alarm.subject else ""
    by = (
        f" by {alarm.acknowledged_by}"
        if alarm.acknowledged_by and alarm.state is AlarmState.ACKNOWLEDGED
        else ""
    )
    state = _OVER if alarm.state is AlarmState.RETURNED else alarm.state.value
    return plain(
        f"{alarm.condition}{subject} [{alarm.priority.value}] {state}{by}, "
        f"since {local_text(alarm.raised_s, zone)}: {alarm.text}"
    )


def _wrapped(label: str, text: str, width: int, *, indent: int) -> list[str]:
    blank = " " * indent
    return textwrap.wrap(
        text, width, initial_indent=blank + label, subsequent_indent=blank + " " * len(label)
    )
