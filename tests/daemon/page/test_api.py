"""The interface for programs, and the documents: what is said, what is done, and what is refused."""

import re
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import quote

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from tests.daemon.page.kit import DAY_S, HOSTILE, START_S, Kit
from ullage.adapters.reading import Delivery, Quantity, Reading
from ullage.adapters.recorded_log import read_log
from ullage.daemon.alarm_states import AlarmState
from ullage.daemon.store import batches
from ullage.detectors.batch import Batch
from ullage.detectors.stage import NextStep

FORM = {"Content-Type": "application/x-www-form-urlencoded"}
HTML = {"Accept": "text/html,application/xhtml+xml"}
NORTH = "/api/v1/vessels/north"


def test_how_a_vessel_stands(kit: Kit) -> None:
    """Readings with age, stage, next step, carbonation; the same as `status --json`."""
    kit.live_a_day(1.0)
    told = kit.ask(NORTH).json()
    (vessel,) = told["vessels"]
    assert vessel["latest"]["pressure"]["value"] == pytest.approx(1.5, abs=0.01)
    assert vessel["latest"]["pressure"]["age_s"] == pytest.approx(60.0)
    assert vessel["stage"]["stage"] in ("active", "held at pressure")
    assert vessel["next"]["text"]
    # 1.5 bar at about 20 °C: 4.1 g/L by the carbonation charts of the trade (common practice, 5 %)
    assert vessel["carbonation"]["g_per_l"] == pytest.approx(4.1, rel=0.07)
    assert len(kit.ask("/api/v1/vessels").json()["vessels"]) == 2


def test_acknowledge_and_shelve(kit: Kit) -> None:
    """Acknowledged with who did it; over-pressure is never shelved, others are, and the shelf can be ended."""
    kit.over_pressure()
    assert kit.ask(f"{NORTH}/shelve", {"condition": "over-pressure", "hours": 1}).status == 400
    assert kit.ask(f"{NORTH}/acknowledge", {"condition": "over-pressure", "by": "Ada"}).json() == {
        "changed": 1
    }
    (alarm, *_) = kit.desk.standing("north")
    assert alarm.state is AlarmState.ACKNOWLEDGED
    assert alarm.acknowledged_by == "Ada 127.0.0.1"
    assert kit.ask(f"{NORTH}/acknowledge", {"condition": "over-pressure"}).json() == {"changed": 0}
    until = kit.ask(f"{NORTH}/shelve", {"condition": "leak", "hours": "4"}).json()["until"]
    assert until.startswith("2026-03-01T13:00")
    ((vessel, condition, until_s),) = kit.desk.shelved()
    assert (vessel, condition) == ("north", "leak")
    assert until_s == pytest.approx(kit.clock.wall_s() + 4 * 3600)
    assert kit.ask(f"{NORTH}/unshelve", {"condition": "leak"}).json() == {"changed": 1}
    assert kit.ask(f"{NORTH}/unshelve", {"condition": "leak"}).json() == {"changed": 0}


def test_the_installation_has_alarms_too(kit: Kit) -> None:
    """Alarms about sources and database are acknowledged under their own name; it has no journal."""
    kit.desk.report("source-lost", True, "The broker is out of reach.", subject="cellar")
    assert kit.ask("/api/v1/vessels/installation/acknowledge", {}).json() == {"changed": 1}
    assert kit.ask("/api/v1/vessels/installation/journal", {"text": "x"}).status == 404
    assert kit.ask("/api/v1/vessels/installation/readings").status == 404


def test_the_journal(kit: Kit) -> None:
    """Entered now or some minutes ago, listed, taken back; the running detectors take them in."""
    kit.read(0.5, 20.0)
    entry = kit.ask(f"{NORTH}/journal", {"text": "  valve   shut "}).json()["entry"]
    earlier = kit.ask(f"{NORTH}/journal", {"text": "tasted, sweet", "minutes_ago": 30}).json()["entry"]
    kit.turn()
    assert kit.pipeline.watched["north"].watch.record.valve.word_shut_s == pytest.approx(START_S)
    listed = kit.ask(f"{NORTH}/journal").json()["entries"]
    assert [(one["text"], one["entry"]) for one in listed] == [
        ("tasted, sweet", earlier),
        ("valve shut", entry),
    ]
    assert listed[0]["time"] == "2026-03-01T08:30:00Z"
    assert kit.ask(f"{NORTH}/strike", {"entry": earlier}).json() == {"changed": 1}
    assert kit.ask(f"{NORTH}/strike", {"entry": earlier}).status == 400
    assert [one["text"] for one in kit.ask(f"{NORTH}/journal").json()["entries"]] == ["valve shut"]


def test_an_entry_of_another_vessel_is_not_taken_back(kit: Kit) -> None:
    """A number alone is not enough: the entry must be this vessel's."""
    entry = kit.ask(f"/api/v1/vessels/{quote(HOSTILE, safe='')}/journal", {"text": "pitched"}).json()["entry"]
    assert kit.ask(f"{NORTH}/strike", {"entry": entry}).status == 400
    assert len(kit.store.entries(HOSTILE)) == 1


def test_the_stage_set_right_and_undone(kit: Kit) -> None:
    """A correction holds at once, and one more word takes it back."""
    kit.live_a_day(0.5)
    before = kit.ask(NORTH).json()["vessels"][0]["stage"]["stage"]
    assert kit.ask(f"{NORTH}/stage", {"stage": "Cold"}).status == 200
    kit.turn()
    kit.go_on(600)
    assert kit.ask(NORTH).json()["vessels"][0]["stage"]["stage"] == "cold"
    assert kit.ask(f"{NORTH}/stage", {"stage": "undo"}).status == 200
    kit.turn()
    kit.go_on(600)
    assert kit.ask(NORTH).json()["vessels"][0]["stage"]["stage"] == before


@pytest.mark.parametrize(
    ("path", "body", "status", "said"),
    [
        ("/api/v1/vessels/nroth/journal", {"text": "x"}, 404, "did you mean north"),
        (f"{NORTH}/journal", {}, 400, "text"),
        (f"{NORTH}/journal", {"text": "x" * 501}, 400, "500"),
        (f"{NORTH}/journal", {"text": "a\x07b"}, 400, "printable"),
        (f"{NORTH}/journal", {"text": "x", "time": "2027-01-01T00:00:00Z"}, 400, "future"),
        (f"{NORTH}/journal", {"text": "batch started"}, 400, "enter `pitched`"),
        (f"{NORTH}/journal", {"text": "valve set 40"}, 400, "`valve set` takes 0 to 10 bar"),
        (f"{NORTH}/journal", {"text": "x", "time": "noon"}, 400, "is no time"),
        (f"{NORTH}/journal", {"text": "x", "time": True}, 400, "time"),
        (f"{NORTH}/journal", {"text": 5}, 400, "text"),
        (f"{NORTH}/journal", {"text": "x", "minutes_ago": "soon"}, 400, "minutes_ago"),
        (f"{NORTH}/journal", {"text": "x", "minutes_ago": -1}, 400, "minutes_ago"),
        (f"{NORTH}/journal", [1], 400, "JSON object"),
        (f"{NORTH}/journal", '{"text": NaN}', 400, "body"),
        (f"{NORTH}/journal", "[" * 30_000, 400, "body"),
        (f"{NORTH}/shelve", {"condition": "leak", "hours": 13}, 400, "at most 12"),
        (f"{NORTH}/shelve", {"condition": "leak", "hours": 0}, 400, "above 0"),
        (f"{NORTH}/shelve", {"condition": "leek", "hours": 1}, 400, "is no alarm"),
        (f"{NORTH}/shelve", {"condition": "leak"}, 400, "hours"),
        (f"{NORTH}/stage", {"stage": "colt"}, 400, "did you mean cold"),
        (f"{NORTH}/strike", {"entry": "x"}, 400, "number"),
        (f"{NORTH}/strike", {"entry": 1e300}, 400, "number"),
    ],
)  # fmt: skip
def test_slips(kit: Kit, path: str, body: object, status: int, said: str) -> None:
    """Each gets a sentence and changes nothing."""
    headers = {"Content-Type": "application/json"}
    answer = kit.ask(path, body, headers=headers)
    assert answer.status == status, answer.text
    assert said in answer.json()["error"]
    assert kit.store.entries("north") == ()


def test_a_body_of_another_kind(kit: Kit) -> None:
    """Only JSON and forms are read."""
    answer = kit.ask(f"{NORTH}/journal", "<x/>", headers={"Content-Type": "application/xml"})
    assert (answer.status, "application/json" in answer.text) == (400, True)


def test_forms_work_without_a_script(kit: Kit) -> None:
    """A plain form does the same and leads back to the cellar; a slip leads to a page that says it."""
    answer = kit.ask(f"{NORTH}/journal", "prefix=valve+set&number=1,2", headers=FORM | HTML)
    assert (answer.status, answer.headers["location"]) == (303, "/")
    assert kit.store.entries("north")[0].text == "valve set 1.2"
    slip = kit.ask(f"{NORTH}/journal", "prefix=chill&number=cold", headers=FORM | HTML)
    assert slip.status == 400
    assert "<h1>That did not work</h1>" in slip.text


def test_readings_keep_spikes(kit: Kit) -> None:
    """Thinned to a few columns, the highest reading is still there."""
    kit.live_a_day(0.5)
    kit.read(2.2, 20.0)
    kit.clock.advance(60)
    kit.live_a_day(0.1)
    span = f"from={START_S:.0f}&to={kit.clock.wall_s():.0f}"
    told = kit.ask(f"{NORTH}/readings?{span}&points=20").json()
    assert max(told["pressure_bar"]["value"]) == pytest.approx(2.2)
    assert len(told["pressure_bar"]["value"]) <= 84
    assert told["from"] == "2026-03-01T09:00:00Z"
    for query in ("from=x", "points=5", "points=a", "from=5&to=4", "from=nan", "to=1e99"):
        assert kit.ask(f"{NORTH}/readings?{query}").status == 400, query


def _gone() -> None:
    raise ConnectionError("the broker is gone")


def test_metrics_are_openmetrics(kit: Kit) -> None:
    """An independent parser of OpenMetrics 1.0 reads them, hostile names and all."""
    kit.read(1.25, 19.5)
    kit.read(0.5, 18.0, HOSTILE)
    kit.clock.advance(10)
    kit.over_pressure()
    late = Reading("north", Quantity.TEMPERATURE, kit.clock.wall_s(), 19.6)
    kit.pipeline.deliver(Delivery("test", (late,), acknowledge=_gone))
    kit.turn()
    answer = kit.ask("/metrics")
    assert answer.headers["content-type"].startswith("application/openmetrics-text; version=1.0.0")
    families = {family.name: family for family in text_string_to_metric_families(answer.text)}  # type: ignore[no-untyped-call]
    pressures = {s.labels["vessel"]: s.value for s in families["ullage_pressure_bar"].samples}
    assert pressures == {"north": 2.7, HOSTILE: 0.5}
    (alarm,) = [s for s in families["ullage_alarm"].samples if s.labels["condition"] == "over-pressure"]
    assert (alarm.labels["priority"], alarm.labels["vessel"]) == ("critical", "north")
    assert families["ullage_readings"].samples[0].value == 9
    assert families["ullage_deliveries_unacknowledged"].samples[0].value == 1


# -- documents ---------------------------------------------------------------------------------------------------------


class Closed(HTMLParser):
    """Complains of elements that are not closed in their order, and collects ids."""

    EMPTY = ("meta", "link", "input", "img", "br")

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.ids: list[str] = []
        self.words: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.ids += [value for name, value in attrs if name == "id" and value]
        if tag not in self.EMPTY:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.ids += [value for name, value in attrs if name == "id" and value]
        inside_svg = "svg" in self.open
        assert inside_svg or tag in self.EMPTY, f"<{tag}/> is left open by a browser"

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words.append(data)


@pytest.mark.parametrize(
    "path", ["/", "/history", "/history?vessel=north", "/batch?of=north/now", "/login", "/nowhere"]
)
def test_documents_are_well_formed(kit: Kit, path: str) -> None:
    """Every element is closed, every id is given once, and a hostile name stays words."""
    kit.live_a_day(0.2)
    kit.over_pressure()
    kit.ask(f"/api/v1/vessels/{quote(HOSTILE, safe='')}/journal", {"text": HOSTILE})
    text = kit.ask(path, headers=HTML).text
    page = Closed()
    page.feed(text)
    page.close()
    assert page.open == []
    assert len(page.ids) == len(set(page.ids))
    assert '<b id="x">' not in text
    if path == "/":
        assert HOSTILE in page.words


def test_a_stale_number_does_not_look_fresh(kit: Kit) -> None:
    """Sixteen minutes on, the page that is loaded says of both numbers that they are old, and of none that it is live."""
    kit.read(1.25, 19.5)
    fresh = kit.ask("/", headers=HTML).text
    assert 'class="number old"' not in fresh
    kit.go_on(16 * 60)
    stale = kit.ask("/", headers=HTML).text
    assert stale.count('class="number old"') == 2
    assert "16 min ago" in stale
    assert "not every sensor is heard" in stale
    assert "2 old readings" in stale
    assert "not known now" in stale  # carbonation follows from two numbers that are not known any more


def test_a_vessel_that_was_never_heard_is_no_good_news(kit: Kit) -> None:
    """The line above all others counts it as long as one of its sensors has not spoken."""
    kit.read(1.25, 19.5)
    page = kit.ask("/", headers=HTML).text
    assert "2 vessels: no alarm, 1 with a sensor not heard yet" in page
    kit.read(1.25, 19.5, HOSTILE)
    assert "not heard yet" not in kit.ask("/", headers=HTML).text


def test_all_vessels_at_a_glance(kit: Kit) -> None:
    """Above everything else each vessel has a line: its stage, its numbers, its worst alarm, and what is to be done."""
    kit.live_a_day(0.3)
    kit.over_pressure()
    kit.pipeline.watched["north"].watch.record.next_step = NextStep("Vent it", kit.clock.wall_s() - 5)
    page = kit.ask("/", headers=HTML).text
    north, south = re.findall(r"<li>.*?</li>", page[page.index('id="glance"') :], re.DOTALL)[:2]
    assert '<a href="#v0">north</a> active' in north
    assert "2.70 bar" in north
    assert "20.0 °C" in north
    assert "▲▲</span> over pressure</strong>" in north
    assert "→ Vent it" in north
    assert "nothing heard yet" in south
    assert "sensor silent (temperature) and 1 more" in south
    kit.go_on(16 * 60)
    page = kit.ask("/", headers=HTML).text
    assert page[page.index('id="glance"') :].partition("</ul>")[0].count('class="brief old"') == 2


def test_units_are_the_readers_own(kit: Kit) -> None:
    """Chosen once, they are kept by a cookie; a cookie of nonsense is passed over."""
    kit.read(1.0, 20.0)
    chosen = kit.ask("/preferences", "temperature=F&pressure=psi", headers=FORM)
    assert (chosen.status, "SameSite=strict" in chosen.cookies[0]) == (303, True)
    page = kit.ask("/", headers=HTML | {"Cookie": "ullage-units=F.psi"}).text
    assert '<span class="big">14.5</span>' in page  # 1 bar = 14.504 psi, NIST SP 811
    assert '<span class="big">68.0</span>' in page
    assert kit.ask("/", headers=HTML | {"Cookie": "ullage-units=X.y"}).status == 200
    assert kit.ask("/preferences", "temperature=K&pressure=psi", headers=FORM).status == 400


def test_charts_are_served(kit: Kit) -> None:
    """In either layout, for any span, as a piece of the page or as a picture with its own style."""
    kit.live_a_day(0.5)
    told = kit.ask("/vessels/north/chart?layout=desk&range=6h").json()
    assert 'class="chart chart-desk"' in told["svg"]
    assert "<style" not in told["svg"]
    picture = kit.ask("/vessels/north/chart.svg?layout=phone")
    assert picture.headers["content-type"].startswith("image/svg+xml")
    assert "<style" in picture.text
    assert "script-src" not in picture.headers["content-security-policy"]
    start = kit.ask(f"/vessels/north/chart?from={START_S}&to={START_S + 3600}").json()["svg"]
    assert f'data-start="{START_S:.3f}"' in start
    assert kit.ask("/vessels/nowhere/chart").status == 404
    assert kit.ask("/vessels/north/chart?from=x").status == 400
    assert kit.ask("/vessels/north/chart.svg?theme=pink").status == 400
    assert kit.ask("/vessels/north/chart?from=5&to=1").status == 200  # turned round rather than refused


def test_batches_are_listed_and_compared(kit: Kit) -> None:
    """A past batch and the present one: looked at, laid over each other from pitching, and saved as a log."""
    first = batches.begin(
        kit.store, "north", Batch(name="Amber"), began_s=START_S, made_s=START_S, origin="command"
    )
    kit.live_a_day(0.4)
    batches.end(kit.store, first, ended_s=kit.clock.wall_s(), summary="")
    kit.clock.advance(DAY_S)
    began_s = kit.clock.wall_s()
    second = batches.begin(
        kit.store, "north", Batch(name="Bitter"), began_s=began_s, made_s=began_s, origin="command"
    )
    kit.live_a_day(0.3)
    names = [one["name"] for one in kit.ask(f"{NORTH}/batches").json()["batches"]]
    assert names == ["Bitter", "Amber"]
    listed = kit.ask("/history", headers=HTML).text
    assert "north: Amber" in listed
    compared = kit.ask(f"/compare?a=north/{first}&b=north/{second}", headers=HTML).text
    assert ">Amber</text>" in compared
    assert ">Bitter</text>" in compared
    assert 'class="line other"' in compared
    assert kit.ask("/compare?a=north/99&b=x", headers=HTML).status == 400
    past = kit.ask(f"/batch?of=north/{first}", headers=HTML).text
    assert re.search(r'<path class="dots production" d="M', past)  # measured again from what is stored


def test_days_count_from_pitching(kit: Kit) -> None:
    """A batch that was begun half a day before it was pitched lies right over one that was pitched at once."""
    numbers = []
    for wait_h in (12.0, 0.0):
        began_s = kit.clock.wall_s()
        wishes = Batch(name=f"waited {wait_h:g} h")
        numbers.append(
            batches.begin(kit.store, "north", wishes, began_s=began_s, made_s=began_s, origin="command")
        )
        kit.clock.advance(wait_h * 3600)
        pitched_s = kit.clock.wall_s()
        kit.store.add_entry("north", pitched_s, "pitched", made_s=pitched_s)
        kit.live_a_day(0.3)
        batches.end(kit.store, numbers[-1], ended_s=kit.clock.wall_s(), summary="")
        kit.clock.advance(60)
    compared = kit.ask(f"/compare?a=north/{numbers[0]}&b=north/{numbers[1]}", headers=HTML).text
    first, second = (
        re.search(rf'class="line {role}"[^>]* d="M(\d+) ', compared) for role in ("pressure", "other")
    )
    assert first is not None
    assert second is not None
    assert abs(int(first[1]) - int(second[1])) <= 1  # tenths of a pixel


def test_export_is_a_log(kit: Kit, tmp_path: Path) -> None:
    """What is saved reads back as what was recorded, journal included (round trip through the log reader)."""
    kit.live_a_day(0.2)
    kit.ask(f"{NORTH}/journal", {"text": "valve shut"})
    answer = kit.ask("/export/north.csv")
    assert 'filename="north.csv"' in answer.headers["content-disposition"]
    (tmp_path / "saved.csv").write_text(answer.text)
    log = read_log(tmp_path / "saved.csv")
    assert log.bad_rows.total == 0
    assert len(log.vessels["north"]) == 2 * 288
    assert [entry.text for entry in log.vessels["north"].entries] == ["valve shut"]
    part = kit.ask(f"/export/north.csv?from={START_S + 3600}&to={START_S + 7200}").text
    assert part.count("\n") == 1 + 2 * 60
    assert kit.ask("/export/nowhere.csv").status == 404


def test_nothing_there(kit: Kit) -> None:
    """A person gets a page, a program a sentence."""
    assert "<h1>" in kit.ask("/nowhere", headers=HTML).text
    assert kit.ask("/nowhere").json() == {"error": "There is nothing here."}
    assert kit.ask("/api/v1/vessels/..%2f..%2fetc/readings").status == 404


def test_files_are_asked_for_once(kit: Kit) -> None:
    """Style and script carry a mark, and what has not changed is not sent again (RFC 9110, 13.1.2)."""
    for path in ("/static/page.css", "/static/page.js", "/static/icon.svg"):
        first = kit.ask(path)
        again = kit.ask(path, headers={"If-None-Match": first.headers["etag"]})
        assert (first.status, again.status, again.text) == (200, 304, "")


def test_first_load_is_small(kit: Kit) -> None:
    """Document, style, script and a phone's chart together stay below 100 kB."""
    kit.live_a_day(1.0)
    paths = ("/", "/static/page.css", "/static/page.js", "/vessels/north/chart?layout=phone")
    assert sum(len(kit.ask(path, headers=HTML).text.encode()) for path in paths) < 100_000


def test_chart_in_the_readers_words(kit: Kit) -> None:
    """The numbers in the chart are explained beside it, in order."""
    kit.ask(f"{NORTH}/journal", {"text": "pitched"})
    kit.live_a_day(0.6)
    marks = kit.ask("/vessels/north/chart").json()["marks"]
    assert re.findall(r'<li value="(\d+)">', marks) == [str(n) for n in range(1, marks.count("<li") + 1)]
    assert "◆" in marks
    assert "entry: pitched" in marks
