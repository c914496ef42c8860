"""What a configuration says before anyone judges it: YAML turned into plain values that know their lines.

Plain scalars are read by the core schema of YAML 1.2 (https://yaml.org/spec/1.2.2/, 10.3.2), so that `22:00`, `no`
and `0123` stay what the writer meant: YAML 1.1 makes them 1320, false and 83.
"""

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import yaml

from ullage.adapters.errors import ConfigError

Location = tuple[str | int, ...]
"""The keys and indices that lead to a value: ("vessels", 0, "name")."""

_LARGEST_FILE_BYTES = 1_000_000
DEEPEST = 20
"""Lists and mappings that may stand in one another."""
_MOST_VALUES = 50_000
"""A few lines of aliases that hold aliases stand for more values than memory can hold."""
_INT = re.compile(r"[-+]?[0-9]+")
_FLOAT = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?")
_CONSTANTS: Mapping[str, object] = {
    **dict.fromkeys(("", "~", "null", "Null", "NULL")),
    **dict.fromkeys(("true", "True", "TRUE"), True),
    **dict.fromkeys(("false", "False", "FALSE"), False),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ConfigText:
    """What a file says and where it says it; `name` is how messages call the file."""

    name: str
    tree: dict[str, object]
    lines: Mapping[Location, int] = field(default_factory=dict)
    """Line, counted from 1, of each key."""
    variables: Mapping[Location, str] = field(default_factory=dict)
    """Environment variable that gave a value, where one did."""

    def where(self, location: Location) -> str:
        """Return the variable or `file:line` of the nearest key that is there, else the file's name alone."""
        for length in range(len(location), 0, -1):
            variable = self.variables.get(location[:length])
            if variable is not None:
                return variable
            line = self.lines.get(location[:length])
            if line is not None:
                return f"{self.name}:{line}"
            for below, variable in self.variables.items():
                if below[:length] == location[:length]:
                    return variable
        return self.name


def spell(location: Location) -> str:
    """Write a location as a person would: `vessels[0].name`."""
    text = ""
    for part in location:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else str(part)
    return text


def read_config_text(path: Path) -> ConfigText:
    """Read a configuration file.

    Raises
    ------
    ConfigError
        If it is missing, no file, unreadable, no YAML, or holds a key twice.
    """
    try:
        if path.stat().st_size > _LARGEST_FILE_BYTES:
            raise ConfigError(str(path), "is larger than 1 MB", "that can't be a configuration")
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise ConfigError(
            str(path), "no such configuration file", "name one with --config or in ULLAGE_CONFIG"
        ) from None
    except IsADirectoryError:
        raise ConfigError(str(path), "is a directory", "name the configuration file in it") from None
    except UnicodeDecodeError as error:
        raise ConfigError(
            str(path), f"byte {error.start + 1} is not UTF-8 text", "save the file as UTF-8"
        ) from None
    except OSError as error:
        raise ConfigError(str(path), f"can't be read: {error.strerror}", "check its owner and mode") from None
    return parse_config_text(text, str(path))


def parse_config_text(text: str, name: str) -> ConfigText:
    """Parse the text of a configuration; `name` is the file's name in messages.

    Raises
    ------
    ConfigError
        If it is no YAML, holds a key twice, or is not a mapping of keys.
    """
    try:
        root = yaml.compose(text, Loader=yaml.SafeLoader)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        where = name if mark is None else f"{name}:{mark.line + 1}"
        problem = error.problem or error.context or "unreadable"
        raise ConfigError(where, f"is no valid YAML: {problem}", _yaml_hint(problem)) from None
    except yaml.YAMLError as error:
        raise ConfigError(name, f"is no valid YAML: {str(error).splitlines()[0]}") from None
    except RecursionError:
        raise ConfigError(name, f"is nested deeper than {DEEPEST} levels") from None
    if root is None:
        return ConfigText(name=name, tree={})
    if not isinstance(root, yaml.MappingNode):
        raise ConfigError(
            f"{name}:{root.start_mark.line + 1}",
            "must be a mapping of keys such as `vessels:`, not a list or a single value",
        )
    lines: dict[Location, int] = {}
    tree = _mapping(root, (), name, lines)
    return ConfigText(name=name, tree=tree, lines=lines)


def _yaml_hint(problem: str) -> str:
    if "\\t" in problem:
        return "indent with spaces, not with tabs"
    if "cannot start any token" in problem:
        return "put the value in quotes"
    if "expected" in problem:
        return "look for a bracket or quote left open above it"
    return "check the indentation and the colons there"


def _value(node: yaml.Node, at: Location, name: str, lines: dict[Location, int]) -> object:
    if len(at) > DEEPEST:  # also ends an alias that holds itself
        raise ConfigError(f"{name}:{node.start_mark.line + 1}", f"is nested deeper than {DEEPEST} levels")
    if len(lines) > _MOST_VALUES:
        raise ConfigError(name, f"holds more than {_MOST_VALUES} values", "that can't be a configuration")
    if isinstance(node, yaml.MappingNode):
        return _mapping(node, at, name, lines)
    if isinstance(node, yaml.SequenceNode):
        values = []
        for index, child in enumerate(node.value):
            lines[(*at, index)] = child.start_mark.line + 1
            values.append(_value(child, (*at, index), name, lines))
        return values
    if not isinstance(node, yaml.ScalarNode):
        raise TypeError(f"YAML has no {type(node).__name__}")
    return _scalar(node)


def _mapping(
    node: yaml.MappingNode, at: Location, name: str, lines: dict[Location, int]
) -> dict[str, object]:
    values: dict[str, object] = {}
    for key_node, value_node in node.value:
        line = key_node.start_mark.line + 1
        if not isinstance(key_node, yaml.ScalarNode):
            raise ConfigError(f"{name}:{line}", "a key must be a single word")
        key = str(key_node.value)
        here = (*at, key)
        if key in values:
            raise ConfigError(
                f"{name}:{line}", f"{spell(here)} stands twice, first on line {lines[here]}", "keep one"
            )
        lines[here] = line
        values[key] = _value(value_node, here, name, lines)
    return values


def _scalar(node: yaml.ScalarNode) -> object:
    text = str(node.value)
    return text if node.style is not None else plain_scalar(text)  # quoted or a block: meant as text


def plain_scalar(text: str) -> object:
    """Return what a plain word means: null, a truth value, a number, else the text."""
    if text in _CONSTANTS:
        return _CONSTANTS[text]
    if _INT.fullmatch(text) and len(text) <= 18:
        return int(text)
    if _FLOAT.fullmatch(text) and math.isfinite(float(text)):
        return float(text)
    return text
