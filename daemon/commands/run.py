"""`ullage run`: the daemon, until it is told to stop."""

import argparse
import logging
import os
import sys

from ullage.adapters.errors import ConfigError
from ullage.daemon.allocator import keep_little
from ullage.daemon.building import build
from ullage.daemon.commands.common import load_config
from ullage.daemon.config_files import loose_files
from ullage.daemon.logs import LEVELS, set_up_logging

log = logging.getLogger(__name__)

SWITCH_S = 0.0005


def handle(options: argparse.Namespace) -> int:
    """Run."""
    keep_little()
    level = os.environ.get("ULLAGE_LOG", "info").lower()
    if level not in LEVELS:
        raise ConfigError("ULLAGE_LOG", f"{level!r} is none of {', '.join(LEVELS)}")
    config = load_config(options, live=True)
    if not any(channel.source for channel in config.channels()):
        raise ConfigError(
            str(config.path),
            "no vessel has a channel with a source: nothing would be watched",
            "give a vessel pressure: or temperature: with a source",
        )
    # A thread that wants the interpreter waits this long for one that computes: an alarm passes through four threads.
    sys.setswitchinterval(SWITCH_S)
    set_up_logging(level, os.environ)
    for sentence in loose_files(config):
        log.warning("loose file", extra={"warning": sentence})
    return build(config, os.environ).run_until_signal()
