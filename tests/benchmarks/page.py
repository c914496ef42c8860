"""Print what the page costs: `python -m tests.benchmarks.page`.

Thirty days of invented readings at 1 Hz behind it. First paint and a new reading's way to the eye are taken in Chromium;
the phone is a width of 390 pixels with the processor slowed six times.
"""

import argparse
import contextlib
import gzip
import http.client
import os
import shutil
import tempfile
import threading
import time
from collections.abc import Iterator, Mapping
from pathlib import Path

import numpy as np

from tests.daemon.page.kit import NORTH
from tests.servers.broker import Broker
from tests.servers.daemon import DaemonProcess, wait_until
from ullage.adapters.reading import Quantity, Reading
from ullage.daemon.store.store import Store

DAYS = 30


def fill(url: str, days: int, end_s: float) -> None:
    """Write invented readings at 1 Hz up to a moment."""
    rng = np.random.default_rng(1)
    start_s = float(np.floor(end_s - days * 86_400))
    with Store.open(url) as store:
        for hour in range(days * 24):
            at = start_s + hour * 3600 + np.arange(3600.0)
            hours = (at - start_s) / 3600
            bar = np.minimum(hours / 24 * 0.75, 1.5) + rng.normal(0, 0.002, 3600)
            celsius = 19 + np.sin(hours / 4) + rng.normal(0, 0.02, 3600)
            for quantity, values, digits in ((Quantity.PRESSURE, bar, 4), (Quantity.TEMPERATURE, celsius, 3)):
                rows = zip(at.tolist(), np.round(values, digits).tolist(), strict=True)
                store.append([Reading("north", quantity, time_s, value) for time_s, value in rows])
            store.flush()
        store.add_entry("north", start_s, "pitched", made_s=start_s)


def processor_s(pid: int) -> float:
    """Return the seconds that a process has worked."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def resident_mb(pid: int) -> float:
    """Return the memory that a process holds."""
    (line,) = [
        line for line in Path(f"/proc/{pid}/status").read_text().splitlines() if line.startswith("VmRSS")
    ]
    return int(line.split()[1]) / 1024


def get(port: int, path: str) -> tuple[bytes, float]:
    """Return a body and how long it took."""
    began_s = time.perf_counter()
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
    connection.request("GET", path, headers={"Accept": "text/html"})
    body = connection.getresponse().read()
    connection.close()
    return body, time.perf_counter() - began_s


@contextlib.contextmanager
def open_pages(port: int, count: int) -> Iterator[None]:
    """Hold so many live pages open and read what comes."""
    connections = []
    for _ in range(count):
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
        connection.request("GET", "/events")
        answer = connection.getresponse()
        connections.append((connection, answer))
        threading.Thread(target=_drain, args=(answer,), daemon=True).start()
    yield
    for connection, _ in connections:
        connection.close()


def _drain(answer: http.client.HTTPResponse) -> None:
    with contextlib.suppress(Exception):
        for _ in answer:
            pass


def in_chromium(port: int) -> None:
    """Print when the numbers and the chart are painted."""
    from playwright.sync_api import sync_playwright

    chromium = shutil.which("chromium")
    if chromium is None:
        print("no Chromium here: first paint is not measured")
        return
    script = """() => {
      const paints = performance.getEntriesByType("paint").find((p) => p.name === "first-contentful-paint");
      return paints ? paints.startTime : -1;
    }"""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        for name, width, slower in (("phone, processor slowed 6 times", 390, 6), ("desk", 1280, 1)):
            context = browser.new_context(viewport={"width": width, "height": 844})
            page = context.new_page()
            page.context.new_cdp_session(page).send("Emulation.setCPUThrottlingRate", {"rate": slower})
            page.goto(f"http://127.0.0.1:{port}/")
            page.wait_for_selector("svg.chart")
            chart_ms = page.evaluate("performance.now()")
            print(
                f"{name}: first paint {page.evaluate(script):.0f} ms, chart drawn {chart_ms:.0f} ms after the call"
            )
            context.close()
        browser.close()


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.page", description=__doc__)
    parser.add_argument("--days", type=int, default=DAYS)
    parser.add_argument("--pages", type=int, default=20)
    parser.add_argument("--seconds", type=float, default=20.0)
    options = parser.parse_args()
    print(f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    with (
        tempfile.TemporaryDirectory(prefix="ullage-page-") as name,
        Broker.start(Path(name) / "broker") as broker,
    ):
        folder = Path(name)
        fill(f"sqlite:///{folder / 'u.db'}", options.days, time.time())
        channels = {
            "temperature": {"source": "cellar", "topic": "north", "pointer": "/beer", "unit": "Cel"},
            "pressure": {"source": "cellar", "topic": "north", "pointer": "/top", "unit": "bar"},
        }
        vessel = {"name": "north", "total_volume_l": 23, "beer_volume_l": 19, "rated_pressure_bar": 2.5,
                  "valve_pressure_bar": 1.5, "yeast_temperature_c": [18, 24], **channels}  # fmt: skip
        assert NORTH.name == vessel["name"]
        config = {
            "vessels": [vessel],
            "sources": {"cellar": {"kind": "mqtt", "host": "127.0.0.1", "port": broker.port}},
            "store": {"url": "sqlite:///u.db"},
            "page": {"port": 0},
        }
        stopping = threading.Event()
        speaking = threading.Thread(target=_speak, args=(broker, stopping), daemon=True)
        speaking.start()
        try:
            _measure(folder, config, options)
        finally:
            stopping.set()
            speaking.join()


def _speak(broker: Broker, stopping: threading.Event) -> None:
    """Send a reading a second."""
    number = 0
    while not stopping.wait(1.0):
        number += 1
        broker.publish("north", f'{{"beer": {19 + number % 7 / 100}, "top": {1.5 + number % 5 / 1000}}}')


def _measure(folder: Path, config: Mapping[str, object], options: argparse.Namespace) -> None:
    daemon = DaemonProcess(directory=folder, config=config)
    daemon.start(timeout_s=120)
    try:
        wait_until(lambda: "page address=" in daemon.log, "the page", 60)
        port = int(daemon.log.split("page address=http://127.0.0.1:")[1].split("/")[0])
        time.sleep(5)
        print(f"memory with the page {resident_mb(daemon.pid):.0f} MB")
        paths = ("/", "/static/page.css", "/static/page.js", "/vessels/north/chart?layout=phone")
        total, packed = 0, 0
        for path in paths:
            body, took_s = get(port, path)
            total, packed = total + len(body), packed + len(gzip.compress(body))
            print(f"  {path}: {len(body) / 1000:.1f} kB in {took_s * 1000:.0f} ms")
        print(f"first load of a phone {total / 1000:.0f} kB ({packed / 1000:.0f} kB packed)")
        in_chromium(port)
        idle_s = _worked(daemon, options.seconds)
        with open_pages(port, options.pages):
            time.sleep(2)
            busy_s = _worked(daemon, options.seconds)
        print(
            f"processor: {100 * idle_s:.2f} % of a core with no page open, {100 * busy_s:.2f} % with {options.pages}"
        )
        print(f"memory then {resident_mb(daemon.pid):.0f} MB")
    finally:
        daemon.stop()


def _worked(daemon: DaemonProcess, seconds: float) -> float:
    """Return the share of a core that the daemon used for a while."""
    before_s = processor_s(daemon.pid)
    time.sleep(seconds)
    return (processor_s(daemon.pid) - before_s) / seconds


if __name__ == "__main__":
    main()
