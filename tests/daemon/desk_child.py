"""A process with a desk and a notifier, for tests that kill it or talk to it through the database.

`python -m tests.daemon.desk_child FOLDER URL COUNT` goes through `COUNT` findings: each is noted in a file first, as
its reading would be, and then taken. At its start it judges again what the file says was judged before.
"""

import os
import sys
import time
from pathlib import Path

from tests.daemon.desk_kit import T0, finding, open_store
from ullage.daemon.alarms import AlarmDesk
from ullage.daemon.clock import SystemClock
from ullage.daemon.notifier import Notifier
from ullage.daemon.notify_settings import NotifySettings
from ullage.detectors.finding import Condition, Finding, State


def scripted(number: int) -> Finding:
    """Return finding number so-and-so: over-pressure raised and cleared in turn in 7 vessels, notices between."""
    time_s = T0 + number
    vessel = f"v{number % 7}"
    if number % 3 == 2:
        return finding(Condition.FINISHED, time_s=time_s, vessel=vessel)
    earlier = sum(1 for n in range(number) if n % 7 == number % 7 and n % 3 != 2)
    state = State.CLEARED if earlier % 2 else State.RAISED
    return finding(Condition.OVER_PRESSURE, state, time_s=time_s, vessel=vessel)


def main(folder: Path, url: str, count: int) -> None:
    """Run until all findings are taken and told."""
    clock = SystemClock()
    settings = NotifySettings.model_validate(
        {"targets": [{"name": "phone", "url": url}], "rate_limit": {"messages": 1000, "per_s": 1}}
    )
    progress = os.open(folder / "progress", os.O_RDWR | os.O_CREAT)
    with open_store(folder) as store:
        notifier = Notifier(settings, store, clock)
        desk = AlarmDesk(store, notifier, clock)
        notifier.start()
        notifier.settle(30.0)
        judged = int(os.pread(progress, 16, 0) or b"0")
        print("ready", flush=True)
        desk.take([scripted(number) for number in range(judged)], replayed=True)
        for number in range(judged, count):
            os.pwrite(progress, b"%016d" % (number + 1), 0)
            desk.take([scripted(number)])
            desk.tick()
            time.sleep(0.001)
        notifier.settle(30)
        notifier.stop()
    print("done", flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2], int(sys.argv[3]))
