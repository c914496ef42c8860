"""The drawing: well-formed, honest about spikes and gaps, everything named, nothing that could run."""

import re
import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest

from tests.daemon.chart.views import DAY_S, START_S, VESSEL, view
from ullage.daemon.chart.batch import BatchView, Curve, batch_picture, comparison_picture, valve_levels
from ullage.daemon.chart.drawing import draw
from ullage.daemon.chart.layout import DESK, LAYOUTS, PHONE, Layout
from ullage.daemon.chart.picture import Mark, MarkKind
from ullage.daemon.chart.style import RULES
from ullage.daemon.chart.units import PressureUnit, TemperatureUnit, Units
from ullage.daemon.local_time import LocalTime
from ullage.detectors.samples import Entry

SVG = "{http://www.w3.org/2000/svg}"
SPAN = (START_S, START_S + 10 * DAY_S)
UTC = LocalTime.named("UTC")


def chart(
    shown: BatchView, layout: Layout = DESK, span_s: tuple[float, float] = SPAN, units: Units | None = None
) -> ET.Element:
    """Draw and parse."""
    picture = batch_picture(shown, span_s, units or Units(), UTC, title="north")
    return ET.fromstring(draw(picture, layout))


def line(root: ET.Element, role: str) -> list[list[tuple[float, float]]]:
    """Return the points of a line, one list for each unbroken part, in pixels."""
    (path,) = [p for p in root.iter(f"{SVG}path") if p.get("class") == f"line {role}"]
    parts = []
    for part in re.findall(r"M(-?\d+) (-?\d+)l([^M]*)", path.get("d", "")):
        numbers = [int(n) for n in re.findall(r"-?\d+", part[2])]
        x, y = int(part[0]), int(part[1])
        points = [(x / 10, y / 10)]
        for dx, dy in zip(numbers[::2], numbers[1::2], strict=True):
            x, y = x + dx, y + dy
            points.append((x / 10, y / 10))
        parts.append(points)
    return parts


def panel(root: ET.Element, title: str) -> ET.Element:
    """Return one panel."""
    (found,) = [g for g in root.iter(f"{SVG}g") if g.get("data-title") == title]
    return found


def value_at(root: ET.Element, title: str, y: float) -> float:
    """Return the value that a height stands for, by the scale that the panel declares."""
    found = panel(root, title)
    low, high, top, bottom = (float(found.get(f"data-{k}", "nan")) for k in ("low", "high", "top", "bottom"))
    return low + (bottom - y) / (bottom - top) * (high - low)


def texts(root: ET.Element) -> list[str]:
    """Return all words that are drawn."""
    return [t.text or "" for t in root.iter(f"{SVG}text")]


@pytest.mark.parametrize("layout", LAYOUTS.values(), ids=LAYOUTS)
def test_spike_and_gap_survive(layout: Layout) -> None:
    """One reading of 2.4 bar among 14,400 is drawn as high as it was; eight silent hours break the line."""
    root = chart(view(), layout)
    parts = line(root, "pressure")
    assert len(parts) == 2
    highest = min(y for points in parts for _, y in points)
    assert value_at(root, "Pressure", highest) == pytest.approx(2.4, abs=0.02)
    width = layout.plot_right - layout.plot_left
    assert parts[0][-1][0] == pytest.approx(layout.plot_left + width * 0.5, abs=0.2)
    assert parts[1][0][0] == pytest.approx(layout.plot_left + width * (5 + 8 / 24) / 10, abs=0.3)
    silent = [r for r in root.iter(f"{SVG}rect") if r.get("class") == "silent"]
    assert [r.find(f"{SVG}title").text for r in silent] == ["no readings for 8.0 h"] * 2  # type: ignore[union-attr]


def test_a_gap_too_short_to_see_is_marked_all_the_same() -> None:
    """Twenty minutes in ten days are less than a phone's pixel, and still leave a mark of two."""
    time_s = START_S + np.arange(0.0, 10 * DAY_S, 60.0)
    heard = (time_s < START_S + 4 * DAY_S) | (time_s >= START_S + 4 * DAY_S + 1200)
    shown = replace(view(), pressure=Curve.of(time_s[heard], np.ones(heard.sum())))
    marks = [
        r for r in panel(chart(shown, PHONE), "Pressure").iter(f"{SVG}rect") if r.get("class") == "silent"
    ]
    assert [float(r.get("width", "0")) for r in marks] == [2.0]


@pytest.mark.parametrize("layout", LAYOUTS.values(), ids=LAYOUTS)
def test_everything_is_named(layout: Layout) -> None:
    """Range, limit and setting carry words; the picture has a title and tells in words what it shows."""
    root = chart(view(), layout)
    assert {"yeast 18 to 24 °C", "rated limit 2.50 bar", "valve 1.50 bar"} <= set(texts(root))
    title, words = root.find(f"{SVG}title"), root.find(f"{SVG}desc")
    assert title is not None
    assert words is not None
    assert root.get("aria-labelledby") == f"{title.get('id')} {words.get('id')}"
    assert "Pressure from 0.00 bar to 2.40 bar, last 1.50 bar." in (words.text or "")
    assert "Alarms: sensor silent (pressure)." in (words.text or "")


def test_marks_stand_at_their_times() -> None:
    """Each kind has its own shape, at its place in time, with its number and words."""
    root = chart(view())
    at = {
        kind: [
            float(re.match(r"M([\d.]+)", p.get("d", ""))[1])  # type: ignore[index]
            for p in root.iter(f"{SVG}path")
            if p.get("class") == f"mark mark-{kind}"
        ]
        for kind in ("journal", "alarm", "over")
    }
    width = DESK.plot_right - DESK.plot_left
    assert at["journal"] == pytest.approx([DESK.plot_left, DESK.plot_left + 0.7 * width], abs=0.1)
    assert at["alarm"] == pytest.approx([DESK.plot_left + 0.502 * width], abs=0.1)
    assert len(at["over"]) == 1
    assert len([c for c in root.iter(f"{SVG}circle") if c.get("class") == "mark mark-notice"]) == 2
    assert "3 sensor silent (pressure)" in texts(root)


def test_near_marks_share_a_symbol_that_shows_the_worst() -> None:
    """Within a symbol's width one stands for all, the most urgent kind wins, the numbers are a range."""
    near = tuple(
        Mark(time_s=START_S + DAY_S + n * 60, kind=kind, text=kind.value, number=n + 1)
        for n, kind in enumerate((MarkKind.JOURNAL, MarkKind.ALARM, MarkKind.NOTICE))
    )
    root = chart(replace(view(), marks=near), PHONE)
    assert "1–3" in texts(root)
    symbols = [e.get("class") for e in root.iter() if (e.get("class") or "").startswith("mark ")]
    assert symbols == ["mark mark-alarm"]


@pytest.mark.parametrize(
    ("units", "expected"),
    [
        # 2.5 bar = 36.26 psi (1 psi = 6.894757 kPa, NIST SP 811); 18 and 24 °C = 64.4 and 75.2 °F
        (Units(TemperatureUnit.FAHRENHEIT, PressureUnit.PSI), {"rated limit 36.3 psi", "yeast 64 to 75 °F"}),
        (Units(TemperatureUnit.CELSIUS, PressureUnit.KPA), {"rated limit 250 kPa", "valve 150 kPa"}),
    ],
)
def test_units_by_choice(units: Units, expected: set[str]) -> None:
    """Scales and words are in the reader's units; the shape stays."""
    root = chart(view(), units=units)
    assert expected <= set(texts(root))
    highest = min(y for points in line(root, "pressure") for _, y in points)
    assert value_at(root, "Pressure", highest) == pytest.approx(units.shown_pressure(2.4), rel=0.01)


def test_hostile_names_stay_words() -> None:
    """What comes from the journal is escaped, and what XML can't hold is left out."""
    entry = Entry(time_s=START_S + DAY_S, text='<script>alert(1)</script>"\x00\x1b\ud800&')
    shown = replace(view(), marks=(Mark(time_s=entry.time_s, kind=MarkKind.JOURNAL, text=entry.text),))
    picture = batch_picture(shown, SPAN, Units(), UTC, title="]]><x onload='y'>")
    text = draw(picture, DESK, theme="auto")
    root = ET.fromstring(text)
    assert "<script" not in text
    assert not [e for e in root.iter() if any(name.startswith("on") for name in e.attrib)]
    assert any("<script>alert(1)</script>" in words for words in texts(root))


def test_nothing_is_inline_without_a_theme() -> None:
    """On the page the style comes from a file: no style element, no style attribute, no script."""
    text = draw(batch_picture(view(), SPAN, Units(), UTC, title="n"), DESK)
    assert "<style" not in text
    assert "style=" not in text
    assert "<script" not in text


def test_an_impossible_value_widens_no_scale() -> None:
    """A thermometer's power-on value leaves the panel at its edge; what can be seen stays readable."""
    celsius = view().temperature.value.copy()
    celsius[500] = 85.0
    shown = replace(view(), temperature=replace(view().temperature, value=celsius))
    assert (
        value_at(chart(shown), "Temperature", float(panel(chart(shown), "Temperature").get("data-top", "0")))
        < 30
    )


@pytest.mark.parametrize("layout", LAYOUTS.values(), ids=LAYOUTS)
def test_the_air_is_a_thin_second_line_with_its_name(layout: Layout) -> None:
    """Below the beer's, on its scale, named behind a piece of it, told in words; its gap is one in its own line alone."""
    time_s = START_S + np.arange(0.0, 10 * DAY_S, 600.0)
    cool = np.where(time_s < START_S + 8 * DAY_S, 12.0, 2.0)
    heard = (time_s < START_S + 2 * DAY_S) | (time_s > START_S + 3 * DAY_S)
    shown = replace(view(), air=Curve.of(time_s[heard], cool[heard]))
    root = chart(shown, layout)
    parts = line(root, "air")
    assert len(parts) == 2
    assert value_at(root, "Temperature", parts[0][0][1]) == pytest.approx(12.0, abs=0.1)
    assert value_at(root, "Temperature", parts[1][-1][1]) == pytest.approx(2.0, abs=0.1)
    classes = [p.get("class", "") for p in panel(root, "Temperature").iter(f"{SVG}path")]
    assert classes.index("line air") < classes.index("line temperature")
    assert "key-air" in classes
    assert "Air" in texts(root)
    assert "Air from 2.0 °C to 12.0 °C, last 2.0 °C." in (root.findtext(f"{SVG}desc") or "")
    silent = [r for r in panel(root, "Temperature").iter(f"{SVG}rect") if r.get("class") == "silent"]
    assert len(silent) == 1  # the beer's own
    widths = {
        name: float(re.search(rf"\.line{name}{{[^}}]*stroke-width:(\d+)", RULES)[1])  # type: ignore[index]
        for name in ("", r"\.air")
    }
    assert widths[r"\.air"] < 0.6 * widths[""]  # told apart without a colour


def test_without_a_thermometer_in_the_air_nothing_is_said_of_it() -> None:
    """Nor is it named where the time that is shown has none of its readings."""
    shown = replace(view(), air=Curve.of(START_S + np.arange(0.0, 1800.0, 600.0), np.full(3, 12.0)))
    late = chart(shown, span_s=(START_S + 5 * DAY_S, START_S + 8 * DAY_S))
    for root in (chart(view()), late):
        assert "Air" not in texts(root)
        assert "key-air" not in [p.get("class") for p in root.iter(f"{SVG}path")]
    assert "Air" not in (chart(view()).findtext(f"{SVG}desc") or "")


def test_a_number_is_not_written_upon_words() -> None:
    """Where five marks stand close together, the words of three leave no room for the numbers of the others."""
    near = tuple(
        Mark(
            time_s=START_S + DAY_S * (5 + 0.3 * n),
            kind=MarkKind.NOTICE,
            text="finish suspected",
            number=n + 1,
        )
        for n in range(5)
    )
    root = chart(replace(view(), marks=near))
    lowest = max(
        float(t.get("y", "0")) for t in root.iter(f"{SVG}text") if (t.text or "").endswith("suspected")
    )
    numbers = [t for t in root.iter(f"{SVG}text") if t.text in {"1", "2", "3", "4", "5"}]
    words = [
        t
        for t in root.iter(f"{SVG}text")
        if (t.text or "").endswith("suspected") and t.get("y") == f"{lowest:g}"
    ]
    assert len(words) == 1
    left = float(words[0].get("x", "0"))
    right = left + DESK.text_width(words[0].text or "")
    assert all(not left - 4 < float(t.get("x", "0")) < right + 4 for t in numbers)


def test_an_empty_batch_says_so() -> None:
    """No readings make a chart that says that there are none."""
    said = texts(chart(BatchView(vessel=VESSEL), PHONE))
    assert said.count("no readings here") == 2
    assert "can be measured only while no gas can leave" in said


def test_valve_settings_follow_the_journal() -> None:
    """`valve set`, `valve shut` and `valve opened` begin and end the dotted line."""
    entries = [
        Entry(time_s=1.0, text="valve set 1.2"),
        Entry(time_s=2.0, text="valve shut"),
        Entry(time_s=3.0, text="valve opened"),
    ]
    found = [(level.value, level.from_s, level.to_s) for level in valve_levels(VESSEL, entries, Units())]
    assert found == [(1.5, None, 1.0), (1.2, 1.0, 2.0), (1.2, 3.0, None)]


def test_two_batches_count_from_pitching() -> None:
    """Laid over each other, both begin at day 0, the second dashed and named."""
    late = view()
    later = replace(
        late,
        pressure=Curve.of(late.pressure.time_s + 40 * DAY_S, late.pressure.value * 0.5),
        temperature=Curve.of(late.temperature.time_s + 40 * DAY_S, late.temperature.value),
    )
    picture = comparison_picture(view(), later, (START_S, START_S + 40 * DAY_S), ("March", "April"), Units())
    root = ET.fromstring(draw(picture, DESK))
    assert line(root, "pressure")[0][0][0] == pytest.approx(DESK.plot_left)
    assert {"March", "April", "day 1", "day 9"} <= set(texts(root))
    others = [p for p in panel(root, "Pressure").iter(f"{SVG}path") if p.get("class") == "line other"]
    assert len(others) == 1


@pytest.mark.parametrize(("layout", "most"), [(PHONE, 40_000), (DESK, 110_000)], ids=["phone", "desk"])
def test_bytes_stay_few(layout: Layout, most: int) -> None:
    """A noisy fortnight at 1 Hz stays within the bytes that a phone loads at once."""
    rng = np.random.default_rng(1)
    time_s = START_S + np.arange(0.0, 14 * DAY_S, 10.0)
    noisy = replace(
        view(),
        pressure=Curve.of(time_s, 1.5 + rng.normal(0, 0.003, len(time_s))),
        temperature=Curve.of(time_s, 20 + rng.normal(0, 0.05, len(time_s))),
    )
    picture = batch_picture(noisy, (START_S, START_S + 14 * DAY_S), Units(), UTC, title="n")
    assert len(draw(picture, layout)) < most
