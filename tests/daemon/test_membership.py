"""Leases on a real PostgreSQL server: who is a member, who is none any more, and what a frozen process can't do."""

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator

import pytest
import sqlalchemy as sa

from tests.servers.daemon import wait_until
from tests.servers.postgres import PostgresServer
from tests.servers.tcp_proxy import TcpProxy
from ullage.adapters.errors import StoreError
from ullage.adapters.reading import Quantity, Reading
from ullage.daemon.membership import ANSWER_S, RENEW_S, Membership, Standing
from ullage.daemon.store import leases
from ullage.daemon.store.leases import HOUSE, TERM_S, LeaseLost, Part
from ullage.daemon.store.share_tables import share_member
from ullage.daemon.store.store import Store

T0 = 1_760_000_000.0
VESSELS = [f"v{number}" for number in range(10)]


class Hand:
    """A clock moved by hand."""

    def __init__(self) -> None:
        self.time_s = 1000.0

    def __call__(self) -> float:
        return self.time_s


@pytest.fixture(name="url")
def _url(postgres: PostgresServer) -> str:
    url = postgres.new_database()
    Store.open(url).close()
    return url


@pytest.fixture(name="join")
def _join(url: str) -> Iterator[Callable[..., Membership]]:
    joined: list[Membership] = []

    def join(name: str, *, alone: bool = False) -> Membership:
        membership = Membership(url, name, alone=alone, vessels=VESSELS)
        membership.join()
        joined.append(membership)
        return membership

    yield join
    for membership in joined:
        membership.leave()


def _expire(url: str, name: str) -> None:
    """Have a member's term be over, as if it had not renewed it."""
    engine = sa.create_engine(url.replace("postgresql:", "postgresql+psycopg:"))
    with engine.begin() as connection:
        connection.execute(share_member.update().where(share_member.c.name == name).values(expires_ms=0))
    engine.dispose()


def _bury(taker: Membership, token: str) -> bool:
    with taker.transaction() as connection:
        leases.take_turns(connection)
        return bool(leases.bury(connection, [token]))


def test_a_member_stays_one_as_long_as_it_renews(url: str, join: Callable[..., Membership]) -> None:
    """Its row is pushed ahead again and again, by the database's clock."""
    membership = join("a")
    with membership.transaction() as connection:
        first = leases.members(connection)[0]
    assert 0 < first.left_s <= TERM_S
    _expire(url, "a")
    wait_until(lambda: _left_s(membership) > TERM_S / 2, "a renewal", 2 * TERM_S)
    assert membership.standing() is Standing.HELD


def _left_s(membership: Membership) -> float:
    with membership.transaction() as connection:
        return leases.members(connection)[0].left_s


def test_only_a_member_writes(url: str, join: Callable[..., Membership]) -> None:
    """Once another has taken its row away, a daemon's transactions are refused, and it knows why."""
    old, new = join("old"), join("new")
    with Store.open(url) as store:
        store.guard = old.guard
        store.add_entry("north", T0, "pitched", made_s=T0)
        _expire(url, "old")
        store.add_entry("north", T0 + 1, "still mine: nobody has taken over", made_s=T0)
        _expire(url, "old")
        assert _bury(new, old.token)
        with pytest.raises(LeaseLost, match="old: has lost its vessels to another daemon"):
            store.add_entry("north", T0 + 2, "not mine", made_s=T0)
        assert old.standing() is Standing.LOST
        assert old.lost()
        store.guard = None
        assert len(store.entries("north")) == 2


def test_one_that_has_renewed_after_all_is_not_buried(url: str, join: Callable[..., Membership]) -> None:
    """What is looked at and what is deleted is the row as it is then, not as it was."""
    old, new = join("old"), join("new")
    _expire(url, "old")
    old.renew()
    assert not _bury(new, old.token)


def test_a_write_that_has_begun_is_waited_for(url: str, join: Callable[..., Membership]) -> None:
    """The new holder finds everything that the old one has committed: burying waits for its transaction."""
    old, new = join("old"), join("new")
    buried = threading.Event()

    def bury() -> None:
        assert _bury(new, old.token)
        buried.set()

    with Store.open(url) as store:
        store.guard = old.guard
        with store.transaction() as connection:
            _expire(url, "old")
            taker = threading.Thread(target=bury)
            taker.start()
            assert not buried.wait(0.5)
            connection.exec_driver_sql("INSERT INTO vessel (name) VALUES ('north')")
        assert buried.wait(60)
        taker.join()
        with store.reading() as connection:
            assert connection.exec_driver_sql("SELECT name FROM vessel").scalar_one() == "north"


FREEZE = """
import os, signal, sys
from ullage.daemon.membership import Membership
from ullage.daemon.store.store import Store
membership = Membership(sys.argv[1], "frozen", alone=False)
membership.join()
with Store.open(sys.argv[1]) as store:
    store.guard = membership.guard
    try:
        with store.transaction() as connection:
            connection.exec_driver_sql("INSERT INTO vessel (name) VALUES ('too late')")
            print(membership.token, flush=True)
            os.kill(os.getpid(), signal.SIGSTOP)
    except Exception as error:
        print("refused", type(error).__name__, flush=True)
    try:
        store.add_entry("north", 0.0, "too late", made_s=0.0)
    except Exception as error:
        print("refused", type(error).__name__, flush=True)
print("standing", membership.standing().value, flush=True)
"""


def test_a_process_frozen_in_the_middle_of_a_write_holds_nobody_up(
    url: str, join: Callable[..., Membership]
) -> None:
    """The server ends its transaction, another takes over, and when it wakes nothing of it gets in."""
    taker = join("taker")
    frozen = subprocess.Popen([sys.executable, "-c", FREEZE, url], stdout=subprocess.PIPE, text=True)
    assert frozen.stdout is not None
    token = frozen.stdout.readline().strip()
    _expire(url, "frozen")
    began_s = time.monotonic()
    wait_until(lambda: _tried(taker, token), "the frozen one's burial")
    assert time.monotonic() - began_s < TERM_S
    os.kill(frozen.pid, signal.SIGCONT)
    said, _ = frozen.communicate(timeout=60)
    assert said.splitlines() == ["refused StoreError", "refused LeaseLost", "standing lost"]
    with Store.open(url) as store:
        assert store.vessels() == ()


def _tried(taker: Membership, token: str) -> bool:
    try:
        return _bury(taker, token)
    except StoreError:  # the lock was waited for as long as a question about a lease may take
        return False


def test_what_a_daemon_may_do_follows_from_what_it_knows(url: str) -> None:
    """Within its term all; after it nothing until the database has been asked; if that is away, the watch goes on."""
    hand = Hand()
    with TcpProxy(sa.make_url(url).port or 5432) as proxy:
        way = sa.make_url(url).set(host="127.0.0.1", port=proxy.port).render_as_string(hide_password=False)
        membership = Membership(way, "a", alone=False, now_s=hand)
        membership.join()
        membership.fit = lambda: False  # only this test renews
        assert membership.standing() is Standing.HELD
        hand.time_s += TERM_S + 0.1
        assert membership.standing() is Standing.DOUBTFUL
        membership.renew()
        assert membership.standing() is Standing.HELD
        assert membership.steady_s() == pytest.approx(TERM_S + 0.1)
        proxy.shut = True
        proxy.cut()
        membership.renew()
        assert membership.standing() is Standing.HELD  # the term still runs
        hand.time_s += TERM_S + 0.1
        assert membership.standing() is Standing.DOUBTFUL
        membership.renew()
        assert membership.standing() is Standing.AWAY
        proxy.shut = False
        membership.renew()
        assert membership.standing() is Standing.HELD
        assert membership.steady_s() == pytest.approx(0.0)
        membership.leave()


def test_a_daemon_that_is_not_fit_lets_its_term_run_out(join: Callable[..., Membership]) -> None:
    """A process whose watch is stuck must not keep its vessels by a thread that is well."""
    membership = join("a")
    membership.fit = lambda: False
    least_s = TERM_S - 2 * RENEW_S  # with every renewal it would be more
    wait_until(lambda: _left_s(membership) < least_s, "its term to run down", TERM_S)


def test_a_name_is_taken_only_once(url: str, join: Callable[..., Membership]) -> None:
    """Of two daemons of one name the second is refused as soon as it has seen that the first lives."""
    join("a")
    began_s = time.monotonic()
    with pytest.raises(
        StoreError, match=r"another daemon that is called a.*give this one another share\.name"
    ):
        Membership(url, "a", alone=False).join()
    assert time.monotonic() - began_s < TERM_S - RENEW_S  # it did not wait for the other's term to end


def test_after_a_kill_the_name_is_free_when_the_term_is_over(url: str) -> None:
    """A restart goes on by itself, within one term."""
    script = FREEZE.replace("os.kill(os.getpid(), signal.SIGSTOP)", "os.kill(os.getpid(), signal.SIGKILL)")
    killed = subprocess.run([sys.executable, "-c", script, url], stdout=subprocess.PIPE, check=False)
    assert killed.returncode == -signal.SIGKILL
    began_s = time.monotonic()
    told: list[str] = []
    again = Membership(url, "frozen", alone=False)
    again.join(told.append)
    assert time.monotonic() - began_s < TERM_S + ANSWER_S
    assert set(told) == {"Waiting for the lease of frozen to end"}
    again.leave()


@pytest.mark.parametrize(("first", "second"), [(True, True), (True, False), (False, True)])
def test_one_that_wants_the_database_to_itself_lives_beside_no_other(
    url: str, join: Callable[..., Membership], *, first: bool, second: bool
) -> None:
    """Whichever comes second is told in one sentence what to do."""
    join("a", alone=first)
    with pytest.raises(
        StoreError, match=r"is used by the daemon a on .*; stop that one, or let both share"
    ) as caught:
        Membership(url, "b", alone=second).join()
    assert "\n" not in str(caught.value)


def test_a_clean_end_frees_everything_at_once(url: str, join: Callable[..., Membership]) -> None:
    """What one held is nobody's the moment it has left, and its name may be taken again."""
    a, b = Membership(url, "a", alone=False), join("b")
    a.join()
    with a.transaction() as connection:
        leases.register(connection, VESSELS, forget=True)
        assert leases.take(connection, a.token, 1)
    a.leave()
    with b.transaction() as connection:
        assert leases.take(connection, b.token, 1)
        assert leases.holders(connection)[VESSELS[0]] == "b"
    join("a")


def test_a_part_is_held_by_one(url: str, join: Callable[..., Membership]) -> None:
    """Eight that grab at once: one gets it, the fence has moved by one."""
    members = [join(f"m{number}") for number in range(8)]
    with members[0].transaction() as connection:
        leases.register(connection, VESSELS, forget=True)
    got: list[str] = []

    def grab(member: Membership) -> None:
        with member.transaction() as connection:
            if leases.take(connection, member.token, 3):
                got.append(member.token)

    threads = [threading.Thread(target=grab, args=(member,)) for member in members]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(got) == 1
    with members[0].transaction() as connection:
        part = next(part for part in leases.parts(connection, VESSELS) if part.number == 3)
        assert part == Part(number=3, vessels=1, holder=got[0])
        assert connection.exec_driver_sql("SELECT fence FROM share_part WHERE number = 3").scalar_one() == 1


def test_vessels_keep_their_parts_and_parts_are_of_a_size(url: str, join: Callable[..., Membership]) -> None:
    """One a part at first, then evenly; what is added or taken away moves no other."""
    member = join("a")

    def register(count: int) -> dict[str, int]:
        with member.transaction() as connection:
            leases.register(connection, [f"v{number:04d}" for number in range(count)], forget=True)
            rows = connection.exec_driver_sql("SELECT vessel, part FROM share_vessel")
            return {vessel: part for vessel, part in rows if vessel != HOUSE}

    few = register(10)
    assert len(set(few.values())) == 10
    many = register(1000)
    sizes = [list(many.values()).count(part) for part in set(many.values())]
    assert (len(sizes), min(sizes), max(sizes)) == (leases.FEW_PARTS, 15, 16)
    assert few.items() <= many.items()
    very_many = register(leases.FEW_PARTS * leases.FULL_PART + 100)
    assert max(list(very_many.values()).count(part) for part in set(very_many.values())) == leases.FULL_PART
    assert many.items() <= very_many.items()
    assert register(10) == few


def test_readings_of_a_lost_daemon_are_refused_whole(url: str, join: Callable[..., Membership]) -> None:
    """A commit of readings is a transaction like any other."""
    old, new = join("old"), join("new")
    with Store.open(url) as store:
        store.guard = old.guard
        store.append([Reading("north", Quantity.PRESSURE, T0, 1.0)])
        _expire(url, "old")
        assert _bury(new, old.token)
        with pytest.raises(LeaseLost):
            store.flush()
        store.guard = None
    with Store.open(url) as store:
        assert len(store.samples("north")) == 1  # closed as nobody's, which a daemon is not
