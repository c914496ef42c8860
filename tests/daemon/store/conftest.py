"""A store on SQLite and on a real PostgreSQL: one test body runs over both."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.servers.postgres import PostgresServer
from ullage.daemon.store.store import Store


@pytest.fixture(name="url", params=["sqlite", "postgresql"])
def _url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'ullage.db'}"
    server: PostgresServer = request.getfixturevalue("postgres")
    return server.new_database()


@pytest.fixture(name="file")
def _file(tmp_path: Path) -> Path:
    return tmp_path / "ullage.db"


@pytest.fixture(name="store")
def _store(url: str) -> Iterator[Store]:
    with Store.open(url) as store:
        yield store
