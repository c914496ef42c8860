"""SIGKILL and power cuts at random moments: what was acknowledged is there, alarms are told once, verdicts the same."""

import signal
import time
from collections.abc import Sequence
from contextlib import ExitStack

import numpy as np

from tests.faults.disk import FragileDisk, need_root
from tests.faults.fault import Bench, Cost
from tests.faults.house import COMMIT_S, LIMIT_BAR, Brewer, House
from ullage.daemon.store.store import Store
from ullage.detectors.finding import State
from ullage.detectors.samples import Kind, Samples
from ullage.detectors.vessel import Vessel
from ullage.detectors.watch import VesselWatch

SLOW_S = 0.25
"""Between messages of a sender whose messages may all wait for their commit."""
FLUSH_S = 0.1
"""What a memory card may take for a flush; time enough to be cut off in the middle of a commit."""
START_S = 30.0
"""A second is usual; so much is for a machine that is busy with other things."""
BUSY_S = 0.5
"""What a commit may take on a busy machine."""


def kills_fast(bench: Bench) -> Cost:
    """Fifty messages a second, far more than may wait for their commit: a kill costs a commit interval at most."""
    house = House.build(bench)
    house.start()
    brewer = Brewer(house)
    chance, lives_s, back_s = bench.chance, [], 0.0
    started_s = time.time()
    kills = bench.times(5, 50)
    for _ in range(kills):
        brewer.publish(1.0, chance.randrange(1, 60))
        if chance.random() < 0.7:
            brewer.episode()
        if chance.random() < 0.5:
            house.acknowledge()
        brewer.publish(1.0, chance.randrange(0, 10))
        house.daemon.kill()
        lives_s.append((started_s, time.time()))
        brewer.publish(1.0, chance.randrange(0, 20))
        if chance.random() < 0.3:
            brewer.episode()  # nobody is there: the broker keeps it
        began_s = time.monotonic()
        house.daemon.start()
        back_s = max(back_s, time.monotonic() - began_s)
        started_s = time.time()  # nothing is judged before it is ready
    _end(house, brewer)
    assert back_s < START_S, f"{back_s:.0f} s to start"
    lost = brewer.missing()
    longest_s = max((_judged_for_s(time_ms, lives_s) for time_ms in lost), default=0.0)
    assert longest_s <= COMMIT_S + BUSY_S, f"{longest_s:.1f} s of readings lost"
    _check_acknowledgements(house)
    alarms = brewer.check_alarms()
    remark = f"{longest_s:.2f} s of readings at most"
    return Cost(
        caused=kills, lost=len(lost), of=len(brewer.sent), alarms=alarms, back_s=back_s, remark=remark
    )


def kills_slow(bench: Bench) -> Cost:
    """A few messages a second: a kill costs none, and every verdict is that of a run in which nobody was killed."""
    house = House.build(bench)
    house.start()
    brewer = Brewer(house)
    chance, back_s = bench.chance, 0.0
    kills = bench.times(3, 25)
    for _ in range(kills):
        brewer.publish(1.0, chance.randrange(1, 6), SLOW_S)
        if chance.random() < 0.7:
            brewer.episode(3, SLOW_S)
        house.daemon.kill()
        brewer.publish(1.0, chance.randrange(0, 4), SLOW_S)
        began_s = time.monotonic()
        house.daemon.start()
        back_s = max(back_s, time.monotonic() - began_s)
    _end(house, brewer)
    assert back_s < START_S, f"{back_s:.0f} s to start"
    lost = brewer.missing()
    assert not lost, f"{len(lost)} readings lost"
    alarms = brewer.check_alarms()
    _check_verdicts(house, brewer)
    return Cost(caused=kills, of=len(brewer.sent), alarms=alarms, back_s=back_s, remark="the same verdicts")


def cuts(bench: Bench) -> Cost:
    """The power goes while the file system writes to a disk with a volatile cache, of which any part may be lost.

    The processor stops first (SIGSTOP), then the disk's content is taken as the cut leaves it, and the daemon goes on
    upon that. What it had promised to the broker, to the phone and to the brewer must all be there.
    """
    need_root()
    card = bench.folder / "card"
    disk = FragileDisk(bench.folder / "disk-0", card)
    with ExitStack() as mounted:
        mounted.enter_context(disk)
        house = House.build(bench, database=card / "ullage.db")
        house.start()
        brewer = Brewer(house)
        chance, back_s, sectors = bench.chance, 0.0, 0
        cut_at_s: list[float] = []
        number = bench.times(2, 25)
        for count in range(1, number + 1):
            brewer.publish(1.0, chance.randrange(1, 6), SLOW_S)
            if chance.random() < 0.7:
                brewer.episode(3, SLOW_S)
            if chance.random() < 0.5:
                house.acknowledge()
            disk.tell(f"slow {FLUSH_S}")
            if chance.random() < 0.5:
                brewer.above(3, SLOW_S)
            else:
                brewer.publish(1.0, 4, SLOW_S)
            _await_commit(disk, chance.uniform(0.0, 2 * FLUSH_S))
            image = bench.folder / f"image-{count}"
            house.daemon.signal(signal.SIGSTOP)
            cut_at_s.append(round(time.time(), 2))
            sectors += disk.cut(image, chance.randrange(10**6))
            house.daemon.kill()
            mounted.pop_all().close()
            disk = mounted.enter_context(FragileDisk(bench.folder / f"disk-{count}", card, image))
            began_s = time.monotonic()
            house.daemon.start()
            back_s = max(back_s, time.monotonic() - began_s)
            image.unlink()
        alarms = whole_after_cuts(house, brewer, cut_at_s)
    return Cost(
        caused=number,
        of=len(brewer.sent),
        alarms=alarms,
        back_s=back_s,
        remark=f"{sectors} sectors lost in the cache",
    )


def whole_after_cuts(house: House, brewer: Brewer, cut_at_s: Sequence[float]) -> int:
    """Stop in order, and hold what is kept and told against what was sent; return how many alarms that was."""
    _end(house, brewer)
    assert "moved aside" not in house.daemon.log, "the file was damaged by a power cut"
    lost = brewer.missing()
    assert not lost, f"{len(lost)} readings lost: {lost}, cut at {cut_at_s}"
    _check_acknowledgements(house)
    return brewer.check_alarms()


def _await_commit(disk: FragileDisk, then_s: float) -> None:
    """Wait until something is written, and a little longer."""
    before = disk.tell("count")
    deadline_s = time.monotonic() + 2 * COMMIT_S
    while disk.tell("count") == before and time.monotonic() < deadline_s:
        time.sleep(0.005)
    time.sleep(then_s)  # the random moment


def _end(house: House, brewer: Brewer) -> None:
    """Let everything arrive, and stop in order."""
    brewer.publish(1.0, 10, 0.05)
    brewer.episode()
    brewer.close()
    newest_ms = max(brewer.sent)
    deadline_s = time.monotonic() + 10
    while newest_ms not in house.stored() and time.monotonic() < deadline_s:
        time.sleep(0.1)
    code = house.daemon.stop()
    assert code == 0, f"exit code {code}; {house.daemon.log[-1500:]}"
    assert newest_ms in house.stored(), "the last reading is not there"
    with Store.open(house.url()) as store:
        fault = store.check_integrity()
    assert fault is None, fault


def _judged_for_s(time_ms: int, lives_s: list[tuple[float, float]]) -> float:
    """Return how long before its end the life that a reading was lost in had judged it."""
    life = next((life for life in lives_s if life[1] >= time_ms / 1000), None)
    assert life is not None, "a reading was lost without a kill"
    return life[1] - max(time_ms / 1000, life[0])


def _check_acknowledgements(house: House) -> None:
    """What was promised to the brewer stands in the log of the alarms."""
    promised = house.promised
    with house.desk() as desk:
        kept = {(t.key, round(t.made_s, 3)) for t in desk.transitions(limit=100_000) if t.actor == "brewer"}
    forgotten = [each for each in promised if each not in kept]
    assert not forgotten, f"acknowledgements were forgotten: {forgotten}"


def _check_verdicts(house: House, brewer: Brewer) -> None:
    """Let fresh detectors judge what was sent, and compare with what the killed ones told."""
    vessel = Vessel(
        name="north", total_volume_l=23, beer_volume_l=19, rated_pressure_bar=LIMIT_BAR,
        sensors=frozenset({Kind.PRESSURE}),
    )  # fmt: skip
    times_ms = sorted(brewer.sent)
    samples = Samples(
        time_s=np.array(times_ms, np.float64) / 1000,
        kind=np.full(len(times_ms), Kind.PRESSURE, np.uint8),
        value=np.array([brewer.sent[t] for t in times_ms], np.float64),
    )
    words = {State.RAISED: "raised", State.CLEARED: "cleared", State.NOTED: "noted"}
    undisturbed = {
        (found.condition.value, words[found.state], round(found.time_s, 3))
        for found in VesselWatch(vessel).update(samples)
    }
    told = {(t.condition, t.kind, round(t.time_s, 3)) for t in house.told() if t.kind != "reminded"}
    assert told == undisturbed, f"other verdicts: {sorted(told ^ undisturbed)[:6]}"
