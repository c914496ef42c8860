"""Topics and filters: which channels a message is for, and what must be subscribed to.

References
----------
MQTT 5.0 section 4.7 (wildcards; `$` topics are not matched by a leading one) and 4.8.2 (`$share/group/filter`).
"""

from collections.abc import Sequence

from ullage.adapters.channel import Channel
from ullage.adapters.decode import Decoder
from ullage.adapters.errors import ConfigError

KEPT_TOPICS = 4096
"""Topics whose decoder is remembered; a flood of new topics empties the memory instead of filling the machine's."""


def check_filter(text: str) -> str:
    """Return what is wrong with a topic filter, empty if nothing is."""
    if not text:
        return "is missing"
    if "\0" in text or len(text.encode("utf-8", "replace")) > 65_535:
        return "is no topic: it has a null character or more than 65,535 bytes"
    levels = text.split("/")
    if any("+" in level and level != "+" for level in levels):
        return "has a + that does not stand alone between slashes"
    if any("#" in level and (level != "#" or place < len(levels) - 1) for place, level in enumerate(levels)):
        return "has a # that is not the whole last level"
    return ""


def matches(filter_levels: list[str], levels: list[str]) -> bool:
    """Tell whether a topic falls under a filter, both cut at their slashes."""
    if levels[0].startswith("$") and filter_levels[0] in ("+", "#"):
        return False
    return _covers(filter_levels, levels)


def covers(wide: str, narrow: str) -> bool:
    """Tell whether every topic under the filter `narrow` is also under `wide`."""
    if narrow.startswith("$") != wide.startswith("$"):
        return False
    return _covers(wide.split("/"), narrow.split("/"))


def _covers(wide: list[str], narrow: list[str]) -> bool:
    for place, level in enumerate(wide):
        if level == "#":
            return True
        if place >= len(narrow) or narrow[place] == "#":
            return False
        if level not in ("+", narrow[place]):
            return False
    return len(wide) == len(narrow)


class TopicTable:
    """Finds the decoder for a topic: one look-up for a topic seen before, a walk through the filters for a new one.

    Raises
    ------
    ConfigError
        If a channel's filter or decoding can't be right.
    """

    def __init__(self, source: str, channels: Sequence[Channel]) -> None:
        self._source = source
        self._channels: list[tuple[str, Channel]] = []
        for channel in channels:
            wrong = check_filter(channel.topic)
            if wrong:
                raise ConfigError(f"{channel.vessel} {channel.quantity}", f"topic {channel.topic!r} {wrong}")
            self._channels.append((_unshared(channel.topic), channel))
        self._levels = [topic_filter.split("/") for topic_filter, _ in self._channels]
        self._decoders: dict[str, Decoder | None] = {}
        self._prepared: dict[tuple[int, ...], Decoder] = {}
        """By the channels that read a topic: a new topic then costs no new preparation, as in a flood of them."""
        # a decoder for each channel alone brings every mistake in the config to light now
        for _, channel in self._channels:
            Decoder(source, (channel,))

    def subscriptions(self) -> tuple[str, ...]:
        """Return the filters to subscribe to, less those that another covers: a broker may send overlaps twice."""
        filters = list(dict.fromkeys(channel.topic for _, channel in self._channels))
        return tuple(
            each for each in filters if not any(other != each and covers(other, each) for other in filters)
        )

    def decoder(self, topic: str) -> Decoder | None:
        """Return the decoder for a topic, None if no channel reads it."""
        try:
            return self._decoders[topic]
        except KeyError:
            pass
        levels = topic.split("/")
        readers = tuple(
            place for place, filter_levels in enumerate(self._levels) if matches(filter_levels, levels)
        )
        decoder = self._decoder_for(readers) if readers else None
        if len(self._decoders) >= KEPT_TOPICS:
            self._decoders.clear()
            self._prepared.clear()
        self._decoders[topic] = decoder
        return decoder

    def _decoder_for(self, readers: tuple[int, ...]) -> Decoder:
        prepared = self._prepared.get(readers)
        if prepared is None:
            channels = [self._channels[place][1] for place in readers]
            prepared = self._prepared[readers] = Decoder(self._source, channels)
        return prepared.again()


def _unshared(topic_filter: str) -> str:
    return (
        topic_filter.split("/", 2)[2]
        if topic_filter.startswith("$share/") and topic_filter.count("/") >= 2
        else topic_filter
    )
