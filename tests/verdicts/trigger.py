"""When something of a script happens: by hours since pitching, by the part made, or by what is still to come."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Flags = NDArray[np.bool_]
Rows = NDArray[np.intp]


@dataclass(frozen=True, slots=True, kw_only=True)
class Trigger:
    """Met when all the conditions given hold; `delay_h` is counted from then."""

    after_h: float | None = None
    fraction: float | None = None
    to_come: float | None = None
    delay_h: float = 0.0

    def met(self, hours: float, fraction: float, to_come: float) -> bool:
        """Return whether it is met at this moment (the delay not counted)."""
        return (
            (self.after_h is None or hours >= self.after_h)
            and (self.fraction is None or fraction >= self.fraction)
            and (self.to_come is None or to_come <= self.to_come)
        )

    def when(self, hours: FloatArray, made: FloatArray, total: float) -> float:
        """Return the hour (since pitching) at which it comes due, infinite if never.

        Parameters
        ----------
        hours, made
            Hours since pitching and CO2 made by then in g/L, shape (n,), n rising moments.
        total
            CO2 that the beer can make in all, g/L.
        """
        ok = np.ones(len(hours), bool)
        if self.after_h is not None:
            ok &= hours >= self.after_h
        if self.fraction is not None:
            ok &= made >= self.fraction * total
        if self.to_come is not None:
            ok &= total - made <= self.to_come
        first = int(np.argmax(ok))
        return float(hours[first]) + self.delay_h if ok[first] else float("inf")
