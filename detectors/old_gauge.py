"""Says so where what is told rests on a pressure of long ago: sensors die in the cold, too."""

from ullage.detectors.advice_bottle import span_text
from ullage.detectors.record import Record

OLD_S = 2 * 3600.0


def old_gauge(now_s: float, record: Record) -> str:
    """Return a sentence, with a blank before it, if the latest pressure is older than `OLD_S`; else nothing."""
    ago_s = now_s - record.now_s
    if not ago_s > OLD_S:
        return ""
    return f" That pressure was read {span_text(ago_s / 3600)} ago: go by the vessel's gauge."
