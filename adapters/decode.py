"""Payloads to readings: bare number, JSON by pointer, SenML, key=value, delimited columns, plain journal text.

A payload gives readings, refusals that say why, or both. The time of a reading is what `time_pointer` finds or what the
SenML record says, else the arrival. A retained message has no arrival time: without a time of its own it is old news.

No two arrivals of one decoder share a millisecond, since a store knows a reading by its time in milliseconds: of those
that come faster, such as messages that had queued at a broker, each is stamped one millisecond after the last, up to
50 s ahead of the clock.
"""

from collections.abc import Sequence
from copy import copy
from typing import NamedTuple

from ullage.adapters import payload as read
from ullage.adapters.channel import Channel
from ullage.adapters.errors import DataError
from ullage.adapters.extract import Arrival, Extract, Format, extractor, format_of, subject
from ullage.adapters.payload import RefusedError
from ullage.adapters.printable import START_BYTES
from ullage.adapters.reading import Reading, Reason, Refusal
from ullage.adapters.senml import resolve

FLOOD_MS = 50_000
"""How far a flood may push the stamps of arrivals ahead of the clock: less than the minute from which on they are refused."""


class Decoded(NamedTuple):
    """What one payload gave."""

    readings: tuple[Reading, ...]
    refusals: tuple[Refusal, ...]


class Decoder:
    """Decodes what comes from one topic or port for the channels that read it.

    Parameters
    ----------
    source
        Name of the source, for refusals.
    channels
        At least one; all that read from this place.
    delimiter
        Of delimited lines; empty finds it.

    Raises
    ------
    ConfigError
        If a channel can't be right: an unknown unit, a broken pointer, fields that contradict each other.
    """

    def __init__(self, source: str, channels: Sequence[Channel], *, delimiter: str = "") -> None:
        self._source = source
        self._delimiter = delimiter
        self._groups: dict[Format, list[tuple[str, Extract]]] = {}
        for channel in channels:
            form = format_of(channel)
            self._groups.setdefault(form, []).append((subject(channel), extractor(channel, form)))
        self._arrived_ms = 0
        self._stamp_ms = 0

    def again(self) -> "Decoder":
        """Return one for the same channels and another place; nothing is prepared anew."""
        other = copy(self)
        other._arrived_ms = other._stamp_ms = 0
        return other

    def decode(
        self,
        payload: bytes,
        where: str,
        arrived_s: float,
        *,
        retained: bool = False,
        judging_s: float | None = None,
    ) -> Decoded:
        """Decode one payload; raises nothing, whatever it is.

        Parameters
        ----------
        payload
            As it came.
        where
            Topic or port, for refusals.
        arrived_s
            Wall clock at arrival, Unix seconds.
        retained
            The broker had kept it: when it was sent is not known.
        judging_s
            Time by which its own time is judged; that of its arrival unless given.
        """
        stamp_s = arrived_s if retained else self._stamp(arrived_s)
        arrival = Arrival(stamp_s, retained, stamp_s if judging_s is None else judging_s)
        readings: list[Reading] = []
        refusals: list[Refusal] = []
        for form, extractors in self._groups.items():
            try:
                parsed = self._parse(form, payload, arrival.time_s)
            except RefusedError as error:
                refusals.append(self._refusal(where, payload, error.reason, str(error)))
                continue
            for name, extract in extractors:
                try:
                    readings.extend(extract(parsed, arrival))
                except RefusedError as error:
                    refusals.append(self._refusal(where, payload, error.reason, f"{name}: {error}"))
        return Decoded(tuple(readings), tuple(refusals))

    def _stamp(self, arrived_s: float) -> float:
        arrived_ms = round(arrived_s * 1e3)
        stepped_back = arrived_ms < self._arrived_ms - 1_000
        self._arrived_ms = arrived_ms
        next_ms = self._stamp_ms + 1
        if stepped_back or next_ms <= arrived_ms:
            self._stamp_ms = arrived_ms
            return arrived_s
        # a flood may run so far ahead of the clock and then stands there: a stamp that fell back would be old news, and
        # what it bears would be judged by nobody
        self._stamp_ms = max(self._stamp_ms, min(next_ms, arrived_ms + FLOOD_MS))
        return self._stamp_ms / 1e3

    def _parse(self, form: Format, payload: bytes, now_s: float) -> object:
        read.check_size(payload)
        if form is Format.BARE:
            return payload
        if form is Format.JSON:
            return read.json_document(payload)
        if form is Format.PAIRS:
            return read.pairs(read.utf8(payload))
        if form is Format.COLUMNS:
            return read.columns(read.utf8(payload), self._delimiter)
        try:
            return resolve(read.json_document(payload), now_s)
        except RefusedError:
            raise
        except DataError as error:
            raise RefusedError(Reason.UNDECODABLE, str(error)) from None

    def _refusal(self, where: str, payload: bytes, reason: Reason, detail: str) -> Refusal:
        return Refusal(self._source, where, reason, detail, payload[:START_BYTES])
