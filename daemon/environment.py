"""Configuration from the environment: `ULLAGE_STORE__KEEP_DAYS=30` stands for `store: {keep_days: 30}`.

Two underscores go one level down. A list's items are named by their index or, where items carry a `name`, by that:
`ULLAGE_VESSELS__NORTH__VALVE_PRESSURE_BAR=1.2`. Capitals don't count, and `_` stands for `-` too. A value that starts
with `[` or `{` may be JSON. The environment wins over the file; an empty value counts as not set.
"""

import json
from collections.abc import Mapping
from copy import deepcopy
from dataclasses import replace

from ullage.adapters.errors import ConfigError
from ullage.daemon.config_text import ConfigText, Location, plain_scalar

PREFIX = "ULLAGE_"
NOT_KEYS = frozenset({"ULLAGE_CONFIG", "ULLAGE_LOG"})
"""Variables with our prefix that are no config keys: where the file is, and how much to log."""


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
        if not all(steps):
            raise ConfigError(
                variable, "has an empty part in its name", "write two underscores between two keys"
            )
        location = _put(tree, steps, _read(environ[variable]), variable)
        variables[location] = variable
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
            raise ConfigError(variable, f"{PREFIX}{above} is a single value and holds no {step.lower()}")
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
    if step.isascii() and step.isdigit() and int(step) <= len(items):
        return int(step)
    raise ConfigError(
        variable,
        f"there is no item {step.lower()!r} among {len(items)}",
        "name it by its index from 0 or by its `name`",
    )


def _read(value: str) -> object:
    """Return the value: JSON for a list or mapping, else the text, which the settings turn into numbers."""
    if value.lstrip()[:1] in ("[", "{"):
        try:
            return json.loads(value)
        except ValueError:
            return value
    return value
