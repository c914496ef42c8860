"""`ullage ack`: somebody has seen the alarm and takes care of it; the daemon stops repeating it."""

import argparse

from ullage.adapters.errors import DataError
from ullage.daemon.alarm_states import AlarmState
from ullage.daemon.commands.common import INSTALLATION, alarm_owner, load_config, open_desk, who


def handle(options: argparse.Namespace) -> int:
    """Acknowledge a vessel's alarms, or those of one condition."""
    config = load_config(options)
    vessel = alarm_owner(options, config)
    with open_desk(config) as desk:
        changed = desk.acknowledge(vessel, options.condition, who(options))
        standing = [alarm.condition for alarm in desk.standing(vessel)]
    if not changed:
        what = f" {options.condition}" if options.condition else ""
        there = f"it has {', '.join(standing)}, acknowledged already" if standing else "none stands there"
        raise DataError(options.vessel, f"no{what} alarm waits to be acknowledged", there)
    for alarm in changed:
        still = "still there" if alarm.state is AlarmState.ACKNOWLEDGED else "gone meanwhile"
        subject = f" ({alarm.subject})" if alarm.subject else ""
        print(f"{vessel or INSTALLATION}: {alarm.condition}{subject} acknowledged, {still}")
    return 0
