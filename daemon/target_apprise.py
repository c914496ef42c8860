"""Sends messages through Apprise, which knows the addresses of well over a hundred services.

One target is one address with one Apprise object, made at the start, so that a message pays for nothing but its
request. Retries are the outbox's business, and its answer is Apprise's `AppriseResult`, whose truth is its success:
it is never compared with `False` or `None`.
"""

import logging
import tempfile
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import apprise

from ullage.adapters.errors import ConfigError
from ullage.daemon.apprise_plugins import load_for
from ullage.daemon.delivery import SENT, Answer, Outcome, Reason
from ullage.daemon.notify_settings import TargetSettings
from ullage.daemon.wording import Attachment, Letter
from ullage.detectors.finding import Priority

log = logging.getLogger(__name__)

_KINDS = {
    Priority.CRITICAL: apprise.NotifyType.FAILURE,
    Priority.HIGH: apprise.NotifyType.WARNING,
    Priority.MEDIUM: apprise.NotifyType.INFO,
    Priority.LOW: apprise.NotifyType.INFO,
}


class AppriseTarget:
    """One address.

    Parameters
    ----------
    name
        What log and status call it.
    address
        The secret.
    limit
        Characters that a body may have; the service's own limit counts if it is lower.
    pictures
        Whether it may get pictures, if the service takes any.

    Raises
    ------
    ConfigError
        If Apprise does not know such an address.
    """

    def __init__(self, name: str, address: str, limit: int, *, pictures: bool = True) -> None:
        _hush()
        self._name = name
        load_for(address)
        self._apprise = apprise.Apprise()
        loaded = self._apprise.add(address)
        if not loaded or len(self._apprise) != 1:
            raise ConfigError(
                f"target {name}",
                "the address is not one that Apprise knows" if not loaded else "the address is more than one",
                "compare it with the service's own page in Apprise's documentation",
            )
        service: Any = self._apprise[0]
        # Even `url(privacy=True)` shows paths and topics, and those may be all that keeps strangers out.
        self.place = f"{str(service.url(privacy=True)).partition(':')[0]}:…"
        self.takes_pictures = pictures and bool(getattr(service, "attachment_support", False))
        self.pause_s = float(getattr(service, "request_rate_per_sec", 0) or 0)
        own_limit = int(getattr(service, "body_maxlen", 0) or limit)
        self.limit = min(
            limit, max(own_limit - 100, 100)
        )  # room for a title where a service has none of its own

    def send(self, letter: Letter) -> Answer:
        """Send one letter. Blocks as long as the service takes; the caller keeps the time."""
        with ExitStack() as stack:
            attached = _as_files(letter.attachments, stack) if self.takes_pictures else []
            result = self._apprise.notify(
                body=letter.body,
                title=letter.title,
                notify_type=_KINDS[letter.priority],
                body_format=apprise.NotifyFormat.TEXT,
                attach=attached or None,
            )
        if result:
            return SENT
        status = str(getattr(getattr(result, "status", None), "name", "FAILURE"))
        if status == "NOMATCH":
            return Answer(Outcome.TRY_AGAIN, Reason.MISCONFIGURED, "no service is loaded")
        if status == "TIMEOUT":
            return Answer(Outcome.TRY_AGAIN, Reason.TIMED_OUT, "the service took too long")
        return Answer(
            Outcome.TRY_AGAIN, Reason.REFUSED, "the service did not take the message, or can't be reached"
        )


def open_target(name: str, settings: TargetSettings) -> AppriseTarget:
    """Return a target for the address that the settings lead to.

    Raises
    ------
    ConfigError
        If the address is missing or unknown.
    """
    address = settings.read(f"target {name}")
    return AppriseTarget(name, address, settings.body_limit, pictures=settings.pictures)


def _as_files(attachments: Sequence[Attachment], stack: ExitStack) -> list[str]:
    """Write pictures where Apprise reads them, until the stack ends: not every service takes them from memory."""
    if not attachments:
        return []
    try:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="ullage-")))
        paths = [folder / attachment.name for attachment in attachments]
        for path, attachment in zip(paths, attachments, strict=True):
            path.write_bytes(attachment.png)
    except OSError as error:
        log.warning("a picture can't be put down for sending", extra={"error": error.strerror or ""})
        return []
    return [str(path) for path in paths]


def _hush() -> None:
    """Keep addresses out of the log: these libraries write them there, a refused address even as an error."""
    for library in ("apprise", "urllib3", "requests"):
        logging.getLogger(library).setLevel(logging.CRITICAL + 1)
