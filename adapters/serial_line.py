"""Readings from a serial port, line by line; opened again by the supervisor whenever it goes.

When the pipeline stops taking, this thread waits and the system's buffer (some 4 KiB) fills and then loses bytes. What
stood in it would look like fresh readings afterwards, so after a wait of more than two seconds it is thrown away, said
as a refusal, and reading goes on at the next line end.
"""

import errno
import logging
import os
import termios
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress

import serial

from ullage.adapters.channel import Channel
from ullage.adapters.checksum import ChecksumRule
from ullage.adapters.clock import Clock, judging_s
from ullage.adapters.decode import Decoder
from ullage.adapters.errors import SourceError
from ullage.adapters.line_buffer import Line, LineBuffer
from ullage.adapters.payload import RefusedError
from ullage.adapters.printable import START_BYTES
from ullage.adapters.reading import Delivery, Reading, Reason, Refusal
from ullage.adapters.serial_poll import Poll
from ullage.adapters.serial_settings import SerialSettings
from ullage.adapters.source import Source

log = logging.getLogger(__name__)

READ_S = 0.25
"""How long a read waits; how soon a stop is noticed."""
STALE_S = 2.0
"""After a hand-over that took longer, what waits in the port is old."""
BURST_BYTES = 4096
WRITE_S = 5.0

_PORT_ERRORS = (OSError, termios.error)
"""What an unplugged port raises; SerialException is an OSError, the flush of a dead one is not."""


class SerialSource(Source):
    """A serial port and the channels that read its lines.

    Parameters
    ----------
    name
        The key under `sources:` in the config.
    settings
        Of the port.
    channels
        Those whose source this is; all read every line.
    clock
        Wall clock for arrival times, monotonic for poll intervals.

    Raises
    ------
    ConfigError
        If a channel can't be right.
    """

    kind = "serial"

    def __init__(
        self, name: str, settings: SerialSettings, channels: Sequence[Channel], clock: Clock
    ) -> None:
        super().__init__(name, first_pause_s=settings.first_pause_s, longest_pause_s=settings.longest_pause_s)
        self._settings = settings
        self._clock = clock
        self._decoder = Decoder(name, channels, delimiter=settings.delimiter)

    def _run(self) -> None:
        port = self._open()
        try:
            self._connected = True
            self._say(f"reading {self._settings.url}")
            self._read_on(port)
            self._detail = "stopped"
        finally:
            self._connected = False
            _close(port)

    def _open(self) -> serial.Serial:
        settings = self._settings
        port: serial.Serial | None = None
        try:
            port = serial.serial_for_url(
                settings.url,
                do_not_open=True,
                baudrate=settings.baud,
                bytesize=int(settings.format[0]),
                parity=settings.format[1],
                stopbits=int(settings.format[2]),
                timeout=min(READ_S, settings.poll_interval_s / 4) if settings.poll_command else READ_S,
                write_timeout=WRITE_S,
            )
            if isinstance(port, serial.Serial):
                port.exclusive = True  # else a second program takes half the bytes and neither notices
            port.open()
        except (
            *_PORT_ERRORS,
            ValueError,
        ) as error:  # ValueError: an unknown URL scheme, an impossible baud rate
            _close(port)
            raise SourceError(
                settings.url, f"the port can't be opened: {_reason(error)}", _hint(error)
            ) from error
        return port

    def _read_on(self, port: serial.Serial) -> None:
        poll = Poll(self._settings, self._clock) if self._settings.poll_command else None
        lines = LineBuffer(
            end=self._settings.line_end.encode("ascii"),
            limit=self._settings.line_limit_bytes,
            skip_first=poll is None,  # a probe that is asked begins its answer after the question
        )
        checksums = ChecksumRule(self._settings.checksum)
        while not self._stopping.is_set():
            self._turn()
            came = lines.feed(self._take(port, poll))
            if came:
                self._deliver_lines(came, checksums, port, lines)
            if poll is not None:
                if came:
                    poll.answered()
                silent = " but it does not answer the poll command" if poll.silent() else ""
                self._say(f"reading {self._settings.url}{silent}")

    def _say(self, detail: str) -> None:
        if detail != self._detail:
            self._detail = detail
            log.info("port state", extra={"source": self.name, "detail": detail})

    def _take(self, port: serial.Serial, poll: Poll | None) -> bytes:
        with self._port_errors():
            if poll is not None:
                poll.ask_if_due(port)
            chunk: bytes = port.read(min(port.in_waiting, BURST_BYTES) or 1)
        return chunk

    @contextmanager
    def _port_errors(self) -> Iterator[None]:
        try:
            yield
        except _PORT_ERRORS as error:
            raise SourceError(
                self._settings.url, f"the port is gone: {error}", "check plug and cable"
            ) from error

    def _deliver_lines(
        self, came: Sequence[Line], checksums: ChecksumRule, port: serial.Serial, lines: LineBuffer
    ) -> None:
        arrived_s = self._clock.wall_s()
        readings: list[Reading] = []
        refusals: list[Refusal] = []
        for line in came:
            self._decode(line, arrived_s, checksums, readings, refusals)
        began_s = self._clock.monotonic_s()
        self._hand_over(Delivery(self.name, tuple(readings), tuple(refusals)))
        waited_s = self._clock.monotonic_s() - began_s
        if waited_s > STALE_S:
            with self._port_errors():
                port.reset_input_buffer()
            lines.resynchronise()
            detail = (
                f"the pipeline took nothing for {waited_s:.0f} s; what came meanwhile was thrown away as old"
            )
            self._hand_over(Delivery(self.name, refusals=(self._refusal(Reason.QUEUE_FULL, detail, b""),)))

    def _decode(
        self,
        line: Line,
        arrived_s: float,
        checksums: ChecksumRule,
        readings: list[Reading],
        refusals: list[Refusal],
    ) -> None:
        if line.cut:
            detail = f"the line is longer than {self._settings.line_limit_bytes} bytes"
            refusals.append(self._refusal(Reason.TOO_LONG, detail, line.content))
            return
        if not line.content.isascii():
            detail = "the line has bytes that are not ASCII; check baud and format if this goes on"
            refusals.append(self._refusal(Reason.UNDECODABLE, detail, line.content))
            return
        try:
            content = checksums.strip(line.content)
        except RefusedError as error:
            refusals.append(self._refusal(error.reason, str(error), line.content))
            return
        now_s = judging_s(self._clock)
        decoded = self._decoder.decode(content, self._settings.url, arrived_s, judging_s=now_s)
        readings.extend(decoded.readings)
        refusals.extend(decoded.refusals)

    def _refusal(self, reason: Reason, detail: str, raw: bytes) -> Refusal:
        return Refusal(self.name, self._settings.url, reason, detail, raw[:START_BYTES])


def _close(port: serial.Serial | None) -> None:
    if port is not None:
        with suppress(*_PORT_ERRORS):
            port.close()


def _reason(error: Exception) -> str:
    """Return what is wrong in a few words; the library says the path twice and the reason twice."""
    number = getattr(error, "errno", None)
    return os.strerror(number) if number in (errno.ENOENT, errno.EACCES, errno.EPERM) else str(error)


def _hint(error: Exception) -> str:
    number = getattr(error, "errno", None)
    if number in (errno.EACCES, errno.EPERM):
        return "let the service's user into the group that owns the port, often dialout"
    if number == errno.ENOENT:
        return "plug it in, or take a name from /dev/serial/by-id"
    if number in (errno.EBUSY, errno.EAGAIN):
        return "another program has it open"
    return "check url, baud and format"
