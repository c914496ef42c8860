"""`ullage backup`: a copy of the database while the daemon goes on."""

import argparse
from pathlib import Path

from ullage.daemon.commands.common import load_config
from ullage.daemon.store.backup import backup


def handle(options: argparse.Namespace) -> int:
    """Write the copy and look through it."""
    config = load_config(options)
    target = Path(options.file)
    backup(config.store.url, target)
    print(
        f"{target}: {target.stat().st_size / 1e6:.1f} MB; readings of the last {config.store.commit_interval_s:g} s "
        "may not be in it yet"
    )
    return 0
