"""`ullage journal`: the brewer's word into a vessel's journal; the running daemon takes it from there."""

import argparse

from ullage.adapters.errors import ConfigError
from ullage.daemon.commands.common import load_config, open_store, system_clock
from ullage.daemon.local_time import LocalTime
from ullage.daemon.times import local_text, parse_time

_FUTURE_S = 60.0
"""How far ahead an entry may lie: no further than clocks differ."""


def handle(options: argparse.Namespace) -> int:
    """Add an entry."""
    config = load_config(options)
    vessel = config.watched(options.vessel).vessel.name
    zone = LocalTime.named(config.timezone)
    now_s = system_clock().wall_s()
    time_s = parse_time(options.at, zone, "--at") if options.at else now_s
    if time_s > now_s + _FUTURE_S:
        raise ConfigError(
            "--at", f"{options.at!r} lies in the future", "the journal is for what has happened"
        )
    text = " ".join(" ".join(options.entry).split())
    if not text or not text.isprintable():
        raise ConfigError("ENTRY", "must be printable text", "as in `valve shut`")
    with open_store(config, read_only=False) as store:
        store.add_entry(vessel, time_s, text, made_s=now_s)
    print(f"{vessel}: {text} ({local_text(time_s, zone)})")
    return 0
