"""A plan of temperatures in one line, as a brewer would say it.

Examples
--------
>>> plan = parse_plan("16 for 3 days, 20, rest 22 for 2 days, chill 1")
>>> [(step.temperature_c, step.hours) for step in plan.steps]
[(16.0, 72.0), (20.0, None)]
>>> plan.rest, plan.chill_c
(PlanStep(temperature_c=22.0, hours=48.0), 1.0)
"""

import itertools
import math
import re
from dataclasses import dataclass
from functools import lru_cache

_STEP = re.compile(
    r"(?:(rest|chill)\s+)?(-?\d+(?:\.\d+)?)\s*(?:°?\s*C)?(?:\s+for\s+(\d+(?:\.\d+)?)\s*(h|hours?|days?))?",
    re.IGNORECASE,
)
_EXAMPLE = "write it like `16 for 3 days, 20, rest 22 for 2 days, chill 1`"
_REST_H = 48.0
"""A rest whose length nobody states (common practice: two days)."""
EARLY_S = 12 * 3600.0
"""A brewer who sets the next step half a day before it is due is not off the plan."""
MADE_K = 1.0
"""A beer so near the temperature of a step has come to it."""
MOVE_S = 24 * 3600.0
"""So long a vessel may be on its way from one step to the next: beer follows its fridge in 4 to 12 h (common practice),
and nobody gets up at night to turn a knob."""


@dataclass(frozen=True, slots=True)
class PlanStep:
    """One temperature, and for how long; None for as long as fermentation lasts."""

    temperature_c: float
    hours: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What the plan wants at a moment: one temperature, or all between two while the beer moves to the next step."""

    celsius: float
    """Of the step that is due."""
    low_c: float
    high_c: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """A move of the plan from one step to the next."""

    due_s: float
    from_c: float
    to_c: float

    def made(self, beer_c: float) -> bool:
        """Tell whether the beer is there, within a kelvin, or past it by its own warmth or by a later step."""
        return beer_c >= self.to_c - MADE_K if self.to_c > self.from_c else beer_c <= self.to_c + MADE_K


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """Temperatures while the yeast works, the rest after it, and the chill."""

    steps: tuple[PlanStep, ...] = ()
    rest: PlanStep | None = None
    chill_c: float | None = None

    def last_c(self, otherwise_c: float) -> float:
        """Return the temperature at which the beer is before the chill; `otherwise_c` if the plan does not say."""
        if self.rest is not None:
            return self.rest.temperature_c
        return self.steps[-1].temperature_c if self.steps else otherwise_c

    def wanted(self, pitched_s: float, now_s: float) -> Wanted | None:
        """Return what the steps want now; None if there are none."""
        if not self.steps:
            return None
        due_s = [-math.inf, *(move.due_s for move in self.moves(pitched_s))]
        over_s = [*due_s[1:], math.inf]
        now = max(index for index, moment_s in enumerate(due_s) if moment_s <= now_s)
        allowed = [
            step.temperature_c
            for step, from_s, to_s in zip(self.steps, due_s, over_s, strict=True)
            if from_s - EARLY_S <= now_s < to_s + MOVE_S
        ]
        return Wanted(celsius=self.steps[now].temperature_c, low_c=min(allowed), high_c=max(allowed))

    def moves(self, pitched_s: float) -> list[Move]:
        """Return the moves from step to step with the moments at which they are due."""
        moves, at_s = [], pitched_s
        for before, step in itertools.pairwise(self.steps):
            at_s += (before.hours or 0.0) * 3600
            moves.append(Move(due_s=at_s, from_c=before.temperature_c, to_c=step.temperature_c))
        return moves


@lru_cache(maxsize=64)
def parse_plan(text: str) -> Plan:
    """Return the plan that `text` says; an empty one for an empty text.

    Raises
    ------
    ValueError
        If a part can't be read, stands in the wrong place, or is no temperature of beer.
    """
    steps: list[PlanStep] = []
    rest: PlanStep | None = None
    chill_c: float | None = None
    for part in (part.strip() for part in text.split(",") if part.strip()):
        match = _STEP.fullmatch(part)
        if match is None:
            raise ValueError(f'plan: "{part}" can\'t be read; {_EXAMPLE}')
        word, celsius = (match[1] or "").lower(), float(match[2])
        hours = (
            None if match[3] is None else float(match[3]) * (1 if match[4].lower().startswith("h") else 24)
        )
        if not -2 <= celsius <= 40:
            raise ValueError(f'plan: "{part}" must lie between -2 and 40 °C')
        if chill_c is not None or (rest is not None and word != "chill"):
            raise ValueError(
                f'plan: "{part}" stands behind {"the chill" if chill_c is not None else "the rest"}'
            )
        if word == "chill":
            chill_c = celsius
            before = rest or (steps[-1] if steps else None)
            if before is not None and chill_c >= before.temperature_c:
                raise ValueError(f'plan: "{part}" must lie below the {before.temperature_c:g} °C before it')
        elif word == "rest":
            rest = PlanStep(celsius, _REST_H if hours is None else hours)
        elif steps and steps[-1].hours is None:
            raise ValueError(f'plan: the step before "{part}" needs its length, as in 16 for 3 days')
        else:
            steps.append(PlanStep(celsius, hours))
    return Plan(steps=tuple(steps), rest=rest, chill_c=chill_c)
