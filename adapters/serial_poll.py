"""Questions to a probe that answers only when asked."""

import serial

from ullage.adapters.clock import Clock
from ullage.adapters.serial_settings import SerialSettings

SILENT_AFTER = 3
"""Questions in a row without an answer that count as silence."""


class Poll:
    """Asks at a steady interval, whether the last question was answered or not.

    Parameters
    ----------
    settings
        Command and interval.
    clock
        Its monotonic time is used.
    """

    def __init__(self, settings: SerialSettings, clock: Clock) -> None:
        self._command = settings.poll_command.encode("ascii")
        self._interval_s = settings.poll_interval_s
        self._clock = clock
        self._next_s = clock.monotonic_s()
        self._unanswered = 0

    def ask_if_due(self, port: serial.Serial) -> None:
        """Write the command if its time has come; questions that were missed are not made up for."""
        now_s = self._clock.monotonic_s()
        if now_s < self._next_s:
            return
        self._next_s = max(self._next_s + self._interval_s, now_s)
        self._unanswered += 1
        port.write(self._command)

    def answered(self) -> None:
        """Note that a line came."""
        self._unanswered = 0

    def silent(self) -> bool:
        """Tell whether the probe has stopped answering."""
        return self._unanswered > SILENT_AFTER
