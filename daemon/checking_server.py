"""How readings lie on a database server, in words for a person."""

from collections.abc import Iterator

from ullage.adapters.errors import StoreError
from ullage.daemon.settings import Config
from ullage.daemon.store import partitioning
from ullage.daemon.store.engine import parse_url
from ullage.daemon.store.store import Store

_PATIENCE_S = 5.0


def server_words(config: Config) -> Iterator[str]:
    """Yield a line on how readings lie on the server; none for a file."""
    if parse_url(config.store.url).get_backend_name() != "postgresql":
        return
    try:
        with (
            Store.open(config.store.url, read_only=True, busy_timeout_s=_PATIENCE_S) as store,
            store.reading() as connection,
        ):
            yield partitioning.in_words(connection)
    except StoreError as error:
        yield f"How readings lie there can't be told now: {error}"
