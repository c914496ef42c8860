"""Whole documents: the cellar, past batches, a comparison, the way in."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from urllib.parse import quote, urlencode

from ullage.adapters.reading import Quantity
from ullage.daemon.chart.batch_spans import BatchSpan
from ullage.daemon.chart.svg import tag, words
from ullage.daemon.chart.units import PressureUnit, TemperatureUnit, Units
from ullage.daemon.page import cards, glance
from ullage.daemon.page.cards import Reader
from ullage.daemon.page.cellar import Cellar
from ullage.daemon.page.words import summary
from ullage.daemon.status import VesselStatus
from ullage.daemon.times import duration_text
from ullage.detectors.finding import Priority

CAUTION = (
    "ullage observes; the vessel's relief valve protects. Keep within the rated limit and the inspection date, air the "
    "room (CO₂), keep mains electricity from liquids, follow your local codes. A missing message is no reason to skip a "
    "look."
)
RANGES = (("6h", "6 h"), ("1d", "1 day"), ("3d", "3 days"), ("10d", "10 days"), ("batch", "whole batch"))

MOVES = (
    ("earlier", "◀", "Earlier"),
    ("later", "▶", "Later"),
    ("in", "+", "Closer"),
    ("out", "−", "Wider"),
)


@dataclass(frozen=True, slots=True)
class Parts:
    """The pieces of a document that change, by the id of the element that holds each."""

    html: dict[str, str]


_MEASURED = frozenset({Quantity.PRESSURE, Quantity.TEMPERATURE})


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """What a demonstration has otherwise than a page of real vessels."""

    note: str = ""
    """Said above everything else."""
    chart_every_s: float = 20.0
    """How often an open page draws its charts anew."""


def parts(cellar: Cellar, statuses: Sequence[VesselStatus], reader: Reader) -> Parts:
    """Return every changing piece."""
    found = {"summary": words(_summary(cellar, statuses, reader)), "sources": _sources(cellar)}
    found["glance"] = _glance(cellar, statuses, reader)
    for status in statuses:
        if not status.name:
            found["installation"] = cards.alarms(status, reader)
            continue
        index = cellar.names().index(status.name)
        found[f"v{index}-head"] = cards.head(status, reader)
        found[f"v{index}-now"] = cards.now(
            status, cellar.vessel(status.name), reader, cellar.stale_after_s(status.name)
        )
        found[f"v{index}-alarms"] = cards.alarms(status, reader, heard=_heard(cellar, status, reader.now_s))
        found[f"v{index}-told"] = cards.told(status, reader)
        found[f"v{index}-journal"] = cards.journal(status.name, cellar.entries(status.name), reader)
    return Parts(found)


def cellar_page(cellar: Cellar, changing: Parts, reader: Reader, *, may_leave: bool, look: Look) -> str:
    """Return the page of all vessels."""
    names = cellar.names()
    held = {
        key: tag("div", html, id=key) if html else f'<div id="{key}"></div>'
        for key, html in changing.html.items()
    }
    body = [
        tag("h1", "Cellar", class_="visually-hidden"),
        tag("p", changing.html["summary"], id="summary", role="status"),
        tag("p", "not live: this page shows how it was when it was loaded", id="link", role="status"),
        tag("p", words(look.note), class_="note") if look.note else "",
        tag("nav", held["glance"], aria_label="Vessels", class_="glance") if len(names) > 1 else "",
        held["sources"],
        tag("section", tag("h2", "The installation itself", class_="visually-hidden"), held["installation"]),
        *(_vessel(name, index, held, reader) for index, name in enumerate(names)),
    ]
    pace = tag("div", " ", id="pace", hidden="hidden", data_chart_ms=round(look.chart_every_s * 1000))
    return document("Cellar", [pace, *body], reader, live=True, may_leave=may_leave)


def _vessel(name: str, index: int, held: dict[str, str], reader: Reader) -> str:
    acts = ""
    if reader.may_act:
        forms = (
            ("Enter in the journal", cards.entry_forms(name, index)),
            ("Set the stage right", cards.stage_forms(name)),
        )
        acts = "".join(tag("details", tag("summary", title), html, class_="acting") for title, html in forms)
    past = tag("p", tag("a", words(f"Batches of {name}"), href=f"/history?vessel={quote(name, safe='')}"))
    return tag(
        "article",
        tag("h2", words(name), id=f"v{index}-name"),
        held[f"v{index}-head"],
        held[f"v{index}-alarms"],
        held[f"v{index}-now"],
        held[f"v{index}-told"],
        _plot(name),
        acts,
        tag("details", tag("summary", "Journal"), held[f"v{index}-journal"]),
        past,
        id=f"v{index}",
        class_="vessel",
        aria_labelledby=f"v{index}-name",
    )


def _plot(name: str) -> str:
    """Return the place of a vessel's chart, with the ways to other spans."""
    at = f"/vessels/{quote(name, safe='')}"
    buttons = [
        tag("button", text, type="button", data_range=key, aria_pressed=str(key == "batch").lower())
        for key, text in RANGES
    ]
    buttons += [
        tag("button", sign, type="button", data_move=move, aria_label=said) for move, sign, said in MOVES
    ]
    hint = "Touch or point at the chart for its numbers; arrow keys move along it."
    still = tag("noscript", tag("img", src=f"{at}/chart.svg?layout=phone", alt=f"Chart of {name}"))
    return tag(
        "section",
        tag("h3", words(f"Chart of {name}"), class_="visually-hidden"),
        tag("div", *buttons, class_="ranges", role="group", aria_label=f"What the chart of {name} shows"),
        tag("p", hint, class_="readout soft", aria_live="polite"),
        tag(
            "div",
            still,
            class_="holder",
            tabindex=0,
            role="group",
            aria_label=f"Chart of {name}; arrow keys move through the readings",
        ),
        tag("details", tag("summary", "What the numbers in the chart mean"), '<ol class="marks"></ol>'),
        class_="plot",
        data_chart=at,
    )


def history_page(
    spans: Iterable[BatchSpan], names: Sequence[str], chosen: str, reader: Reader, *, may_leave: bool
) -> str:
    """Return the list of batches, to look at one or to lay two over each other."""
    rows, options = [], []
    for span in spans:
        began = _date(span.start_s, reader)
        ended = "goes on" if span.end_s is None else _date(span.end_s, reader)
        length = duration_text((reader.now_s if span.end_s is None else span.end_s) - span.start_s)
        key = f"{span.vessel}/{span.key}"
        look = "/batch?" + urlencode({"of": key})
        save = f"/export/{quote(span.vessel, safe='')}.csv?" + urlencode(
            {"from": f"{span.start_s:.3f}"} | ({} if span.end_s is None else {"to": f"{span.end_s:.3f}"})
        )
        said = f"{span.vessel}: {span.name}"
        rows.append(
            tag(
                "tr",
                tag("td", tag("a", words(said), href=look)),
                tag("td", words(began)),
                tag("td", words(ended)),
                tag("td", words(length)),
                tag(
                    "td", tag("a", "as a log", href=save, download="download", aria_label=f"{said} as a log")
                ),
            )
        )
        options.append(tag("option", words(f"{said}, {began}"), value=key))
    head = tag(
        "tr", *(tag("th", text, scope="col") for text in ("Batch", "Began", "Ended", "Took", "Readings"))
    )
    body = [tag("h1", "Batches"), _choose(names, chosen)]
    if rows:
        body.append(tag("div", tag("table", tag("thead", head), tag("tbody", *rows)), class_="wide"))
    else:
        body.append(tag("p", "Nothing has been recorded yet."))
    if len(options) > 1:
        body += [tag("h2", "Two over each other, from pitching"), _compare_form(options)]
    return document("Batches", body, reader, may_leave=may_leave)


def _date(time_s: float, reader: Reader) -> str:
    """Return a date with its time, and with its year where that is not this one."""
    then = reader.zone.at(time_s)
    year = "" if then.year == reader.zone.at(reader.now_s).year else f" {then.year}"
    return f"{then:%a} {then.day} {then:%b}{year} {then:%H:%M}"


def comparison_title(first: BatchSpan, second: BatchSpan) -> str:
    """Return what stands above two batches."""
    if first.vessel == second.vessel:
        return f"{first.vessel}: {first.name} and {second.name}"
    return f"{first.vessel}: {first.name}, and {second.vessel}: {second.name}"


def _choose(names: Sequence[str], chosen: str) -> str:
    links = [
        tag(
            "a",
            words(name),
            href=f"/history?vessel={quote(name, safe='')}",
            aria_current="true" if name == chosen else None,
        )
        for name in names
    ]
    every = tag("a", "all vessels", href="/history", aria_current=None if chosen else "true")
    return tag("nav", every, *links, aria_label="Vessels", class_="jump")


def _compare_form(options: Sequence[str]) -> str:
    other = [options[1].replace("<option", '<option selected="selected"'), options[0], *options[2:]]
    return tag(
        "form",
        tag("label", tag("span", "This one"), tag("select", *options, name="a")),
        tag("label", tag("span", "with this one"), tag("select", *other, name="b")),
        tag("button", "Compare", type="submit"),
        method="get",
        action="/compare",
        class_="free",
    )


def chart_page(
    title: str, charts: Sequence[str], below: Sequence[str], reader: Reader, *, may_leave: bool
) -> str:
    """Return a page with one chart, in both layouts."""
    body = [tag("h1", words(title)), tag("figure", *charts), *below]
    return document(title, body, reader, may_leave=may_leave)


def login_page(failed: str = "") -> str:
    """Return the way in."""
    body = [
        tag("h1", "ullage"),
        tag("p", words(failed), role="alert", class_="failed") if failed else "",
        tag(
            "form",
            tag("label", tag("span", "Token"),
                tag("input", type="password", name="token", autocomplete="current-password", required="required",
                    maxlength=200)),
            tag("button", "Come in", type="submit"),
            method="post", action="/login", class_="free",
        ),
        tag("p", "The token stands in the file that page.token_file names in the configuration.", class_="soft"),
    ]  # fmt: skip
    return _html("Come in", tag("main", *body), script=False)


def message_page(title: str, text: str) -> str:
    """Return a page that says one thing."""
    body = [
        tag("h1", words(title)),
        tag("p", words(text)),
        tag("p", tag("a", "Back to the cellar", href="/")),
    ]
    return _html(title, tag("main", *body), script=False)


def document(
    title: str, body: Sequence[str], reader: Reader, *, live: bool = False, may_leave: bool = False
) -> str:
    """Return a page with what all pages have: ways to others, the reader's units, the caution."""
    ways = [
        tag("a", "Cellar", href="/"),
        tag("a", "Batches", href="/history"),
        tag("a", "For programs", href="/api/v1/openapi.json"),
    ]
    leave = (
        tag("form", tag("button", "Leave", type="submit", class_="quiet"), method="post", action="/logout")
        if may_leave
        else ""
    )
    header = tag("header", tag("nav", *ways, aria_label="Pages"), leave)
    skip = tag("a", "To the vessels", href="#main", class_="skip")
    foot = tag("footer", _units_form(reader.units), tag("p", words(CAUTION), class_="soft"))
    told = '<div id="told" role="status" aria-live="polite"></div>' if live else ""
    return _html(
        title, skip + header + tag("main", *body, id="main") + told + foot, script=live, refresh=live
    )


def _units_form(units: Units) -> str:
    def choice(name: str, values: Iterable[tuple[str, str]], chosen: str, said: str) -> str:
        options = [
            tag("option", words(text), value=value, selected="selected" if value == chosen else None)
            for value, text in values
        ]
        return tag("label", tag("span", f"{said} "), tag("select", *options, name=name), class_="inline")

    return tag(
        "form",
        choice("temperature", ((u.value, f"°{u.value}") for u in TemperatureUnit), units.temperature.value, "Temperature in"),
        choice("pressure", ((u.value, u.value) for u in PressureUnit), units.pressure.value, "pressure in"),
        tag("button", "Use these units", type="submit", class_="quiet"),
        method="post", action="/preferences", class_="act",
    )  # fmt: skip


def _html(title: str, body: str, *, script: bool, refresh: bool = False) -> str:
    head = [
        tag("meta", charset="utf-8"),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("meta", name="color-scheme", content="light dark"),
        tag("title", words(f"{title} · ullage")),
        tag("link", rel="stylesheet", href="/static/page.css"),
        tag("link", rel="icon", href="/static/icon.svg", type="image/svg+xml"),
    ]
    if script:
        head.append('<script src="/static/page.js" defer="defer"></script>')
    if refresh:
        head.append(tag("noscript", tag("meta", http_equiv="refresh", content="30")))
    return "<!doctype html>\n" + tag("html", tag("head", *head), tag("body", body), lang="en") + "\n"


def _heard(cellar: Cellar, status: VesselStatus, now_s: float) -> bool:
    """Tell whether every sensor that a vessel has speaks."""
    fresh = {
        quantity
        for quantity, reading in status.latest.items()
        if now_s - reading.time_s <= cellar.stale_after_s(status.name)
    }
    return _MEASURED.issubset(fresh | cellar.unmeasured(status.name))


def _never_heard(cellar: Cellar, status: VesselStatus) -> bool:
    """Tell whether a sensor that a vessel has never spoke."""
    return not _MEASURED.issubset(status.latest.keys() | cellar.unmeasured(status.name))


def _glance(cellar: Cellar, statuses: Sequence[VesselStatus], reader: Reader) -> str:
    """Return all vessels in a few lines; nothing where there is only one."""
    named = [status for status in statuses if status.name]
    if len(named) < 2:
        return ""
    lines = [
        glance.line(
            status,
            cellar.names().index(status.name),
            reader,
            cellar.stale_after_s(status.name),
            heard=_heard(cellar, status, reader.now_s),
        )
        for status in named
    ]
    return tag("ul", *lines)


def _summary(cellar: Cellar, statuses: Sequence[VesselStatus], reader: Reader) -> str:
    active = [alarm for status in statuses for alarm in status.alarms if alarm.active]
    critical = sum(alarm.priority is Priority.CRITICAL for alarm in active)
    stale = sum(
        reader.now_s - reading.time_s > cellar.stale_after_s(status.name)
        for status in statuses
        for quantity, reading in status.latest.items()
        if quantity is not Quantity.GRAVITY
    )
    cautions = sum(len(status.cautions) for status in statuses)
    unheard = sum(_never_heard(cellar, status) for status in statuses if status.name)
    count = len(cellar.names())
    return f"{count} vessel{'s' * (count != 1)}: {summary(len(active), critical, stale, cautions, unheard)}"


def _sources(cellar: Cellar) -> str:
    """Say which sources are out of reach; nothing while all are there."""
    away = [health for health in cellar.sources_health() if not health.connected]
    items = [
        tag("li", words(f"✕ The source {health.name} is out of reach: {health.detail}")) for health in away
    ]
    return tag("ul", *items, class_="away") if items else ""
