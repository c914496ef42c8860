"""Writes readings in the log format, as `ullage.adapters.recorded_log` reads it."""

import csv
import gzip
import io
import math
from collections.abc import Iterable
from os import PathLike, fspath
from typing import TextIO

from ullage.adapters.errors import DataError
from ullage.adapters.log_air import air_of, stands_in
from ullage.adapters.log_blocks import LONGEST_ENTRY_LINES
from ullage.adapters.log_format import HEADER
from ullage.adapters.reading import Quantity, Reading
from ullage.adapters.timestamps import format_rfc3339
from ullage.adapters.units import units_of

LONGEST_ENTRY_CHARACTERS = 10_000


def write_log(target: str | PathLike[str] | TextIO, rows: Iterable[Reading]) -> int:
    """Write readings as a log, in the order in which they come.

    Times are written to the millisecond, values with as few digits as give the same number back.

    Parameters
    ----------
    target
        A path (compressed if it ends in `.gz`) or an open text stream, which stays open.
    rows
        Readings in canonical units.

    Returns
    -------
    int
        How many rows were written.

    Raises
    ------
    DataError
        If the file can't be written, or a row can't stand in a log: no finite value, a name with line breaks
        or blanks around it or of the air around a vessel, an empty or endless journal entry.
    """
    if not isinstance(target, str | PathLike):
        return _write(target, rows)
    name = fspath(target)
    try:
        if not name.endswith(".gz"):
            with open(name, "w", encoding="utf-8", newline="") as stream:
                return _write(stream, rows)
        # no file name and no time inside, so that the same rows give the same bytes
        with (
            open(name, "wb") as raw,
            gzip.GzipFile(filename="", mode="wb", fileobj=raw, mtime=0, compresslevel=6) as packed,
            io.TextIOWrapper(packed, encoding="utf-8", newline="") as stream,
        ):
            return _write(stream, rows)
    except OSError as error:
        raise DataError(name, f"can't be written ({error.strerror or error})") from error


def _write(stream: TextIO, rows: Iterable[Reading]) -> int:
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(HEADER)
    units = {quantity: units_of(quantity)[0] for quantity in Quantity}
    air, warmth = Quantity.AIR_TEMPERATURE, Quantity.TEMPERATURE
    count = 0
    last_s, stamp = math.nan, ""
    for row in rows:
        if row.time_s != last_s:
            last_s, stamp = row.time_s, format_rfc3339(row.time_s)
        _check_name(row.vessel)
        value = _no_formula(_entry(row)) if row.quantity is Quantity.JOURNAL else _digits(row)
        name, quantity = (
            (row.vessel, row.quantity) if row.quantity is not air else (air_of(row.vessel), warmth)
        )
        writer.writerow((stamp, _no_formula(name), quantity.value, value, units[row.quantity]))
        count += 1
    return count


def _no_formula(text: str) -> str:
    """Put a blank before what a spreadsheet would run: blanks around a field don't count, so the log stays the same.

    The signs are those that OWASP names under CSV injection. A sensor may write into the journal, a brewer opens it.
    """
    return f" {text}" if text[0] in "=+-@\t\r" else text


def _check_name(vessel: str) -> None:
    if not vessel or vessel != vessel.strip() or not vessel.isprintable():
        raise DataError(f"vessel {vessel!r}", "can't stand in a log", "use a name of printable characters")
    if stands_in(vessel) is not None:
        raise DataError(
            f"vessel {vessel!r}", "would be taken for the air around a vessel", "use another name"
        )


def _digits(row: Reading) -> str:
    if not math.isfinite(row.value):
        raise DataError(f"{row.vessel} {row.quantity}", f"value {row.value!r} is not a finite number")
    return repr(float(row.value))


def _entry(row: Reading) -> str:
    text = row.text.strip()
    if not text or "\0" in text or _lone_surrogate(text):
        raise DataError(f"{row.vessel} journal", f"entry {row.text[:40]!r} holds no text that can be written")
    if len(text) > LONGEST_ENTRY_CHARACTERS or text.count("\n") >= LONGEST_ENTRY_LINES:
        raise DataError(
            f"{row.vessel} journal",
            f"entry {text[:40]!r} is longer than {LONGEST_ENTRY_CHARACTERS} characters "
            f"or {LONGEST_ENTRY_LINES} lines",
        )
    return text


def _lone_surrogate(text: str) -> bool:
    return any("\ud800" <= character <= "\udfff" for character in text)
