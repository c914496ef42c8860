"""Gathers what the blocks of a log held, per vessel; sorts it and drops what was said before."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from ullage.adapters.entry_units import in_canonical_units
from ullage.adapters.log_air import stands_in
from ullage.adapters.log_blocks import Block
from ullage.adapters.log_fast import Plain
from ullage.adapters.log_format import KIND_OF, BadRowNotes, JournalRow, RecordedLog, VesselLog
from ullage.adapters.reading import Quantity, Reading

Scalar = TypeVar("Scalar", bound=np.generic)


@dataclass(slots=True)
class _Parts:
    """Columns of one vessel in pieces, in the order of the file."""

    first_line: int
    time_s: list[NDArray[np.float64]] = field(default_factory=list)
    kind: list[NDArray[np.uint8]] = field(default_factory=list)
    value: list[NDArray[np.float64]] = field(default_factory=list)
    entries: list[JournalRow] = field(default_factory=list)

    def only_temperature(self) -> bool:
        """Tell whether nothing but temperatures was said of it."""
        code = KIND_OF[Quantity.TEMPERATURE]
        return not self.entries and all(bool((kind == code).all()) for kind in self.kind)


class Gatherer:
    """Takes blocks in the order of the file and makes the log of them."""

    def __init__(self) -> None:
        self.bad = BadRowNotes()
        self._parts: dict[str, _Parts] = {}

    def add(self, block: Block, plain: Plain, parsed: Sequence[tuple[int, Reading]]) -> None:
        """Take what was read of a block.

        Parameters
        ----------
        block
            The block.
        plain
            What the fast path read.
        parsed
            What the strict parser read: number of the record and reading, in the order of the file.
        """
        names = list(plain.names)
        row, vessel, kind, time_s, value = plain.row, plain.vessel, plain.kind, plain.time_s, plain.value
        measured = [item for item in parsed if item[1].quantity in KIND_OF]
        if measured:
            place = {name: index for index, name in enumerate(names)}
            for _, reading in measured:
                if place.setdefault(reading.vessel, len(names)) == len(names):
                    names.append(reading.vessel)
            row = np.concatenate((row, [index for index, _ in measured]))
            order = np.argsort(row, kind="stable")
            row = row[order]
            vessel = np.concatenate((vessel, [place[reading.vessel] for _, reading in measured]))[order]
            more = np.array([KIND_OF[reading.quantity] for _, reading in measured], np.uint8)
            kind = np.concatenate((kind, more))[order]
            time_s = np.concatenate((time_s, [reading.time_s for _, reading in measured]))[order]
            value = np.concatenate((value, [reading.value for _, reading in measured]))[order]
        for index, reading in parsed:
            if reading.quantity is Quantity.JOURNAL:
                parts = self._of(reading.vessel, int(block.line[index]))
                parts.entries.append(JournalRow(reading.time_s, in_canonical_units(reading.text)))
        self._share_out(names, block.line[row], vessel, kind, time_s, value)

    def _of(self, vessel: str, line: int) -> _Parts:
        parts = self._parts.setdefault(vessel, _Parts(line))
        parts.first_line = min(parts.first_line, line)
        return parts

    def _share_out(
        self,
        names: Sequence[str],
        line: NDArray[np.int64],
        vessel: NDArray[np.int64],
        kind: NDArray[np.uint8],
        time_s: NDArray[np.float64],
        value: NDArray[np.float64],
    ) -> None:
        if not len(vessel):
            return
        if (vessel == vessel[0]).all():
            runs = [(0, len(vessel))]
        else:
            order = np.argsort(
                vessel.astype(np.uint16), kind="stable"
            )  # a block has fewer than 2^16 rows; radix sort
            line, vessel, kind = line[order], vessel[order], kind[order]
            time_s, value = time_s[order], value[order]
            edges = [0, *(np.flatnonzero(np.diff(vessel)) + 1).tolist(), len(vessel)]
            runs = list(pairwise(edges))
        for start, stop in runs:
            parts = self._of(names[int(vessel[start])], int(line[start]))
            parts.time_s.append(time_s[start:stop])
            parts.kind.append(kind[start:stop])
            parts.value.append(value[start:stop])

    def _put_air_to_its_vessel(self) -> None:
        for name in list(self._parts):
            vessel = stands_in(name)
            if vessel is None or not self._parts[name].only_temperature():
                continue
            air = self._parts.pop(name)
            own = self._of(vessel, air.first_line)
            own.time_s += air.time_s
            own.value += air.value
            own.kind += [np.full(len(kind), KIND_OF[Quantity.AIR_TEMPERATURE], np.uint8) for kind in air.kind]

    def result(self, lines: int) -> RecordedLog:
        """Return the log; the gatherer is empty afterwards."""
        self._put_air_to_its_vessel()
        inorder = sorted(self._parts.items(), key=lambda item: item[1].first_line)
        self._parts = {}
        vessels: dict[str, VesselLog] = {}
        while inorder:
            name, parts = inorder.pop(0)
            vessels[name] = _vessel_log(name, parts)
        return RecordedLog(vessels=vessels, bad_rows=self.bad.result(), lines=lines)


def _vessel_log(name: str, parts: _Parts) -> VesselLog:
    """Join the pieces, sort by time (rows of one time keep the file's order) and drop what was said before."""
    time_s = _joined(parts.time_s, np.float64)
    kind = _joined(parts.kind, np.uint8)
    value = _joined(parts.value, np.float64)
    if (time_s[1:] < time_s[:-1]).any():
        order = np.argsort(time_s, kind="stable")
        time_s, kind, value = time_s[order], kind[order], value[order]
    repeated = contradicting = 0
    again, differs = _said_before(time_s, kind, value)
    if again.any():
        contradicting = int(differs.sum())
        repeated = int(again.sum()) - contradicting
        time_s, kind, value = time_s[~again], kind[~again], value[~again]
    entries = tuple(dict.fromkeys(sorted(parts.entries, key=lambda entry: entry.time_s)))
    return VesselLog(
        name=name,
        time_s=time_s,
        kind=kind,
        value=value,
        entries=entries,
        repeated=repeated + len(parts.entries) - len(entries),
        contradicting=contradicting,
    )


def _joined(pieces: list[NDArray[Scalar]], kind: type[Scalar]) -> NDArray[Scalar]:
    """Join pieces and let them go, so that no more than one column stands in memory twice."""
    whole = np.concatenate(pieces) if pieces else np.empty(0, kind)
    pieces.clear()
    return whole


def _said_before(
    time_s: NDArray[np.float64], kind: NDArray[np.uint8], value: NDArray[np.float64]
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Mark rows whose quantity and time an earlier row has, and those of them that say another value."""
    again = np.zeros(len(time_s), bool)
    differs = np.zeros(len(time_s), bool)
    for code in KIND_OF.values():
        mine = np.flatnonzero(kind == code)
        at_s = time_s[mine]
        same = np.flatnonzero(at_s[1:] == at_s[:-1]) + 1
        if len(same):
            again[mine[same]] = True
            fresh = np.ones(len(mine), bool)
            fresh[same] = False
            first = np.maximum.accumulate(np.where(fresh, np.arange(len(mine)), 0))  # the one that stays
            differs[mine[same]] = value[mine[same]] != value[mine[first[same]]]
    return again, differs
