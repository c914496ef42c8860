"""Batches in the database, on SQLite and on PostgreSQL."""

from pathlib import Path

import pytest

from ullage.adapters.errors import StoreError
from ullage.daemon.store import batches
from ullage.daemon.store.store import Store
from ullage.detectors.batch import Batch, Beverage
from ullage.detectors.stage import NextStep, Stage, StageChange

T0 = 1_780_000_000.0
WISHES = Batch(
    name="märzen",
    beverage=Beverage.LAGER,
    yeast_temperature_c=(9, 14),
    original_gravity=1.054,
    plan="10 for 7 days, 13, rest 16 for 2 days, chill 1",
    carbonation="2.6 volumes",
    serving_c=7,
    finings="once",
)


def begin(store: Store, began_s: float = T0, vessel: str = "north", wishes: Batch = WISHES) -> int:
    return batches.begin(store, vessel, wishes, began_s=began_s, made_s=T0 + 5, origin=batches.BY_COMMAND)


def test_a_batch_comes_back_as_it_was_wished(store: Store) -> None:
    """Every wish, the moments to the millisecond."""
    number = begin(store, T0 + 0.123)
    found = batches.newest(store, "north")
    assert found is not None
    assert (found.id, found.wishes, found.began_s, found.ended_s) == (number, WISHES, T0 + 0.123, None)
    assert batches.newest(store, "south") is None


def test_one_current_batch_a_vessel(store: Store) -> None:
    """A second one is refused until the first has ended, and may not reach back into it; past ones stay."""
    number = begin(store)
    begin(store, vessel="south")
    with pytest.raises(StoreError, match="end it first"):
        begin(store, T0 + 10)
    batches.end(store, number, ended_s=T0 + 100, summary="{}")
    with pytest.raises(StoreError, match="ended before"):
        batches.end(store, number, ended_s=T0 + 200, summary="{}")
    with pytest.raises(StoreError, match="another batch at that time"):
        begin(store, T0 + 99)
    begin(store, T0 + 100)
    ends = [found.ended_s for found in batches.all_batches(store, "north")]
    assert ends == [T0 + 100, None]
    assert len(batches.all_batches(store)) == 3


def test_stages_and_next_step_are_replaced_as_a_whole(store: Store) -> None:
    """What the detectors derive now is what stands, what was undone with its trace."""
    changes = (
        StageChange(stage=Stage.PITCHED, since_s=T0, why="the journal says so"),
        StageChange(stage=Stage.LAG, since_s=T0 + 3600, why="no gas yet", undone_s=T0 + 4000.5),
        StageChange(stage=Stage.HELD, since_s=T0 + 7200, why="the brewer says so", by_brewer=True),
    )
    step = NextStep("First dose", T0 + 1, T0 + 2, T0 + 3)
    batches.keep_stages(store, "north", 1, changes[:2], None)
    assert batches.next_step(store, "north") is None
    batches.keep_stages(store, "north", 1, changes, step)
    batches.keep_stages(store, "north", 2, changes[:1], step)
    assert batches.stages(store, "north", 1) == changes
    assert batches.stages(store, "north", 2) == changes[:1]
    assert batches.next_step(store, "north") == step


def test_a_withdrawn_entry_is_noticed(store: Store) -> None:
    """By vessel: detectors that have seen it must begin anew."""
    first = store.add_entry("north", T0, "fined 15", made_s=T0)
    store.add_entry("south", T0, "fined 15", made_s=T0)
    assert batches.struck_ms(store, "north") == 0
    store.strike_entry(first, made_s=T0 + 60)
    assert batches.struck_ms(store, "north") == round((T0 + 60) * 1000)
    assert batches.struck_ms(store, "south") == 0


def test_wishes_of_another_version_are_passed_over() -> None:
    """A key that this version does not know, or one that it misses."""
    assert batches.wishes_from_json('{"name": "x", "oak": "new"}') == Batch(name="x")
    assert batches.wishes_from_json(batches.wishes_to_json(WISHES)) == WISHES
    assert batches.wishes_to_json(Batch()) == "{}"


def test_a_backup_holds_the_batches(store: Store, tmp_path: Path) -> None:
    """From either database into a file, stages and all."""
    number = begin(store)
    change = StageChange(stage=Stage.PITCHED, since_s=T0, why="the journal says so")
    batches.keep_stages(store, "north", number, (change,), None)
    store.backup(tmp_path / "copy.db")
    with Store.open(f"sqlite:///{tmp_path / 'copy.db'}", read_only=True) as copy:
        found = batches.newest(copy, "north")
        assert found == batches.newest(store, "north")
        assert batches.stages(copy, "north", number) == (change,)
