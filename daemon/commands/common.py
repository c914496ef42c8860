"""What several commands do at their start: find the configuration, open its database, look up a vessel."""

import argparse
import getpass
import os

from ullage.daemon.clock import Clock, SystemClock
from ullage.daemon.places import config_path
from ullage.daemon.settings import Config, load
from ullage.daemon.store.store import Store


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


def who(options: argparse.Namespace) -> str:
    """Return who gives the command: `--by`, else the user's name."""
    try:
        name: str = options.by or os.environ.get("SUDO_USER") or getpass.getuser()
    except (KeyError, OSError):
        name = f"user {os.getuid()}"
    return name[:60]
