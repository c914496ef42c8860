"""Who watches what, as `check` and `status` tell it, and what a configuration that shares must be like."""

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.daemon.configs import EXAMPLE, write
from tests.daemon.program import ullage
from tests.servers.postgres import PostgresServer
from ullage.adapters.errors import ConfigError
from ullage.daemon.checking_share import share_warnings, share_words
from ullage.daemon.holding import holding
from ullage.daemon.membership import Membership
from ullage.daemon.settings import load
from ullage.daemon.share_settings import this_machine
from ullage.daemon.sharing import next_start
from ullage.daemon.store import leases
from ullage.daemon.store.store import Store

ON_SERVER = ("sqlite:///ullage.db", "postgresql://127.0.0.1:1/cellar")
SHARED = ("page: {host", "share: {name: shed}\npage: {host")


@pytest.fixture(name="url")
def _url(postgres: PostgresServer) -> str:
    url = postgres.new_database()
    Store.open(url).close()
    return url


@pytest.fixture(name="member")
def _member(url: str) -> Iterator[Membership]:
    member = Membership(url, "shed", alone=False, vessels=["north"])
    member.join()
    yield member
    member.leave()


def _hold(member: Membership, *vessels: str) -> None:
    with member.transaction() as connection:
        leases.take_turns(connection)
        leases.register(connection, vessels, forget=True)
        for part in leases.parts(connection, vessels):
            leases.take(connection, member.token, part.number)


def test_nothing_is_said_where_one_daemon_has_everything(url: str, tmp_path: Path) -> None:
    """Neither a file nor a server with a daemon that does not share."""
    with Store.open(f"sqlite:///{tmp_path / 'u.db'}") as store:
        assert holding(store) is None
    alone = Membership(url, "shed", alone=True)
    alone.join()
    with Store.open(url, read_only=True) as store:
        assert holding(store) is None
    alone.leave()


def test_who_watches_what_is_what_the_leases_say(url: str, member: Membership) -> None:
    """As long as they hold: a daemon that is gone watches nothing."""
    _hold(member, "north", "south")
    with Store.open(url, read_only=True) as store:
        found = holding(store)
        assert found is not None
        assert [(daemon.name, daemon.vessels) for daemon in found.daemons] == [("shed", 2)]
        assert found.holders == {"": "shed", "north": "shed", "south": "shed"}
        member.leave()
        gone = holding(store)
        assert gone is not None
        assert (gone.daemons, gone.holders) == ((), {})


def test_check_and_status_say_who_watches_what(url: str, member: Membership, tmp_path: Path) -> None:
    """The two commands as a person runs them, with a daemon that has one of two vessels."""
    _hold(member, "north")
    text = EXAMPLE.replace("  - name: north", "  - {name: south, total_volume_l: 23, beer_volume_l: 19, "
                           "rated_pressure_bar: 2.5, yeast_temperature_c: [18, 24]}\n  - name: north")  # fmt: skip
    path = write(tmp_path, text, (ON_SERVER[0], url), SHARED)
    (tmp_path / "push-url").write_text("json://127.0.0.1:1/inbox")
    (tmp_path / "push-url").chmod(0o600)
    checked = ullage("check", "--config", str(path))
    assert checked.returncode == 0, checked.stderr
    said = " ".join(checked.stdout.split())
    assert "The vessels are shared by all daemons that use postgresql database" in said
    assert "here the daemon is called shed" in said
    assert f"shed on {member.member.machine} watches 1" in said
    assert "NOBODY watches south" in said
    shown = ullage("status", "--config", str(path)).stdout
    assert "watched by    shed" in shown
    assert "! no daemon watches it now" in shown
    found = json.loads(ullage("status", "--json", "--config", str(path)).stdout)
    assert {vessel["vessel"]: vessel["daemon"] for vessel in found["vessels"]} == {
        "north": "shed",
        "south": "",
    }
    assert found["daemons"] == [{"name": "shed", "machine": member.member.machine, "vessels": 1}]


def test_a_server_that_is_away_does_not_keep_check_from_its_work(tmp_path: Path) -> None:
    """What can't be told now is said in a sentence."""
    config = load(write(tmp_path, EXAMPLE, ON_SERVER, SHARED), {})
    assert "who watches what can't be told now" in list(share_words(config))[-1]
    assert list(share_words(load(write(tmp_path), {}))) == []


def test_messages_without_a_time_of_their_own_are_warned_of(tmp_path: Path) -> None:
    """They would be stamped when the next holder fetches them."""
    config = load(write(tmp_path, EXAMPLE, ON_SERVER, SHARED), {})
    assert [sentence.split(":")[0] for sentence in share_warnings(config)] == ["north"]
    timed = ('pointer: "/beer"', 'pointer: "/beer", time_pointer: "/t"'), (
        'pointer: "/top"', 'pointer: "/top", time_pointer: "/t"'
    )  # fmt: skip
    assert list(share_warnings(load(write(tmp_path, EXAMPLE, ON_SERVER, SHARED, *timed), {}))) == []


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ((), r"config\.yaml:16: vessels are shared through PostgreSQL alone; give store\.url as postgresql"),
        (
            (ON_SERVER, ("kind: mqtt, host: localhost, port: 1883", "kind: serial, url: /dev/null"),
             ('topic: "cellar/north", pointer: "/beer"', "key: beer"),
             ('topic: "cellar/north", pointer: "/top"', "key: top")),
            "north is read from cellar, which only one machine can open; have it come by MQTT",
        ),
        (
            (ON_SERVER, ('topic: "cellar/north", pointer: "/top"', 'topic: "$share/g/cellar/north", pointer: "/top"')),
            r"north reads the topic \$share/g/cellar/north, whose messages the broker deals out",
        ),
        ((ON_SERVER, ("share: {name: shed}", "share: {nam: shed}")), "nam"),
    ],
)  # fmt: skip
def test_what_can_not_be_shared_is_refused(
    tmp_path: Path, changes: tuple[tuple[str, str], ...], said: str
) -> None:
    """One sentence that names the place and what to change."""
    with pytest.raises(ConfigError, match=said):
        load(write(tmp_path, EXAMPLE, SHARED, *changes), {})


def test_one_file_serves_all_machines(tmp_path: Path) -> None:
    """Without a name a daemon is called after its machine; the environment may call it otherwise."""
    path = write(tmp_path, EXAMPLE, ON_SERVER, ("page: {host", "share: {}\npage: {host"))
    share = load(path, {}).share
    assert share is not None
    assert share.named() == this_machine()
    share = load(path, {"ULLAGE_SHARE__NAME": "loft"}).share
    assert share is not None
    assert share.named() == "loft"


def test_a_replay_does_not_ask_whether_vessels_can_be_shared(tmp_path: Path) -> None:
    """It reads a log, wherever the vessels are read from otherwise."""
    assert load(write(tmp_path, EXAMPLE, SHARED), {}, live=False).share is not None


def test_a_changed_configuration_counts_from_the_next_start_on(tmp_path: Path) -> None:
    """A wrong one is refused at once, a right one says when it counts, and sharing is not given up on the way."""
    path = write(tmp_path, EXAMPLE, ON_SERVER, SHARED)
    config = load(path, {})
    write(tmp_path, EXAMPLE, ON_SERVER, SHARED, ("rated_pressure_bar: 2.5", "rated_pressure_bar: high"))
    with pytest.raises(ConfigError, match="rated_pressure_bar"):
        next_start(config, {})
    write(tmp_path, EXAMPLE, ON_SERVER)
    with pytest.raises(ConfigError, match="can't be given up while the daemon runs"):
        next_start(config, {})
