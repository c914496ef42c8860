"""How one channel takes its value out of a payload that has been read."""

import math
from collections.abc import Callable, Iterable
from enum import StrEnum
from typing import NamedTuple

from ullage.adapters import payload as read
from ullage.adapters.channel import Channel
from ullage.adapters.errors import ConfigError, DataError
from ullage.adapters.json_pointer import JsonPointer
from ullage.adapters.own_time import check_time, own_time
from ullage.adapters.payload import RefusedError
from ullage.adapters.reading import Quantity, Reading, Reason
from ullage.adapters.senml import SenmlRecord
from ullage.adapters.units import Conversion, channel_conversion


class Format(StrEnum):
    """How a payload is written."""

    BARE = "bare value"
    JSON = "JSON"
    SENML = "SenML"
    PAIRS = "key=value"
    COLUMNS = "columns"


class Arrival(NamedTuple):
    """When a payload came, and whether a broker had kept it until then."""

    time_s: float
    retained: bool
    judging_s: float
    """By which its own time is judged."""


Extract = Callable[[object, Arrival], Iterable[Reading]]


def format_of(channel: Channel) -> Format:
    """Tell from its fields how a channel's payload is written.

    Raises
    ------
    ConfigError
        If the fields contradict each other.
    """
    fields = {
        "pointer": (channel.pointer, Format.JSON),
        "senml_name": (channel.senml_name, Format.SENML),
        "key": (channel.key, Format.PAIRS),
        "column": (channel.column, Format.COLUMNS),
    }
    given = {name: form for name, (value, form) in fields.items() if value is not None}
    if len(given) > 1:
        raise ConfigError(
            subject(channel), f"has {' and '.join(given)}", "keep the one that the payload needs"
        )
    form = next(iter(given.values()), Format.BARE)
    if channel.time_pointer is not None and form is not Format.JSON:
        raise ConfigError(subject(channel), "has time_pointer without pointer", "both need a JSON payload")
    return form


def subject(channel: Channel) -> str:
    """Name a channel in a sentence."""
    return f"{channel.vessel} {channel.quantity}"


def extractor(channel: Channel, form: Format) -> Extract:
    """Return the function that makes readings of what a payload of this form was read into.

    Raises
    ------
    ConfigError
        If the channel can't be right.
    """
    try:
        conversion = channel_conversion(channel)
        if form is Format.JSON:
            return _from_json(channel, conversion)
    except DataError as error:
        raise ConfigError(subject(channel), str(error)) from error
    if not math.isfinite(channel.scale) or channel.scale == 0 or not math.isfinite(channel.offset):
        raise ConfigError(
            subject(channel),
            f"scale {channel.scale:g} and offset {channel.offset:g} must be finite, scale not 0",
        )
    if form is Format.SENML:
        return _from_senml(channel)
    if form is Format.PAIRS:
        return _from_pairs(channel, conversion)
    if form is Format.COLUMNS:
        return _from_columns(channel, conversion)
    return _from_bare(channel, conversion)


def _reading(channel: Channel, conversion: Conversion, raw: object, time_s: float) -> Reading:
    if channel.quantity is Quantity.JOURNAL:
        return Reading(channel.vessel, channel.quantity, time_s, 0.0, read.text_of(raw))
    number = read.number_of_bytes(raw) if isinstance(raw, bytes) else read.number_of(raw)
    value = conversion.convert(number * channel.scale + channel.offset)
    if not math.isfinite(value):
        raise RefusedError(
            Reason.NOT_A_NUMBER, f"the value {number:g} {channel.unit} is not finite".replace("  ", " ")
        )
    return Reading(channel.vessel, channel.quantity, time_s, value)


def _arrival_time(arrival: Arrival) -> float:
    if arrival.retained:
        raise RefusedError(
            Reason.OLD_NEWS,
            "the broker had kept the message and nobody knows since when",
            "let the sensor put its time into the payload, or not set the retain flag",
        )
    return arrival.time_s


def _from_bare(channel: Channel, conversion: Conversion) -> Extract:
    journal = channel.quantity is Quantity.JOURNAL

    def extract(parsed: object, arrival: Arrival) -> Iterable[Reading]:
        assert isinstance(parsed, bytes)
        raw = read.utf8(parsed) if journal else parsed
        return (_reading(channel, conversion, raw, _arrival_time(arrival)),)

    return extract


def _from_json(channel: Channel, conversion: Conversion) -> Extract:
    pointer = JsonPointer(channel.pointer or "")
    time_pointer = None if channel.time_pointer is None else JsonPointer(channel.time_pointer)

    def extract(parsed: object, arrival: Arrival) -> Iterable[Reading]:
        if time_pointer is None:
            time_s = _arrival_time(arrival)
        else:
            time_s = own_time(_find(time_pointer, parsed), arrival.judging_s)
        return (_reading(channel, conversion, _find(pointer, parsed), time_s),)

    return extract


def _find(pointer: JsonPointer, document: object) -> object:
    try:
        return pointer.resolve(document)
    except DataError as error:
        raise RefusedError(Reason.NO_SUCH_FIELD, str(error)) from None


def _from_senml(channel: Channel) -> Extract:
    conversions: dict[str, Conversion] = {}

    def convert(unit: str) -> Conversion:
        if unit not in conversions:  # known units only, so it stays small
            try:
                conversions[unit] = channel_conversion(channel, unit)
            except DataError as error:
                raise RefusedError(Reason.UNKNOWN_UNIT, str(error)) from None
        return conversions[unit]

    def one(record: SenmlRecord, arrival: Arrival) -> Reading:
        if not record.own_time:
            _arrival_time(arrival)
        check_time(record.time_s, arrival.judging_s)
        # the unit in the record is the sender's word; without one the config's holds
        return _reading(channel, convert(record.unit or channel.unit), record.value, record.time_s)

    def extract(parsed: object, arrival: Arrival) -> Iterable[Reading]:
        assert isinstance(parsed, tuple)
        records = [record for record in parsed if record.name == channel.senml_name]
        if not records:
            raise RefusedError(Reason.NO_SUCH_FIELD, f"the pack has no record named {channel.senml_name!r}")
        return [one(record, arrival) for record in records]

    return extract


def _from_pairs(channel: Channel, conversion: Conversion) -> Extract:
    def extract(parsed: object, arrival: Arrival) -> Iterable[Reading]:
        assert isinstance(parsed, dict)
        if channel.key not in parsed:
            raise RefusedError(Reason.NO_SUCH_FIELD, f"there is no {channel.key}=")
        return (_reading(channel, conversion, parsed[channel.key], _arrival_time(arrival)),)

    return extract


def _from_columns(channel: Channel, conversion: Conversion) -> Extract:
    column = channel.column or 0
    if column < 1:
        raise ConfigError(
            subject(channel), f"column {column} must be 1 or more", "columns are counted from 1"
        )

    def extract(parsed: object, arrival: Arrival) -> Iterable[Reading]:
        assert isinstance(parsed, list)
        if column > len(parsed):
            raise RefusedError(Reason.NO_SUCH_FIELD, f"there are {len(parsed)} columns and not {column}")
        return (_reading(channel, conversion, parsed[column - 1], _arrival_time(arrival)),)

    return extract
