"""`sources:` of the configuration: each entry validated by its adapter's own settings type."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import ConfigDict, ValidationError, create_model

from ullage.adapters.errors import ConfigError
from ullage.daemon.config_text import ConfigText, Location, spell
from ullage.daemon.sentences import nearest, to_config_error


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceSettings:
    """One entry under `sources:`: the adapter's kind and its own settings."""

    name: str
    kind: str
    settings: object


def read_sources(
    entries: Mapping[str, Mapping[str, Any]], text: ConfigText, problems: list[str]
) -> tuple[SourceSettings, ...]:
    """Return the sources that are right; add a sentence to `problems` for each thing that is wrong."""
    if not entries:
        return ()
    # imported here: settings types bring libraries along that a replay can do without
    from ullage.adapters.registry import kinds, settings_type

    found: list[SourceSettings] = []
    for name, keys in entries.items():
        at: Location = ("sources", name)
        kind = str(keys.get("kind", ""))
        if kind not in kinds():
            what = f"{spell(at)}.kind {kind!r} is unknown" if kind else f"{spell(at)}.kind is missing"
            problems.append(str(ConfigError(text.where((*at, "kind")), what, nearest(kind, kinds()))))
            continue
        own = {key: value for key, value in keys.items() if key != "kind"}
        try:
            settings = validate(settings_type(kind), own, text, at)
        except ConfigError as error:
            problems.append(str(error))
            continue
        found.append(SourceSettings(name=name, kind=kind, settings=settings))
    return tuple(found)


def validate(kind: type, values: Mapping[str, Any], text: ConfigText, at: Location) -> object:
    """Return `values` as the settings type `kind` (a dataclass or model), unknown keys refused.

    Raises
    ------
    ConfigError
        One sentence for each problem.
    """
    # a standard dataclass takes over the strictness of the model that it stands in
    holder = create_model("Holder", __config__=ConfigDict(extra="forbid"), held=(kind, ...))
    try:
        return vars(holder.model_validate({"held": dict(values)}))["held"]
    except ValidationError as error:
        raise to_config_error(error, kind, text, at, skip=1) from None
