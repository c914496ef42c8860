"""What a fault is, what a trial of it gets to work with, and what it brings home."""

import random
import subprocess
import time
from collections.abc import Callable
from contextlib import AbstractContextManager, ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Self, TypeVar

T = TypeVar("T")


class Missing(Exception):
    """This machine has not what the trial needs."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cost:
    """What one trial cost. A trial in which something was broken that must hold raises `AssertionError` instead."""

    caused: int = 1
    """How often the fault was caused."""
    lost: int = 0
    """Readings that were sent and are not in the database."""
    of: int = 0
    """Readings sent."""
    alarms: int = 0
    """Alarms that had to be told, each of which was."""
    back_s: float = 0.0
    """Longest time from the end of the fault to work as before."""
    remark: str = ""

    def __add__(self, other: "Cost") -> "Cost":
        return Cost(
            caused=self.caused + other.caused,
            lost=self.lost + other.lost,
            of=self.of + other.of,
            alarms=self.alarms + other.alarms,
            back_s=max(self.back_s, other.back_s),
            remark=other.remark or self.remark,
        )


@dataclass
class Bench(AbstractContextManager["Bench"]):
    """One trial's place: a folder, a source of chance, and what has to be ended afterwards."""

    folder: Path
    chance: random.Random
    long: bool
    _open: ExitStack = field(default_factory=ExitStack)

    def times(self, short: int, long: int) -> int:
        """Return how often to do something in this form."""
        return long if self.long else short

    def aside(self, name: str) -> "Bench":
        """Return a place of its own for a second installation, which ends with the trial as well."""
        return self.use(Bench(self.folder / name, self.chance, self.long))

    def use(self, thing: AbstractContextManager[T]) -> T:
        """Enter a context that ends with the trial."""
        return self._open.enter_context(thing)

    def at_end(self, action: Callable[[], object]) -> None:
        """Have something done when the trial ends, whatever comes of it."""
        self._open.callback(action)

    def __enter__(self) -> Self:
        self.folder.mkdir(parents=True)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._open.close()


Trial = Callable[[Bench], Cost]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One row of the table."""

    group: str
    name: str
    trial: Trial
    long: int = 5
    """Trials in the long form; the short one makes one."""
    instead: str = ""
    """Name of the fault in the same group that shows the same where this one can't be caused."""

    @property
    def key(self) -> str:
        """A name without blanks, to choose it by."""
        return f"{self.group} {self.name}".replace(",", "").replace(" ", "-").lower()


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """What came of all trials of one fault."""

    fault: Fault
    trials: int
    survived: int
    cost: Cost
    took_s: float
    failures: tuple[str, ...]
    missing: str = ""
    """Why it could not be tried on this machine."""


def run(fault: Fault, folder: Path, *, seed: int, long: bool) -> Row:
    """Cause a fault as often as the form asks for."""
    trials = fault.long if long else 1
    cost, failures, missing = Cost(caused=0), [], ""
    began_s = time.monotonic()
    for number in range(trials):
        chance = random.Random(f"{seed} {fault.key} {number}")
        try:
            with Bench(folder / str(number), chance, long) as bench:
                cost += fault.trial(bench)
        except Missing as error:
            trials, missing = 0, str(error)
            break
        except (AssertionError, RuntimeError, OSError, subprocess.SubprocessError) as error:
            failures.append(f"{fault.key}, trial {number}, seed {seed}: {type(error).__name__}: {error}")
    return Row(
        fault=fault,
        trials=trials,
        survived=trials - len(failures),
        cost=cost,
        took_s=time.monotonic() - began_s,
        failures=tuple(failures),
        missing=missing,
    )
