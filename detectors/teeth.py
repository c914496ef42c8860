"""Teeth: the sudden falls of a valve that blows down, found minute by minute.

A rise, then a fall that is sudden against the sensor's noise: each is a tooth, with a peak (where the valve opens) and
a trough (where it reseats). The sum of all falls so far, added to the pressure, shows what a vessel without a valve
would have shown.
"""

import itertools
import math
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass
from operator import itemgetter

LEAST_BAR = 0.012
BEAT_TEETH, BEAT, BEAT_S = 6, 4.0, 900.0
"""Of so many teeth a quick one, below a quarter of an hour, after one so many times as long: no yeast comes to life like that."""
POPPED_S, EVEN = 300.0, 3.0
"""A valve that pops lets most of a drop off within a minute or two; a fall that lasts longer, and of which no minute is a third,
is none of its."""
FALLING_S = 900.0
"""A fall that goes on, minute after minute, for up to this long is one."""


@dataclass(frozen=True, slots=True)
class Drop:
    """A sudden fall of pressure: the valve blowing down, or a hand on it."""

    time_s: float
    """When it ended."""
    peak_bar: float
    trough_bar: float

    @property
    def size_bar(self) -> float:
        """Blow-down, bar."""
        return self.peak_bar - self.trough_bar


def least_seen_bar(noise_bar: float, step_bar: float, least_bar: float = LEAST_BAR) -> float:
    """Return the least drop between minutes that can't be noise or a step of the converter, bar."""
    return max(least_bar, 6.5 * noise_bar, 2.5 * step_bar)


def beats(drops: Iterable[Drop], now_s: float) -> bool:
    """Tell whether quick teeth and slow ones come in turn: what readings show of teeth about as fast as they are.

    Then most drops go unseen, and what is seen is a beat of both. Yeast makes each tooth a little longer than the last.
    """
    ended_s = [drop.time_s for drop in drops][-BEAT_TEETH - 1 :]
    gaps_s = [later - earlier for earlier, later in itertools.pairwise([*ended_s, now_s])]
    quick = [at for at, gap_s in enumerate(gaps_s[:-1]) if gap_s < BEAT_S]
    return any(max(gaps_s[:at], default=0.0) > BEAT * gaps_s[at] for at in quick)


class Teeth:
    """Finds drops between minutes and keeps the latest of them."""

    def __init__(self) -> None:
        self.drops: deque[Drop] = deque(maxlen=16)
        self.count = 0
        self.let_off_bar = 0.0
        """Sum of all drops so far."""
        self._recent: deque[tuple[float, float]] = deque(maxlen=3)
        self._falling_since: tuple[float, float] | None = None
        self._steepest_bar = 0.0

    @property
    def seeps(self) -> bool:
        """Tell whether the fall that goes on is too even for a valve that pops: an opening that follows the air, or a hand."""
        if self._falling_since is None:
            return False
        began_s, peak_bar = self._falling_since
        time_s, bar = self._recent[-1]
        return time_s - began_s >= POPPED_S and peak_bar - bar > EVEN * self._steepest_bar

    def take(
        self, time_s: float, bar: float, noise_bar: float, step_bar: float, least_bar: float = LEAST_BAR
    ) -> bool:
        """Take one minute (three-point median); tell whether it fell suddenly, by `least_bar` at the least."""
        if self._recent and time_s - self._recent[-1][0] > 3600:
            self._recent.clear()
            self._falling_since = None
        before = max(self._recent, key=itemgetter(1), default=None)
        last_bar = self._recent[-1][1] if self._recent else bar
        self._recent.append((time_s, bar))
        if before is None:
            return False
        fall = last_bar - bar
        if self._falling_since is not None:
            began_s, peak_bar = self._falling_since
            if fall > 2 * noise_bar and time_s - began_s < FALLING_S:
                self.let_off_bar += fall
                self._steepest_bar = max(self._steepest_bar, fall)
                self.drops[-1] = Drop(time_s, peak_bar, bar)
                self._start_over(time_s, bar)
                return True
            self._falling_since = None
        fall = before[1] - bar
        if fall <= least_bar or fall <= least_seen_bar(noise_bar, step_bar, least_bar):
            return False
        self._falling_since = before
        self._steepest_bar = last_bar - bar
        self.let_off_bar += fall
        self.drops.append(Drop(time_s, before[1], bar))
        self.count += 1
        self._start_over(time_s, bar)
        return True

    def add(self, time_s: float, peak_bar: float, before_bar: float, bar: float) -> None:
        """Take a drop that showed between frames only: too small against the noise of single minutes."""
        self.let_off_bar += before_bar - bar
        if self.drops and time_s - self.drops[-1].time_s <= 1300:
            self.drops[-1] = Drop(time_s, max(self.drops[-1].peak_bar, peak_bar), bar)
            return
        self.drops.append(Drop(time_s, peak_bar, bar))
        self.count += 1

    def _start_over(self, time_s: float, bar: float) -> None:
        self._recent.clear()
        self._recent.append((time_s, bar))


class Rise:
    """The rise since the last drop, minute by minute: is it seen as one, from trough upwards?

    Teeth that are too fast for the sampling look flat between two drops; a tooth that is really one does not.
    """

    LEAST_POINTS = 8
    MOST_AVERAGED = 8
    LONG_POINTS = 30
    """So many minutes see trough and peak as they are: then the climb has to be most of the drop."""
    SETTLED = range(12, 20)
    """Minutes by which beer that exchanges gas quickly has given most of the drop back."""
    REFILLED = 0.06
    """Part of the drop that has to be climbed after that."""

    def __init__(self) -> None:
        self._first: list[float] = []
        self._settled: list[float] = []
        self._last: deque[float] = deque(maxlen=self.MOST_AVERAGED)
        self.points = 0
        self._largest_fall_bar = 0.0
        self._falls_bar: deque[float] = deque([0.0, 0.0], maxlen=2)
        """Of the last two minutes: they may be the beginning of the next drop, seen too small to be one."""

    def take(self, bar: float) -> None:
        """Take a minute without a drop in it."""
        self.points += 1
        if self._last:
            self._largest_fall_bar = max(self._largest_fall_bar, self._falls_bar[0])
            self._falls_bar.append(self._last[-1] - bar)
        self._last.append(bar)
        if len(self._first) < self.MOST_AVERAGED:
            self._first.append(bar)
        if self.points - 1 in self.SETTLED:
            self._settled.append(bar)

    def smooth(self, size_bar: float, noise_bar: float, step_bar: float) -> bool:
        """Tell whether no minute fell behind the one before it by more than noise and a swing of temperature.

        What is small beside a drop of `size_bar` is no drop that was missed; nor are two steps of a coarse converter.
        """
        steps_bar = min(2.2 * step_bar, 0.4 * size_bar)
        return self._largest_fall_bar <= max(6 * noise_bar, steps_bar, 0.004, 0.12 * size_bar)

    def resolved(self, size_bar: float, noise_bar: float, step_bar: float) -> bool:
        """Tell whether pressure has climbed over some minutes by a fair part of a drop of this size."""
        if self.points < self.LEAST_POINTS or not self.smooth(size_bar, noise_bar, step_bar):
            return False
        few = min(max(self.points // 6, 3), self.MOST_AVERAGED)
        climb = (sum(list(self._last)[-few:]) - sum(self._first[:few])) / few
        least = 0.3 if self.points < self.LONG_POINTS else 0.5
        if climb >= max(least * size_bar, 4 * noise_bar * math.sqrt(3 / few)):
            return True
        return self._climbs_on(size_bar, noise_bar, step_bar)

    def _climbs_on(self, size_bar: float, noise_bar: float, step_bar: float) -> bool:
        """Tell whether pressure goes on climbing, slow and even, where beer has given most of the drop back within minutes.

        Teeth too fast for the sampling don't, nor does a valve that passes; a jump at the end is no climb.
        """
        if self.points < self.SETTLED.stop + 2 * self.MOST_AVERAGED:
            return False
        few = self.MOST_AVERAGED
        climb = sorted(self._last)[few // 2 - 1] - sum(self._settled) / few
        return climb >= max(self.REFILLED * size_bar, 6 * noise_bar * math.sqrt(3 / few), 2 * step_bar)
