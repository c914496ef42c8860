"""A plan of temperatures in one line, as a brewer would say it.

Examples
--------
>>> plan = parse_plan("16 for 3 days, 20, rest 22 for 2 days, chill 1")
>>> [(step.temperature_c, step.hours) for step in plan.steps]
[(16.0, 72.0), (20.0, None)]
>>> plan.rest, plan.chill_c
(PlanStep(temperature_c=22.0, hours=48.0), 1.0)
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

_STEP = re.compile(
    r"(?:(rest|chill)\s+)?(-?\d+(?:\.\d+)?)\s*(?:°?\s*C)?(?:\s+for\s+(\d+(?:\.\d+)?)\s*(h|hours?|days?))?",
    re.IGNORECASE,
)
_EXAMPLE = "write it like `16 for 3 days, 20, rest 22 for 2 days, chill 1`"
_REST_H = 48.0
"""A rest whose length nobody states (common practice: two days)."""


@dataclass(frozen=True, slots=True)
class PlanStep:
    """One temperature, and for how long; None for as long as fermentation lasts."""

    temperature_c: float
    hours: float | None


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

    def changes(self, pitched_s: float) -> Iterator[tuple[float, PlanStep]]:
        """Yield each step but the first with the moment at which it is due."""
        at_s = pitched_s
        for before, step in zip(self.steps, self.steps[1:], strict=False):
            at_s += (before.hours or 0.0) * 3600
            yield at_s, step


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
        elif word == "rest":
            rest = PlanStep(celsius, _REST_H if hours is None else hours)
        elif steps and steps[-1].hours is None:
            raise ValueError(f'plan: the step before "{part}" needs its length, as in 16 for 3 days')
        else:
            steps.append(PlanStep(celsius, hours))
    return Plan(steps=tuple(steps), rest=rest, chill_c=chill_c)
