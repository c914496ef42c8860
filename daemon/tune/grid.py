"""The settings to try: every combination of the values given for each key."""

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import yaml

from ullage.adapters.errors import ConfigError
from ullage.detectors.registry import compose

MOST = 20_000
"""More combinations than this are a slip of the pen."""

Value = int | float | bool | str


@dataclass(frozen=True, slots=True)
class Key:
    """A detector's setting."""

    detector: str
    name: str

    def __str__(self) -> str:
        return f"{self.detector}.{self.name}"


@dataclass(frozen=True, slots=True)
class Variant:
    """One combination of values; an empty one is the configuration as it stands."""

    values: tuple[tuple[Key, Value], ...] = ()

    def __str__(self) -> str:
        return ", ".join(f"{key}={said(value)}" for key, value in self.values) or "as configured"

    def applied(self, settings: Mapping[str, object]) -> Mapping[str, object]:
        """Return a vessel's composed settings with these values in place."""
        changed: dict[str, Any] = dict(settings)
        for key, value in self.values:
            changed[key.detector] = replace(changed[key.detector], **{key.name: value})
        return changed


def grid(given: Sequence[str]) -> tuple[Variant, ...]:
    """Return every combination of `detector.key=a,b,c`, the last key varying fastest.

    Raises
    ------
    ConfigError
        If a detector, key or value is unknown or of the wrong kind, a key is given twice, or there are too many.
    """
    axes: list[tuple[Key, list[Value]]] = []
    for text in given:
        key, values = _axis(text)
        if any(key == other for other, _ in axes):
            raise ConfigError("--set", f"{key} is given twice", "put all its values into one --set")
        axes.append((key, values))
    count = 1
    for _, values in axes:
        count *= len(values)
    if count > MOST:
        raise ConfigError("--set", f"that makes {count:,} combinations, at most {MOST:,} are tried")
    keys = [key for key, _ in axes]
    return tuple(
        Variant(tuple(zip(keys, values, strict=True)))
        for values in itertools.product(*(values for _, values in axes))
    )


def nearest_first(variants: Sequence[Variant], settings: Mapping[str, object]) -> tuple[Variant, ...]:
    """Return the variants, those that change least of a vessel's settings first: among equals they are preferred."""

    def changes(variant: Variant) -> int:
        return sum(getattr(settings[key.detector], key.name) != value for key, value in variant.values)

    return tuple(sorted(variants, key=changes))


def fragment(variant: Variant) -> str:
    """Return the values as a block of the configuration."""
    tree: dict[str, dict[str, Value]] = {}
    for key, value in variant.values:
        tree.setdefault(key.detector, {})[key.name] = value
    return yaml.safe_dump({"detectors": tree}, sort_keys=False)


def said(value: Value) -> str:
    """Write a value as it was given."""
    return f"{value:g}" if isinstance(value, float) else str(value)


def _axis(text: str) -> tuple[Key, list[Value]]:
    name, equals, values = text.partition("=")
    detector, dot, key = name.strip().partition(".")
    if not equals or not dot or not values.strip():
        raise ConfigError(
            "--set", f"{text!r} is not detector.key=a,b,c", "as in --set ending.confirm_h=1,2,4"
        )
    found = [_value(part) for part in values.split(",")]
    if len(set(found)) != len(found):
        raise ConfigError("--set", f"{name} has a value twice", "give each once")
    for value in found:
        try:
            compose({detector: {key: value}})
        except (TypeError, ValueError) as error:
            raise ConfigError("--set", str(error)) from None
    return Key(detector, key), found


def _value(text: str) -> Value:
    try:
        value = yaml.safe_load(text)
    except yaml.YAMLError:
        value = None
    if not isinstance(value, (int, float, str)):
        raise ConfigError("--set", f"{text!r} is no value", "give numbers, as in 1,2,4")
    return value
