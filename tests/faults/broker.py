"""What a broker and the network before it can do: go, fall silent, change the locks, and send rubbish by the ton."""

import json
import os
import time

import paho.mqtt.client as paho

from tests.faults.fault import Bench, Cost
from tests.faults.house import Brewer, House, vessel
from tests.servers.broker import Broker
from tests.servers.certificates import make_certificates, sign_server
from tests.servers.daemon import wait_until
from tests.servers.tcp_proxy import TcpProxy

PROMPT_S = 5.0
"""An alarm has to reach the phone within this in the middle of a flood."""
GROWTH_MB = 64
"""By how much rubbish may swell the daemon."""
FIRST, SECOND = {"brewer": "first-pass"}, {"brewer": "second-pass"}


def restarts(bench: Bench) -> Cost:
    """Stopped and started while readings come: nothing that the broker has taken is lost."""
    house = House.build(bench)
    house.start()
    brewer = Brewer(house)
    back_s = 0.0
    times = bench.times(2, 20)
    for _ in range(times):
        brewer.publish(1.0, 10)
        brewer.drain()
        house.broker.stop()
        time.sleep(bench.chance.uniform(0, 1.0))
        began_s = time.monotonic()
        house.broker.restart()
        before = house.daemon.log.count("source connected")
        brewer.publish(1.0, 10)
        brewer.episode(5)
        wait_until(lambda: brewer.arrived(), "the newest reading", 30)
        back_s = max(back_s, time.monotonic() - began_s)
        assert house.daemon.log.count("source connected") >= before
    return _ended(house, brewer, times, back_s)


def network(bench: Bench) -> Cost:
    """The network swallows everything and closes nothing: noticed by the keep-alive, and nothing is lost."""
    broker = bench.use(Broker.start(bench.folder / "broker"))
    proxy = bench.use(TcpProxy(broker.port))
    house = House.build(bench, broker=broker, source={"port": proxy.port, "keep_alive_s": 2})
    house.start()
    brewer = Brewer(house)
    back_s = 0.0
    times = bench.times(1, 10)
    for _ in range(times):
        brewer.publish(1.0, 10)
        before = house.daemon.log.count("source failed")
        proxy.dark = True
        brewer.publish(1.0, 20)
        brewer.episode(5)
        wait_until(lambda n=before: house.daemon.log.count("source failed") > n, "a word on the silence", 30)  # type: ignore[misc]
        proxy.dark = False
        began_s = time.monotonic()
        wait_until(lambda: brewer.arrived(), "the newest reading", 30)
        back_s = max(back_s, time.monotonic() - began_s)
    return _ended(house, brewer, times, back_s)


def credentials(bench: Bench) -> Cost:
    """The password is changed at the broker: the daemon says so, and goes on once its file has the new one."""
    folder = bench.folder / "broker"
    broker = bench.use(Broker.start(folder, passwords=FIRST))
    secret = bench.folder / "password"
    secret.write_text(FIRST["brewer"])
    secret.chmod(0o600)
    house = House.build(bench, broker=broker, source={"username": "brewer", "password_file": str(secret)})
    house.start()
    house.publish(*[1.0] * 5)
    wait_until(lambda: len(house.stored()) == 5, "the first readings")
    broker.stop()
    other = bench.use(Broker.start(folder, passwords=SECOND, port=broker.port))
    house.broker = other
    wait_until(lambda: "the broker refuses us" in house.daemon.log, "a word on the password", 30)
    assert "first-pass" not in house.daemon.log
    house.publish(*[1.0] * 5)
    secret.write_text(SECOND["brewer"])
    began_s = time.monotonic()
    wait_until(lambda: len(house.stored()) == 10, "what the broker had kept", 30)
    back_s = time.monotonic() - began_s
    house.rings()
    assert house.daemon.stop() == 0, house.daemon.log[-1500:]
    return Cost(of=12, lost=12 - len(house.stored()), alarms=1, back_s=back_s, remark="without a restart")


def certificate(bench: Bench) -> Cost:
    """The broker's certificate expires: nobody is trusted blindly, the reason is told, a new one ends it."""
    authority = bench.folder / "authority"
    good = make_certificates(authority)
    broker = bench.use(Broker.start(bench.folder / "broker", certificates=good))
    house = House.build(bench, broker=broker, source={"tls": True, "ca_file": str(good.authority)})
    house.start()
    house.publish(*[1.0] * 5)
    wait_until(lambda: len(house.stored()) == 5, "the first readings")
    broker.stop()
    sign_server(authority, days=-1)
    broker.restart()
    wait_until(lambda: "certificate has expired" in house.daemon.log, "a word on the certificate", 30)
    broker.stop()
    sign_server(authority)
    broker.restart()
    began_s = time.monotonic()
    house.publish(*[1.0] * 5)
    wait_until(lambda: len(house.stored()) == 10, "the next readings", 30)
    back_s = time.monotonic() - began_s
    house.rings()
    assert house.daemon.stop() == 0, house.daemon.log[-1500:]
    return Cost(
        of=12,
        lost=12 - len(house.stored()),
        alarms=1,
        back_s=back_s,
        remark="refused meanwhile, with the reason",
    )


def junk(bench: Bench) -> Cost:
    """Thousands of topics with rubbish under a wildcard of ours: all of it refused, and the phone rings in between."""
    house = House.build(bench, vessels=[_wild()])
    house.start()
    before_mb = memory_mb(house)
    client = house.broker.client("joker")
    count = bench.times(4_000, 100_000)
    for number in range(count):
        rubbish = bench.chance.randbytes(bench.chance.randrange(0, 400))
        client.publish(
            f"cellar/north/{bench.chance.randrange(10**9):x}/{number % 7}", rubbish, qos=number % 2
        )
    took_s = house.rings(PROMPT_S)
    _drain(client)
    return _swamped(house, count, before_mb, took_s, "messages")


def giants(bench: Bench) -> Cost:
    """Payloads of ten megabytes: refused, with MQTT 5 by the broker already, and memory stays what it was."""
    house = House.build(bench, source={"protocol": bench.chance.choice(("v5", "v3.1.1"))})
    house.start()
    before_mb = memory_mb(house)
    client = house.broker.client("giant")
    count = bench.times(5, 50)
    for _ in range(count):
        client.publish("cellar/north", os.urandom(10 * 2**20), qos=1).wait_for_publish(30)
    for _ in range(count):
        client.publish("cellar/north", os.urandom(900_000), qos=1).wait_for_publish(30)
    took_s = house.rings(PROMPT_S)
    _drain(client)
    return _swamped(house, 2 * count, before_mb, took_s, "payloads of up to 10 MB")


def retained(bench: Bench) -> Cost:
    """Thousands of retained messages at the first subscription: old news, no alarm of it, and then the real one."""
    broker = bench.use(Broker.start(bench.folder / "broker"))
    client = broker.client("hoarder")
    count = bench.times(2_000, 20_000)
    for number in range(count):
        client.publish(f"cellar/north/{number}", json.dumps({"top": 9.0}), qos=1, retain=True)
    _drain(client)
    house = House.build(bench, broker=broker, vessels=[_wild(timed=False)])
    house.start()
    before_mb = memory_mb(house)
    client = broker.client("sensor")
    began_s = time.monotonic()
    for _ in range(3):
        client.publish("cellar/north/now", json.dumps({"top": 2.7}), qos=1).wait_for_publish(10)
        time.sleep(0.05)  # two readings at two times
    assert house.phone.wait_until(lambda rs: any("2.5" in r.message for r in rs), 20), house.daemon.log[
        -1500:
    ]
    took_s = time.monotonic() - began_s
    _drain(client)
    assert not any("9.0" in r.message for r in house.phone.accepted), "an alarm of old news"
    return _swamped(house, count, before_mb, took_s, "retained messages")


def repeats(bench: Bench) -> Cost:
    """Each message twice, out of order, and again after each broken connection: each reading once, the alarm once."""
    broker = bench.use(Broker.start(bench.folder / "broker"))
    proxy = bench.use(TcpProxy(broker.port))
    house = House.build(bench, broker=broker, source={"port": proxy.port})
    house.start()
    brewer = Brewer(house)
    times = bench.times(2, 20)
    for turn in range(times):
        start_ms = int((time.time() - 30) * 4) * 250 + turn  # no two turns share a millisecond
        sent = {start_ms + 250 * n: 1.0 + n / 1000 for n in range(100)}
        brewer.sent |= sent
        stream = [*sent.items(), *sent.items()]
        order = sorted(range(len(stream)), key=lambda n: n % 100 + bench.chance.uniform(0, 12))
        for count, place in enumerate(order):
            time_ms, value = stream[place]
            brewer.send(value, time_ms)
            if count % 40 == 39:
                proxy.cut()
        brewer.drain()
        time.sleep(0.05)  # the pressure rises after all of this
        brewer.episode(5)
    wait_until(lambda: brewer.arrived(), "the newest reading", 30)
    return _ended(house, brewer, times, 0.0)


def overflow(bench: Bench) -> Cost:
    """The daemon is away for longer than the broker keeps messages for: the oldest are judged, the gap is seen, no more."""
    limit, step_s, count = 50, 4.0, 900
    broker = bench.use(Broker.start(bench.folder / "broker", extra=[f"max_queued_messages {limit}"]))
    house = House.build(bench, broker=broker)
    house.start()
    first_s = round(time.time() - step_s * (count + 30))
    times_ms = [round(1000 * (first_s + step_s * n)) for n in range(count)]
    house.send(times_ms[:10])
    wait_until(lambda: len(house.stored()) == 10, "the first readings")
    bench.chance.choice((house.daemon.kill, house.daemon.stop))()
    house.send(times_ms[10:])
    began_s = time.monotonic()
    house.start()
    wait_until(lambda: len(house.stored()) >= limit, "what the broker had kept", 30)
    time.sleep(12)  # ticks of the detectors, to whom an hour seems to be silent
    kept = sorted(house.stored())
    assert kept == times_ms[: len(kept)], "what the broker kept is not what came first"
    assert "readings are missing" not in house.daemon.log
    house.publish(*[1.0] * 3)
    wait_until(lambda: "readings are missing" in house.daemon.log, "a word on the gap")
    back_s = time.monotonic() - began_s - 12
    said_min = int(house.daemon.log.split("minutes=")[1].split()[0])
    assert abs(said_min - (time.time() - kept[-1] / 1000) / 60) < 1
    house.rings()
    assert [told.condition for told in house.told()] == ["over-pressure"], house.told()
    assert house.daemon.log.count("readings are missing") == 1
    assert house.daemon.stop() == 0, house.daemon.log[-1500:]
    lost = count - len(kept)
    return Cost(
        lost=lost,
        of=count + 5,
        alarms=1,
        back_s=back_s,
        remark=f"a queue of {limit}, away for an hour: {len(kept)} kept, the gap is logged",
    )


def _wild(*, timed: bool = True) -> dict[str, object]:
    """Return a vessel that listens to everything below its topic, and to the plain one."""
    north = vessel("north")
    north["pressure"]["topic"] = "cellar/north/#"
    if not timed:
        del north["pressure"]["time_pointer"]
    return north


def _drain(client: paho.Client) -> None:
    deadline_s = time.monotonic() + 60
    while client.want_write() and time.monotonic() < deadline_s:
        time.sleep(0.01)
    client.disconnect()
    client.loop_stop()


def memory_mb(house: House) -> float:
    """Return the most memory that the daemon has had."""
    with open(f"/proc/{house.daemon.pid}/status") as file:
        lines = dict(line.split(":", 1) for line in file)
    return int(lines["VmHWM"].split()[0]) / 1024


def _swamped(house: House, count: int, before_mb: float, took_s: float, what: str) -> Cost:
    grown_mb = memory_mb(house) - before_mb
    assert grown_mb < GROWTH_MB, f"{grown_mb:.0f} MB more than before"
    assert len(house.raised()) == 1, f"{len(house.raised())} alarms"
    assert house.daemon.stop() == 0, house.daemon.log[-1500:]
    assert "Traceback" not in house.daemon.log
    remark = f"{count} {what}; on the phone after {took_s:.1f} s; at most {grown_mb:.0f} MB more"
    return Cost(alarms=1, remark=remark)


def _ended(house: House, brewer: Brewer, times: int, back_s: float) -> Cost:
    brewer.close()
    assert house.daemon.stop() == 0, house.daemon.log[-1500:]
    lost = brewer.missing()
    assert not lost, f"{len(lost)} of {len(brewer.sent)} readings lost"
    kept = house.stored()
    assert len(kept) == len(brewer.sent), f"{len(kept)} stored, {len(brewer.sent)} sent"
    alarms = brewer.check_alarms()
    return Cost(caused=times, of=len(brewer.sent), alarms=alarms, back_s=back_s)
