"""The rows of the table, one for each fault."""

from tests.faults import broker, clock, disk_faults, power, serial_port, target, threads
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
    Fault(group="broker", name="stopped and started", trial=broker.restarts, long=3),
    Fault(group="broker", name="network cut without a word", trial=broker.network, long=2),
    Fault(group="broker", name="password changed", trial=broker.credentials, long=5),
    Fault(group="broker", name="certificate expired", trial=broker.certificate, long=5),
    Fault(group="broker", name="flood of junk topics", trial=broker.junk, long=3),
    Fault(group="broker", name="payloads of 10 MB", trial=broker.giants, long=4),
    Fault(group="broker", name="storm of retained messages", trial=broker.retained, long=3),
    Fault(group="broker", name="everything twice, in disorder", trial=broker.repeats, long=3),
    Fault(group="serial", name="unplugged, back as another port", trial=serial_port.replugged, long=3),
    Fault(group="serial", name="wrong speed, half lines", trial=serial_port.wrong_speed, long=5),
    Fault(group="serial", name="a device that floods", trial=serial_port.flood, long=2),
    Fault(group="clock", name="1970 until the time arrives", trial=clock.years_off, long=5),
    Fault(group="clock", name="set back and forth", trial=clock.steps, long=5),
    Fault(group="clock", name="summer time begins and ends", trial=clock.summer_time, long=3),
    Fault(group="clock", name="leap second", trial=clock.leap_second, long=5),
    Fault(group="clock", name="senders with a wrong clock", trial=clock.senders, long=3),
    Fault(group="phone", name="down for a day", trial=target.day, long=10),
    Fault(group="phone", name="refuses, 429, 403, hangs, crawls", trial=target.moods, long=3),
    Fault(group="threads", name="each dies", trial=threads.dead, long=2),
    Fault(group="threads", name="each hangs", trial=threads.hung, long=1),
)
