"""SIGHUP: a slip of the pen leaves the old configuration in force; a right one counts at once and costs no memory."""

import signal
import time
from collections.abc import Mapping

import yaml

from tests.faults.fault import Bench, Cost
from tests.faults.house import House, vessel
from tests.servers.daemon import wait_until

SLIPS = (
    ("rated_pressure_bar: 2.5", "rated_presure_bar: 2.5", "rated_pressure_bar"),
    ("rated_pressure_bar: 2.5", "rated_pressure_bar: -2", "rated_pressure_bar"),
    ("kind: mqtt", "kind: mqqt", "mqqt"),
    ("vessels:", "vessels: [", "YAML"),
    ("name: north", "name: south", "taken"),
)


def bad(bench: Bench) -> Cost:
    """The message names the slip, on the phone as well; alarms go on by the old limits."""
    house = House.build(bench, vessels=[vessel("north"), vessel("south")])
    house.start()
    right = house.daemon.config_path.read_text()
    chosen = SLIPS if bench.long else bench.chance.sample(SLIPS, 2)
    for old, new, named in chosen:
        assert old in right
        before = house.daemon.log.count("the old one stays")
        house.daemon.config_path.write_text(right.replace(old, new, 1))
        house.daemon.signal(signal.SIGHUP)
        wait_until(lambda n=before: house.daemon.log.count("the old one stays") > n, "a word about the slip")  # type: ignore[misc]
        assert named in house.daemon.log, house.daemon.log[-800:]
        house.rings(since=len(house.phone.accepted))
        house.calm()
    told = house.phone.wait_until(lambda rs: any("the one before stays in force" in r.message for r in rs))
    assert told, "nobody was told"
    house.daemon.config_path.write_text(right)
    house.daemon.signal(signal.SIGHUP)
    wait_until(
        lambda: [t.kind for t in house.told("configuration")][-1:] == ["cleared"], "the end of the trouble"
    )
    assert house.daemon.stop() == 0, house.daemon.log[-1500:]
    return Cost(caused=len(chosen), alarms=len(chosen), remark="named, and told")


def good(bench: Bench) -> Cost:
    """One reading above the limit before and one after: the alarm comes, so the detectors are the same; new limits count."""
    house = House.build(bench, vessels=[vessel("north"), vessel("south")])
    house.start()
    config = yaml.safe_load(house.daemon.config_path.read_text())
    slowest_s, times = 0.0, bench.times(3, 10)
    for number in range(times):
        house.publish(1.0, 1.0, 2.6, name="south")
        wait_until(lambda: 2.6 in house.stored("south").values(), "the first reading above the limit")
        config["vessels"] = [
            vessel("north", rated_pressure_bar=1.8 + number / 100), vessel("south"), vessel(f"west-{number}"),
        ]  # fmt: skip
        began_s = time.monotonic()
        take_over(house, config)
        slowest_s = max(slowest_s, time.monotonic() - began_s)
        before = len(house.phone.accepted)
        house.publish(2.7, name="south")
        _expect(house, before, "south", "rated 2.50")
        before = len(house.phone.accepted)
        house.publish(2.3, 2.4, name="north")
        _expect(house, before, "north", f"rated {1.8 + number / 100:.2f}")
        before = len(house.phone.accepted)
        house.publish(2.6, 2.7, name=f"west-{number}")
        _expect(house, before, f"west-{number}", "rated 2.50")
        for name in ("south", "north"):
            house.calm_down(name)
        wait_until(lambda n=number: _standing(house) <= {f"west-{n}"}, "calm")  # type: ignore[misc]
    assert house.daemon.log.count("detectors begin anew vessel=south") == 0, "detectors were lost"
    assert house.daemon.stop() == 0, house.daemon.log[-1500:]
    return Cost(
        caused=times, alarms=3 * times, back_s=slowest_s, remark="detectors of unchanged vessels kept"
    )


def take_over(house: House, config: Mapping[str, object]) -> None:
    """Have the running daemon read another configuration, and wait until it is in force."""
    before = house.daemon.log.count("configuration taken over")
    house.daemon.config_path.write_text(yaml.safe_dump(dict(config)))
    house.daemon.signal(signal.SIGHUP)
    wait_until(lambda: house.daemon.log.count("configuration taken over") > before, "the new configuration")


def _expect(house: House, before: int, name: str, words: str) -> None:
    came = house.phone.wait_until(
        lambda _: any(name in r.title and words in r.message for r in house.phone.accepted[before:]), 20
    )
    took = [f"{r.title}: {r.message[:80]}" for r in house.phone.accepted[before:]]
    assert came, f"no alarm of {name} by {words}; it took {took}; {house.daemon.log[-1500:]}"


def _standing(house: House) -> set[str]:
    with house.desk() as desk:
        return {alarm.vessel for alarm in desk.standing() if alarm.active}
