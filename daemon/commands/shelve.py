"""`ullage shelve`: tell nobody of one condition of one vessel for a limited time; it goes on being watched."""

import argparse

from ullage.daemon.commands.common import INSTALLATION, alarm_owner, load_config, open_desk, who
from ullage.daemon.local_time import LocalTime
from ullage.daemon.times import local_text


def handle(options: argparse.Namespace) -> int:
    """Shelve."""
    config = load_config(options)
    vessel = alarm_owner(options, config)
    with open_desk(config) as desk:
        until_s = desk.shelve(vessel, options.condition, options.hours, who(options))
    until = local_text(until_s, LocalTime.named(config.timezone))
    print(f"{vessel or INSTALLATION}: {options.condition} shelved until {until}; it goes on being watched")
    return 0
