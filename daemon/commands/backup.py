"""`ullage backup`: a copy of the database while the daemon goes on."""

import argparse
from pathlib import Path

from ullage.daemon.commands.common import load_config, open_store


def handle(options: argparse.Namespace) -> int:
    """Write the copy and look through it."""
    config = load_config(options)
    target = Path(options.file)
    with open_store(config, read_only=True) as store:
        store.backup(target)
    print(f"{target}: {target.stat().st_size / 1e6:.1f} MB")
    return 0
