"""A source that needs no sensor: an invented ale and lager in one fridge, at a multiple of real time."""

import math
import threading
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

from ullage.adapters.channel import Channel
from ullage.adapters.clock import Clock
from ullage.adapters.pacing import Pacer
from ullage.adapters.reading import Delivery, Reading
from ullage.adapters.simulation.batches import demo_cellar
from ullage.adapters.simulation.cellar import Cellar, CellarPlan
from ullage.adapters.simulation.vessel import VesselState
from ullage.adapters.source import Source

TICK_S = 0.05
"""Real seconds between deliveries."""
MOST_INTERVALS = 60
"""In one delivery, so that what the brewer does takes effect soon."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedSettings:
    """What a source of kind `simulated` is told."""

    __pydantic_config__ = {"extra": "forbid"}  # noqa: RUF012 - read by the daemon's validation, never written

    ale: str = "heron"
    lager: str = "otter"
    """Names of the two vessels."""
    speed: float = 1.0
    """Simulated seconds for each real one; 0 runs as fast as it goes."""
    days: float = 16.0
    """How long it runs, in simulated days."""
    interval_s: float = 60.0
    """Simulated time between readings."""
    start_s: float | None = None
    """Unix seconds at which simulated time begins; left out: now."""
    seed: int = 1
    """The same seed gives the same noise."""
    shut_tests: bool = True
    """The brewer winds the valves shut by the calendar; false leaves that to whoever calls `act`."""

    def __post_init__(self) -> None:
        if not 0 <= self.speed < math.inf:
            raise ValueError(f"speed {self.speed} must be 0 (as fast as it goes) or above")
        if not 0 < self.days <= 365:
            raise ValueError(f"days {self.days} must be above 0 and at most 365")
        if not 1 <= self.interval_s <= 600:
            raise ValueError(f"interval_s {self.interval_s} must lie between 1 and 600")
        if not self.ale or not self.lager or self.ale == self.lager:
            raise ValueError("ale and lager must be two different names")

    def plan(self, now_s: float) -> CellarPlan:
        """Return the plan of the simulation."""
        return demo_cellar(
            self.ale,
            self.lager,
            tests=self.shut_tests,
            start_s=now_s if self.start_s is None else self.start_s,
            interval_s=self.interval_s,
            seed=self.seed,
        )


class SimulatedSource(Source):
    """Runs a cellar and hands over what its instruments say, stamped with simulated time.

    Parameters
    ----------
    name
        The key under `sources:`.
    settings
        Names, speed, length.
    channels
        Which vessels and quantities are wanted; the vessels that none names are handed over as well.
    clock
        Sets the pace.
    plan
        Another cellar than the one of the settings.
    """

    kind = "simulated"

    def __init__(
        self,
        name: str,
        settings: SimulatedSettings,
        channels: Sequence[Channel],
        clock: Clock,
        plan: CellarPlan | None = None,
    ) -> None:
        super().__init__(name)
        self._settings = settings
        self._clock = clock
        self._cellar = Cellar(plan if plan is not None else settings.plan(clock.wall_s()))
        self._lock = threading.Lock()
        self._acts: deque[tuple[str, str, bool]] = deque()
        self._finished = threading.Event()
        del channels  # a simulated vessel hands over all that its instruments say

    @property
    def vessels(self) -> Sequence[str]:
        """Names of the simulated vessels."""
        return self._cellar.vessels

    def act(self, vessel: str, entry: str, *, quiet: bool = False) -> None:
        """Do what the brewer would do now, in simulated time; safe from any thread.

        Parameters
        ----------
        vessel
            Which vessel.
        entry
            Words of the journal such as `valve shut`; see `Cellar`.
        quiet
            Leave no entry in the journal.

        Raises
        ------
        DataError
            If there is no such vessel or a number is missing.
        """
        self._cellar.check(vessel, entry)
        with self._lock:
            self._acts.append((vessel, entry, quiet))

    def day(self) -> float:
        """Return simulated days since the beginning."""
        return self._cellar.elapsed_h / 24.0

    def truth(self, vessel: str) -> VesselState:
        """Return what no instrument shows: the true state of a vessel."""
        return self._cellar.state(vessel)

    def finished(self) -> bool:
        """Tell whether the simulation has come to its end and everything has been handed over."""
        return self._finished.is_set()

    def wait_finished(self, timeout_s: float | None = None) -> bool:
        """Wait for the end; return whether it came."""
        return self._finished.wait(timeout_s)

    def _run(self) -> None:
        cellar = self._cellar
        end_s = cellar.plan.start_s + self._settings.days * 86_400
        pacer = Pacer(self._clock, self._settings.speed, cellar.now_s)
        self._connected = True
        self._detail = f"simulates {', '.join(cellar.vessels)} at {self._settings.speed:g} times real time"
        while cellar.now_s < end_s and not self._stopping.is_set():
            until_s = min(pacer.due_s(cellar.now_s), end_s)
            readings = self._advance(until_s)
            if readings:
                self._hand_over(Delivery(self.name, readings))
            pause_s = pacer.pause_s(cellar.now_s + cellar.plan.interval_s)
            if pause_s > 0:
                self._stopping.wait(max(pause_s, TICK_S))
        if not self._stopping.is_set():
            self._detail = "the simulated time is over"
            self._finished.set()
            self._stopping.wait()

    def _advance(self, until_s: float) -> tuple[Reading, ...]:
        """Go on as far as is due, what the brewer does first."""
        readings: list[Reading] = []
        for _ in range(MOST_INTERVALS):
            if self._cellar.now_s + self._cellar.plan.interval_s > until_s + 1e-6:
                break
            while acts := self._taken():
                for vessel, entry, quiet in acts:
                    readings.extend(self._cellar.act(vessel, entry, quiet=quiet))
            readings.extend(self._cellar.advance())
        return tuple(readings)

    def _taken(self) -> tuple[tuple[str, str, bool], ...]:
        with self._lock:
            acts = tuple(self._acts)
            self._acts.clear()
        return acts
