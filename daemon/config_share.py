"""What has to be so for vessels to be shared: a database that all reach, and sources that all can open."""

from collections.abc import Iterator, Sequence

from ullage.adapters.errors import ConfigError
from ullage.daemon.config_sources import SourceSettings
from ullage.daemon.config_text import ConfigText
from ullage.daemon.config_vessels import WatchedVessel
from ullage.daemon.store.settings import StoreSettings


def share_problems(
    store: StoreSettings,
    sources: Sequence[SourceSettings],
    vessels: Sequence[WatchedVessel],
    text: ConfigText,
) -> Iterator[str]:
    """Yield a sentence for each thing that stands in the way of sharing."""
    from ullage.adapters.registry import Divisible

    if not store.url.startswith("postgres"):
        hint = "give store.url as postgresql://user@host/database, or leave share out"
        yield str(ConfigError(text.where(("share",)), "vessels are shared through PostgreSQL alone", hint))
    for channel in (channel for watched in vessels for channel in watched.channels):
        if channel.topic.startswith("$share/"):
            detail = f"{channel.vessel} reads the topic {channel.topic}, whose messages the broker deals out"
            hint = "name the topic itself: vessels are shared out whole"
            yield str(ConfigError(text.where(("share",)), detail, hint))
    fixed = {source.name for source in sources if not isinstance(source.settings, Divisible)}
    for watched in vessels:
        found = next((channel for channel in watched.channels if channel.source in fixed), None)
        if found is not None:
            detail = f"{found.vessel} is read from {found.source}, which only one machine can open"
            hint = "have it come by MQTT, or give it a daemon of its own without share"
            yield str(ConfigError(text.where(("share",)), detail, hint))
