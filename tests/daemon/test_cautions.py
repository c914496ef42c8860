"""What is wrong with a valve, by journal and notices: the last word counts."""

from collections.abc import Sequence

import pytest

from ullage.daemon.alarm_states import AlarmKey
from ullage.daemon.cautions import valve_cautions
from ullage.daemon.events import Event, EventKind
from ullage.daemon.store.journal import JournalEntry
from ullage.detectors.finding import Condition, Priority
from ullage.detectors.vessel import Vessel

NORTH = Vessel(
    name="north", total_volume_l=23, beer_volume_l=19, rated_pressure_bar=2.5, valve_pressure_bar=1.5
)


def said(*texts: str, held: Sequence[tuple[float, float]] = ()) -> tuple[str, ...]:
    """Return the cautions after entries of one minute each; `held` are minutes and bar, oldest first."""
    entries = [
        JournalEntry(id=number, time_s=60.0 * number, text=text, made_s=0.0)
        for number, text in enumerate(texts, 1)
    ]
    events = [
        Event(token="ABCDEF", kind=EventKind.NOTED, alarm=AlarmKey("north", Condition.HELD.value),
              priority=Priority.LOW, time_s=60 * minute, made_s=0.0, text="", value=bar)
        for minute, bar in reversed(held)
    ]  # fmt: skip
    return valve_cautions(NORTH, entries, events)


@pytest.mark.parametrize(
    "texts",
    [
        (),
        ("pitched", "valve set 2.4"),
        ("valve set 2.8", "valve set 1.5"),
        ("valve set 2.8", "valve shut"),
        ("valve set", "it holds 2.8 bar, I think"),
    ],
)
def test_a_valve_within_the_plate_is_left_alone(texts: tuple[str, ...]) -> None:
    """Set lower since, wound shut, or never said to be above."""
    assert said(*texts) == ()


@pytest.mark.parametrize("texts", [("valve set 2.5",), ("valve set 2.8", "valve shut", "valve opened")])
def test_a_setting_at_the_plate_or_above(texts: tuple[str, ...]) -> None:
    """A valve that is opened again stands where it was set."""
    (caution,) = said(*texts)
    assert "and the vessel's plate allows 2.50 bar: turn it out now" in caution


def test_a_level_above_the_plate() -> None:
    """What the valve holds counts though nobody has set it so, until somebody has turned it."""
    (caution,) = said("pitched", held=[(2, 1.5), (3, 2.6)])
    assert caution.startswith("The valve holds 2.60 bar")
    assert said("pitched", "pitched", "pitched", "valve set 1.5", held=[(2, 2.6)]) == ()
    assert said("pitched", held=[(2, 2.6), (3, 1.6)]) == ()
