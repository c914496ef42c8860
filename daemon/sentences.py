"""Validation errors as plain sentences: what is wrong at which line, and the nearest key that would be right."""

import dataclasses
import difflib
import types
import typing
from collections.abc import Iterable, Mapping

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from ullage.adapters.errors import ConfigError
from ullage.daemon.config_text import ConfigText, Location, spell

_SECRET_WORDS = ("password", "url", "token", "secret", "key")
_UNKNOWN = ("unexpected_keyword_argument", "extra_forbidden")
_MUST_BE: Mapping[str, str] = {
    "float_parsing": "must be a number",
    "float_type": "must be a number",
    "int_parsing": "must be a whole number",
    "int_type": "must be a whole number",
    "int_from_float": "must be a whole number",
    "bool_parsing": "must be true or false",
    "bool_type": "must be true or false",
    "string_type": "must be text",
    "list_type": "must be a list",
    "tuple_type": "must be a list",
    "dict_type": "must be a mapping of keys",
    "dataclass_type": "must be a mapping of keys",
    "model_type": "must be a mapping of keys",
    "mapping_type": "must be a mapping of keys",
    "path_type": "must be a path",
    "finite_number": "must be a finite number",
}


def nearest(word: str, known: Iterable[str]) -> str:
    """Say which known word was probably meant, or list them: the second half of a sentence."""
    words = sorted(known)
    if word in words:
        return f"{word} is right"
    near = _near(word, words)
    if near:
        return f"did you mean {near[0]}?"
    return f"known here: {', '.join(words)}" if words else "nothing can stand here"


def _near(word: str, known: Iterable[str]) -> list[str]:
    return difflib.get_close_matches(word, sorted(known), n=1, cutoff=0.6)


def known_keys(kind: object, location: Location) -> frozenset[str]:
    """Return the keys that may stand in the mapping at `location` within a settings type."""
    for part in location:
        kind = _child(kind, part)
    kind = _settings_type(kind)
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        return frozenset(kind.model_fields)
    if isinstance(kind, type) and dataclasses.is_dataclass(kind):
        return frozenset(f.name for f in dataclasses.fields(kind) if f.init)
    return frozenset()


def _settings_type(kind: object) -> object:
    """Return the one member of a union that is no None, or the type itself."""
    if isinstance(kind, types.UnionType) or typing.get_origin(kind) is typing.Union:
        members = [member for member in typing.get_args(kind) if member is not type(None)]
        return members[0] if members else kind
    return kind


def _child(kind: object, part: str | int) -> object:
    kind = _settings_type(kind)
    if isinstance(kind, type) and (dataclasses.is_dataclass(kind) or issubclass(kind, BaseModel)):
        return typing.get_type_hints(kind).get(str(part))
    arguments = [a for a in typing.get_args(kind) if a is not Ellipsis]
    return arguments[-1] if arguments else None


def to_config_error(
    error: ValidationError, kind: type, text: ConfigText, at: Location = (), *, skip: int = 0
) -> ConfigError:
    """Return one error that holds a sentence for each problem.

    Parameters
    ----------
    error
        What the validation of `kind` found.
    kind
        The settings type that was validated.
    text, at
        Where the values came from: the configuration and the place in it.
    skip
        How many steps of each error's location lead only to the value of `kind`.
    """
    details = error.errors(include_url=False)
    meant = {
        (*detail["loc"][:-1], near)
        for detail in details
        if detail["type"] in _UNKNOWN
        for near in _near(str(detail["loc"][-1]), known_keys(kind, detail["loc"][skip:-1]))
    }
    sentences: list[str] = []
    for detail in details:
        if detail["type"] == "missing" and detail["loc"] in meant:
            continue  # it is there, misspelt: one mistake, one sentence
        sentence = str(_problem(detail, detail["loc"][skip:], kind, text, at))
        if sentence not in sentences:
            sentences.append(sentence)
    return ConfigError("", "\n".join(sentences))


def _problem(
    detail: ErrorDetails, inner: Location, kind: type, text: ConfigText, at: Location
) -> ConfigError:
    location = (*at, *inner)
    where = text.where(location)
    key = spell(location)
    if detail["type"] in _UNKNOWN:
        hint = nearest(str(inner[-1]), known_keys(kind, inner[:-1]))
        return ConfigError(where, f"{key} is no known key", hint)
    if detail["type"] == "missing":
        return ConfigError(where, f"{key} is missing")
    if detail["type"] in ("value_error", "assertion_error"):
        message = detail["msg"].removeprefix("Value error, ").removeprefix("Assertion failed, ")
        return ConfigError(_where_named(message, location, text), f"{key}: {message}" if key else message)
    if inner[-1:] == ("[key]",):  # the key of a mapping whose keys are a few words
        known = detail["msg"].replace("Input should", "keys must", 1)
        return ConfigError(where, f"{spell(location[:-1])} is no known key", known)
    if detail["type"] == "too_short":  # tuples and lists alike: nothing stands there
        return ConfigError(where, f"{key} must have at least one entry")
    demand = _MUST_BE.get(detail["type"]) or detail["msg"].replace("Input should", "must", 1)
    value = detail["input"]
    hint = "put it in quotes" if detail["type"] == "string_type" and isinstance(value, int | float) else ""
    return ConfigError(where, f"{key} {demand}{_not_value(location, value)}", hint)


def _where_named(message: str, location: Location, text: ConfigText) -> str:
    """Return the line of the field that a sentence about a whole block begins with."""
    return text.where((*location, message.split(maxsplit=1)[0] if message else ""))


def _not_value(location: Location, value: object) -> str:
    """Show the value that was found, unless it may be a secret."""
    name = str(location[-1]).lower() if location else ""
    if any(word in name for word in _SECRET_WORDS) or isinstance(value, dict | list):
        return ""
    return ", not empty" if value is None else f", not {repr(value)[:60]}"
