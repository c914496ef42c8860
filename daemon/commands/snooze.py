"""`ullage snooze`: put off what a batch waits for; it is told again when the time is over."""

import argparse

from ullage.adapters.errors import ConfigError
from ullage.daemon.commands.common import load_config, open_store, system_clock
from ullage.daemon.local_time import LocalTime
from ullage.daemon.times import local_text
from ullage.detectors.waits import LONGEST_SNOOZE_H


def handle(options: argparse.Namespace) -> int:
    """Write the snooze into the journal, where detectors and reminders find it."""
    config = load_config(options)
    vessel = config.watched(options.vessel).vessel.name
    if not 0 < options.hours <= LONGEST_SNOOZE_H:
        raise ConfigError(
            "HOURS", f"{options.hours:g} must be above 0 and at most {LONGEST_SNOOZE_H:g}", "as in 12"
        )
    now_s = system_clock().wall_s()
    with open_store(config, read_only=False) as store:
        store.add_entry(vessel, now_s, f"snooze {options.hours:g}", made_s=now_s)
    until = local_text(now_s + options.hours * 3600, LocalTime.named(config.timezone))
    print(f"{vessel}: quiet about finings and readiness until {until}; alarms are told all the same")
    return 0
