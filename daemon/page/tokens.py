"""Who may see the page: the token, the cookie that stands for it, and a limit on guessing.

The cookie holds no secret that could be used elsewhere: an end and a keyed hash of it, the key made from the token. It
survives a restart of the daemon, and another token ends it.
"""

import hashlib
import hmac
import threading
from collections import OrderedDict, deque

COOKIE = "ullage-session"
LASTS_S = 30 * 86_400
TRIES = 5
TRIES_ALTOGETHER = 30
WITHIN_S = 60.0
_ADDRESSES = 1000


class Keeper:
    """Judges tokens and cookies.

    Parameters
    ----------
    token
        The token; None where none is set, and everybody who can reach the page may see it.
    """

    def __init__(self, token: str | None) -> None:
        self._token = token.encode() if token is not None else None
        self._key = hashlib.blake2b(self._token or b"", digest_size=32, person=b"ullage cookie").digest()
        self._lock = threading.Lock()
        self._failed: OrderedDict[str, deque[float]] = OrderedDict()
        self._failed_by_all: deque[float] = deque(maxlen=TRIES_ALTOGETHER)

    @property
    def asks(self) -> bool:
        """Whether a token is needed."""
        return self._token is not None

    def is_token(self, given: str) -> bool:
        """Tell whether it is the token; takes as long for one that is nearly right."""
        return self._token is not None and hmac.compare_digest(given.encode("utf-8", "replace"), self._token)

    def cookie(self, now_s: float) -> str:
        """Return a cookie's value that is good from now on."""
        end = str(int(now_s) + LASTS_S)
        return f"{end}.{self._mark(end)}"

    def is_cookie(self, value: str, now_s: float) -> bool:
        """Tell whether a cookie is one of ours and not yet over."""
        end, _, mark = value.partition(".")
        if not hmac.compare_digest(mark.encode("utf-8", "replace"), self._mark(end).encode()):
            return False
        return end.isdecimal() and now_s < int(end) <= now_s + LASTS_S + 86_400

    def wait_s(self, address: str, monotonic_s: float) -> float:
        """Return for how long an address must wait before it may try again; 0 if it may now."""
        with self._lock:
            own = self._failed.get(address, deque())
            waits = [own[0] + WITHIN_S - monotonic_s] if len(own) >= TRIES else []
            if len(self._failed_by_all) >= TRIES_ALTOGETHER:
                waits.append(self._failed_by_all[0] + WITHIN_S - monotonic_s)
            return max([0.0, *waits])

    def failed(self, address: str, monotonic_s: float) -> None:
        """Note a wrong token."""
        with self._lock:
            own = self._failed.setdefault(address, deque(maxlen=TRIES))
            own.append(monotonic_s)
            self._failed.move_to_end(address)
            self._failed_by_all.append(monotonic_s)
            while len(self._failed) > _ADDRESSES:
                self._failed.popitem(last=False)

    def _mark(self, end: str) -> str:
        return hmac.new(self._key, end.encode("utf-8", "replace"), hashlib.sha256).hexdigest()
