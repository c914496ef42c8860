"""The table of detectors: one line each, and the composition of their settings."""

from collections.abc import Mapping


def compose(overrides: Mapping[str, Mapping[str, object]]) -> Mapping[str, object]:
    """Return settings of every detector, defaults replaced by `overrides` (detector name, key, value).

    Raises
    ------
    ValueError
        If a detector or a key is unknown or a value is of the wrong type; names the nearest known one.
    """
    return dict(overrides)
