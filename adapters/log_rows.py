"""One row of a log at a time, by the strict rules: the reference that the fast path must agree with."""

import csv
import io
import math
import re
from dataclasses import dataclass

from ullage.adapters.column_map import ColumnMap
from ullage.adapters.errors import DataError, harmless
from ullage.adapters.log_blocks import LONGEST_RECORD_BYTES
from ullage.adapters.log_format import HEADER, BadRow
from ullage.adapters.reading import Quantity, Reading
from ullage.adapters.timestamps import parse_rfc3339
from ullage.adapters.units import Conversion, conversion

_DECIMAL = re.compile(
    r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?", re.ASCII
)  # linear in time, unlike \d+\.?\d*
_SPOILT = re.compile("[\0\ud800-\udfff]")
_FIRST_S, _LAST_S = -62_135_596_800.0, 253_402_300_799.0
"""0001-01-01 and 9999-12-31T23:59:59 in Unix seconds: what a calendar can say."""
_UNIX_UNITS = {"s": 1.0, "ms": 1e3}
_QUANTITIES = {str(one): one for one in Quantity if one is not Quantity.AIR_TEMPERATURE}


@dataclass(frozen=True, slots=True)
class Refused:
    """Why a row gives no reading."""

    reason: BadRow
    sentence: str


def parse_number(text: str) -> float | Refused:
    """Read a finite decimal number, with or without exponent."""
    if _DECIMAL.fullmatch(text) is None:
        return Refused(BadRow.VALUE, f"value {text[:40]!r} is not a number")
    value = float(text)
    return value if math.isfinite(value) else Refused(BadRow.VALUE, f"value {text[:40]!r} is too large")


def split_record(record: bytes, delimiter: str = ",", *, spoilt: bool = False) -> list[str] | Refused:
    """Split one CSV record into its fields, blanks around them left out.

    With `spoilt`, bytes that are no text stay in their fields (as surrogates): nobody may ask for those columns.
    """
    if len(record) > LONGEST_RECORD_BYTES:
        return Refused(BadRow.LENGTH, f"longer than {LONGEST_RECORD_BYTES} bytes")
    try:
        text = record.decode("utf-8", "surrogateescape" if spoilt else "strict")
    except UnicodeDecodeError as error:
        return Refused(BadRow.TEXT, f"byte {error.start + 1} of the row is not UTF-8")
    if "\0" in text and not spoilt:
        return Refused(BadRow.TEXT, "the row holds a zero byte")
    if text.count('"') % 2:
        return Refused(BadRow.TEXT, "a quotation mark is not closed")
    if '"' not in text:
        return [field.strip() for field in text.split(delimiter)]
    try:
        rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True))
    except csv.Error as error:
        return Refused(BadRow.TEXT, f"its quotation marks do not match ({harmless(str(error))})")
    if len(rows) != 1:
        return Refused(BadRow.TEXT, "a quotation mark is not closed")
    return [field.strip() for field in rows[0]]


def parse_group(vessel: str, quantity: str, unit: str) -> tuple[Quantity, Conversion] | Refused:
    """Read the columns that say what a value is: they repeat from row to row."""
    if not vessel:
        return Refused(BadRow.VESSEL, "the vessel's name is missing")
    known = _QUANTITIES.get(quantity)
    if known is None:
        return Refused(BadRow.QUANTITY, f"quantity {quantity[:40]!r} is none of " + ", ".join(_QUANTITIES))
    try:
        return known, conversion(known, unit)
    except DataError as error:
        return Refused(BadRow.UNIT, str(error))


class LongRowParser:
    """Reads rows `time,vessel,quantity,value,unit`."""

    def parse(self, record: bytes) -> tuple[Reading, ...] | Refused:
        """Return the row's reading; an empty tuple for a blank row or the header once more."""
        fields = split_record(record)
        if isinstance(fields, Refused):
            return fields
        if fields == [""] or tuple(field.lstrip("\ufeff").lower() for field in fields) == HEADER:
            return ()
        if len(fields) != len(HEADER):
            return Refused(BadRow.COLUMNS, f"{len(fields)} columns where {len(HEADER)} are wanted")
        time, vessel, quantity, text, unit = fields
        group = parse_group(vessel, quantity, unit)
        if isinstance(group, Refused):
            return group
        try:
            time_s = parse_rfc3339(time)
        except DataError as error:
            return Refused(BadRow.TIME, str(error))
        known, convert = group
        if known is Quantity.JOURNAL:
            if not text:
                return Refused(BadRow.TEXT, "the journal entry is empty")
            return (Reading(vessel, known, time_s, 0.0, text),)
        value = parse_number(text)
        return (
            value if isinstance(value, Refused) else (Reading(vessel, known, time_s, convert.convert(value)),)
        )


class WideRowParser:
    """Reads rows of a wide file, in which each column is a quantity.

    Parameters
    ----------
    columns
        What stands where.
    names
        The file's header.
    delimiter
        What separates the columns.

    Raises
    ------
    ConfigError
        If a mapped column is not in the header.
    """

    def __init__(self, columns: ColumnMap, names: list[str], delimiter: str) -> None:
        self.delimiter = delimiter
        self.width = len(names)
        self.time_index = columns.index_of(columns.time_column, names)
        self.unix_divisor = _UNIX_UNITS.get(columns.time_unit)
        self.cells = tuple(
            (columns.index_of(mapped.column, names), mapped.quantity, columns.conversion_of(mapped))
            for mapped in columns.columns
        )
        self.vessel = columns.vessel
        self._header = names

    def parse(self, record: bytes) -> tuple[Reading, ...] | Refused:
        """Return a reading for every cell that is not empty; blank rows and the header once more give none."""
        fields = split_record(record, self.delimiter, spoilt=True)
        if isinstance(fields, Refused):
            return fields
        if fields == [""] or [fields[0].lstrip("\ufeff"), *fields[1:]] == self._header:
            return ()
        if len(fields) != self.width:
            return Refused(BadRow.COLUMNS, f"{len(fields)} columns where {self.width} are wanted")
        time_s = self._time(fields[self.time_index])
        if isinstance(time_s, Refused):
            return time_s
        readings: list[Reading] = []
        for index, quantity, convert in self.cells:
            if not fields[index]:
                continue
            if quantity is Quantity.JOURNAL:
                if _SPOILT.search(fields[index]):
                    return Refused(BadRow.TEXT, "the journal entry holds bytes that are no UTF-8 text")
                readings.append(Reading(self.vessel, quantity, time_s, 0.0, fields[index]))
                continue
            value = parse_number(fields[index])
            if isinstance(value, Refused):
                return Refused(value.reason, f"{quantity} {value.sentence}")
            readings.append(Reading(self.vessel, quantity, time_s, convert.convert(value)))
        return tuple(readings)

    def _time(self, text: str) -> float | Refused:
        if self.unix_divisor is not None:
            value = parse_number(text)
            if isinstance(value, Refused):
                return Refused(BadRow.TIME, f"time {text[:40]!r} is not a number")
            time_s = value / self.unix_divisor
            if not _FIRST_S <= time_s <= _LAST_S:
                return Refused(BadRow.TIME, f"time {text[:40]!r} lies outside the years 1 to 9999")
            return time_s
        try:
            return parse_rfc3339(text)
        except DataError as error:
            return Refused(BadRow.TIME, str(error))
