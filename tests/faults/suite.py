"""The rows of the table, one for each fault."""

from tests.faults import disk_faults, power, threads
from tests.faults.fault import Fault

FAULTS = (
    Fault(group="power", name="SIGKILL, a few messages a second", trial=power.kills_slow, long=8),
    Fault(group="power", name="SIGKILL, fifty messages a second", trial=power.kills_fast, long=4),
    Fault(group="power", name="cut, disk with a write cache", trial=power.cuts, long=2),
    Fault(group="disk", name="full", trial=disk_faults.full, long=10),
    Fault(group="disk", name="slow, 3 s a flush", trial=disk_faults.slow, long=5),
    Fault(group="disk", name="dead and read-only, then another one", trial=disk_faults.dead, long=5),
    Fault(group="disk", name="held by another program", trial=disk_faults.locked, long=5),
    Fault(group="disk", name="damaged while in use", trial=disk_faults.damaged_running, long=10),
    Fault(group="disk", name="damaged before the start", trial=disk_faults.damaged_at_start, long=10),
    Fault(group="threads", name="each dies", trial=threads.dead, long=2),
    Fault(group="threads", name="each hangs", trial=threads.hung, long=1),
)
