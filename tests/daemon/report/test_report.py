"""The report of a replay, as a user gets it."""

import json
import math
import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path

import pytest

from tests.daemon.chart.test_png import pixels
from tests.daemon.configs import BARE, write
from tests.daemon.program import sentences, ullage
from ullage.adapters.timestamps import format_rfc3339

START_S = 1_772_355_600.0
HOUR_S = 3600.0
FIXTURE = Path(__file__).parents[3] / "replay_fixtures" / "heron_pitched_to_tap.csv.gz"


def bar_at(hours: float) -> float:
    """Return the pressure of an invented batch: a lag, a climb to the valve, a flat, a test of three hours, a leak."""
    if hours < 12:
        return 0.0
    if hours < 36:
        return (hours - 12) * 1.5 / 24
    if hours < 60:
        return 1.5
    if hours < 63:
        return 1.5 + (hours - 60) * 0.12
    return 1.5 if hours < 80 else 1.5 * math.exp(-(hours - 80) / 40)


def rows() -> Iterator[str]:
    """Yield a log of five days, a row a minute, with an hour's silence and two bad rows."""
    for minute in range(5 * 24 * 60):
        hours, stamp = minute / 60, format_rfc3339(START_S + minute * 60)
        wobble = (minute * 7919 % 13 - 6) / 4000
        if hours == 60:
            yield f"{stamp},north,journal,valve shut,\n"
        if hours == 63:
            yield f"{stamp},north,journal,valve opened <b>wide</b>,\n"
        if not 70 <= hours < 71:
            yield f"{stamp},north,pressure,{bar_at(hours) + wobble:.4f},bar\n"
        yield f"{stamp},north,temperature,{20 + wobble * 10:.3f},Cel\n"
        if minute % 10 == 0:
            yield f"{stamp},north/air,temperature,12.0,Cel\n"
    yield "yesterday,north,pressure,1.0,bar\n"
    yield f"{format_rfc3339(START_S)},north,pressure,<script>,bar\n"


@pytest.fixture(name="folder", scope="module")
def _folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("report")
    valve = ("rated_pressure_bar: 2.5", "rated_pressure_bar: 2.5, valve_pressure_bar: 1.5")
    write(folder, BARE + "detectors: {silent: {after_min: 20}}\n", valve)
    (folder / "log.csv").write_text("time,vessel,quantity,value,unit\n" + "".join(rows()))
    done = ullage(
        *("replay", folder / "log.csv", "--config", folder / "config.yaml"),
        *("--report", folder / "out.html", "--png", folder / "out.png"),
    )
    assert done.returncode == 0, sentences(done)
    (folder / "told.txt").write_text(done.stdout)
    return folder


class Found(HTMLParser):
    """Collects tags and words of a page, and complains of tags that don't close."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in ("meta", "link", "br"):
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words.append(data)


@pytest.fixture(name="page", scope="module")
def _page(folder: Path) -> Found:
    found = Found()
    found.feed((folder / "out.html").read_text())
    found.close()
    assert found.open == []
    return found


def test_the_air_is_drawn_where_the_log_has_it(page: Found) -> None:
    """As a line of its own, with its name."""
    assert "line air" in {attributes.get("class") for tag, attributes in page.tags if tag == "path"}
    assert "Air" in page.words


def test_it_opens_offline(folder: Path, page: Found) -> None:
    """No script, nothing that is loaded from anywhere, and a policy that forbids it; links stay inside."""
    text = (folder / "out.html").read_text()
    assert not re.findall(r"https?://(?!www\.w3\.org/2000/svg)", text)
    assert "url(http" not in text
    names = {tag for tag, _ in page.tags}
    assert not names & {"script", "link", "img", "iframe", "object"}
    assert not [a for _, attributes in page.tags for a in attributes if a.startswith("on") or a == "src"]
    ids = {attributes["id"] for _, attributes in page.tags if "id" in attributes}
    links = [attributes["href"] for tag, attributes in page.tags if tag == "a"]
    assert links
    assert all(link is not None and link[0] == "#" and link[1:] in ids for link in links)
    assert any((a.get("content") or "").startswith("default-src 'none'") for _, a in page.tags)


def test_ids_are_given_once(page: Found) -> None:
    """Charts in two layouts and many zooms share one document."""
    ids = [attributes["id"] for _, attributes in page.tags if "id" in attributes]
    assert len(ids) == len(set(ids))


def test_every_verdict_is_there_with_its_reasons(folder: Path, page: Found) -> None:
    """Each thing that replay prints stands in the report in the same words, evidence included."""
    told = re.sub(r"\s+", " ", (folder / "told.txt").read_text())
    text = re.sub(r"\s+", " ", " ".join(page.words))
    heads = [w.strip() for w in page.words if re.match(r" \d+ [a-z]", w)]
    for condition in ("activity", "held", "still fermenting", "leak", "sensor silent (pressure)"):
        assert any(head.endswith(condition) for head in heads), (condition, heads)
    for sentence in (
        "Still fermenting:",
        "shut for",
        "neither temperature nor the valve explains it",
        "a rise of pressure beyond gas law and solubility",
    ):
        assert sentence in told
        assert sentence in text
    assert "no way out for gas for" in text
    assert "Its 99.7 % interval runs from" in text or "the fit over" in text


def test_settings_and_bad_rows_are_named(page: Found) -> None:
    """What was changed is marked with its default; each bad row has its line and reason."""
    text = " ".join(page.words)
    assert "silent.after_min" in page.words
    assert page.words[page.words.index("silent.after_min") + 1] == "20"
    assert re.search(r"default 15", text)
    assert "2 of " in text
    assert "yesterday" in text
    assert "<script>" in text  # as words


def test_charts_show_the_fit(folder: Path) -> None:
    """The zoom of a tested verdict carries the shut stretch and the fitted line, in both layouts."""
    text = (folder / "out.html").read_text()
    section = re.search(
        r'<section class="told notice"><h3 id="[^"]*">(?:(?!</section>).)*still fermenting.*?</section>', text
    )
    assert section is not None
    charts = re.findall(r"<svg.*?</svg>", section[0])
    assert len(charts) == 2
    for chart in charts:
        root = ET.fromstring(chart)
        classes = [element.get("class") for element in root.iter()]
        assert "span-shut" in classes
        assert "slope" in classes
    assert "fit: " in section[0]


def test_the_still_picture(folder: Path) -> None:
    """--png is a picture of the whole log."""
    width, height, _ = pixels((folder / "out.png").read_bytes())
    assert (width, height > 500) == (1800, True)


def test_units_are_the_readers(folder: Path) -> None:
    """--pressure-unit and --temperature-unit reach every chart and the table."""
    done = ullage(
        *("replay", folder / "log.csv", "--config", folder / "config.yaml", "--report", folder / "us.html"),
        *("--pressure-unit", "psi", "--temperature-unit", "F"),
    )
    assert done.returncode == 0
    text = (folder / "us.html").read_text()
    assert "rated limit 36.3 psi" in text  # 2.5 bar, NIST SP 811
    assert "yeast 64 to 75 °F" in text


@pytest.mark.parametrize("option", ["--report", "--png"])
def test_a_place_that_cannot_be_written(folder: Path, option: str) -> None:
    """It is one sentence and exit code 1, and nothing half-written stays behind."""
    target = folder / "nowhere" / "out"
    done = ullage("replay", folder / "log.csv", "--config", folder / "config.yaml", option, target)
    assert done.returncode == 1
    assert "can't be written" in sentences(done)[-1]


def test_the_replay_says_the_same_with_a_report(folder: Path) -> None:
    """Looking on changes no verdict."""
    plain = ullage("replay", folder / "log.csv", "--config", folder / "config.yaml")
    assert plain.stdout == (folder / "told.txt").read_text()


def test_the_numbers_of_an_end_agree_with_it() -> None:
    """Where the end is told, the CO2 that may still come lies below the limit that stands beside it."""
    done = ullage("replay", FIXTURE, "--config", FIXTURE.with_name("heron_pitched_to_tap.yaml"), "--jsonl")
    told = [json.loads(line) for line in done.stdout.splitlines()]
    (end,) = [one for one in told if one["condition"] == "finished"]
    assert 0 < end["value"] <= end["limit"]


def test_a_close_look_shows_the_fit(tmp_path: Path) -> None:
    """Beside the end's verdict the pressure fills its panel, so that the fitted slope can be seen; the log fills the width."""
    config = FIXTURE.with_name("heron_pitched_to_tap.yaml")
    done = ullage("replay", FIXTURE, "--config", config, "--report", tmp_path / "out.html")
    assert done.returncode == 0, sentences(done)
    text = (tmp_path / "out.html").read_text()
    end = text[text.index("finished</h3>") :]
    chart = ET.fromstring(end[end.index("<svg") : end.index("</svg>") + 6])
    pressure = next(one for one in chart.iter() if one.get("data-title") == "Pressure")
    span_bar = float(pressure.get("data-high", "")) - float(pressure.get("data-low", ""))
    assert span_bar < 0.5
    slope = next(one for one in pressure.iter() if one.get("class") == "slope")
    ends = [float(y) for y in re.findall(r"[ML]\S+ (\S+?)(?=L|$)", slope.get("d", ""))]
    assert abs(ends[0] - ends[1]) > 4  # pixels
    first = text[text.index("activity</h3>") :]
    start_s = float(re.search(r'data-start="([\d.]+)"', first)[1])  # type: ignore[index]
    assert START_S - start_s < 2 * HOUR_S
