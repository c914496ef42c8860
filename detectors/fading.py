"""How production dies away behind a cycling valve: as yeast goes to rest, or faster than that.

What ends faster is something else: a leak, teeth that are no longer seen, or beer that only gives off what it holds.
"""

from ullage.detectors.drop_worth import exchange_h
from ullage.detectors.late_halves import LateHalves
from ullage.detectors.let_off import LetOff
from ullage.detectors.record import Record

GIVEN_OFF = 2.5
"""A tail of so many times the exchange between beer and gas may be nothing but what the beer gives off."""


def fades(record: Record, let_off: LetOff, share_of_age: float = 1 / 8) -> bool:
    """Tell whether the rates are seen to have died away as slowly as a fermentation of this age does."""
    tail_h = _tail_h(record, let_off)
    return (
        tail_h is not None
        and tail_h >= share_of_age * record.age_h
        and not let_off.stopped_short(record, record.age_h / 10)
    )


def given_off(record: Record, let_off: LetOff) -> bool:
    """Tell whether what comes fades as fast as beer gives off what it holds: then nothing need be made any more."""
    tail_h = _tail_h(record, let_off)
    return tail_h is not None and tail_h <= GIVEN_OFF * exchange_h(record)


def abrupt(record: Record, let_off: LetOff, late_halves: LateHalves) -> bool:
    """Tell whether production ended faster than yeast does, and too short ago to see what hides it.

    A leak as large as production holds the pressure still too, until production has faded further; and teeth too
    fast for the sampling look like none. Half a day alone, or a day where no slow teeth were seen before, tells.
    """
    tooth_h = (record.now_s - record.valve.gas_left_s) / 3600
    return not fades(record, let_off) and tooth_h < (
        12.0 if late_halves.slow_teeth(record.now_s) >= 2 else 24.0
    )


def _tail_h(record: Record, let_off: LetOff) -> float | None:
    last = let_off.last(record)
    return record.rates.tail_h(last) if last is not None else None
