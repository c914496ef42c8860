"""The report as one HTML file: no script, no picture, font or style from anywhere else."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from ullage.daemon.chart.batch import batch_picture, condition_words
from ullage.daemon.chart.drawing import draw
from ullage.daemon.chart.layout import DESK, PHONE
from ullage.daemon.chart.picture import MarkKind, Picture
from ullage.daemon.chart.svg import tag, words
from ullage.daemon.chart.units import Units
from ullage.daemon.local_time import LocalTime
from ullage.daemon.report.explained import Explained, worth_a_picture
from ullage.daemon.report.gathered import Replay, VesselStory
from ullage.daemon.report.look import report_css
from ullage.daemon.report.meaning import numbers_words, rule_words
from ullage.daemon.report.settings_used import SettingRow, detector_rows, vessel_rows
from ullage.daemon.times import duration_text, local_text
from ullage.detectors.finding import NOTICES, Condition, Finding, State

MOST_PICTURES = 60
"""More zooms than this would make a file that no phone opens; the list names all the same."""
POLICY = "default-src 'none'; style-src 'unsafe-inline'"
CAUTION = (
    "ullage observes; it is not a safety device. The vessel's relief valve protects. Keep every pressure vessel within "
    "its rated limit and inspection date, and air the room: CO₂ gathers in closed rooms. Follow your local codes."
)
_LIMITED = frozenset({Condition.OVER_PRESSURE, Condition.PRESSURE_RISING})
"""Charts of these reach up to the rated limit; the others would show their readings as a flat line below it."""
_SIGNS = {MarkKind.JOURNAL: "◆", MarkKind.NOTICE: "●", MarkKind.OVER: "○", MarkKind.ALARM: "▲"}
_KIND_WORDS = {
    MarkKind.JOURNAL: "entered in the journal",
    MarkKind.NOTICE: "notice",
    MarkKind.OVER: "alarm over",
    MarkKind.ALARM: "alarm",
}


def report_html(replay: Replay, units: Units, zone: LocalTime) -> str:
    """Return the whole file."""
    names = ", ".join(story.watched.vessel.name for story in replay.vessels)
    body = [
        tag("h1", words(f"Replay of {replay.log}: {names}")),
        *(part for story in replay.vessels for part in _vessel(story, units, zone)),
        *_bad_rows(replay),
        *_reading_help(),
        tag("p", words(CAUTION), class_="soft"),
    ]
    head = [
        tag("meta", charset="utf-8"),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("meta", http_equiv="Content-Security-Policy", content=POLICY),
        tag("title", words(f"{names}: replay of {replay.log}")),
        tag("style", report_css()),
    ]
    return "<!doctype html>\n" + tag(
        "html", tag("head", *head), tag("body", tag("main", *body)), lang="en"
    ) + "\n"  # fmt: skip


def whole_picture(story: VesselStory, units: Units, zone: LocalTime) -> Picture:
    """Return the chart of a vessel's whole log."""
    name = story.watched.vessel.name
    return batch_picture(story.view, story.span_s, units, zone, title=f"{name}, whole log")


def _vessel(story: VesselStory, units: Units, zone: LocalTime) -> Iterator[str]:
    name = story.watched.vessel.name
    start_s, end_s = story.span_s
    yield tag("h2", words(name))
    repeats = f", {story.repeated:,} left out as repeats" if story.repeated else ""
    yield tag(
        "p",
        words(
            f"{local_text(start_s, zone)} to {local_text(end_s, zone)}, {duration_text(end_s - start_s)}; "
            f"{story.readings:,} readings{repeats}."
        ),
    )
    yield tag("p", words(_in_short(story.told)))
    yield _figure(
        whole_picture(story, units, zone), f"{_id(name)}-all", "The whole log; numbers as in the list below."
    )
    yield _list(story, zone)
    yield from _stages(story, zone)
    pictures = 0
    for one in story.told:
        if worth_a_picture(one.finding):
            pictures += 1
            yield _told(one, story, units, zone, draw_it=pictures <= MOST_PICTURES)
    if not story.told:
        yield tag("p", "Nothing was told about this vessel.")
    yield tag("h3", words(f"Settings used for {name}"))
    yield _settings([*vessel_rows(story.watched.vessel, units), *detector_rows(story.watched)])


def _in_short(told: Sequence[Explained]) -> str:
    """Return how many of which were told."""
    counts: dict[str, int] = {}
    for one in told:
        if worth_a_picture(one.finding):
            said = condition_words(one.finding.condition.value)
            counts[said] = counts.get(said, 0) + 1
    parts = [f"{said} ({count} times)" if count > 1 else said for said, count in counts.items()]
    return f"Told, in this order: {', '.join(parts)}." if parts else "Nothing was told."


def _list(story: VesselStory, zone: LocalTime) -> str:
    rows = [
        tag(
            "tr",
            tag("td", str(mark.number), class_="number"),
            tag("td", words(local_text(mark.time_s, zone))),
            tag("td", words(f"{_SIGNS[mark.kind]} {_KIND_WORDS[mark.kind]}"), class_="alarm" if mark.kind is MarkKind.ALARM else None),
            tag("td", tag("a", words(mark.text), href=f"#{_anchor(story, mark.number)}") if mark.number in _pictured(story) else words(mark.text)),
        )
        for mark in story.marks
    ]  # fmt: skip
    head = tag("tr", *(tag("th", text, scope="col") for text in ("No.", "When", "Kind", "What")))
    return tag("div", tag("table", tag("thead", head), tag("tbody", *rows)), class_="wide") if rows else ""


def _pictured(story: VesselStory) -> frozenset[int]:
    return frozenset(one.number for one in story.told if worth_a_picture(one.finding))


def _stages(story: VesselStory, zone: LocalTime) -> Iterator[str]:
    if not story.trace.stages:
        return
    yield tag("h3", "Stages of the batch")
    rows = [
        tag(
            "tr",
            tag("td", words(local_text(change.since_s, zone))),
            tag("td", words(change.stage.value)),
            tag("td", words(change.why + (" (taken back)" if change.undone_s is not None else ""))),
        )
        for change in story.trace.stages
    ]
    head = tag("tr", *(tag("th", text, scope="col") for text in ("Since", "Stage", "Why")))
    yield tag("div", tag("table", tag("thead", head), tag("tbody", *rows)), class_="wide")


def _told(one: Explained, story: VesselStory, units: Units, zone: LocalTime, *, draw_it: bool) -> str:
    finding = one.finding
    kind = MarkKind.NOTICE if finding.condition in NOTICES else MarkKind.ALARM
    title = condition_words(finding.condition.value, finding.subject)
    parts = [
        tag("h3", tag("span", _SIGNS[kind], class_="sign", aria_hidden="true"), words(f" {one.number} {title}"),
            id=_anchor(story, one.number)),
        tag("p", words(_when(finding, story, zone)), class_="soft"),
        tag("p", words(finding.text)),
    ]  # fmt: skip
    if finding.evidence:
        items = "".join(tag("li", words(item)) for item in finding.evidence)
        parts.append(tag("p", "Why: ") + tag("ul", items))
    rule = rule_words(finding.condition, story.watched)
    parts += [tag("p", words(said)) for said in (numbers_words(finding),) if said]
    parts += [tag("p", words(said), class_="soft") for said in (rule,) if said]
    if draw_it:
        view = replace(story.view, spans=one.spans, slopes=one.slopes)
        picture = batch_picture(
            view,
            one.span_s,
            units,
            zone,
            title=f"{title}: what led to it",
            now_s=finding.time_s,
            with_limit=finding.condition in _LIMITED,
        )
        caption = " ".join(one.sentences) or "The hours before and after; the dotted upright is the moment."
        parts.append(_figure(picture, f"{_id(story.watched.vessel.name)}-{one.number}", caption))
    ended = _ended(one, story)
    if ended is not None:
        parts.append(
            tag(
                "p",
                words(
                    f"Over {local_text(ended.time_s, zone)}, after {duration_text(ended.time_s - finding.time_s)}: {ended.text}"
                ),
            )
        )
    return tag("section", *parts, class_=f"told {kind.value}")


def _when(finding: Finding, story: VesselStory, zone: LocalTime) -> str:
    day = (finding.time_s - story.span_s[0]) / 86_400
    grade = f", priority {finding.priority.value}" if finding.state is State.RAISED else ""
    return f"{local_text(finding.time_s, zone)}, day {day:.1f} of the log{grade}"


def _ended(one: Explained, story: VesselStory) -> Finding | None:
    """Return the finding that ended an alarm."""
    if one.finding.state is not State.RAISED:
        return None
    later = (other.finding for other in story.told if other.finding.time_s >= one.finding.time_s)
    same = (f for f in later if (f.condition, f.subject) == (one.finding.condition, one.finding.subject))
    return next((f for f in same if f.state is State.CLEARED), None)


def _figure(picture: Picture, prefix: str, caption: str) -> str:
    charts = [draw(picture, layout, prefix=prefix) for layout in (DESK, PHONE)]
    return tag("figure", *charts, tag("figcaption", words(caption)))


def _settings(rows: Iterable[SettingRow]) -> str:
    body = [
        tag(
            "tr",
            tag("td", words(row.name)),
            tag("td", words(row.value)),
            tag("td", words(f"default {row.default}" if row.default else "")),
        )
        for row in rows
    ]
    head = tag("tr", *(tag("th", text, scope="col") for text in ("Setting", "Value", "Changed from")))
    return tag("div", tag("table", tag("thead", head), tag("tbody", *body)), class_="wide")


def _bad_rows(replay: Replay) -> Iterator[str]:
    bad = replay.bad_rows
    yield tag("h2", "Bad rows")
    if not bad.total:
        yield tag("p", words(f"None: all {replay.lines:,} lines could be used."))
        return
    reasons = ", ".join(f"{reason.value} {count}" for reason, count in sorted(bad.by_reason.items()))
    yield tag("p", words(f"{bad.total:,} of {replay.lines:,} lines were left out ({reasons}). The first:"))
    rows = [
        tag("tr", tag("td", str(line), class_="number"), tag("td", words(why))) for line, why in bad.first
    ]
    head = tag("tr", tag("th", "Line", scope="col"), tag("th", "Why", scope="col"))
    yield tag("div", tag("table", tag("thead", head), tag("tbody", *rows)), class_="wide")


def _reading_help() -> Iterator[str]:
    yield tag("h2", "How to read the charts")
    signs = "".join(tag("li", words(f"{_SIGNS[kind]} {_KIND_WORDS[kind]}")) for kind in MarkKind)
    yield tag("ul", signs)
    yield tag(
        "p",
        words(
            "Production is measured only where gas can't leave: each dot is a rate with its 99.7 % interval. A bar at the "
            "foot of a panel says that nothing was heard there. Pressure is gauge pressure. Times are local."
        ),
    )


def _anchor(story: VesselStory, number: int) -> str:
    return f"{_id(story.watched.vessel.name)}-told-{number}"


def _id(name: str) -> str:
    """Return a name as it may stand in an id: letters and digits, anything else by its number."""
    return "v" + "".join(c if c.isascii() and c.isalnum() else f"_{ord(c):x}_" for c in name)
