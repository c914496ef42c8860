"""The configuration: every part's own settings type, composed; file and environment in, frozen values out.

Each part keeps its settings beside its code; this module only joins them, so a key is known in one place.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pydantic import Field, ValidationError, field_validator
from pydantic.fields import FieldInfo
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource, SettingsConfigDict

from ullage.adapters.channel import Channel
from ullage.adapters.errors import ConfigError
from ullage.daemon.alarm_settings import AlarmSettings
from ullage.daemon.config_blocks import DetectorKeys, VesselBlock
from ullage.daemon.config_share import share_problems
from ullage.daemon.config_sources import SourceSettings, read_sources
from ullage.daemon.config_text import ConfigText, read_config_text
from ullage.daemon.config_vessels import WatchedVessel, read_vessels
from ullage.daemon.environment import overlay
from ullage.daemon.local_time import LocalTime
from ullage.daemon.notify_settings import NotifySettings
from ullage.daemon.page_settings import PageSettings
from ullage.daemon.places import settle_places
from ullage.daemon.schedule_settings import ScheduleSettings
from ullage.daemon.secrets_in_file import inline_secrets
from ullage.daemon.sentences import nearest, to_config_error
from ullage.daemon.share_settings import ShareSettings
from ullage.daemon.store.settings import StoreSettings

_TWO_SLASHES = re.compile(r"sqlite(\+\w+)?://[^/]")

__all__ = ["Config", "SourceSettings", "WatchedVessel", "load"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Config:
    """The whole configuration, validated."""

    path: Path | None
    vessels: tuple[WatchedVessel, ...]
    sources: tuple[SourceSettings, ...]
    store: StoreSettings
    notify: NotifySettings
    alarms: AlarmSettings
    schedule: ScheduleSettings
    page: PageSettings | None
    """None where no page is served."""
    share: ShareSettings | None = None
    """None where this daemon has all vessels to itself."""
    timezone: str
    """IANA name of the zone that local times are shown in; empty for the machine's own."""

    def channels(self) -> tuple[Channel, ...]:
        """Return the channels of all vessels."""
        return tuple(channel for watched in self.vessels for channel in watched.channels)

    def watched(self, name: str) -> WatchedVessel:
        """Return the vessel of that name.

        Raises
        ------
        ConfigError
            If there is none; names the nearest.
        """
        for watched in self.vessels:
            if watched.vessel.name == name:
                return watched
        known = [watched.vessel.name for watched in self.vessels]
        raise ConfigError("", f"there is no vessel {name!r} in the configuration", nearest(name, known))


class _Root(BaseSettings):
    """The top level of the file."""

    model_config = SettingsConfigDict(extra="forbid", frozen=True)

    vessels: list[VesselBlock] = Field(min_length=1)
    sources: dict[str, dict[str, Any]] = {}
    store: StoreSettings = StoreSettings()
    notify: NotifySettings = NotifySettings()
    alarms: AlarmSettings = AlarmSettings()
    schedule: ScheduleSettings = ScheduleSettings()
    page: PageSettings | None = None
    share: ShareSettings | None = None
    detectors: DetectorKeys = {}
    timezone: str = ""

    @field_validator("timezone")
    @classmethod
    def _known_zone(cls, name: str) -> str:
        try:
            LocalTime.named(name)
        except ConfigError as error:
            raise ValueError(f"{error.detail}; {error.hint}") from None
        return name


def load(path: Path | None, env: Mapping[str, str], *, live: bool = True) -> Config:
    """Read and validate the configuration; the environment wins over the file.

    Parameters
    ----------
    path
        The file; None for a configuration from the environment alone.
    env
        The environment.
    live
        Whether readings will come from `sources`. A replay passes False: without `sources:` a channel may then
        name any.

    Raises
    ------
    ConfigError
        One sentence for each problem, with file and line or variable and the nearest known key.
    """
    text = ConfigText(name="environment", tree={}) if path is None else read_config_text(path)
    text = settle_places(overlay(text, env), path, env)
    text = replace(text, tree=_plain(text.tree))
    root = _validated_root(text)
    problems = inline_secrets(text)
    sources = read_sources(root.sources, text, problems)
    known = root.sources if live or root.sources else None
    vessels = read_vessels(root.vessels, root.detectors, known, text, problems, live=live)
    if _TWO_SLASHES.match(root.store.url):  # it would be a database in memory, gone with the daemon
        hint = "as in sqlite:///ullage.db"
        where = text.where(("store", "url"))
        problems.append(
            str(ConfigError(where, "store.url needs three slashes before the name of a file", hint))
        )
    if root.share is not None and live:
        problems += share_problems(root.store, sources, vessels, text)
    if problems:
        raise ConfigError("", "\n".join(problems))
    return Config(
        path=path,
        vessels=vessels,
        sources=sources,
        store=root.store,
        notify=root.notify.model_copy(update={"timezone": root.notify.timezone or root.timezone}),
        alarms=root.alarms,
        schedule=root.schedule,
        page=root.page,
        share=root.share,
        timezone=root.timezone or root.notify.timezone,
    )


def _plain(tree: Mapping[str, object]) -> dict[str, object]:
    """Leave out empty blocks, and write truth values as words: a number must not be taken from `true`."""
    words = {key: value if key == "detectors" else _worded(value) for key, value in tree.items()}
    return {key: value for key, value in words.items() if value is not None}


def _worded(value: object) -> object:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, list):
        return [_worded(item) for item in value]
    if isinstance(value, dict):
        return {key: item if key == "detectors" else _worded(item) for key, item in value.items()}
    return value


def _validated_root(text: ConfigText) -> _Root:
    class Layers(PydanticBaseSettingsSource):
        """Hands pydantic-settings the file with the environment laid over it, lists and all."""

        def get_field_value(self, field: FieldInfo, field_name: str) -> tuple[Any, str, bool]:
            return text.tree.get(field_name), field_name, False

        def __call__(self) -> dict[str, Any]:
            return text.tree

    class Loaded(_Root):
        @classmethod
        def settings_customise_sources(
            cls, settings_cls: type[BaseSettings], *_args: Any, **_sources: Any
        ) -> tuple[PydanticBaseSettingsSource, ...]:
            return (Layers(settings_cls),)

    try:
        return Loaded()  # type: ignore[call-arg]  # values come from the source above
    except ValidationError as error:
        raise to_config_error(error, _Root, text) from None
