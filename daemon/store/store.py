"""The store as its callers see it: one object, safe to use from several threads."""

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import TracebackType
from typing import Self

import sqlalchemy as sa
from sqlalchemy.engine import URL

from ullage.daemon.store.engine import WRITE, label, make_engine, parse_url, sqlite_path, translate
from ullage.daemon.store.migrate import bring_up


class Store:
    """Readings, journal, detector state and what the alarms keep, in one database.

    Made by `Store.open`; closed by `close` or by leaving a `with` block.
    """

    def __init__(self, engine: sa.Engine, url: URL, *, read_only: bool) -> None:
        self._engine = engine
        self._url = url
        self.read_only = read_only
        self._writer = threading.RLock()
        self._writing = False

    @classmethod
    def open(cls, url: str, *, read_only: bool = False, busy_timeout_s: float = 10.0) -> Self:
        """Open the database, making or migrating its tables.

        Raises
        ------
        StoreError
            If it is out of reach, damaged, newer than the program, or not made by it.
        """
        parsed = parse_url(url)
        engine = make_engine(parsed, read_only=read_only, busy_timeout_s=busy_timeout_s)
        try:
            bring_up(engine, label(parsed), sqlite_path(parsed))
        except sa.exc.SQLAlchemyError as error:
            engine.dispose()
            raise translate(error, parsed, "opening the database") from None
        return cls(engine, parsed, read_only=read_only)

    @contextmanager
    def transaction(self) -> Iterator[sa.Connection]:
        """Give a connection inside a transaction that has the right to write from its start.

        It commits when the block ends and rolls back when the block raises. Transactions don't nest.

        Raises
        ------
        StoreError
            If the database refuses; nothing of the block is kept then.
        """
        with self._writer:
            if self._writing:
                raise RuntimeError("a transaction is open in this thread already")
            self._writing = True
            try:
                connection = self._engine.connect().execution_options(**{WRITE: True})
                with connection, connection.begin():
                    yield connection
            except sa.exc.SQLAlchemyError as error:
                raise translate(error, self._url, "writing") from error
            finally:
                self._writing = False

    def close(self) -> None:
        """Close the database."""
        self._engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
