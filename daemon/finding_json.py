"""A finding as the JSON object of the replay contract: one line, keys in a fixed order, null for what is not known."""

import json
import math

from ullage.adapters.timestamps import format_rfc3339
from ullage.detectors.finding import Finding

_DECIMALS = 6
"""More would only show how binary fractions are written."""


def finding_json(finding: Finding) -> str:
    """Return the object as one line without its end."""
    found: dict[str, object] = {
        "time": format_rfc3339(finding.time_s),
        "vessel": finding.vessel,
        "condition": finding.condition.value,
        "state": finding.state.value,
        "priority": finding.priority.value,
        "text": finding.text,
        "value": _number(finding.value),
        "limit": _number(finding.limit),
        "unit": finding.unit,
        "rate_g_per_l_day": _number(finding.rate_g_per_l_day),
        "evidence": list(finding.evidence),
    }
    if finding.subject:
        found["subject"] = finding.subject
    return json.dumps(found, ensure_ascii=False, allow_nan=False)


def _number(value: float | None) -> float | None:
    """Return a number that JSON can hold."""
    return round(float(value), _DECIMALS) if value is not None and math.isfinite(value) else None
