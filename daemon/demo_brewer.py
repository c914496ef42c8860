"""The simulated brewer of the demo: reads the messages and does what they ask, an hour or so later."""

from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from ullage.daemon.events import Event, EventKind
from ullage.detectors.ending_told import STAY_SHUT
from ullage.detectors.finding import Condition

WALK_S = 3600.0
"""Simulated time until somebody has walked to the vessel."""
HURRY_S = 600.0
"""The same for an alarm."""
CHILL_C = 2

Act = Callable[[str, str, bool], None]
"""Vessel, entry, and whether it leaves no entry in the journal."""


@dataclass(frozen=True, slots=True)
class _Errand:
    due_s: float
    vessel: str
    entry: str
    quiet: bool = False


class Brewer:
    """Winds a valve shut when asked to test, opens it when told to go on, chills when everything has finished and rested.

    Parameters
    ----------
    vessels
        The vessels that share the fridge: it is chilled when the last of them has finished.
    act
        Does something to the simulation.
    say
        Told what the brewer does, in a sentence.
    rest_h
        How long the last to finish is left warm before the chill.
    """

    def __init__(
        self, vessels: Sequence[str], act: Act, say: Callable[[str, str], None], rest_h: float = 0.0
    ) -> None:
        self._rest_s = rest_h * 3600
        self._act = act
        self._say = say
        self._errands: deque[_Errand] = deque()
        self._finished: dict[str, bool] = dict.fromkeys(vessels, False)
        self._shut: set[str] = set()
        self.chilled = False

    def hear(self, event: Event, now_s: float) -> None:
        """Read one message."""
        vessel, condition = event.alarm.vessel, event.alarm.condition
        if event.kind is EventKind.CLEARED or vessel not in self._finished:
            return
        if condition == Condition.FINISH_SUSPECTED and vessel not in self._shut:
            self._shut.add(vessel)
            self._errands.append(_Errand(now_s + WALK_S, vessel, "valve shut"))
        elif condition == Condition.STILL_FERMENTING and STAY_SHUT not in event.text:
            self._finished[vessel] = False
            self._open(vessel, now_s + WALK_S)
        elif condition in (Condition.OVER_PRESSURE, Condition.PRESSURE_RISING):
            self._open(vessel, now_s + HURRY_S)
        elif condition == Condition.FINISHED:
            self._finished[vessel] = True
            self._chill_when_all_finished(now_s + WALK_S + self._rest_s)
        elif condition == Condition.FINING_DUE:
            self._errands.append(_Errand(now_s + WALK_S, vessel, "fined 15"))
        elif condition == Condition.READY:
            self._errands.append(_Errand(now_s + WALK_S, vessel, "tapped"))

    def mind(self, now_s: float) -> None:
        """Do what is due."""
        for errand in [errand for errand in self._errands if errand.due_s <= now_s]:
            self._errands.remove(errand)
            self._act(errand.vessel, errand.entry, errand.quiet)
            if not errand.quiet:
                self._say(errand.vessel, errand.entry)

    def _open(self, vessel: str, due_s: float) -> None:
        if vessel in self._shut:
            self._shut.discard(vessel)
            self._errands.append(_Errand(due_s, vessel, "valve opened"))

    def _chill_when_all_finished(self, due_s: float) -> None:
        if self.chilled or not all(self._finished.values()):
            return
        self.chilled = True
        for vessel in self._finished:
            self._errands.append(_Errand(due_s, vessel, "belt off", quiet=True))
            self._errands.append(_Errand(due_s, vessel, f"chill {CHILL_C}"))
