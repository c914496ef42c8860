"""The stages of a batch, from pitching to the tap, and the history of one batch's stages."""

from dataclasses import dataclass, replace
from enum import StrEnum


class Stage(StrEnum):
    """Where a batch stands, in the order in which a batch goes through."""

    PITCHED = "pitched"
    LAG = "lag"
    ACTIVE = "active"
    HELD = "held at pressure"
    SLOWING = "slowing"
    FINISHED = "finished"
    WARM_REST = "warm rest"
    CHILLING = "chilling"
    COLD = "cold"
    FIRST_FINING = "first fining"
    SECOND_FINING = "second fining"
    CONDITIONED = "conditioned"
    ON_TAP = "on tap"

    @property
    def place(self) -> int:
        """Place in the order, from 0."""
        return _PLACES[self]


ORDER = tuple(Stage)
_PLACES = {stage: place for place, stage in enumerate(ORDER)}
MOST_CHANGES = 200
"""Kept at most, the first and the newest: a button that is stuck fills no memory."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StageChange:
    """One change of stage: to what, when and why. One that was undone stays, with the time at which it was."""

    stage: Stage
    since_s: float
    why: str
    by_brewer: bool = False
    undone_s: float | None = None


@dataclass(frozen=True, slots=True)
class NextStep:
    """What there is to do next, and when; no time where nobody can know it yet."""

    text: str
    due_s: float | None = None
    remind_s: float | None = None
    """From when on to remind the brewer, each day anew; None where there is nothing to do but wait."""
    quiet_until_s: float | None = None
    """Until when nobody wants to be reminded."""


def current(changes: tuple[StageChange, ...]) -> StageChange | None:
    """Return the change that holds: the last that was not undone."""
    for change in reversed(changes):
        if change.undone_s is None:
            return change
    return None


def before_current(changes: tuple[StageChange, ...]) -> StageChange | None:
    """Return the change that holds once the current one is undone; None if there is none."""
    standing = [change for change in changes if change.undone_s is None]
    return standing[-2] if len(standing) > 1 else None


def last_before(changes: tuple[StageChange, ...], stage: Stage, otherwise: Stage) -> Stage:
    """Return the last stage that stands in the history and comes before another in the order."""
    standing = [change.stage for change in changes if change.undone_s is None]
    return next((found for found in reversed(standing) if found.place < stage.place), otherwise)


def appended(changes: tuple[StageChange, ...], change: StageChange) -> tuple[StageChange, ...]:
    """Return the history with one more change."""
    return (*changes[:1], *changes[1:][2 - MOST_CHANGES :], change)


def without_current(changes: tuple[StageChange, ...], time_s: float) -> tuple[StageChange, ...]:
    """Return the history with the change that holds marked as undone at a time."""
    last = max(index for index, change in enumerate(changes) if change.undone_s is None)
    undone = replace(changes[last], undone_s=max(time_s, changes[last].since_s))
    return (*changes[:last], undone, *changes[last + 1 :])
