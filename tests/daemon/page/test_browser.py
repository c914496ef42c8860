"""The page in a real browser: Debian's Chromium, driven by Playwright; a phone's and a desk's width."""

import os
import re
import shutil
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe  # type: ignore[import-untyped]
from playwright.sync_api import Browser, BrowserContext, Page, expect, sync_playwright

from tests.daemon.page.kit import HOSTILE, TOKEN, Kit
from tests.servers.ports import free_port
from tests.servers.tcp_proxy import TcpProxy
from ullage.daemon.page.server import PageServer
from ullage.daemon.page_settings import PageSettings
from ullage.daemon.store import batches
from ullage.detectors.batch import Batch

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
WIDTHS = {"phone": (390, 844), "desk": (1280, 900)}
SHOTS = os.environ.get("ULLAGE_TEST_SHOTS", "")
"""A folder for screenshots, to be looked at by eye; none are taken without."""
PATIENCE_MS = 60_000
"""How long the browser waits for what is to show, on a machine that is very busy."""


@pytest.fixture(name="browser", scope="module")
def _browser() -> Iterator[Browser]:
    if CHROMIUM is None:
        pytest.skip("needs Chromium: apt-get install chromium")
    with sync_playwright() as playwright:
        # as root, which CI often is, Chromium has no sandbox of its own
        expect.set_options(timeout=PATIENCE_MS)
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield browser
        browser.close()


@pytest.fixture(name="wide", params=WIDTHS)
def _wide(request: pytest.FixtureRequest) -> str:
    width: str = request.param
    return width


class Reader:
    """A person with a browser; complaints of the page are gathered."""

    def __init__(self, browser: Browser, kit: Kit, wide: str, **more: Any) -> None:
        width, height = WIDTHS[wide]
        self.wide = wide
        self.context: BrowserContext = browser.new_context(
            viewport={"width": width, "height": height}, timezone_id="UTC", has_touch=wide == "phone", **more
        )
        self.page: Page = self.context.new_page()
        self.page.set_default_timeout(PATIENCE_MS)
        self.complaints: list[str] = []
        self.page.on(
            "console", lambda said: self.complaints.append(said.text) if said.type == "error" else None
        )
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.outside: list[str] = []
        self.page.on(
            "request",
            lambda asked: self.outside.append(asked.url) if f":{kit.port}/" not in asked.url else None,
        )
        self.kit = kit

    def open(self, path: str = "/", port: int | None = None) -> Page:
        """Open a page and wait until it is live."""
        self.page.goto(f"http://127.0.0.1:{port or self.kit.port}{path}")
        if path == "/":
            expect(self.page.locator("#link")).to_have_text("● live")
        return self.page

    def shot(self, name: str) -> None:
        """Take a picture for the eye, if pictures are wanted."""
        if SHOTS:
            Path(SHOTS).mkdir(parents=True, exist_ok=True)
            self.page.screenshot(path=f"{SHOTS}/{name}-{self.wide}.png", full_page=True)

    def check(self) -> None:
        """See that nothing was asked of another host, and that the page had nothing to complain of."""
        assert self.outside == []
        assert self.complaints == []


@pytest.fixture(name="lived", scope="module")
def _lived(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Kit]:
    """Two days of a batch, to be looked at by tests that change nothing."""
    kit = Kit(tmp_path_factory.mktemp("lived"))
    kit.store.add_entry("north", kit.clock.wall_s(), "pitched", made_s=kit.clock.wall_s())
    kit.air_c = 12.0
    kit.live_a_day(2.0, every_s=120.0)
    kit.read(1.5, 20.0, HOSTILE)
    kit.read(1.48, 20.1)
    kit.start()
    yield kit
    kit.close()


@pytest.fixture(name="alarmed", scope="module")
def _alarmed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Kit]:
    """A batch with alarms, to be looked at by tests that change nothing."""
    kit = Kit(tmp_path_factory.mktemp("alarmed"))
    kit.live_a_day(0.3)
    kit.over_pressure()
    kit.desk.report("source-lost", True, "The broker is out of reach.", subject="cellar")
    yield kit.start()
    kit.close()


@pytest.fixture(name="locked", scope="module")
def _locked(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Kit]:
    """A page that asks for its token."""
    kit = Kit(tmp_path_factory.mktemp("locked"), token=TOKEN).start()
    yield kit
    kit.close()


@pytest.fixture(name="reader")
def _reader(browser: Browser, kit: Kit, wide: str) -> Iterator[Reader]:
    reader = Reader(browser, kit, wide)
    yield reader
    reader.context.close()


def card(page: Page, name: str = "north") -> Any:
    """Return the part of the page that is about one vessel."""
    return page.locator("article", has=page.get_by_role("heading", name=name, exact=True))


def test_load(browser: Browser, lived: Kit, wide: str) -> None:
    """Numbers, stage, next step and chart of every vessel, within the width, and nothing from anywhere else."""
    reader = Reader(browser, lived, wide)
    page = reader.open()
    north = card(page)
    expect(north.locator(".value").first).to_have_text("1.48 bar")
    expect(north.locator(".stage")).to_contain_text(re.compile("since"))
    expect(north.locator(".next")).to_contain_text("Next:")
    chart = north.locator("svg.chart")
    expect(chart).to_be_visible()
    expect(chart).to_have_class(re.compile("chart-phone" if wide == "phone" else "chart-desk"))
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    expect(page.get_by_role("heading", name=HOSTILE, exact=True)).to_be_visible()
    small = page.locator("button, select, input:not([type=hidden])").evaluate_all(
        "all => all.filter(e => e.offsetParent && (e.offsetHeight < 24 || e.offsetWidth < 24)).length"
    )
    assert small == 0  # WCAG 2.2, 2.5.8
    reader.shot("load")
    reader.check()
    reader.context.close()


def test_live_update(reader: Reader) -> None:
    """A new reading appears without a reload; `test_live.py` sees how soon."""
    reader.kit.read(1.00, 20.0)
    page = reader.open()
    reader.kit.clock.advance(1)
    reader.kit.read(1.07, 20.0)
    expect(card(page).locator(".value").first).to_have_text("1.07 bar")
    reader.check()


def test_a_valve_above_the_plate(reader: Reader) -> None:
    """Entered by a button or a script, it stands on the page as a caution, until another setting is entered."""
    kit = reader.kit
    kit.read(1.2, 20.0)
    kit.read(1.2, 20.0, HOSTILE)
    page = reader.open()
    expect(page.locator(".caution")).to_have_count(0)
    kit.cellar.enter("north", "valve set 2.8", None)
    page = reader.open()
    caution = card(page).locator(".caution")
    expect(caution).to_contain_text(
        "Caution: The valve is set to 2.80 bar, and the vessel's plate allows 2.50 bar: turn it out now"
    )
    expect(page.locator("#glance li").first).to_contain_text("caution")
    expect(page.locator("#summary")).to_contain_text("no alarm, 1 caution")
    expect(card(page).locator(".calm")).to_have_count(0)
    reader.shot("caution")
    kit.clock.advance(60)
    kit.cellar.enter("north", "valve set 1.5", None)
    page = reader.open()
    expect(page.locator(".caution")).to_have_count(0)
    reader.check()


def test_acknowledge(reader: Reader) -> None:
    """One press acknowledges an over-pressure, which has no way to be kept quiet; the alarm stays in sight."""
    page = reader.open()
    reader.kit.over_pressure()
    alarm = card(page).locator(".alarm", has_text="over pressure")
    expect(alarm).to_contain_text("critical, not acknowledged")
    expect(page.locator("#summary")).to_contain_text("1 critical alarm")
    expect(alarm.get_by_role("button", name=re.compile("quiet"))).to_have_count(0)
    reader.shot("alarm")
    alarm.get_by_role("button", name="Acknowledge over pressure").click()
    expect(alarm).to_contain_text("critical, acknowledged")
    expect(page.get_by_text("Acknowledged.")).to_be_visible()
    assert reader.kit.desk.standing("north")[0].acknowledged_by == "page 127.0.0.1"
    reader.check()


def test_shelve_and_undo(reader: Reader) -> None:
    """An alarm that may be kept quiet is, for the hours chosen, and one press takes that back."""
    kit = reader.kit
    page = reader.open()
    kit.read(1.0, 20.0)
    kit.clock.advance(60)
    kit.read(1.0, 20.0)
    kit.go_on(16 * 60)
    alarm = card(page).locator(".alarm", has_text="sensor silent (pressure)")
    alarm.get_by_label("for").select_option("4")
    alarm.get_by_role("button", name=re.compile("Keep sensor silent")).click()
    expect(card(page).locator(".shelf")).to_contain_text("kept quiet until 13:17")
    page.get_by_role("button", name="Undo").click()
    expect(card(page).locator(".shelf")).to_have_count(0)
    assert kit.desk.shelved() == ()
    reader.check()


def test_journal_entry_and_undo(reader: Reader) -> None:
    """A usual word by one press, a number, free text some minutes ago; each can be undone at once or later."""
    kit, page = reader.kit, reader.open()
    north = card(page)
    north.get_by_text("Enter in the journal").click()
    north.get_by_role("button", name="Enter valve shut for north").click()
    expect(page.get_by_text("Entered: valve shut")).to_be_visible()
    page.get_by_role("button", name="Undo").click()
    expect(page.get_by_text("Taken back.")).to_be_visible()
    assert kit.store.entries("north") == ()
    north.get_by_label("chill °C").fill("2")
    north.get_by_role("button", name="Enter chill for north").click()
    expect(page.get_by_text("Entered: chill 2")).to_be_visible()
    north.get_by_label("Anything else").fill("tastes of <i>banana</i>")
    north.get_by_label("minutes ago").fill("15")
    north.get_by_role("button", name="Enter it for north").click()
    expect(page.get_by_text("Entered: tastes of")).to_be_visible()
    expect(north.get_by_label("Anything else")).to_have_value("")
    texts = [(round(e.time_s - kit.clock.wall_s()), e.text) for e in kit.store.entries("north")]
    assert texts == [(-900, "tastes of <i>banana</i>"), (0, "chill 2")]
    north.get_by_text("Journal", exact=True).click()
    expect(north.locator(".journal li")).to_have_count(2)
    reader.shot("journal")
    north.get_by_role("button", name="Take back chill 2").click()
    expect(north.locator(".journal li")).to_have_count(1)
    reader.check()


def test_stage_set_right(reader: Reader) -> None:
    """A wrong stage is set right, and the change undone."""
    kit = reader.kit
    kit.live_a_day(0.1)
    page = reader.open()
    north = card(page)
    before = north.locator(".stage strong").inner_text().split(",")[0]
    north.get_by_text("Set the stage right").click()
    north.get_by_label("It really is").select_option("cold")
    north.get_by_role("button", name="Set the stage of north").click()
    expect(page.get_by_text("Stage set: cold")).to_be_visible()
    kit.turn()
    kit.go_on(600)
    expect(north.locator(".stage strong")).to_have_text(re.compile("^cold"))
    page.get_by_role("button", name="Undo", exact=True).click()
    expect(page.get_by_text("The last change of stage is undone.")).to_be_visible()
    kit.turn()
    kit.go_on(600)
    expect(north.locator(".stage strong")).to_have_text(re.compile(f"^{before}"))


def test_a_stale_sensor(reader: Reader) -> None:
    """When a sensor falls silent its number is struck out and called old, though the page is live; then it is fresh again."""
    kit = reader.kit
    kit.read(1.00, 20.0)
    kit.clock.advance(60)
    kit.read(1.00, 20.0)
    page = reader.open()
    pressure = card(page).locator(".number", has_text="Pressure")
    expect(pressure).not_to_have_class(re.compile("old"))
    kit.clock.advance(14 * 60)
    kit.read(None, 20.0)
    kit.clock.advance(2 * 60)
    kit.turn()
    expect(pressure).to_have_class(re.compile("old"))
    expect(pressure.locator(".badge")).to_be_visible()
    assert pressure.locator(".big").evaluate("e => getComputedStyle(e).textDecorationLine") == "line-through"
    expect(card(page).locator(".number", has_text="Temperature")).not_to_have_class(re.compile("old"))
    expect(card(page)).to_contain_text("The pressure sensor")
    reader.shot("stale")
    kit.clock.advance(1)
    kit.read(1.02, 20.0)
    expect(pressure).not_to_have_class(re.compile("old"))
    reader.check()


def test_a_lost_connection_is_said(browser: Browser, tmp_path: Path, wide: str) -> None:
    """When the daemon is gone the page says so and no number looks fresh; when it is back, all is well by itself."""
    port = free_port()
    kit = Kit(tmp_path, PageSettings(port=port)).start()
    reader = Reader(browser, kit, wide)
    try:
        kit.read(1.00, 20.0)
        page = reader.open()
        kit.server.stop()
        expect(page.locator("#link")).to_contain_text("connection lost")
        badge = card(page).locator(".number", has_text="Pressure").locator(".badge")
        expect(badge).to_be_visible()
        reader.shot("lost")
        kit.server = PageServer(kit.cellar, PageSettings(port=port), None)
        kit.server.start()
        expect(page.locator("#link")).to_have_text("● live")
        expect(badge).to_be_hidden()
    finally:
        reader.context.close()
        kit.close()


def test_a_link_that_dies_without_a_word(browser: Browser, tmp_path: Path, wide: str) -> None:
    """A cut of power says no goodbye; the page asks anew by itself and is live when there is an answer again."""
    kit = Kit(tmp_path).start()
    with TcpProxy(kit.port) as proxy:
        reader = Reader(browser, kit, wide)
        try:
            page = reader.open(port=proxy.port)
            proxy.dark = True
            expect(page.locator("#link")).to_contain_text("connection lost")
            proxy.dark = False
            expect(page.locator("#link")).to_have_text("● live")
        finally:
            reader.context.close()
            kit.close()


def test_the_chart_moves(browser: Browser, lived: Kit, wide: str) -> None:
    """Other spans by a press, closer and along by buttons, a line through it with its numbers by pointer and keys."""
    reader = Reader(browser, lived, wide)
    page = reader.open()
    north = card(page)
    chart = north.locator("svg.chart")
    expect(chart).to_be_visible()
    whole = float(chart.get_attribute("data-end") or 0) - float(chart.get_attribute("data-start") or 0)
    north.get_by_role("button", name="6 h").click()
    expect(north.get_by_role("button", name="6 h")).to_have_attribute("aria-pressed", "true")
    page.wait_for_function(
        "() => { const s = document.querySelector('svg.chart'); return s.dataset.end - s.dataset.start < 21700; }"
    )
    assert whole > 100_000
    north.get_by_role("button", name="Earlier").click()
    page.wait_for_function(
        "end => document.querySelector('svg.chart').dataset.end < end - 5000", arg=lived.clock.wall_s()
    )
    north.get_by_role("button", name="Wider").click()
    page.wait_for_function(
        "() => { const s = document.querySelector('svg.chart'); return s.dataset.end - s.dataset.start > 43000; }"
    )
    north.locator(".holder").focus()
    page.keyboard.press("ArrowLeft")
    readout = north.locator(".readout")
    expect(readout).to_contain_text(re.compile(r"Pressure: \d\.\d\d bar"))
    expect(readout).to_contain_text(re.compile(r"Temperature: (19|20|21)\.\d °C · Air: 12\.0 °C"))
    first = readout.inner_text()
    page.keyboard.press("Shift+ArrowLeft")
    assert readout.inner_text() != first
    if wide == "desk":
        box = chart.bounding_box()
        assert box is not None
        page.mouse.move(box["x"] + box["width"] * 0.4, box["y"] + 150)
        page.mouse.down()
        page.mouse.move(box["x"] + box["width"] * 0.6, box["y"] + 150, steps=5)
        page.mouse.up()
        page.wait_for_function(
            "() => { const s = document.querySelector('svg.chart'); return s.dataset.end - s.dataset.start < 15000; }"
        )
    reader.check()
    reader.context.close()


@pytest.mark.parametrize("path", ["/", "/history", "/batch?of=north/now", "/login"])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_accessible_in_both_themes(
    browser: Browser, alarmed: Kit, locked: Kit, wide: str, scheme: Any, path: str
) -> None:
    """axe-core (WCAG 2.2 A and AA and its best practices) has nothing serious or critical to say, alarms and all."""
    reader = Reader(browser, locked if path == "/login" else alarmed, wide, color_scheme=scheme)
    try:
        page = reader.open(path)
        if path == "/":
            card(page).locator(".holder").scroll_into_view_if_needed()
            expect(card(page).locator("svg.chart")).to_be_visible()
            for summary in page.locator("summary").all():
                summary.click()
        background = page.evaluate("getComputedStyle(document.body).backgroundColor")
        assert background == ("rgb(251, 250, 246)" if scheme == "light" else "rgb(20, 24, 26)")
        if path in ("/", "/history"):
            reader.shot(f"theme-{scheme}-{'cellar' if path == '/' else 'history'}")
        found = Axe().run(page, options={"resultTypes": ["violations"]}).response["violations"]
        serious = [
            (v["id"], v["nodes"][0]["html"][:200]) for v in found if v["impact"] in ("serious", "critical")
        ]
        assert serious == []
    finally:
        reader.context.close()


def test_by_keyboard_alone(reader: Reader) -> None:
    """Tab reaches everything in a sensible order, focus is seen, Enter acts, and focus stays where it was."""
    kit = reader.kit
    kit.over_pressure()
    page = reader.open()
    expect(card(page).locator(".alarm").first).to_be_visible()
    page.keyboard.press("Tab")
    expect(page.locator(":focus")).to_have_text("To the vessels")
    seen: list[str] = []
    for _ in range(60):
        page.keyboard.press("Tab")
        name = page.evaluate(
            "(e => e.getAttribute('aria-label') || e.textContent)(document.activeElement)"
        ).strip()
        seen.append(name)
        if name.startswith("Acknowledge over pressure"):
            break
    assert seen[-1].startswith("Acknowledge over pressure")
    outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
    assert outline == "solid"
    page.keyboard.press("Enter")
    expect(card(page).locator(".alarm").first).to_contain_text("critical, acknowledged")
    for _ in range(40):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.textContent") == "Enter in the journal":
            break
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    expect(page.locator(":focus")).to_have_text("pitched")
    page.keyboard.press("Space")
    expect(page.get_by_text("Entered: pitched")).to_be_visible()
    assert [e.text for e in kit.store.entries("north")] == ["pitched"]
    expect(page.locator(":focus")).to_have_text("pitched")
    reader.check()


def test_choosing_is_not_disturbed(reader: Reader) -> None:
    """While somebody chooses for how long to be quiet, new readings don't take the choice away."""
    kit = reader.kit
    kit.read(1.0, 20.0)
    kit.clock.advance(60)
    kit.read(1.0, 20.0)
    kit.go_on(16 * 60)
    page = reader.open()
    choice = card(page).locator(".alarm", has_text="sensor silent (pressure)").get_by_label("for")
    choice.focus()
    choice.select_option("12")
    kit.clock.advance(1)
    kit.over_pressure()
    expect(page.locator("#summary")).to_contain_text("critical")
    expect(choice).to_have_value("12")
    page.locator(".holder").first.focus()
    expect(card(page).locator(".alarm", has_text="over pressure")).to_be_visible()


def test_in_by_the_token(browser: Browser, tmp_path: Path, wide: str) -> None:
    """Shown to the door, in by the token, out again; the token stands in no address."""
    kit = Kit(tmp_path, token=TOKEN).start()
    reader = Reader(browser, kit, wide)
    page = reader.page
    try:
        page.goto(f"http://127.0.0.1:{kit.port}/")
        page.get_by_label("Token").fill("wrong")
        page.get_by_role("button", name="Come in").click()
        expect(page.get_by_role("alert")).to_have_text("That is not the token.")
        page.get_by_label("Token").fill(TOKEN)
        page.get_by_role("button", name="Come in").click()
        expect(page.locator("#link")).to_have_text("● live")
        assert TOKEN not in page.url
        page.get_by_role("button", name="Leave").click()
        expect(page.get_by_label("Token")).to_be_visible()
        assert reader.context.cookies() == []
    finally:
        reader.context.close()
        kit.close()


def test_units_of_the_reader(reader: Reader) -> None:
    """°F and psi by choice, for numbers and chart; the other browser keeps its own."""
    reader.kit.live_a_day(0.1)
    reader.kit.read(1.0, 20.0)
    page = reader.open()
    page.get_by_label("Temperature in").select_option("F")
    page.get_by_label("pressure in").select_option("psi")
    page.get_by_role("button", name="Use these units").click()
    expect(card(page).locator(".value").first).to_have_text("14.5 psi")
    expect(card(page).locator("svg.chart")).to_contain_text("Pressure, psi")
    reader.check()


def test_without_a_script(browser: Browser, lived: Kit, wide: str) -> None:
    """With scripts off the numbers, the chart as a picture and the forms are there all the same."""
    reader = Reader(browser, lived, wide, java_script_enabled=False)
    page = reader.page
    page.goto(f"http://127.0.0.1:{lived.port}/")
    expect(card(page).locator(".value").first).to_have_text("1.48 bar")
    expect(card(page).get_by_alt_text("Chart of north")).to_be_visible()
    expect(page.locator("#link")).to_contain_text("not live")
    reader.context.close()


def test_comparing_batches(browser: Browser, lived: Kit, wide: str) -> None:
    """The list of batches leads to one of them, drawn for the width."""
    reader = Reader(browser, lived, wide)
    page = reader.open("/history")
    page.get_by_role("link", name="north: in the vessel now").first.click()
    expect(page.locator(f"svg.chart-{wide}")).to_be_visible()
    expect(page.locator(f"svg.chart-{'desk' if wide == 'phone' else 'phone'}")).to_be_hidden()
    reader.shot("batch")
    reader.check()
    reader.context.close()


def test_two_batches_over_each_other(browser: Browser, tmp_path: Path, wide: str) -> None:
    """From the list two batches are chosen and laid over each other, each named beside a piece of its line."""
    kit = Kit(tmp_path)
    for name in ("first of the year, brewed in the snow", "second"):
        began_s = kit.clock.wall_s()
        wishes = Batch(name=name)
        number = batches.begin(kit.store, "north", wishes, began_s=began_s, made_s=began_s, origin="command")
        kit.live_a_day(0.4)
        batches.end(kit.store, number, ended_s=kit.clock.wall_s(), summary="")
        kit.clock.advance(3600)
    kit.start()
    reader = Reader(browser, kit, wide)
    try:
        page = reader.open("/history")
        assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
        reader.shot("history")
        page.get_by_role("button", name="Compare").click()
        chart = page.locator(f"svg.chart-{wide}")
        expect(chart).to_contain_text("first of the year, brewed in the snow")
        for role in ("production", "other"):
            assert chart.locator(f".dots.{role}").get_attribute("d")
        assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
        reader.shot("compare")
        reader.check()
    finally:
        reader.context.close()
        kit.close()


def test_the_glance_leads_to_the_vessel(browser: Browser, lived: Kit, wide: str) -> None:
    """The lines at the top show every vessel on the first screen, and lead to each."""
    reader = Reader(browser, lived, wide)
    page = reader.open()
    lines = page.locator(".glance li")
    expect(lines).to_have_count(2)
    expect(lines.first).to_contain_text("1.48 bar")
    assert all(box["y"] + box["height"] < 844 for line in lines.all() if (box := line.bounding_box()))
    lines.nth(1).get_by_role("link").click()
    expect(page.get_by_role("heading", name=HOSTILE, exact=True)).to_be_in_viewport()
    reader.check()
    reader.context.close()


def test_threads_are_few(lived: Kit) -> None:
    """However many ask, the page's helpers stay a handful."""
    names = [thread.name for thread in threading.enumerate()]
    assert sum("AnyIO" in name or "asyncio" in name for name in names) <= 24
    assert lived.server.alive()
