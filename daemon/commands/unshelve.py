"""`ullage unshelve`: tell of a shelved condition again before its time is up."""

import argparse

from ullage.adapters.errors import DataError
from ullage.daemon.commands.common import INSTALLATION, alarm_owner, load_config, open_desk, who


def handle(options: argparse.Namespace) -> int:
    """End a shelving."""
    config = load_config(options)
    vessel = alarm_owner(options, config)
    with open_desk(config) as desk:
        shelved = [condition for owner, condition, _until_s in desk.shelved() if owner == vessel]
        found = desk.unshelve(vessel, options.condition, who(options))
    if not found:
        there = f"shelved are {', '.join(shelved)}" if shelved else "nothing of it is"
        raise DataError(options.vessel, f"{options.condition} is not shelved", there)
    print(f"{vessel or INSTALLATION}: {options.condition} is told of again")
    return 0
