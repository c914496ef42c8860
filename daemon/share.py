"""This daemon's share of the vessels: takes parts up, lets them go, and puts them to work and to rest in that order that
loses nothing.

Taking a part up: its detectors are rebuilt from the store, its alarms and what is unsent of its messages are here from
now on, and only then its sessions on the broker are opened, which hold whatever came since the last holder's commit.
Letting one go is the same backwards, and the database hears of it last.
"""

import logging
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

from ullage.adapters.errors import StoreError, UllageError
from ullage.adapters.reading import Delivery
from ullage.daemon.alarms import AlarmDesk
from ullage.daemon.batch_keeper import BatchKeeper
from ullage.daemon.batches import BatchView, adopt, view
from ullage.daemon.books import Page
from ullage.daemon.clock import Clock
from ullage.daemon.config_vessels import WatchedVessel
from ullage.daemon.health import Heartbeat, LoopHealth
from ullage.daemon.household import Household
from ullage.daemon.membership import Membership, Standing
from ullage.daemon.notifier import Notifier
from ullage.daemon.parted_source import PartedSource
from ullage.daemon.pipeline import Pipeline
from ullage.daemon.rebuild import Rebuilt, rebuild
from ullage.daemon.share_plan import part_to_take, parts_to_release
from ullage.daemon.snapshot import dump
from ullage.daemon.store import leases
from ullage.daemon.store.journal_tail import entries_after
from ullage.daemon.store.leases import HOUSE, LeaseLost, Member
from ullage.daemon.store.store import Store
from ullage.daemon.turf import Shared
from ullage.daemon.watched import Watched
from ullage.detectors.samples import Entry
from ullage.detectors.watch import VesselWatch

log = logging.getLogger(__name__)

LOOK_S = 1.0
"""How often this daemon looks who lives and who holds what."""
LONGEST_STEP_S = 120.0
"""Longest time that one vessel may take to be taken up; a daemon that is stuck for longer is none to rely on."""
OUTBOX_S = 3.0
"""How often the outbox is looked at for what others wrote for vessels that are here."""
RECENT_S = 3600.0
"""Readings that are fetched for all vessels of a part at once: as long as the oldest state that is likely."""
PUT_S = 30.0
UNDER_WAY_S = 10.0
"""How long to wait for a message that is on its way when its vessel is let go."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """What a share works with."""

    store: Store
    desk: AlarmDesk
    pipeline: Pipeline
    keeper: BatchKeeper
    notifier: Notifier | None
    sources: tuple[PartedSource, ...]
    clock: Clock


class Share:
    """One thread.

    Parameters
    ----------
    vessels
        All that are configured.
    membership
        This daemon among the others.
    turf
        Told what is here; the others ask it.
    """

    def __init__(
        self,
        vessels: Sequence[WatchedVessel],
        membership: Membership,
        turf: Shared,
        surroundings: Surroundings,
    ) -> None:
        self._vessels = {watched.vessel.name: watched for watched in vessels}
        self._membership = membership
        self._turf = turf
        self._with = surroundings
        self._household = Household(surroundings.desk, turf, self._vessels, surroundings.clock)
        self._registered = False
        self._outbox_due_s = 0.0
        self._failed = ""
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self._heartbeat = Heartbeat("share", surroundings.clock, longest_turn_s=LONGEST_STEP_S)

    def start(self) -> None:
        """Start the thread."""
        self._membership.fit = lambda: self._heartbeat.health().healthy
        self._thread = threading.Thread(target=self._run, name="share", daemon=True)
        self._thread.start()

    def stop(self, timeout_s: float = 30.0) -> None:
        """End the thread; what is here stays until the membership ends."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join(timeout_s)

    def loop_health(self) -> LoopHealth:
        """Tell whether the thread goes round."""
        if self._thread is None or not self._thread.is_alive():
            return LoopHealth(name="share", healthy=False, alive=False, detail="the thread does not run")
        return self._heartbeat.health()

    def _run(self) -> None:
        while not self._stopping.is_set():
            self._heartbeat.beat()
            try:
                again = self.turn()
                self._failed = ""
            except LeaseLost:
                return
            except Exception as error:  # noqa: BLE001 - the next look may do better
                again = False
                said = f"{type(error).__name__}: {error}"
                if said != self._failed:
                    self._failed = said
                    log.error("sharing failed", extra={"error": said})
            if not again:
                self._stopping.wait(LOOK_S)

    def turn(self) -> bool:
        """Look once, and take up or let go what should be; return whether there may be more to do at once."""
        if self._membership.standing() is not Standing.HELD:
            return False
        if not self._registered:
            self._register()
        with self._membership.transaction() as connection:
            members, parts = leases.members(connection), leases.parts(connection, self._vessels.keys())
        self._look_into_outbox()
        self._household.look(members)
        dead = self._dead(members)
        living = {member.token for member in members} - {member.token for member in dead}
        if dead or part_to_take(self._turf.token, living, parts) is not None:
            return self._take_up([member.token for member in dead])
        for stray in (part.number for part in parts if part.holder == self._turf.token):
            if stray not in self._turf.parts:  # half let go, or half taken up
                self._put_to_work(stray, self._names_of(stray))
        for number in parts_to_release(self._turf.token, living, parts):
            self._let_go(number)
        return False

    def _register(self) -> None:
        """See to it that every configured vessel is in a part."""
        with self._membership.transaction() as connection:
            leases.take_turns(connection)
            agreed = {member.knows for member in leases.members(connection)} == {
                self._membership.member.knows
            }
            leases.register(connection, tuple(self._vessels), forget=agreed)
        self._registered = True

    def _dead(self, members: Sequence[Member]) -> list[Member]:
        """Return members that have not renewed in time, though the database could be reached all the while."""
        if self._membership.steady_s() < leases.TERM_S:
            return []
        return [member for member in members if member.overdue and member.token != self._turf.token]

    # taking up

    def _take_up(self, dead: Sequence[str]) -> bool:
        buried, number, names = self._change_hands(dead)
        self._household.mourn(buried)
        if number is None:
            return bool(buried)
        began_s = self._with.clock.monotonic_s()
        try:
            self._put_to_work(number, names)
        except UllageError as error:
            log.error("vessels could not be taken up", extra={"part": number, "error": str(error)})
            self._turf.drop(number)
            self._give_back(number)
            return False
        took_s = round(self._with.clock.monotonic_s() - began_s, 2)
        log.info(
            "vessels taken up", extra={"part": number, "vessels": sorted(names - {HOUSE}), "took_s": took_s}
        )
        return True

    def _change_hands(self, dead: Sequence[str]) -> tuple[tuple[Member, ...], int | None, frozenset[str]]:
        """Bury the dead and write down what this daemon takes up, with nobody else changing hands meanwhile."""
        me = self._turf.token
        with self._membership.transaction() as connection:
            leases.take_turns(connection)
            buried = leases.bury(connection, dead)
            living = {member.token for member in leases.members(connection)}
            if me not in living:
                raise LeaseLost(self._turf.name)
            number = part_to_take(me, living, leases.parts(connection, self._vessels.keys()))
            if number is None or not leases.take(connection, me, number):
                return buried, None, frozenset()
            return buried, number, leases.vessels_of(connection, number)

    def _put_to_work(self, number: int, names: frozenset[str]) -> None:
        here = self._with
        here.desk.refresh()
        self._prepare(number, names)
        if HOUSE in names:
            self._household.move_in()
            if here.notifier is not None:
                here.notifier.reroute()
        for source in here.sources:
            source.open(number, names - {HOUSE})
        if here.notifier is not None:
            here.notifier.wake()

    def _prepare(self, number: int, names: frozenset[str]) -> None:
        """Have the vessels' detectors ready for what comes."""
        here = self._with
        wanted = [self._vessels[name] for name in sorted(names) if name in self._vessels]
        for vessel in wanted:
            adopt(here.store, vessel, here.clock.wall_s())
        since_s = here.clock.wall_s() - RECENT_S
        with here.store.many_looks([vessel.vessel.name for vessel in wanted], since_s):
            ready = [self._rebuild(vessel) for vessel in wanted]
        self._turf.take(number, names)
        done = threading.Event()
        put = partial(self._put, number, ready, done)
        if not here.pipeline.call(put, timeout_s=PUT_S) or not done.wait(PUT_S):
            raise StoreError("pipeline", "has no room for more vessels now")
        with here.store.many_looks():
            for known, made in ready:
                here.keeper.add(self._vessels[made.watched.name], known)

    def _rebuild(self, vessel: WatchedVessel) -> tuple[BatchView, Rebuilt]:
        """Return the vessel's detectors. Whether somebody has pitched meanwhile the keeper of batches will see."""
        here = self._with
        known = view(here.store, vessel)
        try:
            standing = here.desk.standing(vessel.vessel.name)
            made = rebuild(
                known.watched, here.store, here.clock, standing, begin_s=known.begin_s, mark=known.mark
            )
        except StoreError:
            raise
        except Exception as error:
            log.error(
                "detectors begin without what is stored", extra={"vessel": vessel.vessel.name}, exc_info=error
            )
            made = _afresh(known.watched, here.clock)
        self._heartbeat.beat()
        return known, made

    def _put(self, number: int, ready: Sequence[tuple[BatchView, Rebuilt]], done: threading.Event) -> None:
        """Let detectors judge from now on; runs in the pipeline's thread."""
        here = self._with
        if number not in self._turf.parts:  # it took too long and was given back
            return
        for _, made in ready:
            here.pipeline.replace(made.watched)
            here.pipeline.tell(made.untold)
        known = {made.watched.name: made.watched.last_entry_id for _, made in ready}
        # entries made since the rebuild have been read by the writer already, for a vessel nobody knew
        for vessel, stored in entries_after(here.store, min(known.values(), default=0)) if known else ():
            if stored.id > known.get(vessel, stored.id):
                here.pipeline.enter(vessel, Entry(time_s=stored.time_s, text=stored.text), stored.id)
        done.set()

    # letting go

    def _let_go(self, number: int) -> None:
        here, names = self._with, self._names_of(number)
        if self._telling_of(names) or not here.desk.health().storing:
            return  # at the next look
        try:
            for source in here.sources:
                source.close(number)
            states = self._take_from_work(names)
            here.store.flush()
            for name, (mark, state) in states.items():
                here.store.save_snapshot(name, saved_s=here.clock.wall_s(), fingerprint=mark, payload=state)
        finally:
            self._turf.drop(number)
        if here.notifier is not None:
            here.notifier.forget(names)
            self._wait(lambda: not self._telling_of(names), UNDER_WAY_S)
        self._give_back(number)
        log.info("vessels let go", extra={"part": number, "vessels": sorted(names)})

    def _take_from_work(self, names: frozenset[str]) -> dict[str, tuple[str, bytes]]:
        """Have the detectors judge no more and put down what they have; return each vessel's state with its mark."""
        here = self._with
        states: dict[str, tuple[str, bytes]] = {}
        done = threading.Event()

        def take() -> None:
            try:
                for name in names:
                    watched = here.pipeline.watched.get(name)
                    here.pipeline.settle(name)
                    if watched is not None and name in marks:
                        states[name] = marks[name], dump(watched.state())
                    here.pipeline.remove(name)
            finally:  # after all that is to be put down before
                here.pipeline.books.put(Page(deliveries=(Delivery("share", acknowledge=done.set),)))

        marks = {name: mark for name in names if (mark := here.keeper.drop(name)) is not None}
        if not here.pipeline.call(take, timeout_s=PUT_S) or not done.wait(PUT_S):
            raise StoreError("pipeline", "is too busy to let vessels go")
        return states

    def _telling_of(self, names: frozenset[str]) -> bool:
        return self._with.notifier is not None and self._with.notifier.busy_with(names)

    def _names_of(self, number: int) -> frozenset[str]:
        with self._membership.transaction() as connection:
            return leases.vessels_of(connection, number)

    def _give_back(self, number: int) -> None:
        with self._membership.transaction() as connection:
            leases.release(connection, self._turf.token, number)

    def _look_into_outbox(self) -> None:
        now_s = self._with.clock.monotonic_s()
        if self._with.notifier is not None and now_s >= self._outbox_due_s:
            self._outbox_due_s = now_s + OUTBOX_S
            self._with.notifier.wake()

    def _wait(self, holds: Callable[[], bool], timeout_s: float) -> None:
        until_s = self._with.clock.monotonic_s() + timeout_s
        while not holds() and self._with.clock.monotonic_s() < until_s:
            self._stopping.wait(0.05)


def _afresh(vessel: WatchedVessel, clock: Clock) -> Rebuilt:
    watched = Watched(vessel.vessel.name, lambda: VesselWatch(vessel.vessel, vessel.detectors), clock)
    return Rebuilt(watched=watched, untold=(), readings=0, resumed=False)
