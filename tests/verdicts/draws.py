"""Short names for the draws that the generator makes."""

import math
from collections.abc import Sequence
from typing import TypeVar
from zlib import crc32

import numpy as np

T = TypeVar("T")


class Draws:
    """A seeded source of parameters; one per batch, so that a batch depends on nothing but its kind and seed."""

    def __init__(self, kind: str, seed: int) -> None:
        self.rng = np.random.default_rng([crc32(kind.encode()), seed])

    def between(self, low: float, high: float) -> float:
        """Uniform between low and high."""
        return low + (high - low) * float(self.rng.random())

    def log_between(self, low: float, high: float) -> float:
        """Uniform in the logarithm: every octave is as likely as the next."""
        return math.exp(self.between(math.log(low), math.log(high)))

    def chance(self, probability: float) -> bool:
        """Return True with this probability."""
        return float(self.rng.random()) < probability

    def pick(self, options: Sequence[T], weights: Sequence[float] | None = None) -> T:
        """Return one of the options, by weight if given."""
        if weights is None:
            return options[int(self.rng.integers(len(options)))]
        share = np.cumsum(weights) / np.sum(weights)
        return options[min(int(np.searchsorted(share, self.rng.random())), len(options) - 1)]
