"""What a daemon gets hold of before anything else: its database, and the right to watch what is in it.

A file is locked. On a PostgreSQL server the daemon becomes a member; alone unless it is told to share.
"""

import logging
from collections.abc import Callable
from dataclasses import dataclass

from ullage.adapters.errors import StoreError
from ullage.daemon.makeshift import Makeshift, open_file, serves
from ullage.daemon.membership import JOIN_S, Membership
from ullage.daemon.settings import Config
from ullage.daemon.share_settings import this_machine
from ullage.daemon.store.engine import parse_url
from ullage.daemon.store.file_lock import FileLock
from ullage.daemon.store.store import Store
from ullage.daemon.turf import Alone, Everything, Shared, Turf

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A daemon's place at its database."""

    lock: FileLock
    store: Store
    membership: Membership | None
    """None where a lock on the file does."""
    turf: Turf
    makeshift: Makeshift | None = None
    """What serves while the file can't be used."""

    def lost(self) -> bool:
        """Tell whether another daemon has taken over, or the place is no longer the right one."""
        if self.makeshift is not None and self.makeshift.over:
            return True
        return self.membership is not None and self.membership.lost()

    def leave(self) -> None:
        """Let others have what is here; the store is closed before."""
        if self.makeshift is not None:
            self.makeshift.stop()
        if self.membership is not None:
            self.membership.leave()
        self.lock.release()


def take_place(config: Config, say: Callable[[str], object]) -> Place:
    """Return the place, once nobody else has it.

    Parameters
    ----------
    say
        Tells the service manager what is waited for.

    Raises
    ------
    StoreError
        If another daemon has it, or the database can't be opened.
    """
    settings = config.store
    lock = FileLock(settings.url)
    try:
        try:
            store = open_file(settings)
        except StoreError as error:
            if not serves(error, settings):
                raise
            makeshift = Makeshift(settings, str(error))
            return Place(
                lock=lock, store=makeshift.store, membership=None, turf=Everything(), makeshift=makeshift
            )
        if parse_url(settings.url).get_backend_name() != "postgresql":
            return Place(lock=lock, store=store, membership=None, turf=Everything())
        membership = Membership(
            settings.url,
            this_machine() if config.share is None else config.share.named(),
            alone=config.share is None,
            vessels=[watched.vessel.name for watched in config.vessels],
        )
        patience = f"EXTEND_TIMEOUT_USEC={round(2e6 * JOIN_S)}"
        membership.join(lambda words: say(f"{patience}\nSTATUS={words}"))
    except BaseException:
        lock.release()
        raise
    store.guard = membership.guard
    turf: Turf = Alone(membership) if config.share is None else Shared(membership)
    log.info("joined", extra={"daemon": membership.member.name, "alone": config.share is None})
    return Place(lock=lock, store=store, membership=membership, turf=turf)
