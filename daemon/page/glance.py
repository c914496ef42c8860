"""All vessels in a few lines at the top: what a look at the phone is for when there is more than one."""

from collections.abc import Iterator, Sequence

from ullage.adapters.reading import Quantity
from ullage.daemon.alarm_states import Alarm
from ullage.daemon.chart.batch import condition_words
from ullage.daemon.chart.svg import tag, words
from ullage.daemon.page.cards import Reader, no_stage
from ullage.daemon.page.words import CAUTION_SIGN, PRIORITY_SIGNS, number_of
from ullage.daemon.status import VesselStatus

_SHOWN = (Quantity.PRESSURE, Quantity.TEMPERATURE)
_URGENCY = tuple(PRIORITY_SIGNS)
"""Priorities, the most urgent first."""


def line(status: VesselStatus, index: int, reader: Reader, stale_after_s: float, *, heard: bool) -> str:
    """Return one vessel: name and stage, the two numbers, the worst alarm, and what there is to do now.

    Parameters
    ----------
    status
        How it stands.
    index
        Its place on the page, to lead there.
    reader
        Who looks.
    stale_after_s
        Age from which a number is old.
    heard
        Whether every sensor speaks: where none does, no alarm is no good news.
    """
    stage = status.stage.stage.value if status.stage is not None else no_stage(status)
    numbers = tuple(_numbers(status, reader, stale_after_s))
    parts = [
        tag("span", tag("a", words(status.name), href=f"#v{index}"), words(f" {stage}"), class_="who"),
        tag("span", *numbers, class_="pair") if numbers else tag("span", "nothing heard yet", class_="none"),
        _alarm(
            [alarm for alarm in status.alarms if alarm.active], heard=heard, caution=bool(status.cautions)
        ),
    ]
    step = status.step
    if step is not None and step.due_s is not None and step.due_s <= reader.now_s + 60:
        parts.append(tag("span", words(f"→ {step.text}"), class_="todo"))
    return tag("li", *parts)


def _numbers(status: VesselStatus, reader: Reader, stale_after_s: float) -> Iterator[str]:
    for quantity in _SHOWN:
        reading = status.latest.get(quantity)
        if reading is None:
            continue
        value, unit = number_of(quantity, reading, reader.units)
        old = " old" if reader.now_s - reading.time_s > stale_after_s else ""
        yield tag(
            "span",
            tag("span", words(f"{value} {unit}"), class_="said"),
            tag("span", " ✕ old", class_="badge"),
            class_=f"brief{old}",
            data_time=f"{reading.time_s:.0f}",
            data_stale=f"{stale_after_s:.0f}",
        )


def _alarm(active: Sequence[Alarm], *, heard: bool, caution: bool) -> str:
    if not active and caution:
        return tag(
            "strong",
            tag("span", CAUTION_SIGN, class_="sign", aria_hidden="true"),
            " caution",
            class_="is-high",
        )
    if not active:
        said, look = ("✓ no alarm", "calm") if heard else ("? not every sensor is heard", "none")
        return tag("span", said, class_=look)
    worst = min(active, key=lambda alarm: _URGENCY.index(alarm.priority))
    more = f" and {len(active) - 1} more" if len(active) > 1 else ""
    sign = tag("span", PRIORITY_SIGNS[worst.priority], class_="sign", aria_hidden="true")
    said = condition_words(worst.condition, worst.subject)
    return tag("strong", sign, words(f" {said}{more}"), class_=f"is-{worst.priority.value}")
