"""`ullage status`: vessels, latest readings with their age, standing alarms; from the database, daemon or not."""

import argparse
import json
import shutil
import textwrap

from ullage.daemon.alarms import AlarmDesk
from ullage.daemon.commands.common import INSTALLATION, load_config, open_store, system_clock
from ullage.daemon.local_time import LocalTime
from ullage.daemon.routes import Nobody
from ullage.daemon.status import vessel_statuses
from ullage.daemon.status_json import status_json
from ullage.daemon.status_screen import status_lines
from ullage.daemon.store.file_lock import is_held

_UNWATCHED = "`ullage run` is not running: nobody watches the vessels, and nothing is told"


def handle(options: argparse.Namespace) -> int:
    """Show how things stand."""
    config = load_config(options)
    clock = system_clock()
    with open_store(config, read_only=True) as store:
        desk = AlarmDesk(store, Nobody(), clock)
        statuses = vessel_statuses(store, desk, config.vessels)
    if options.json:
        print(json.dumps(status_json(statuses, clock.wall_s()), ensure_ascii=False, indent=2))
        return 0
    zone = LocalTime.named(config.timezone)
    width = max(40, shutil.get_terminal_size((80, 24)).columns)
    if is_held(config.store.url) is False:
        print("\n".join(textwrap.wrap(f"! {_UNWATCHED}", width, subsequent_indent="  ")))
    for status in statuses:
        if status.name or status.alarms or status.daemons:
            print("\n".join(status_lines(status, clock.wall_s(), zone, width, INSTALLATION)))
    return 0
