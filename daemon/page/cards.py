"""The vessels as HTML: for each the parts that change, so that a live page takes in only what is new."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from urllib.parse import quote

from ullage.adapters.reading import Quantity
from ullage.daemon.alarm_states import NEVER_SHELVED, Alarm, AlarmState
from ullage.daemon.chart.batch import condition_words
from ullage.daemon.chart.svg import tag, words
from ullage.daemon.chart.units import Units
from ullage.daemon.local_time import LocalTime
from ullage.daemon.page.words import (
    CAUTION_SIGN,
    NUMBERED_ENTRIES,
    OVER_SIGN,
    PRIORITY_SIGNS,
    TREND_SIGNS,
    USUAL_ENTRIES,
    age_words,
    alarm_title,
    due_words,
    number_of,
    when,
)
from ullage.daemon.status import VesselStatus
from ullage.daemon.store.journal import JournalEntry
from ullage.detectors.finding import Priority
from ullage.detectors.journal import STAGES
from ullage.detectors.vessel import Vessel
from ullage.detectors.volumes import G_PER_VOLUME

INSTALLATION = "installation"
"""What the way to an alarm calls the owner of alarms about sources, database and messages."""
SHELF_HOURS = (1, 4, 12)
_TITLES = {
    Quantity.PRESSURE: "Pressure",
    Quantity.TEMPERATURE: "Temperature",
    Quantity.AIR_TEMPERATURE: "Air",
    Quantity.GRAVITY: "Gravity",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Reader:
    """Who looks: units, time zone, this moment, and whether they may act."""

    units: Units
    zone: LocalTime
    now_s: float
    may_act: bool
    live: bool = False
    """Whether the page itself counts how old readings are."""


def head(status: VesselStatus, reader: Reader) -> str:
    """Return stage and next step."""
    stage, step = status.stage, status.step
    if stage is not None:
        said = f"{stage.stage.value}, since {when(stage.since_s, reader.now_s, reader.zone)}"
        first = tag(
            "p",
            tag("strong", words(said)),
            tag("span", words(f" {stage.why}"), class_="soft"),
            class_="stage",
        )
    else:
        first = tag("p", no_stage(status), class_="stage soft")
    batch = status.batch.wishes.name if status.batch is not None and status.batch.wishes.name else ""
    name = tag("p", words(f"Batch: {batch}"), class_="soft") if batch else ""
    if step is None:
        return name + first
    due = f" ({due_words(step.due_s, reader.now_s, reader.zone)})" if step.due_s is not None else ""
    return (
        name + first + tag("p", tag("span", "Next: ", class_="soft"), words(step.text + due), class_="next")
    )


def no_stage(status: VesselStatus) -> str:
    """Say why no stage is shown."""
    return "no stage known yet" if status.ended_s is None else "no batch: the last one has ended"


def now(status: VesselStatus, vessel: Vessel, reader: Reader, stale_after_s: float) -> str:
    """Return the numbers of this moment, each with its trend and age; an old one is said to be old."""
    shown = [Quantity.PRESSURE, Quantity.TEMPERATURE]
    shown += [one for one in (Quantity.AIR_TEMPERATURE, Quantity.GRAVITY) if one in status.latest]
    cells = [_number(quantity, status, reader, stale_after_s) for quantity in shown]
    cells.append(_carbonation(status, reader, stale_after_s))
    limits = f"rated limit {reader.units.pressure_text(vessel.rated_pressure_bar)}"
    if vessel.yeast_temperature_c is not None:
        low, high = vessel.yeast_temperature_c
        limits += f"; yeast {reader.units.temperature_number(low)} to {reader.units.temperature_text(high)}"
    return tag("dl", *cells, class_="numbers") + tag("p", words(limits), class_="soft limits")


def _number(quantity: Quantity, status: VesselStatus, reader: Reader, stale_after_s: float) -> str:
    reading = status.latest.get(quantity)
    title = tag("dt", _TITLES[quantity])
    if reading is None:
        return tag("div", title, tag("dd", "nothing heard yet", class_="none"), class_="number")
    value, unit = number_of(quantity, reading, reader.units)
    age_s = reader.now_s - reading.time_s
    old = age_s > stale_after_s and quantity is not Quantity.GRAVITY
    trend = status.trends.get(quantity)
    parts = [
        tag("dd", tag("span", value, class_="big"), " ", tag("span", unit, class_="unit"), class_="value"),
        tag("dd", "✕ old: not what it is now", class_="badge"),
        tag("dd", words(f"{TREND_SIGNS.get(trend, '')} {trend}"), class_="trend")
        if trend and not old
        else "",
        tag("dd", "…" if reader.live else words(age_words(age_s)), class_="age"),
    ]
    return tag(
        "div", title, *parts,
        class_="number old" if old else "number",
        data_time=f"{reading.time_s:.0f}",
        data_stale=f"{stale_after_s:.0f}" if quantity is not Quantity.GRAVITY else None,
    )  # fmt: skip


def _carbonation(status: VesselStatus, reader: Reader, stale_after_s: float) -> str:
    grams = status.carbonation_g_per_l
    title = tag("dt", "Carbonation")
    fresh = [
        reading
        for quantity in (Quantity.PRESSURE, Quantity.TEMPERATURE)
        if (reading := status.latest.get(quantity)) is not None
        and reader.now_s - reading.time_s <= stale_after_s
    ]
    if grams is None or len(fresh) < 2:
        return tag("div", title, tag("dd", "not known now", class_="none"), class_="number wholly")
    oldest_s = min(reading.time_s for reading in fresh)
    return tag(
        "div", title,
        tag("dd", tag("span", f"{grams:.1f}", class_="big"), " ", tag("span", "g/L", class_="unit"), class_="value"),
        tag("dd", "✕ old: not what it is now", class_="badge"),
        tag("dd", words(f"{grams / G_PER_VOLUME:.1f} volumes, when in balance"), class_="trend"),
        class_="number wholly",
        data_time=f"{oldest_s:.0f}",
        data_stale=f"{stale_after_s:.0f}",
    )  # fmt: skip


def alarms(status: VesselStatus, reader: Reader, *, heard: bool = True) -> str:
    """Return cautions, the standing alarms with what to do, and what is kept quiet.

    `heard` tells whether every sensor speaks: where none does, no alarm is no good news.
    """
    owner = status.name or INSTALLATION
    items = [_alarm(alarm, owner, reader) for alarm in status.alarms]
    parts = [_caution(caution) for caution in status.cautions]
    parts += [tag("ul", *items, class_="alarms")] if items else []
    if not parts and status.name:
        calm = (
            "✓ No alarm."
            if heard
            else "? No alarm, but not every sensor is heard: look at the vessel yourself."
        )
        parts.append(tag("p", calm, class_="calm" if heard else "none"))
    for condition, until_s in status.shelved:
        parts.append(_shelf(condition, until_s, owner, reader))
    return "".join(parts)


def told(status: VesselStatus, reader: Reader) -> str:
    """Return the newest notice."""
    notice = status.notice
    if notice is None:
        return ""
    what = condition_words(notice.alarm.condition)
    at = f"{when(notice.time_s, reader.now_s, reader.zone)}, {what}: "
    return tag("p", tag("span", words(at), class_="soft"), words(notice.text), class_="notice")


def _caution(text: str) -> str:
    sign = tag("span", CAUTION_SIGN, class_="sign", aria_hidden="true")
    return tag("p", sign, tag("strong", " Caution: "), words(text), class_="caution")


def _alarm(alarm: Alarm, owner: str, reader: Reader) -> str:
    over = alarm.state is AlarmState.RETURNED
    sign = OVER_SIGN if over else PRIORITY_SIGNS[alarm.priority]
    since = when(alarm.raised_s, reader.now_s, reader.zone)
    kind = "over" if over else alarm.priority.value
    parts = [
        tag("p", tag("span", sign, class_="sign", aria_hidden="true"), tag("strong", words(f" {alarm_title(alarm)}")),
            tag("span", words(f" since {since}"), class_="soft")),
        tag("p", words(alarm.text)),
    ]  # fmt: skip
    if alarm.shelved_until_s is not None:
        parts.append(
            tag(
                "p",
                words(f"kept quiet until {when(alarm.shelved_until_s, reader.now_s, reader.zone)}"),
                class_="soft",
            )
        )
    if reader.may_act:
        parts.append(tag("div", *_alarm_acts(alarm, owner), class_="acts"))
    urgent = " urgent" if alarm.priority is Priority.CRITICAL and not over else ""
    return tag("li", *parts, class_=f"alarm is-{kind}{urgent}")


def _alarm_acts(alarm: Alarm, owner: str) -> Iterator[str]:
    said = condition_words(alarm.condition, alarm.subject)
    if alarm.state in (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED):
        yield form(
            owner, "acknowledge", [hidden("condition", alarm.condition)],
            button("Acknowledge", f"Acknowledge {said}"),
        )  # fmt: skip
    if alarm.active and alarm.condition not in NEVER_SHELVED and alarm.shelved_until_s is None:
        options = [tag("option", f"{hours} h", value=hours) for hours in SHELF_HOURS]
        label = tag(
            "label", tag("span", "Quiet for "), tag("select", *options, name="hours"), class_="inline"
        )
        yield form(
            owner, "shelve", [hidden("condition", alarm.condition), label],
            button("Keep quiet", f"Keep {said} quiet", quiet=True),
        )  # fmt: skip


def _shelf(condition: str, until_s: float, owner: str, reader: Reader) -> str:
    said = f"{condition_words(condition)} is kept quiet until {when(until_s, reader.now_s, reader.zone)}. "
    act = ""
    if reader.may_act:
        end = button("Tell again", f"Tell of {condition_words(condition)} again", quiet=True)
        act = form(owner, "unshelve", [hidden("condition", condition)], end)
    return tag("div", tag("p", words(said)), act, class_="shelf")


def journal(name: str, entries: Sequence[JournalEntry], reader: Reader) -> str:
    """Return the newest entries, each of which can be taken back."""
    items = []
    for entry in entries:
        act = ""
        if reader.may_act:
            act = form(name, "strike", [hidden("entry", str(entry.id))],
                       button("Take back", f"Take back {entry.text}", quiet=True))  # fmt: skip
        at = tag("span", words(when(entry.time_s, reader.now_s, reader.zone)), class_="soft at")
        items.append(tag("li", at, " ", tag("span", words(entry.text), class_="entry"), act))
    return tag("ol", *items, class_="journal") if items else tag("p", "Nothing entered yet.", class_="soft")


def entry_forms(name: str, index: int) -> str:
    """Return the ways to write into the journal; these stay as they are while the page lives."""
    usual = [
        form(name, "journal", [hidden("text", text)], button(text, f"Enter {text} for {name}", quiet=True))
        for text in USUAL_ENTRIES
    ]
    numbered = [
        form(
            name, "journal",
            [
                tag("label", tag("span", words(f"{text} ")),
                    tag("input", type="text", inputmode="decimal", name="number", size=5, required="required",
                        autocomplete="off", pattern=r"-?[0-9]+([.,][0-9]+)?", title="a number"),
                    tag("span", words(f" {unit}")), class_="inline"),
                hidden("prefix", text),
            ],
            button("Enter", f"Enter {text} for {name}", quiet=True),
        )
        for text, unit in NUMBERED_ENTRIES
    ]  # fmt: skip
    free = form(
        name, "journal",
        [
            tag("label", tag("span", "Anything else"),
                tag("input", type="text", name="text", maxlength=500, required="required", autocomplete="off",
                    id=f"v{index}-entry")),
            tag("label", tag("span", "minutes ago"),
                tag("input", type="text", inputmode="numeric", name="minutes_ago", size=5, value="0",
                    pattern="[0-9]{1,5}", title="whole minutes", autocomplete="off"), class_="short"),
        ],
        button("Enter", f"Enter it for {name}"),
        class_="free",
    )  # fmt: skip
    return tag("div", *usual, class_="usual") + tag("div", *numbered, class_="usual") + free


def stage_forms(name: str) -> str:
    """Return the ways to set the stage right."""
    options = [tag("option", words(stage), value=stage) for stage in STAGES]
    chosen = tag(
        "label", tag("span", "It really is "), tag("select", *options, name="stage"), class_="inline"
    )
    return tag(
        "div",
        form(name, "stage", [chosen], button("Set the stage", f"Set the stage of {name}", quiet=True)),
        form(name, "stage", [hidden("stage", "undo")], button("Undo the last change", f"Undo the last change of stage of {name}", quiet=True)),
        class_="usual",
    )  # fmt: skip


def form(owner: str, act: str, fields: Sequence[str], submit: str, class_: str = "act") -> str:
    """Return a form that works by itself, and better with the page's script."""
    path = f"/api/v1/vessels/{quote(owner, safe='')}/{act}"
    return tag("form", *fields, submit, method="post", action=path, class_=class_, data_act=act)


def hidden(name: str, value: str) -> str:
    """Return a field that is not shown."""
    return tag("input", type="hidden", name=name, value=value)


def button(text: str, name: str, *, quiet: bool = False) -> str:
    """Return a button with a name that says by itself what it does."""
    return tag("button", words(text), type="submit", aria_label=name if name != text else None,
               class_="quiet" if quiet else None)  # fmt: skip
