"""Tells a watcher outside that the daemon lives; when that stays away, the watcher knows what no message could say."""

import http.client
import logging
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Callable

from ullage.adapters.errors import ConfigError
from ullage.daemon.schedule_settings import BeaconSettings

log = logging.getLogger(__name__)


class Beacon:
    """Beats only while the whole chain works, so that silence means trouble.

    Parameters
    ----------
    settings
        Where and how.
    healthy
        Whether the chain from reading to message works.

    Raises
    ------
    ConfigError
        If the address is missing or no web address.
    """

    def __init__(self, settings: BeaconSettings, healthy: Callable[[], bool]) -> None:
        self._settings = settings
        self._healthy = healthy
        self._address = settings.read("heartbeat")
        if urllib.parse.urlsplit(self._address).scheme not in ("http", "https"):
            raise ConfigError(
                "heartbeat", "the address is no web address", "it begins with https:// or http://"
            )
        self._failure = ""

    def beat(self) -> bool:
        """Beat once if all is well; return whether the watcher took it."""
        if not self._healthy():
            self._say("the chain does not work, the watcher is left to ring")
            return False
        failure = self._request()
        self._say(failure)
        return not failure

    def _request(self) -> str:
        """Return what went wrong, in words that hold no address; empty if nothing did."""
        data = b"" if self._settings.method == "POST" else None
        request = urllib.request.Request(self._address, data=data, method=self._settings.method)
        try:
            with urllib.request.urlopen(request, timeout=self._settings.timeout_s):
                return ""
        except urllib.error.HTTPError as error:
            error.close()
            return f"the watcher answered {error.code}"
        except urllib.error.URLError as error:
            return f"the watcher is out of reach ({type(error.reason).__name__})"
        except (OSError, ValueError, http.client.HTTPException) as error:
            return f"the watcher is out of reach ({type(error).__name__})"

    def _say(self, failure: str) -> None:
        if failure == self._failure:
            return
        self._failure = failure
        if failure:
            log.warning("heartbeat missing", extra={"reason": failure})
        else:
            log.info("heartbeat taken again")
