"""Prints messages as a phone would show them; used by the demo and to try things out."""

import sys
import threading
from typing import TextIO

from ullage.daemon.delivery import SENT, Answer, Outcome, Reason
from ullage.daemon.finding_table import plain
from ullage.daemon.notify_settings import TargetSettings
from ullage.daemon.wording import Letter

_PRINTING = threading.Lock()
"""Two consoles share one screen: a message is never printed into another."""


class ConsoleTarget:
    """Title, then the text set in by two spaces.

    Parameters
    ----------
    stream
        Where to print; standard output, looked up anew for each message, by default.
    """

    pause_s = 0.0
    takes_pictures = False
    place = "console"

    def __init__(self, limit: int, stream: TextIO | None = None) -> None:
        self.limit = limit
        self._stream = stream

    def send(self, letter: Letter) -> Answer:
        """Print one letter."""
        stream = self._stream or sys.stdout
        lines = [plain(letter.title), *(f"  {plain(line)}" for line in letter.body.splitlines())]
        encoding = getattr(stream, "encoding", None) or "utf-8"
        text = "\n".join(lines).encode(encoding, "replace").decode(encoding)
        try:
            with _PRINTING:
                stream.write(f"{text}\n")
                stream.flush()
        except (OSError, ValueError) as error:  # a closed pipe, a closed file
            return Answer(Outcome.TRY_AGAIN, Reason.UNREACHABLE, type(error).__name__)
        return SENT


def open_target(name: str, settings: TargetSettings) -> ConsoleTarget:
    """Return a target that prints to standard output."""
    return ConsoleTarget(settings.body_limit)
