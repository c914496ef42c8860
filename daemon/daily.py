"""The daily line: how all vessels are, in a sentence for a phone."""

from collections.abc import Iterable

from ullage.adapters.reading import Quantity
from ullage.daemon.status import STALE_AFTER_S, VesselStatus


def daily_line(statuses: Iterable[VesselStatus], now_s: float) -> str:
    """Return the line; empty when there is no vessel.

    Parameters
    ----------
    statuses
        As the database has them.
    now_s
        Unix seconds; readings older than silence is given are called old.
    """
    vessels = [status for status in statuses if status.name]
    if not vessels:
        return ""
    active = sum(alarm.active for status in vessels for alarm in status.alarms)
    head = f"{active} alarm{'s' * (active != 1)}" if active else "No alarm"
    return f"{head}. " + "; ".join(_vessel(status, now_s) for status in vessels) + "."


def _vessel(status: VesselStatus, now_s: float) -> str:
    words = [status.name]
    for quantity, unit, digits in ((Quantity.TEMPERATURE, "°C", 1), (Quantity.PRESSURE, "bar", 2)):
        reading = status.latest.get(quantity)
        if reading is not None:
            words.append(f"{reading.value:.{digits}f} {unit}")
            if now_s - reading.time_s > STALE_AFTER_S:
                words.append("(old)")
    words += [alarm.condition for alarm in status.alarms if alarm.active]
    if len(words) == 1:
        words.append("no reading yet")
    return " ".join(words)
