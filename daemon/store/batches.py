"""Batches in the database: begun, ended, looked up; at most one of a vessel is without an end."""

import dataclasses
import json
import shlex
from collections.abc import Mapping
from dataclasses import dataclass

import sqlalchemy as sa

from ullage.adapters.errors import StoreError
from ullage.daemon.store.batch_tables import batch as table
from ullage.daemon.store.batch_tables import batch_stage, vessel_next
from ullage.daemon.store.columns import to_ms
from ullage.daemon.store.schema import journal_entry, vessel
from ullage.daemon.store.store import Store
from ullage.detectors.batch import Batch, Beverage
from ullage.detectors.journal import Word, understand
from ullage.detectors.stage import NextStep, Stage, StageChange

BY_COMMAND = "command"
BY_PITCHING = "pitching"
"""With the number of the journal entry behind it."""
NO_BATCH = 0
"""Number under which the stages of a vessel without a batch stand."""
LATE_MS = 600_000
"""An entry made so long after its own time came behind readings that were judged without it: detectors' frames last as long."""
_LONGEST_WHY = 500


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredBatch:
    """One batch as it stands in the database; times are Unix seconds, UTC."""

    id: int
    vessel: str
    wishes: Batch
    began_s: float
    ended_s: float | None
    origin: str
    """`command`, `pitching` with the number of the entry, or which config block it came from."""
    summary: str
    """JSON, written when it ended."""


def begin(
    store: Store, vessel_name: str, wishes: Batch, *, began_s: float, made_s: float, origin: str
) -> int:
    """Begin a batch and return its number.

    Raises
    ------
    StoreError
        If the vessel has one that has not ended, or it would begin before the last one ended.
    """
    with store.transaction() as connection:
        last = connection.execute(_newest(vessel_name)).first()
        if last is not None and last.ended_ms is None:
            raise _slip(
                StoreError(
                    vessel_name,
                    "has a batch already",
                    f"end it first: `ullage batch end {shlex.quote(vessel_name)}`",
                )
            )
        if last is not None and to_ms(began_s) < last.ended_ms:
            raise _slip(
                StoreError(vessel_name, "had another batch at that time", "begin it after that one's end")
            )
        done = connection.execute(
            table.insert().values(
                vessel=vessel_name,
                name=wishes.name,
                began_ms=to_ms(began_s),
                made_ms=to_ms(made_s),
                origin=origin,
                wishes=wishes_to_json(wishes),
                summary="",
            )
        )
    assert done.inserted_primary_key is not None
    return int(done.inserted_primary_key[0])


def change_wishes(store: Store, batch_id: int, wishes: Batch, *, origin: str = "") -> None:
    """Put other wishes in place of a batch's, and another origin if one is given."""
    values = {"name": wishes.name, "wishes": wishes_to_json(wishes)}
    if origin:
        values["origin"] = origin
    with store.transaction() as connection:
        connection.execute(table.update().where(table.c.id == batch_id).values(**values))


def move(store: Store, batch_id: int, began_s: float) -> None:
    """Put another beginning in place of a batch's."""
    with store.transaction() as connection:
        connection.execute(table.update().where(table.c.id == batch_id).values(began_ms=to_ms(began_s)))


def made_after(store: Store, entry_id: int, batch_id: int) -> bool:
    """Tell whether a journal entry was made when a batch had been begun already."""
    entry_ms = sa.select(journal_entry.c.made_ms).where(journal_entry.c.id == entry_id)
    begun_ms = sa.select(table.c.made_ms).where(table.c.id == batch_id)
    with store.reading() as connection:
        entered, begun = connection.scalar(entry_ms), connection.scalar(begun_ms)
    return entered is not None and begun is not None and entered > begun


def end(store: Store, batch_id: int, *, ended_s: float, summary: str) -> None:
    """End a batch and keep its summary.

    Raises
    ------
    StoreError
        If it has ended already.
    """
    with store.transaction() as connection:
        done = connection.execute(
            table.update()
            .where(table.c.id == batch_id, table.c.ended_ms.is_(None))
            .values(ended_ms=to_ms(ended_s), summary=summary)
        )
    if done.rowcount != 1:
        raise _slip(StoreError(f"batch {batch_id}", "is not there or has ended before"))


def withdraw(store: Store, found: StoredBatch) -> None:
    """Take a batch back as if it had never begun; the one that ended where it began goes on."""
    began_ms = to_ms(found.began_s)
    with store.transaction() as connection:
        connection.execute(table.delete().where(table.c.id == found.id))
        connection.execute(
            batch_stage.delete().where(
                batch_stage.c.vessel == found.vessel, batch_stage.c.batch_id == found.id
            )
        )
        connection.execute(
            table.update()
            .where(table.c.vessel == found.vessel, table.c.ended_ms == began_ms)
            .values(ended_ms=None, summary="")
        )


def last_pitching(store: Store, vessel_name: str, since_s: float, until_s: float) -> tuple[int, float] | None:
    """Return number and time of the latest `pitched` in a vessel's journal with since ≤ time < until."""
    entry = journal_entry.c
    query = (
        sa.select(entry.id, entry.time_ms, entry.text)
        .join(vessel, vessel.c.id == entry.vessel_id)
        .where(vessel.c.name == vessel_name, entry.struck_ms.is_(None))
        .where(entry.time_ms >= to_ms(since_s), entry.time_ms < to_ms(until_s))
        .where(sa.func.lower(entry.text).like(f"%{Word.PITCHED.value}%"))
        .order_by(entry.time_ms.desc(), entry.id.desc())
    )
    with store.reading() as connection:
        for row in connection.execute(query):
            known = understand(row.text)
            if known is not None and known.word is Word.PITCHED:
                return row.id, row.time_ms / 1000
    return None


def stands(store: Store, entry_id: int) -> bool:
    """Tell whether a journal entry is there and was not withdrawn."""
    query = sa.select(journal_entry.c.id).where(
        journal_entry.c.id == entry_id, journal_entry.c.struck_ms.is_(None)
    )
    with store.reading() as connection:
        return connection.scalar(query) is not None


def newest(store: Store, vessel_name: str) -> StoredBatch | None:
    """Return the latest batch of a vessel, ended or not."""
    with store.reading() as connection:
        row = connection.execute(_newest(vessel_name)).first()
    return None if row is None else _stored(row)


def all_batches(store: Store, vessel_name: str | None = None) -> tuple[StoredBatch, ...]:
    """Return batches, oldest first."""
    query = sa.select(table).order_by(table.c.began_ms, table.c.id)
    if vessel_name is not None:
        query = query.where(table.c.vessel == vessel_name)
    with store.reading() as connection:
        return tuple(_stored(row) for row in connection.execute(query))


def signs(store: Store) -> Mapping[str, object]:
    """Return for each vessel something that is another when its batches or its journal have changed."""
    entry = journal_entry.c
    last = sa.select(sa.func.max(table.c.id)).group_by(table.c.vessel)
    of_batches = sa.select(table.c.vessel, table.c.id, table.c.wishes, table.c.began_ms, table.c.ended_ms)
    of_journal = (
        sa.select(vessel.c.name, sa.func.max(entry.id), sa.func.max(entry.struck_ms))
        .join(vessel, vessel.c.id == entry.vessel_id)
        .group_by(vessel.c.name)
    )
    found: dict[str, tuple[object, ...]] = {}
    with store.reading() as connection:
        for name, *rest in connection.execute(of_batches.where(table.c.id.in_(last))):
            found[name] = tuple(rest)
        for name, *rest in connection.execute(of_journal):
            found[name] = (*found.get(name, ()), *rest)
    return found


def struck_ms(store: Store, vessel_name: str) -> int:
    """Return when an entry of a vessel's journal was last withdrawn or replaced, milliseconds; 0 for never."""
    query = (
        sa.select(sa.func.max(journal_entry.c.struck_ms))
        .join(vessel, vessel.c.id == journal_entry.c.vessel_id)
        .where(vessel.c.name == vessel_name)
    )
    with store.reading() as connection:
        return connection.scalar(query) or 0


def entered_late(store: Store, vessel_name: str, since_s: float | None) -> int:
    """Return the number of the latest entry that detectors act on and that was made well after its own time; 0 for none.

    Entries are judged live when they are made, and from what is stored in the order of their times: after such a one the
    detectors have to begin anew, or a restart would change what they know.
    """
    entry = journal_entry.c
    query = (
        sa.select(entry.id, entry.text)
        .join(vessel, vessel.c.id == entry.vessel_id)
        .where(vessel.c.name == vessel_name, entry.struck_ms.is_(None))
        .where(entry.made_ms - entry.time_ms > LATE_MS)
        .order_by(entry.id.desc())
    )
    if since_s is not None:
        query = query.where(entry.time_ms >= to_ms(since_s))
    with store.reading() as connection:
        for row in connection.execute(query):
            known = understand(row.text)
            if known is not None and known.word not in (Word.BATCH_STARTED, Word.BATCH_ENDED):
                return int(row.id)
    return 0


def reopen(store: Store, batch_id: int) -> None:
    """Take the end of a batch back."""
    with store.transaction() as connection:
        connection.execute(table.update().where(table.c.id == batch_id).values(ended_ms=None, summary=""))


def keep_summary(store: Store, batch_id: int, summary: str) -> None:
    """Put another summary in place of an ended batch's."""
    with store.transaction() as connection:
        connection.execute(table.update().where(table.c.id == batch_id).values(summary=summary))


def keep_stages(
    store: Store, vessel_name: str, batch_id: int, changes: tuple[StageChange, ...], step: NextStep | None
) -> None:
    """Put a batch's history of stages, and what there is to do next, in place of what was known."""
    here = (batch_stage.c.vessel == vessel_name, batch_stage.c.batch_id == batch_id)
    with store.transaction() as connection:
        connection.execute(batch_stage.delete().where(*here))
        for place, change in enumerate(changes):
            connection.execute(
                batch_stage.insert().values(
                    vessel=vessel_name,
                    batch_id=batch_id,
                    place=place,
                    stage=change.stage.value,
                    since_ms=to_ms(change.since_s),
                    why=change.why[:_LONGEST_WHY],
                    by_brewer=int(change.by_brewer),
                    undone_ms=_ms(change.undone_s),
                )
            )
        connection.execute(vessel_next.delete().where(vessel_next.c.vessel == vessel_name))
        if step is not None:
            connection.execute(
                vessel_next.insert().values(
                    vessel=vessel_name,
                    text=step.text[:_LONGEST_WHY],
                    due_ms=_ms(step.due_s),
                    remind_ms=_ms(step.remind_s),
                    quiet_until_ms=_ms(step.quiet_until_s),
                )
            )


def stages(store: Store, vessel_name: str, batch_id: int) -> tuple[StageChange, ...]:
    """Return the history of stages, oldest first, what was undone included."""
    query = (
        sa.select(batch_stage)
        .where(batch_stage.c.vessel == vessel_name, batch_stage.c.batch_id == batch_id)
        .order_by(batch_stage.c.place)
    )
    with store.reading() as connection:
        return tuple(
            StageChange(
                stage=Stage(row.stage),
                since_s=row.since_ms / 1000,
                why=row.why,
                by_brewer=bool(row.by_brewer),
                undone_s=_s(row.undone_ms),
            )
            for row in connection.execute(query)
        )


def next_step(store: Store, vessel_name: str) -> NextStep | None:
    """Return what there is to do next for a vessel, as its detectors had it last."""
    with store.reading() as connection:
        row = connection.execute(sa.select(vessel_next).where(vessel_next.c.vessel == vessel_name)).first()
    if row is None:
        return None
    return NextStep(row.text, _s(row.due_ms), _s(row.remind_ms), _s(row.quiet_until_ms))


def wishes_to_json(wishes: Batch) -> str:
    """Return the wishes as one line of JSON, what is left out left out."""
    default = Batch()
    given = {
        field.name: getattr(wishes, field.name)
        for field in dataclasses.fields(wishes)
        if getattr(wishes, field.name) != getattr(default, field.name)
    }
    return json.dumps(given, ensure_ascii=False)


def wishes_from_json(text: str) -> Batch:
    """Return what `wishes_to_json` wrote; keys of another version are passed over."""
    given = json.loads(text)
    known = {field.name for field in dataclasses.fields(Batch)}
    given = {key: value for key, value in given.items() if key in known}
    if "beverage" in given:
        given["beverage"] = Beverage(given["beverage"])
    if given.get("yeast_temperature_c") is not None:
        low, high = given["yeast_temperature_c"]
        given["yeast_temperature_c"] = (float(low), float(high))
    return Batch(**given)


def _newest(vessel_name: str) -> "sa.Select[tuple[object, ...]]":
    query = sa.select(table).where(table.c.vessel == vessel_name)
    return query.order_by(table.c.began_ms.desc(), table.c.id.desc()).limit(1)


def _stored(row: "sa.Row[tuple[object, ...]]") -> StoredBatch:
    return StoredBatch(
        id=row.id,
        vessel=row.vessel,
        wishes=wishes_from_json(row.wishes),
        began_s=row.began_ms / 1000,
        ended_s=_s(row.ended_ms),
        origin=row.origin,
        summary=row.summary,
    )


def _ms(time_s: float | None) -> int | None:
    return None if time_s is None else to_ms(time_s)


def _s(time_ms: int | None) -> float | None:
    return None if time_ms is None else time_ms / 1000


def _slip(error: StoreError) -> StoreError:
    error.retryable = False
    return error
