"""The machine's clock: years off until the time arrives, set back and forth; and senders whose clock is wrong."""

import json
import os
import time
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from tests.faults.clocked import FILE, set_clock
from tests.faults.disk import ROOT
from tests.faults.fault import Bench, Cost
from tests.faults.house import LIMIT_BAR, House, payload, vessel
from tests.servers.daemon import wait_until

PROMPT_S = 5.0
STEPS_S = (-1.5, -30.0, 45.0, -3_600.0, 3_600.0, -86_400.0, 90_000.0)
BERLIN = ZoneInfo("Europe/Berlin")


class Watch:
    """The daemon's wall clock."""

    def __init__(self, house: House, ahead_s: float = 0.0) -> None:
        self._path = house.bench.folder / "clock"
        self.ahead_s = 0.0
        self.repeated = False
        """Whether the leap second has been."""
        self.set(ahead_s)
        path = os.pathsep.join((str(ROOT), os.environ.get("PYTHONPATH", "")))
        house.daemon.environ = {FILE: str(self._path), "PYTHONPATH": path}
        house.daemon.module = "tests.faults.clocked"

    def set(self, ahead_s: float) -> None:
        """Set it this far ahead of the true time."""
        self.ahead_s = ahead_s
        set_clock(self._path, ahead_s)

    def now_s(self) -> float:
        """Return what it shows."""
        return time.time() + self.ahead_s


def years_off(bench: Bench) -> Cost:
    """No clock chip: the daemon begins in 1970, and the time arrives while it watches."""
    house = House.build(bench, vessels=[_untimed("north"), vessel("south")])
    watch = Watch(house, 200 - time.time())
    began_s = time.time()
    house.start()
    for _ in range(10):
        say(house, 1.0)
    house.publish(*[1.0] * 10, name="south")
    slowest_s = rings(house)
    quiet(house)
    slowest_s = max(slowest_s, house.rings(PROMPT_S, name="south", since=len(house.phone.accepted)))
    house.calm_down("south")
    watch.set(0.0)
    wait_until(lambda: "wall clock was set" in house.daemon.log, "a word on the clock")
    for _ in range(10):
        say(house, 1.0)
    house.publish(*[1.0] * 5, name="south")
    slowest_s = max(
        slowest_s, rings(house), house.rings(PROMPT_S, name="south", since=len(house.phone.accepted))
    )
    quiet(house)
    house.calm_down("south")
    wait_until(lambda: _cleared(house) == 4, "the end of all alarms")
    house.daemon.kill()
    house.start()
    for _ in range(3):
        say(house, 1.0)
    assert house.daemon.stop() == 0, house.daemon.log[-1500:]
    newest_ms = max(house.stored())
    watch.set(200 - time.time())
    house.start()  # in 1970 again, with a past
    for _ in range(3):
        say(house, 1.0)
    slowest_s = max(slowest_s, rings(house))
    assert house.daemon.stop() == 0, house.daemon.log[-1500:]
    assert max(house.stored()) > newest_ms, "time went backwards over a restart"
    _only_over_pressure(house)
    early = [time_ms for time_ms in (*house.stored(), *house.stored("south")) if time_ms / 1000 < began_s - 5]
    assert not early, f"{len(early)} readings are dated {early[0] / 1000:.0f}"
    return Cost(
        alarms=len(house.raised()), remark=f"on the phone after {slowest_s:.1f} s at most; stamps set right"
    )


def steps(bench: Bench) -> Cost:
    """The clock is set back and forth, by seconds and by hours: every alarm comes at once, and no reading is refused.

    But for one on its way at the moment of a step back: it bears a stamp of a time that is yet to come.
    """
    house = House.build(bench, vessels=[_untimed("north")])
    watch = Watch(house)
    house.start()
    slowest_s = 0.0
    chosen = STEPS_S if bench.long else bench.chance.sample(STEPS_S, 3)
    for count, step_s in enumerate(chosen):
        for _ in range(5):
            say(house, 1.0)
        watch.set(watch.ahead_s + step_s)
        for _ in range(3):
            say(house, 1.0)
        slowest_s = max(slowest_s, rings(house))
        quiet(house)
        wait_until(lambda n=count: _cleared(house) == n + 1, f"the end of the alarm after {step_s:g} s")  # type: ignore[misc]
    assert house.daemon.stop() == 0, house.daemon.log[-1500:]
    _only_over_pressure(house)
    refused = house.daemon.log.count("readings refused")
    assert refused <= sum(step_s < 0 for step_s in chosen), house.daemon.log[-1500:]
    remark = f"on the phone after {slowest_s:.1f} s at most"
    return Cost(caused=len(chosen), alarms=len(house.raised()), remark=remark)


def senders(bench: Bench) -> Cost:
    """A sender a day ahead and one in the year 2000: refused with a word, told as silent, and welcome once set right."""
    quick = {"silent": {"after_min": 0.05}}
    house = House.build(bench, vessels=[vessel("north"), vessel("south")], detectors=quick)
    house.start()
    for number in range(8):
        house.broker.publish("cellar/south", payload(9.9, 946_684_800.0 + number))
        house.broker.publish("cellar/north", payload(9.9, time.time() + 86_400))
    wait_until(lambda: "ahead of this machine's clock" in house.daemon.log, "a word on the sender's clock")
    wait_until(lambda: len(house.told("sensor-silent")) >= 2, "both told as silent", 30)
    assert not house.raised(), "an alarm of readings that were refused"
    assert not house.stored(), "a refused reading was stored"
    began_s = time.monotonic()
    for name in ("north", "south"):
        house.rings(PROMPT_S, name=name, since=len(house.phone.accepted))
    back_s = time.monotonic() - began_s
    silences = [told.kind for told in house.told("sensor-silent")]
    assert silences.count("cleared") == 2, "the silence is not over"
    assert house.daemon.stop() == 0, house.daemon.log[-1500:]
    return Cost(caused=2, alarms=4, back_s=back_s, remark="refused, and told as silent")


def summer_time(bench: Bench) -> Cost:
    """Both nights in which the hour changes: the daily line once a day, and nothing else happens."""
    lines = 0
    for day, moments in (
        # beside each how many lines have been told when it is over
        ("2027-03-28", (("2027-03-28 01:59:58", 0), ("2027-03-28 03:29:58", 1), ("2027-03-29 02:29:58", 2))),
        ("2026-10-25", (("2026-10-25 02:29:58", 1), ("2026-10-25 02:29:58b", 1), ("2026-10-26 02:29:58", 2))),
    ):
        house = House.build(
            bench.aside(day),
            vessels=[_untimed("north")],
            timezone="Europe/Berlin",
            schedule={"daily_digest": "02:30"},
        )
        watch = Watch(house, moment_s(moments[0][0]) - 3600 - time.time())
        house.start()
        wait_until(lambda house=house: "info started" in house.daemon.log, "jobs that are planned")  # type: ignore[misc]
        for moment, count in moments:
            _set_and_planned(house, watch, moment_s(moment))
            deadline_s = time.monotonic() + 3.0  # across the moment
            while time.monotonic() < deadline_s:
                say(house, 1.0)
                time.sleep(0.1)
            wait_until(lambda n=count, house=house: len(house.told("daily")) >= n, f"{moment}: its line")  # type: ignore[misc]
        assert house.daemon.stop() == 0, house.daemon.log[-1500:]
        told = house.told("daily")
        assert len(told) == 2, f"{day}: {told}"
        assert not house.told(), f"{day}: {house.told()}"
        lines += len(told)
    return Cost(caused=2, remark=f"{lines} daily lines in four days")


def _set_and_planned(house: House, watch: Watch, moment_s: float) -> None:
    """Set the clock and hold it there until the daemon has planned its jobs by it: what is due in two seconds is not over then."""
    said = "the clock was set, jobs are planned anew"
    before = house.daemon.log.count(said)

    def planned() -> bool:
        watch.set(moment_s - time.time())
        return house.daemon.log.count(said) > before

    wait_until(planned, said)


def leap_second(bench: Bench) -> Cost:
    """23:59:60 lasts a second more than the clock has: nothing is refused, nothing lost, and the alarm comes."""
    house = House.build(bench, vessels=[_untimed("north"), vessel("south")])
    watch = Watch(house, datetime(2026, 12, 31, 23, 59, 57, tzinfo=UTC).timestamp() - time.time())
    house.start()
    client = house.broker.client("sensor")
    sent = 0
    midnight_s = moment_s("2027-01-01 01:00:00")
    while watch.now_s() < midnight_s + 2 or not watch.repeated:
        if watch.now_s() >= midnight_s and not watch.repeated:
            watch.set(watch.ahead_s - 1.0)
            watch.repeated = True
            house.broker.publish("cellar/south", json.dumps({"top": 1.25, "t": "2026-12-31T23:59:60Z"}))
        client.publish("cellar/north", json.dumps({"top": 1.0 + sent / 1e5}), qos=1).wait_for_publish(5)
        sent += 1
        time.sleep(0.02)
    client.disconnect()
    client.loop_stop()
    took_s = rings(house)
    assert house.daemon.stop() == 0, house.daemon.log[-1500:]
    _only_over_pressure(house)
    stored = house.stored()
    values = [round((stored[t] - 1.0) * 1e5) for t in sorted(stored)][:sent]
    assert values == list(range(sent)), f"{len(stored)} of {sent + 2} readings, or in another order"
    assert house.stored("south") == {1_798_761_600_000: 1.25}, f"23:59:60 became {house.stored('south')}"
    return Cost(of=sent, alarms=1, remark=f"on the phone after {took_s:.1f} s")


def _untimed(name: str) -> dict[str, Any]:
    found = vessel(name)
    del found["pressure"]["time_pointer"]
    return found


def say(house: House, pressure_bar: float, name: str = "north") -> None:
    """Publish a number without a time."""
    house.broker.publish(f"cellar/{name}", json.dumps({"top": pressure_bar}))


def rings(house: House) -> float:
    """Raise the pressure of `north` and wait for the phone; return how long that took."""
    before, began_s = len(house.phone.accepted), time.monotonic()
    say(house, 2.6)
    say(house, 2.7)
    came = house.phone.wait_until(
        lambda _: any(f"{LIMIT_BAR}" in r.message for r in house.phone.accepted[before:]), PROMPT_S
    )
    assert came, f"no alarm on the phone within {PROMPT_S:g} s; {house.daemon.log[-2000:]}"
    return time.monotonic() - began_s


def quiet(house: House) -> None:
    """Bring the pressure of `north` down."""
    for _ in range(4):
        say(house, 1.0)


def _cleared(house: House) -> int:
    return sum(told.kind == "cleared" for told in house.told("over-pressure"))


def _only_over_pressure(house: House) -> None:
    other = {told.condition for told in house.told()} - {"over-pressure"}
    assert not other, f"the clock made {other}"


def moment_s(text: str) -> float:
    """Return a local time of Berlin as Unix seconds; `fold=1` by a trailing `b`."""
    return (
        datetime.fromisoformat(text.rstrip("b")).replace(tzinfo=BERLIN, fold=text.endswith("b")).timestamp()
    )
