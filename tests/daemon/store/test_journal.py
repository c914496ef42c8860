"""Journal entries and the detectors' state."""

import pytest

from ullage.adapters.errors import StoreError
from ullage.daemon.store.store import Store

T0 = 1_760_000_000.0


def test_entries_are_kept_in_the_order_of_their_time(url: str) -> None:
    """Entries commit at once, come back by time and span, and each vessel has its own."""
    with Store.open(url) as store:
        store.add_entry("north", T0 + 60, "valve shut", made_s=T0 + 61)
        store.add_entry("north", T0, "pitched", made_s=T0 + 62)
        store.add_entry("south", T0, "pitched", made_s=T0 + 63)
    with Store.open(url) as store:
        assert [(e.time_s, e.text, e.made_s) for e in store.entries("north")] == [
            (T0, "pitched", T0 + 62),
            (T0 + 60, "valve shut", T0 + 61),
        ]
        assert [e.text for e in store.entries("north", T0 + 1, T0 + 61)] == ["valve shut"]
        assert store.entries("north", T0 + 1, T0 + 60) == ()
        assert store.vessels() == ("north", "south")


def test_the_same_words_at_the_same_time_stand_once(store: Store) -> None:
    """An entry delivered twice has one number, and a different one another."""
    first = store.add_entry("north", T0, "vented", made_s=T0)
    assert store.add_entry("north", T0, " vented ", made_s=T0 + 5) == first
    assert store.add_entry("north", T0, "tapped", made_s=T0 + 5) != first
    assert len(store.entries("north")) == 2


def test_a_correction_leaves_a_trace(store: Store) -> None:
    """A replaced entry is no longer in force but can be read, with the time of the change."""
    old = store.add_entry("north", T0, "valve set 1.5", made_s=T0 + 1)
    new = store.replace_entry(old, text="valve set 1.2", made_s=T0 + 9)
    assert [(e.id, e.text, e.time_s, e.replaces) for e in store.entries("north")] == [
        (new, "valve set 1.2", T0, old)
    ]
    struck = next(e for e in store.entries("north", struck=True) if e.id == old)
    assert (struck.text, struck.struck_s) == ("valve set 1.5", T0 + 9)


def test_an_entry_is_struck_only_once(store: Store) -> None:
    """To strike or replace what is not in force is an error that says so, and changes nothing."""
    entry = store.add_entry("north", T0, "pitched", made_s=T0)
    store.strike_entry(entry, made_s=T0 + 1)
    for number in (entry, 999):
        with pytest.raises(StoreError, match="not there or was struck"):
            store.strike_entry(number, made_s=T0 + 2)
        with pytest.raises(StoreError, match="not there or was struck"):
            store.replace_entry(number, text="x", made_s=T0 + 2)
    assert store.entries("north") == ()
    assert store.add_entry("north", T0, "pitched", made_s=T0 + 3) != entry


@pytest.mark.parametrize("text", ["", "   ", "x" * 4001])
def test_an_entry_of_no_use_is_refused(store: Store, text: str) -> None:
    """Empty and endless entries are refused in plain words."""
    with pytest.raises(StoreError, match="write 1 to 4000 characters"):
        store.add_entry("north", T0, text, made_s=T0)


def test_state_is_replaced_by_newer_state(url: str) -> None:
    """One state per vessel, bytes as they were given, none for a vessel that has none."""
    with Store.open(url) as store:
        store.save_snapshot("north", saved_s=T0, fingerprint="a", payload=b"old")
        store.save_snapshot("north", saved_s=T0 + 60, fingerprint="b", payload=bytes(range(256)) * 100)
    with Store.open(url) as store:
        found = store.load_snapshot("north")
        assert found is not None
        assert (found.saved_s, found.fingerprint, found.payload) == (T0 + 60, "b", bytes(range(256)) * 100)
        assert store.load_snapshot("south") is None


def test_a_failed_transaction_leaves_nothing(store: Store) -> None:
    """What a block wrote before it raised is gone."""

    def fail() -> None:
        with store.transaction() as connection:
            connection.exec_driver_sql("INSERT INTO vessel (name) VALUES ('lost')")
            raise KeyError

    with pytest.raises(KeyError):
        fail()
    assert store.vessels() == ()


def test_transactions_refuse_to_nest(store: Store) -> None:
    """A second one in the same thread is an error at once and not a wait for itself."""
    with store.transaction(), pytest.raises(RuntimeError, match="open in this thread"):
        store.add_entry("north", T0, "pitched", made_s=T0)
