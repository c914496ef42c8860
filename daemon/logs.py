"""How log records are written: one line each, a constant event and key=value pairs behind it; set up once, at the start.

Under systemd a line begins with its priority in angle brackets and carries no time: the journal has its own
(sd-daemon(3)).
"""

import logging
import sys
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import TextIO

LEVELS = ("debug", "info", "warning", "error")
_USUAL = frozenset(logging.makeLogRecord({}).__dict__) | {"message", "asctime", "taskName"}
_JOURNAL_PRIORITY = {
    logging.DEBUG: 7,
    logging.INFO: 6,
    logging.WARNING: 4,
    logging.ERROR: 3,
    logging.CRITICAL: 2,
}


class KeyValueFormatter(logging.Formatter):
    """Writes `2026-01-31T22:04:05Z warning source failed source=cellar error="no route to host"`."""

    def __init__(self, *, journal: bool) -> None:
        super().__init__()
        self._journal = journal

    def format(self, record: logging.LogRecord) -> str:
        """Return the line; a traceback, if there is one, follows on lines of its own, set in so that none looks like ours."""
        words = [record.levelname.lower(), _on_one_line(record.getMessage())]
        words += [f"{key}={_quoted(value)}" for key, value in record.__dict__.items() if key not in _USUAL]
        line = " ".join(words)
        if record.exc_info and record.exc_info[0] is not None:
            trace = self.formatException(record.exc_info).splitlines()
            line += "".join(f"\n  {_on_one_line(part)}" for part in trace)
        if not self._journal:
            return f"{datetime.fromtimestamp(record.created, UTC):%Y-%m-%dT%H:%M:%SZ} {line}"
        mark = f"<{_JOURNAL_PRIORITY.get(record.levelno, 6)}>"
        return "\n".join(mark + part for part in line.splitlines())


def _quoted(value: object) -> str:
    text = str(value)
    if text and text.isprintable() and not any(sign in text for sign in ' "='):
        return text
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + _on_one_line(escaped) + '"'


def _on_one_line(text: str) -> str:
    """Write out what would end the line or steer a terminal: other people's words end up in records."""
    if text.isprintable():
        return text
    return "".join(sign if sign.isprintable() else f"\\x{ord(sign):02x}" for sign in text)


def set_up_logging(level: str, environ: Mapping[str, str], stream: TextIO | None = None) -> None:
    """Write log records of `level` (one of `LEVELS`) and above to `stream`, stderr unless given."""
    handler = logging.StreamHandler(stream if stream is not None else sys.stderr)
    handler.setFormatter(KeyValueFormatter(journal="JOURNAL_STREAM" in environ))
    logging.basicConfig(level=level.upper(), handlers=[handler], force=True)
    for chatty in ("apscheduler", "alembic", "urllib3", "apprise"):  # they tell of every turn at info
        logging.getLogger(chatty).setLevel(max(logging.WARNING, logging.getLogger().level))
