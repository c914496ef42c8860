"""A sensor's own noise and the step of its converter, learned from its readings a page of them at a time.

The noise σ comes from second differences, which a steady rise does not touch; the step q is the least distance of two values
seen. What sensors show while they are alive tells how long they may repeat themselves: with noise of sd σ and a step q, a true
constant in the middle of a step stays in that step with probability erf(q / (2·√2·σ)) a reading, and n readings on end with
that probability to the n-th power.
"""

import math
from collections import deque
from dataclasses import dataclass, field

import numpy as np

from ullage.detectors.medians import median
from ullage.detectors.samples import FloatArray

PAGE = 64
"""Readings to a page: enough for a spread, few enough to learn within hours at one reading a minute."""
PAGES_KEPT = 9
LEAST_PAGES = 3
"""Fewer tell nothing of a sensor."""
EDGE = 3
"""Readings of a page left out at each end when its span is taken: spikes."""
SECOND_DIFFERENCE_MEAN = 1.609
"""Mean of |second difference| with the largest tenth cut off, in units of σ, for Gaussian noise:
√6·E[|z|, |z| below its 90 % quantile] = 2.449·0.657 (computed)."""


@dataclass(slots=True)
class Pages:
    """The pages that a block completes, one a row, how many readings came before it, how many pages are learned."""

    table: FloatArray
    before: int
    done: int = 0
    known: list[tuple[float, float]] | None = None
    """(σ, q) of every page, where many runs will ask for them."""

    def measure(self) -> None:
        """Work all pages out together."""
        self.known = _measured(self.table)

    def complete(self, row: int) -> int:
        """Return how many pages are complete once `row` readings of the block have come."""
        return min((self.before + row) // PAGE, len(self.table))

    def newest(self, stop: int) -> list[tuple[float, float]]:
        """Return (σ, q) of the last `PAGES_KEPT` pages before `stop` that are not learned yet and teach anything."""
        found: list[tuple[float, float]] = []
        while stop > self.done and len(found) < PAGES_KEPT:
            start = max(stop - PAGES_KEPT, self.done)
            pages = self.known[start:stop] if self.known is not None else _measured(self.table[start:stop])
            found[:0] = [page for page in pages if math.isfinite(page[1])]  # one without any change does not
            stop = start
        return found

    def levels(self, stop: int) -> list[tuple[float, int]]:
        """Return the middle of each page before `stop` that is not learned yet, and the reading that ends it."""
        ordered = np.sort(self.table[self.done : stop], axis=1)
        middles = ((ordered[:, PAGE // 2 - 1] + ordered[:, PAGE // 2]) / 2).tolist()
        return [(middle, (self.done + at + 1) * PAGE - self.before - 1) for at, middle in enumerate(middles)]


@dataclass(slots=True)
class OwnNoise:
    """What the latest pages of one sensor say of it."""

    _page: list[float] = field(default_factory=list)
    """The page that is not complete yet."""
    _learned: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=PAGES_KEPT))
    """(σ, q) of the latest pages, in the sensor's unit."""

    def pages(self, value: FloatArray) -> Pages:
        """Return the pages that this block of readings completes, and keep the rest."""
        before = len(self._page)
        if before + len(value) < PAGE:
            self._page.extend(value.tolist())
            return Pages(np.empty((0, PAGE)), before)
        joined = np.concatenate((np.array(self._page), value))
        whole = len(joined) // PAGE * PAGE
        self._page = joined[whole:].tolist()
        return Pages(joined[:whole].reshape(-1, PAGE), before)

    def learn(self, pages: Pages, stop: int) -> None:
        """Learn from the pages before `stop`."""
        self._learned.extend(pages.newest(stop))
        pages.done = stop

    @property
    def step(self) -> float:
        """Step of the converter, in the sensor's unit; inf before any is seen."""
        return min((q for _, q in self._learned), default=math.inf)

    def improbable(self, chance: float) -> float:
        """Return how many equal readings in a row happen by no more than this chance; inf if the sensor can't be judged."""
        if len(self._learned) < LEAST_PAGES:
            return math.inf
        spread = median(s for s, _ in self._learned)
        # a step adds q²/12 of its own (uniform error)
        noise = 0.8 * math.sqrt(max(spread**2 - self.step**2 / 12, 0.0))
        if noise <= 0:
            return math.inf
        same = math.erf(self.step / (2 * math.sqrt(2) * noise))
        return math.inf if same >= 1 else math.log(chance) / math.log(max(same, 1e-9))


def _measured(table: FloatArray) -> list[tuple[float, float]]:
    """Return each page's σ and least distance of two values q; q is inf in a page without any change.

    Not the least change from one reading to the next: behind a fast valve each reading is far from its neighbour.
    """
    ordered = np.sort(table, axis=1)
    apart = np.diff(ordered, axis=1)
    step = np.where(apart > 0, apart, np.inf).min(axis=1)
    second = np.sort(np.abs(np.diff(table, n=2, axis=1)), axis=1)[:, : int((PAGE - 2) * 0.9)]
    noise = second.mean(axis=1) / SECOND_DIFFERENCE_MEAN
    span = ordered[:, -EDGE - 1] - ordered[:, EDGE]
    # two neighbouring steps: the least noise does that where the value lies between
    noise[span < 1.5 * step] = 0.0
    return list(zip(noise.tolist(), step.tolist(), strict=True))
