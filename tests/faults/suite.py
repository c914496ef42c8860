"""The rows of the table, one for each fault."""

from tests.faults import power
from tests.faults.fault import Fault

FAULTS = (
    Fault(group="power", name="SIGKILL, a few messages a second", trial=power.kills_slow, long=8),
    Fault(group="power", name="SIGKILL, fifty messages a second", trial=power.kills_fast, long=4),
    Fault(group="power", name="cut, disk with a write cache", trial=power.cuts, long=2),
)
