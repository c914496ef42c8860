"""The way to the phone: down for a day, slow, asked to wait, turned away. Nothing is forgotten, the critical comes first."""

import random
import time
from collections import Counter
from typing import Self

from tests.daemon.desk_kit import T0, finding
from tests.faults.fault import Bench, Cost
from tests.faults.house import House
from tests.servers.daemon import wait_until
from tests.servers.http_receiver import HttpReceiver, Mode
from ullage.daemon.alarms import AlarmDesk
from ullage.daemon.clock import ManualClock
from ullage.daemon.notifier import Notifier
from ullage.daemon.notify_settings import NotifySettings
from ullage.daemon.store.store import Store
from ullage.detectors.finding import Condition, State

PROMPT_S = 5.0
MODES = (Mode.REFUSE, Mode.BUSY, Mode.REJECT, Mode.HANG, Mode.SLOW)
DAY_S = 86_400.0
STEP_S = 300.0
LETTERS = 10
"""More than so many messages after a day would bury what matters."""


def day(bench: Bench) -> Cost:
    """A day without the phone, on a clock that is moved by hand; then all of it in order, and not one by one.

    The desk, the outbox, the couriers and the phone are the real ones. Half way the program is started anew.
    """
    phone = bench.use(HttpReceiver())
    phone.mode = Mode.REFUSE
    clock = ManualClock(T0)
    url = f"sqlite:///{bench.folder / 'ullage.db'}"
    for half in range(2):
        with Store.open(url) as store, _Running(phone, store, clock) as running:
            _live(running, bench.chance, half)
            wait_until(lambda: bool(phone.requests), "a first try")
            if half == 0:
                continue
            critical = running.notifier.health().oldest_critical_s
            assert critical is not None, "the day's alarms are forgotten"
            assert critical > DAY_S / 2 - STEP_S, "the oldest alarm is forgotten"
            phone.mode = Mode.OK
            began_s = time.monotonic()
            _until_told(running, clock)
            back_s = time.monotonic() - began_s
            raised = [event for event in running.desk.history(limit=10_000) if event.kind == "raised"]
    letters = phone.accepted
    text = "\n".join(r.title + r.message for r in letters)
    copies = Counter(
        {event.token: text.count(f"{event.token}\n") + text.count(f"{event.token} ") for event in raised}
    )
    missing = [event.text for event in raised if event.token not in text]
    assert not missing, f"never told: {missing}"
    ranks = ["Critical" in letter.title for letter in letters]
    assert ranks == sorted(ranks, reverse=True), "something went before the critical ones"
    assert len(letters) <= LETTERS, f"{len(letters)} messages for {len(raised)} alarms"
    assert max(copies.values(), default=0) <= 2
    remark = f"{len(raised)} alarms in {len(letters)} messages, critical first"
    return Cost(alarms=len(raised), back_s=back_s, remark=remark)


class _Running:
    """Desk and couriers, as a start makes them and a stop ends them."""

    def __init__(self, phone: HttpReceiver, store: Store, clock: ManualClock) -> None:
        target = {"name": "phone", "url": phone.notify_url}
        self.notifier = Notifier(NotifySettings.model_validate({"targets": [target]}), store, clock)
        self.desk = AlarmDesk(store, self.notifier, clock)
        self.clock = clock

    def __enter__(self) -> Self:
        self.notifier.start()
        self.notifier.settle(30.0)
        return self

    def __exit__(self, *_: object) -> None:
        self.notifier.stop()


def _live(running: _Running, chance: random.Random, half: int) -> None:
    """Half a day: over-pressure at its beginning, other alarms that come and go, reminders all along."""
    desk, clock = running.desk, running.clock
    desk.take([finding(Condition.OVER_PRESSURE, vessel=f"north-{half}", time_s=clock.wall_s(), value=2.7)])
    standing: set[str] = set()
    for _ in range(round(DAY_S / 2 / STEP_S)):
        clock.advance(STEP_S)
        desk.tick()
        desk.remind()
        if chance.random() < 0.2:
            vessel = chance.choice(("south", "west", "east"))
            state = State.CLEARED if vessel in standing else State.RAISED
            standing ^= {vessel}
            desk.take([finding(Condition.TEMPERATURE_HIGH, state, vessel=vessel, time_s=clock.wall_s())])


def _until_told(running: _Running, clock: ManualClock) -> None:
    """Let time pass until nothing waits."""
    deadline_s = time.monotonic() + 30
    while sum(target.waiting for target in running.notifier.health().targets):
        assert time.monotonic() < deadline_s, f"still waits: {running.notifier.health()}"
        clock.advance(20)
        running.notifier.wake()
        time.sleep(0.01)


def moods(bench: Bench) -> Cost:
    """One of two targets refuses, asks to wait, turns away, hangs or crawls: the other rings at once, that one later."""
    other = bench.use(HttpReceiver(slow_s=3.0))
    address = bench.folder / "other-url"
    address.write_text(other.notify_url)
    address.chmod(0o600)
    house = House.build(bench)
    targets = house.daemon.config["notify"]["targets"]
    targets += [{"name": "other", "url_file": str(address), "timeout_s": 1}]
    house.start()
    chosen = MODES if bench.long else bench.chance.sample(MODES, 2)
    slowest_s = back_s = 0.0
    for mode in chosen:
        other.mode = mode
        before = len(house.phone.accepted)
        slowest_s = max(slowest_s, house.rings(PROMPT_S, since=before))
        wait_until(lambda: bool(other.requests), "a try at the other")
        token = house.raised()[-1].token
        other.mode = Mode.OK
        began_s = time.monotonic()
        told = other.wait_until(lambda _, t=token: any(t in r.message for r in other.accepted), 60)  # type: ignore[misc]
        assert told, f"{mode}: never told; {house.daemon.log[-1500:]}"
        back_s = max(back_s, time.monotonic() - began_s)
        house.calm()
    assert house.daemon.stop() == 0, house.daemon.log[-1500:]
    remark = f"the other phone after {slowest_s:.1f} s at most"
    return Cost(caused=len(chosen), alarms=2 * len(chosen), back_s=back_s, remark=remark)
