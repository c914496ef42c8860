"""The store as its callers see it: one object, safe to use from several threads."""

import logging
import threading
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Self

import sqlalchemy as sa

from ullage.adapters.errors import StoreError
from ullage.adapters.reading import Quantity, Reading
from ullage.daemon.store import coarse, copying, damage, journal, retention, snapshots
from ullage.daemon.store.ahead import Ahead, read_ahead
from ullage.daemon.store.alarm_tables import alarm_event
from ullage.daemon.store.coarse import CoarseColumns
from ullage.daemon.store.columns import (
    EMPTY,
    KINDS,
    LATEST_MS,
    QUANTITIES,
    Column,
    Columns,
    interleave,
    joined,
    merge,
    to_ms,
)
from ullage.daemon.store.engine import WRITE, is_corruption, label, sqlite_path, translate
from ullage.daemon.store.file_place import FilePlace
from ullage.daemon.store.folding import Folding
from ullage.daemon.store.journal import JournalEntry
from ullage.daemon.store.opening import OnCorrupt, Opened, open_database
from ullage.daemon.store.pending import Pending
from ullage.daemon.store.readings import (
    ensure_vessels,
    last_block,
    read_batches,
    vessel_ids,
    write_batch,
)
from ullage.daemon.store.retention import Retained
from ullage.daemon.store.snapshots import Snapshot
from ullage.daemon.store.spans import read_span
from ullage.detectors.samples import Kind

log = logging.getLogger(__name__)

_LOOKED_AT = 20
"""Vessels whose newest reading tells how far the record goes."""


class Store:
    """Readings, journal, detector state and what the alarms keep, in one database.

    Made by `Store.open`; closed by `close` or by leaving a `with` block. Readings wait in memory until `flush`;
    everything else commits at once. Each method raises `StoreError` if the database refuses.
    """

    def __init__(self, opened: Opened, *, read_only: bool, max_pending: int) -> None:
        self._engine = opened.engine
        self._url = opened.url
        self.moved_aside: Path | None = opened.moved_aside
        """Where a damaged file was put when this store was opened."""
        self.salvaged = opened.salvaged
        """Rows that could be read of it."""
        self.damaged = False
        """Whether damage was met in the file since: the next opening moves it aside."""
        self.read_only = read_only
        self._pending = Pending(max_pending)
        self._flushing = threading.Lock()
        self._writer = threading.RLock()
        self._writing = False
        self._own = threading.local()
        self._place = FilePlace(sqlite_path(self._url))
        self._in_memory = self._engine.dialect.name == "sqlite" and sqlite_path(self._url) is None
        self._folding = Folding(by_vessel=self._engine.dialect.name == "postgresql")
        self._fold_fault = ""
        self._ids: Mapping[str, int] = {}
        self.guard: Callable[[sa.Connection], None] | None = None
        """Called at the beginning of every transaction; what it raises ends that."""

    @classmethod
    def open(
        cls,
        url: str,
        *,
        read_only: bool = False,
        on_corrupt: OnCorrupt = "refuse",
        max_pending: int = 500_000,
        busy_timeout_s: float = 10.0,
    ) -> Self:
        """Open the database, making or migrating its tables.

        Parameters
        ----------
        url
            SQLAlchemy's form: `sqlite:///file`, `postgresql://user@host/database`, or another that it knows.
        read_only
            Look only: nothing is made, migrated or written.
        on_corrupt
            What becomes of a damaged SQLite file: refuse to work with it, or rename it (`moved_aside` says to
            what) and begin a new one, as befits a daemon that nobody watches.
        max_pending
            Readings to keep in memory at most while the database refuses.
        busy_timeout_s
            How long to wait for another program that writes to the same SQLite file.

        Raises
        ------
        StoreError
            If it is out of reach, damaged, newer than the program, or not made by it.
        """
        opened = open_database(url, read_only=read_only, on_corrupt=on_corrupt, busy_timeout_s=busy_timeout_s)
        return cls(opened, read_only=read_only, max_pending=max_pending)

    @contextmanager
    def transaction(self) -> Iterator[sa.Connection]:
        """Give a connection inside a transaction that has the right to write from its start.

        It commits when the block ends and rolls back when the block raises. Transactions don't nest.

        Raises
        ------
        StoreError
            If the database refuses; nothing of the block is kept then.
        """
        if self.read_only:
            raise StoreError(label(self._url), "was opened for reading only")
        with self._writer:
            if self._writing:
                raise RuntimeError("a transaction is open in this thread already")
            self._place.require()
            self._writing = True
            try:
                connection = self._engine.connect().execution_options(**{WRITE: True})
                with connection, connection.begin():
                    if self.guard is not None:
                        self.guard(connection)
                    yield connection
            except sa.exc.SQLAlchemyError as error:
                if "disk I/O error" in str(error):
                    self._engine.dispose()  # what a failed sync left in the cache is not to be trusted
                    self._place.look()
                self._mind_damage(error)
                raise translate(error, self._url, "writing") from error
            finally:
                self._writing = False

    @contextmanager
    def reading(self) -> Iterator[sa.Connection]:
        """Give a connection for a short look; writers go on meanwhile.

        Raises
        ------
        StoreError
            If the database refuses.
        """
        self._place.require()  # else a new connection makes an empty file there
        kept: sa.Connection | None = getattr(self._own, "connection", None)
        try:
            if self._in_memory:  # one connection serves all threads
                with self._writer, self._engine.connect() as connection:
                    yield connection
            elif kept is not None:
                yield kept
            else:
                with self._engine.connect() as connection:
                    yield connection
        except sa.exc.SQLAlchemyError as error:
            self._mind_damage(error)
            raise translate(error, self._url, "reading") from error

    @contextmanager
    def many_looks(self, vessels: Collection[str] = (), since_s: float = 0.0) -> Iterator[None]:
        """Let all looks of this thread inside the block go by one connection: a server is asked in half the time.

        In a file each look is by itself all the same, since a reader that stays keeps the log from being emptied.

        Parameters
        ----------
        vessels
            Whose state, journal and readings will be asked for: they are read in one go.
        since_s
            Readings are wanted from here on.

        Raises
        ------
        StoreError
            If the database refuses.
        """
        if self._engine.dialect.name == "sqlite":
            yield
            return
        try:
            with self._engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
                self._own.connection = connection
                if vessels:
                    self._own.ahead = read_ahead(connection, self._known_ids(vessels), to_ms(since_s))
                yield
        except sa.exc.SQLAlchemyError as error:
            raise translate(error, self._url, "reading") from error
        finally:
            self._own.connection = self._own.ahead = None

    def _known_ids(self, vessels: Collection[str]) -> dict[str, int]:
        found = {name: self._vessel_id(name) for name in vessels}
        return {name: key for name, key in found.items() if key >= 0}

    def _ahead(self) -> Ahead | None:
        return getattr(self._own, "ahead", None)

    def _mind_damage(self, error: sa.exc.SQLAlchemyError) -> None:
        file = sqlite_path(self._url)
        if file is None or self.read_only or self.damaged or not is_corruption(error):
            return
        self.damaged = True
        damage.suspect(file)
        log.error("the database is damaged", extra={"file": str(file)})

    @property
    def pending(self) -> int:
        """Readings taken but not yet committed; flush early when a fast source makes this grow."""
        return self._pending.count

    @property
    def dropped(self) -> int:
        """Readings lost since the start because the database refused for too long."""
        return self._pending.dropped

    def append(self, readings: Sequence[Reading]) -> None:
        """Take readings into memory; touches no disk.

        Raises
        ------
        ValueError
            If one is a journal entry or holds no finite number; none is taken then.
        """
        self._pending.add(readings)

    def restamp(self, first_s: float, last_s: float, by_s: float) -> int:
        """Shift readings not yet committed, from `first_s` to `last_s`, by `by_s`; return how many.

        For time stamps of a clock that has turned out to be wrong.
        """
        return self._pending.restamp(to_ms(first_s), to_ms(last_s), round(by_s * 1000))

    def newest_s(self) -> float:
        """Return the newest time on record, Unix seconds; 0 if there is none. Looks at alarms and the first vessels."""
        with self.reading() as connection:
            events = connection.scalar(sa.select(sa.func.max(alarm_event.c.made_ms))) or 0
        some = self.vessels()[:_LOOKED_AT]
        times = [reading.time_s for name in some for reading in self.latest(name).values()]
        return max(events / 1000, *times, 0.0)

    def flush(self) -> int:
        """Commit what is pending in one transaction; return how many readings it was.

        Raises
        ------
        StoreError
            If the database refuses; the readings stay pending.
        """
        with self._flushing:
            columns = self._pending.take()
            if not columns:
                return 0
            try:
                rows = self._folding.pack(columns, self._ids_of({name for name, _ in columns}))
                with self.transaction() as connection:
                    write_batch(connection, rows)
                    self._folding.written(connection, rows)
            except BaseException:
                self._pending.give_back()
                raise
            count = self._pending.committed()
            self._fold()
        return count

    def _ids_of(self, names: set[str]) -> Mapping[str, int]:
        if names <= self._ids.keys():  # a vessel's number never changes
            return self._ids
        with self.reading() as connection:
            self._ids = vessel_ids(connection)
        if not names <= self._ids.keys():
            with self.transaction() as connection:
                known = ensure_vessels(connection, names)
            self._ids = known
        return self._ids

    def _fold(self) -> None:
        try:
            self._folding.fold(self.transaction)
        except StoreError as error:  # the readings are safe where they are
            if self._fold_fault != error.detail:
                log.warning("folding readings failed", extra={"detail": error.detail})
            self._fold_fault = error.detail
        else:
            self._fold_fault = ""

    def samples(self, vessel: str, since_s: float | None = None, until_s: float | None = None) -> Columns:
        """Return one vessel's readings with since ≤ time < until, pending ones too, sorted by time, then kind."""
        return joined(list(self.iter_samples(vessel, since_s, until_s)))

    def iter_samples(
        self, vessel: str, since_s: float | None = None, until_s: float | None = None
    ) -> Iterator[Columns]:
        """Yield the same in chunks of at most a day, so that a year's readings need no year's memory."""
        start_ms = -LATEST_MS if since_s is None else to_ms(since_s)
        stop_ms = LATEST_MS + 1 if until_s is None else to_ms(until_s)
        pending = self._pending.columns(
            vessel
        )  # before the database, else a commit could slip through between
        vessel_id = self._vessel_id(vessel)
        span_ms, ahead = (start_ms, stop_ms), self._ahead()
        for channels in read_span(self.reading, vessel_id, tuple(Kind), span_ms, pending, ahead):
            if channels:
                yield interleave(channels)

    def latest(self, vessel: str) -> Mapping[Quantity, Reading]:
        """Return the newest reading of each quantity that one vessel has."""
        found: dict[Quantity, Reading] = {}
        pending = self._pending.columns(vessel)
        vessel_id, ahead = self._vessel_id(vessel), self._ahead()
        if ahead is not None and ahead.covers(vessel_id, -LATEST_MS):
            span_ms = (-LATEST_MS, LATEST_MS + 1)
            for channels in read_span(self.reading, vessel_id, tuple(Kind), span_ms, pending, ahead):
                for kind, column in channels.items():
                    found[QUANTITIES[kind]] = _last(vessel, kind, column)
            return found
        with self.reading() as connection:
            batches = read_batches(connection, vessel_id)
            for kind in Kind:
                loose = merge([batches.get(kind, EMPTY), pending.get(kind, EMPTY)])
                column = merge([last_block(connection, vessel_id, kind), loose])
                if len(column):
                    found[QUANTITIES[kind]] = _last(vessel, kind, column)
        return found

    def vessels(self) -> tuple[str, ...]:
        """Return the names of all vessels that anything was stored for, sorted."""
        waiting = self._pending.vessels()
        with self.reading() as connection:
            return tuple(sorted(waiting | vessel_ids(connection).keys()))

    def _vessel_id(self, vessel: str) -> int:
        if vessel not in self._ids:
            with self.reading() as connection:
                self._ids = vessel_ids(connection)
        return self._ids.get(vessel, -1)

    def add_entry(self, vessel: str, time_s: float, text: str, *, made_s: float) -> int:
        """Add a journal entry and return its number; the same words at the same time stand only once."""
        with self.transaction() as connection:
            return journal.add(connection, vessel, time_s, text, made_s=made_s)

    def entries(
        self,
        vessel: str,
        since_s: float | None = None,
        until_s: float | None = None,
        *,
        struck: bool = False,
    ) -> tuple[JournalEntry, ...]:
        """Return entries with since ≤ time < until in order of time; with `struck` also those withdrawn."""
        ahead = self._ahead()
        if ahead is not None and vessel in ahead.names:
            return ahead.journal(vessel, since_s, until_s, struck=struck)
        with self.reading() as connection:
            return journal.entries(connection, vessel, since_s=since_s, until_s=until_s, struck=struck)

    def strike_entry(self, entry_id: int, *, made_s: float) -> None:
        """Withdraw an entry; it stays readable as struck."""
        with self.transaction() as connection:
            journal.strike(connection, entry_id, made_s=made_s)

    def replace_entry(
        self, entry_id: int, *, made_s: float, time_s: float | None = None, text: str | None = None
    ) -> int:
        """Strike an entry, put a corrected one in its place and return that one's number."""
        with self.transaction() as connection:
            return journal.replace(connection, entry_id, made_s=made_s, time_s=time_s, text=text)

    def save_snapshot(self, vessel: str, *, saved_s: float, fingerprint: str, payload: bytes) -> None:
        """Keep the state of one vessel's detectors in place of the last."""
        with self.transaction() as connection:
            snapshots.save(connection, vessel, saved_s=saved_s, fingerprint=fingerprint, payload=payload)

    def load_snapshot(self, vessel: str) -> Snapshot | None:
        """Return the state saved last, or None."""
        ahead = self._ahead()
        if ahead is not None and vessel in ahead.names:
            return ahead.snapshots.get(vessel)
        with self.reading() as connection:
            return snapshots.load(connection, vessel)

    def coarse(self, vessel: str, quantity: Quantity, since_s: float, until_s: float) -> CoarseColumns:
        """Return 10-minute minimum, mean and maximum over the whole history, dropped readings included.

        Bins begin at whole ten minutes; those that since ≤ time < until touches are returned.
        """
        kind, bin_ms = KINDS[quantity], 1000 * coarse.BIN_S
        start_ms = to_ms(since_s) // bin_ms * bin_ms
        stop_ms = -(-to_ms(until_s) // bin_ms) * bin_ms
        vessel_id, parts = self._vessel_id(vessel), [coarse.bins(EMPTY)]
        pending = self._pending.columns(vessel)
        for chunk in read_span(self.reading, vessel_id, (kind,), (start_ms, stop_ms), pending):
            parts.append(coarse.bins(chunk.get(kind, EMPTY)))
        with self.reading() as connection:  # after the readings: what is dropped between is met here
            kept = coarse.read(connection, vessel_id, kind, start_ms // 1000, stop_ms // 1000)
        return coarse.join(kept, coarse.join_all(parts))

    def retain(self, *, now_s: float, keep_days: float) -> Retained:
        """Put 10-minute bins in the place of readings older than `keep_days`; journal entries stay.

        On PostgreSQL a week of readings goes at a time, and the weeks to come are made ready.
        """
        cutoff_ms = to_ms(now_s - keep_days * 86400)
        return retention.retain(self.transaction, self.reading, to_ms(now_s), cutoff_ms)

    def backup(self, path: str | Path) -> None:
        """Copy the database as it is now, pending readings included, to a new SQLite file.

        Writers go on meanwhile. The file appears under its name only when it is whole.
        """
        if not self.read_only:
            self.flush()
        copying.copy_out(self._engine, self._url, Path(path))

    def check_integrity(self) -> str | None:
        """Return the first fault found in the file, or None; on a server that is the server's affair."""
        if self._engine.dialect.name != "sqlite":
            return None
        with self.reading() as connection:
            found = damage.first_fault(connection, thorough=True)
        if found is not None:
            self._mind_damage(sa.exc.DatabaseError(None, None, Exception(f"malformed: {found}")))
        return found

    def close(self) -> None:
        """Commit what is pending and close the database.

        Raises
        ------
        StoreError
            If the last commit fails; the database is closed all the same.
        """
        try:
            if not self.read_only:
                self.flush()
        finally:
            self._engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _last(vessel: str, kind: Kind, column: Column) -> Reading:
    return Reading(vessel, QUANTITIES[kind], float(column.time_ms[-1]) / 1000, float(column.value[-1]))
