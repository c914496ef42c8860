"""`ullage restore`: a backup in the place of the database, which is kept beside it."""

import argparse
from pathlib import Path

from ullage.daemon.commands.common import load_config
from ullage.daemon.store.backup import restore


def handle(options: argparse.Namespace) -> int:
    """Put the backup in place."""
    config = load_config(options)
    aside = restore(Path(options.file), config.store.url)
    print(f"{options.file} is the database now" + (f"; the one before is kept as {aside}" if aside else ""))
    return 0
