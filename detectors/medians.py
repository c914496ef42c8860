"""The median of a short list, many times faster than an array library's for the few values of a minute or a frame."""

import math
from collections.abc import Iterable


def median(values: Iterable[float]) -> float:
    """Return the median, NaN of nothing; the mean of the middle two if their number is even."""
    ordered = sorted(values)
    if not ordered:
        return math.nan
    half = len(ordered) // 2
    return ordered[half] if len(ordered) % 2 else (ordered[half - 1] + ordered[half]) / 2
