"""The block of samples that detectors take: columns of numbers, one vessel, in the order of arrival."""

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
CodeArray = NDArray[np.uint8]


class Kind(IntEnum):
    """Code of a quantity in a block."""

    TEMPERATURE = 0
    PRESSURE = 1
    GRAVITY = 2
    AIR = 3
    """Temperature of the air that the vessel stands in."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Samples:
    """Readings of one vessel in the order of arrival: three columns of the same length n.

    `time_s` Unix seconds UTC; `kind` codes of `Kind`; `value` °C, bar gauge or specific gravity.
    """

    time_s: FloatArray
    kind: CodeArray
    value: FloatArray

    def __len__(self) -> int:
        return len(self.time_s)

    def cut(self, start: int, stop: int) -> "Samples":
        """Return rows start to stop (a view, nothing copied)."""
        return Samples(
            time_s=self.time_s[start:stop], kind=self.kind[start:stop], value=self.value[start:stop]
        )

    @staticmethod
    def empty() -> "Samples":
        """Return a block of no rows."""
        return Samples(time_s=np.empty(0), kind=np.empty(0, np.uint8), value=np.empty(0))

    @staticmethod
    def of(kind: Kind, time_s: FloatArray, value: FloatArray) -> "Samples":
        """Return a block of one quantity."""
        return Samples(time_s=time_s, kind=np.full(len(time_s), kind, np.uint8), value=value)


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """A journal entry: the brewer's word, as in the log format (`pitched`, `valve shut`, `chill 2` or free text)."""

    time_s: float
    text: str
