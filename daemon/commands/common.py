"""What several commands do at their start: find the configuration, open its database, look up a vessel."""

import argparse
import getpass
import os
from collections.abc import Iterator
from contextlib import contextmanager

from ullage.daemon.alarms import AlarmDesk
from ullage.daemon.clock import Clock, SystemClock
from ullage.daemon.places import config_path
from ullage.daemon.routes import Nobody
from ullage.daemon.settings import Config, load
from ullage.daemon.store.store import Store
from ullage.detectors.finding import Priority

INSTALLATION = "installation"
"""What the command line calls the vessel-less owner of alarms about sources, database and messages."""


def load_config(options: argparse.Namespace, *, live: bool = False) -> Config:
    """Return the configuration that the command line or the environment points at."""
    return load(config_path(options.config, os.environ), os.environ, live=live)


def open_store(config: Config, *, read_only: bool) -> Store:
    """Open the database of the running service; a damaged one is never moved aside from here."""
    settings = config.store
    return Store.open(settings.url, read_only=read_only, busy_timeout_s=settings.busy_timeout_s)


def system_clock() -> Clock:
    """Return the machine's clocks."""
    return SystemClock()


@contextmanager
def open_desk(config: Config) -> Iterator[AlarmDesk]:
    """Open the alarms for a change; what that has to tell goes to the outbox, from which the daemon sends."""

    def addresses(priority: Priority) -> tuple[str, ...]:
        return tuple(name for name, target in config.notify.named_targets() if priority in target.priorities)

    with open_store(config, read_only=False) as store:
        yield AlarmDesk(store, Nobody(addresses), system_clock())


def alarm_owner(options: argparse.Namespace, config: Config) -> str:
    """Return the vessel as alarms name it: empty for the installation itself.

    Raises
    ------
    ConfigError
        If the configuration has no such vessel.
    """
    known = [watched.vessel.name for watched in config.vessels]
    if options.vessel == INSTALLATION and INSTALLATION not in known:
        return ""
    return config.watched(options.vessel).vessel.name


def who(options: argparse.Namespace) -> str:
    """Return who gives the command: `--by`, else the user's name."""
    try:
        name: str = options.by or os.environ.get("SUDO_USER") or getpass.getuser()
    except (KeyError, OSError):
        name = f"user {os.getuid()}"
    return name[:60]
