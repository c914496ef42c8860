"""SenML packs in JSON, resolved: every record with its full name, absolute time, unit and value (RFC 8428)."""

import base64
import binascii
import math
import re
from dataclasses import dataclass

from ullage.adapters.errors import DataError

RELATIVE_BELOW_S = 2**28
"""Times below this are counted from now, others from 1970 (RFC 8428 section 4.5.3)."""

HIGHEST_VERSION = 10
"""The version that RFC 8428 defines; a pack of a later one must not be used (section 4.4)."""

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*", re.ASCII)
_BASE_NUMBERS = ("bt", "bv", "bs")
_VALUES = ("v", "vs", "vb", "vd")
_OWN = ("n", "u", "t", "ut", "s", *_VALUES)
_KNOWN = frozenset(("bn", "bu", "bver", *_BASE_NUMBERS, *_OWN))

Value = float | str | bool | bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class SenmlRecord:
    """One resolved record."""

    name: str
    unit: str
    """Empty if neither the record nor a base field names one."""
    value: Value | None
    """None for a record that carries a sum alone."""
    sum: float | None
    time_s: float
    """Unix seconds, UTC."""
    own_time: bool
    """False where the time is `now` or counted from it: then it is the receiver's, not the sender's."""
    update_time_s: float | None
    """Seconds, `ut`: the longest time until the sensor's next reading, if the sender says one (section 4.2).

    It is read and not used. The RFC lets a receiver conclude a failure from it, but no record of readings keeps it, so
    a replay or a restart would judge silence differently from the live watch; and a sender that promised years would
    have switched the alarm off by itself.
    """


def resolve(document: object, now_s: float) -> tuple[SenmlRecord, ...]:
    """Resolve a pack that has been read as JSON.

    Parameters
    ----------
    document
        A list of objects.
    now_s
        Unix seconds that relative times are counted from.

    Raises
    ------
    DataError
        If the pack breaks a rule of RFC 8428; none of it may be used then.
    """
    if not isinstance(document, list):
        raise DataError("SenML", "a pack must be a JSON array")
    base: dict[str, object] = {}
    records = []
    for number, record in enumerate(document, start=1):
        where = f"SenML record {number}"
        if not isinstance(record, dict):
            raise DataError(where, "must be an object")
        _check_labels(where, base, record)
        base.update(
            (label, value) for label, value in record.items() if label in ("bn", "bu", *_BASE_NUMBERS)
        )
        # a record of base fields alone sets them for the rest and holds no value of its own
        if any(label in record for label in _OWN):
            records.append(_record(where, base, record, now_s))
    return tuple(records)


def _check_labels(where: str, base: dict[str, object], record: dict[str, object]) -> None:
    for label in record:
        if label not in _KNOWN and label.endswith("_"):
            raise DataError(where, f"needs a reader that understands {label[:40]!r} (section 4.4)")
    if "bver" in record:
        version = _number(where, record, "bver")
        if version is None or not 1 <= version <= HIGHEST_VERSION:
            raise DataError(where, f"is of version {version:g}; {HIGHEST_VERSION} is the last known")
        if base.setdefault("bver", version) != version:
            raise DataError(where, "is of another version than the records before; a pack has one version")


def _record(where: str, base: dict[str, object], record: dict[str, object], now_s: float) -> SenmlRecord:
    name = _text(where, base, "bn") + _text(where, record, "n")
    if not _NAME.fullmatch(name):
        raise DataError(
            where, f"name {name[:40]!r} must be of A-Z a-z 0-9 - : . / _, the first a letter or digit"
        )
    time_s = (_number(where, base, "bt") or 0.0) + (_number(where, record, "t") or 0.0)
    own_time = time_s >= RELATIVE_BELOW_S
    sum_ = _number(where, record, "s")
    base_sum = _number(where, base, "bs")
    if base_sum is not None:
        sum_ = base_sum + (sum_ or 0.0)
    return SenmlRecord(
        name=name,
        unit=_text(where, record, "u") or _text(where, base, "bu"),
        value=_value(where, base, record, has_sum=sum_ is not None),
        sum=sum_,
        time_s=time_s if own_time else now_s + time_s,
        own_time=own_time,
        update_time_s=_number(where, record, "ut"),
    )


def _value(where: str, base: dict[str, object], record: dict[str, object], *, has_sum: bool) -> Value | None:
    present = [label for label in _VALUES if label in record]
    if len(present) > 1:
        raise DataError(where, f"has {' and '.join(present)}; exactly one value field is allowed")
    base_value = _number(where, base, "bv")
    if not present:
        if base_value is None and not has_sum:
            raise DataError(where, "has no value", "exactly one of v, vs, vb, vd is needed, or s")
        return base_value
    label = present[0]
    value = record[label]
    if label == "v":
        return (base_value or 0.0) + (_number(where, record, "v") or 0.0)
    if label == "vb" and isinstance(value, bool):
        return value
    if label == "vs" and isinstance(value, str):
        return value
    if label == "vd" and isinstance(value, str):
        return _octets(where, value)
    raise DataError(where, f"{label} is not of the right type")


def _octets(where: str, text: str) -> bytes:
    try:
        return base64.b64decode(text + "=" * (-len(text) % 4), altchars=b"-_", validate=True)
    except (binascii.Error, ValueError) as error:
        raise DataError(where, "vd is not base64url") from error


def _number(where: str, record: dict[str, object], label: str) -> float | None:
    value = record.get(label)
    if value is None and label not in record:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise DataError(where, f"{label} must be a number")
    try:
        number = float(value)
    except OverflowError as error:
        raise DataError(where, f"{label} is too large") from error
    if not math.isfinite(number):
        raise DataError(where, f"{label} must be finite")
    return number


def _text(where: str, record: dict[str, object], label: str) -> str:
    value = record.get(label, "")
    if not isinstance(value, str):
        raise DataError(where, f"{label} must be text")
    return value
