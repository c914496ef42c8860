"""Configuration from the environment: `ULLAGE_STORE__KEEP_DAYS=30` stands for `store: {keep_days: 30}`.

Two underscores go one level down. A list's items are named by their index or, where items carry a `name`, by that:
`ULLAGE_VESSELS__NORTH__VALVE_PRESSURE_BAR=1.2`. Capitals don't count, and `_` stands for `-` too. A value that starts
with `[` or `{` may be JSON. The environment wins over the file; an empty value counts as not set.
"""

import json
import math
from collections.abc import Mapping
from copy import deepcopy
from dataclasses import replace

from ullage.adapters.errors import ConfigError
from ullage.daemon.config_text import DEEPEST, ConfigText, Location, plain_scalar

PREFIX = "ULLAGE_"
NOT_KEYS = frozenset({"ULLAGE_CONFIG", "ULLAGE_LOG"})
"""Variables with our prefix that are no config keys: where the file is, and how much to log."""
_SHOWN = 100
"""How much of a variable's name a sentence shows."""


def overlay(text: ConfigText, environ: Mapping[str, str]) -> ConfigText:
    """Return the configuration with the environment's values laid over the file's.

    Raises
    ------
    ConfigError
        If a variable leads to an item of a list that isn't there, or below a single value.
    """
    tree: dict[str, object] = deepcopy(text.tree)
    variables: dict[Location, str] = {}
    for variable in sorted(environ):
        if not variable.startswith(PREFIX) or variable in NOT_KEYS or not environ[variable].strip():
            continue
        steps = variable[len(PREFIX) :].split("__")
        shown = variable[:_SHOWN]
        if not all(steps):
            raise ConfigError(
                shown, "has an empty part in its name", "write two underscores between two keys"
            )
        if len(steps) > DEEPEST:
            raise ConfigError(shown, f"leads deeper than {DEEPEST} levels")
        location = _put(tree, steps, _read(environ[variable], shown), shown)
        variables[location] = shown
    lines = {
        location: line
        for location, line in text.lines.items()
        if not any(location[: len(given)] == given for given in variables)
    }
    return replace(text, tree=tree, lines=lines, variables=variables)


def _put(tree: dict[str, object], steps: list[str], value: object, variable: str) -> Location:
    """Set the value that `steps` lead to and return its location."""
    here: object = tree
    location: Location = ()
    if "detectors" in (steps[0].lower(), *(step.lower() for step in steps[2:3])) and isinstance(value, str):
        value = plain_scalar(
            value
        )  # a detector's keys are judged without a type that would read text as numbers
    for position, step in enumerate(steps):
        last = position == len(steps) - 1
        if isinstance(here, dict):
            key: str | int = _key(here, step)
            if last:
                here[key] = value
            elif here.get(key) is None:
                here[key] = [] if steps[position + 1].isdigit() else {}
            here = here[key]
        elif isinstance(here, list):
            key = _index(here, step, variable)
            if key == len(here):
                here.append({})
            if last:
                here[key] = value
            here = here[key]
        else:
            above = "__".join(steps[:position])
            held = step.lower()[:_SHOWN]
            raise ConfigError(variable, f"{PREFIX}{above[:_SHOWN]} is a single value and holds no {held}")
        location = (*location, key)
    return location


def _fold(word: str) -> str:
    return word.lower().replace("-", "_").replace(" ", "_")


def _key(mapping: Mapping[str, object], step: str) -> str:
    """Return the key of the mapping that the variable means, or the step in small letters for a new one."""
    for key in mapping:
        if _fold(key) == _fold(step):
            return key
    return step.lower()


def _index(items: list[object], step: str, variable: str) -> int:
    for index, item in enumerate(items):
        if isinstance(item, dict) and _fold(str(item.get("name", ""))) == _fold(step):
            return index
    if step.isascii() and step.isdigit() and len(step) <= 6 and int(step) <= len(items):
        return int(step)
    raise ConfigError(
        variable,
        f"there is no item {step.lower()[:_SHOWN]!r} among {len(items)}",
        "name it by its index from 0 or by its `name`",
    )


def _read(value: str, variable: str) -> object:
    """Return the value: JSON for a list or mapping, else the text, which the settings turn into numbers."""
    if value.lstrip()[:1] not in ("[", "{"):
        return value
    try:
        read: object = json.loads(value, parse_float=_finite, parse_constant=str)
    except ValueError:
        return value
    except RecursionError:
        read = None
    if read is None or _depth(read) > DEEPEST:
        raise ConfigError(variable, f"is nested deeper than {DEEPEST} levels")
    return read


def _finite(digits: str) -> object:
    """Return the number; the text where it is too large for one, so that the settings refuse it."""
    number = float(digits)
    return number if math.isfinite(number) else digits


def _depth(node: object) -> int:
    """Return how many lists and mappings stand in one another; counted in a loop, since there may be thousands."""
    depth, level = 0, [node]
    while level := [child for node in level for child in _children(node)]:
        depth += 1
    return depth


def _children(node: object) -> list[object]:
    if isinstance(node, dict):
        return list(node.values())
    return node if isinstance(node, list) else []
