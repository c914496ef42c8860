"""The table of detectors, one line each, and the composition of their settings."""

import dataclasses
import difflib
from collections.abc import Mapping
from typing import Any, get_type_hints

from ullage.detectors.activity import Activity
from ullage.detectors.chilled import Chilled
from ullage.detectors.detector import Detector
from ullage.detectors.ending import Ending
from ullage.detectors.frozen import Frozen
from ullage.detectors.gate import Implausible
from ullage.detectors.held import Held
from ullage.detectors.leak import Leak
from ullage.detectors.over_pressure import OverPressure
from ullage.detectors.pressure_low import PressureLow
from ullage.detectors.pressure_rising import PressureRising
from ullage.detectors.silent import Silent
from ullage.detectors.temperature import Temperature
from ullage.detectors.unmoved import Unmoved
from ullage.detectors.waits import Waits
from ullage.detectors.warmed import Warmed

REGISTERED: tuple[type[Detector], ...] = (
    OverPressure,
    PressureRising,
    Implausible,
    Silent,
    Frozen,
    Temperature,
    Activity,
    Held,
    Ending,
    Unmoved,
    Leak,
    PressureLow,
    Chilled,
    Warmed,
    Waits,
)
"""Over-pressure first: nothing comes before it. The order of the others matters only among those that write a
conclusion into the record (activity before ending, ending before what asks for the end)."""


def compose(overrides: Mapping[str, Mapping[str, object]]) -> Mapping[str, object]:
    """Return settings of every detector, defaults replaced by `overrides` (detector name, key, value).

    Raises
    ------
    ValueError
        If a detector or a key is unknown or a value is of the wrong type; names the nearest known one.
    """
    known = {kind.name: kind for kind in REGISTERED}
    for name in overrides:
        if name not in known:
            raise ValueError(f"there is no detector {name!r}{_nearest(name, known)}")
    return {name: _settings(name, kind.Settings, overrides.get(name, {})) for name, kind in known.items()}


def build(vessel: Any, settings: Mapping[str, object]) -> tuple[Detector, ...]:
    """Return one detector of each kind for a vessel; `settings` as composed."""
    return tuple(kind(vessel, settings[kind.name]) for kind in REGISTERED)  # type: ignore[call-arg]


def _settings(name: str, kind: type[Any], values: Mapping[str, object]) -> object:
    fields = {field.name: field for field in dataclasses.fields(kind)}
    hints = get_type_hints(kind)
    for key, value in values.items():
        if key not in fields:
            raise ValueError(f"detector {name!r} has no setting {key!r}{_nearest(key, fields)}")
        wanted = hints[key]
        number = isinstance(value, (int, float)) and not isinstance(value, bool)
        if (wanted is float and not number) or (wanted is int and not (number and isinstance(value, int))):
            raise ValueError(
                f"{name}.{key} must be a {'whole ' if wanted is int else ''}number, not {value!r}"
            )
    return kind(**values)


def _nearest(word: str, known: Mapping[str, object]) -> str:
    close = difflib.get_close_matches(word, list(known), 1)
    return f"; did you mean {close[0]!r}?" if close else f"; known are {', '.join(known)}"
