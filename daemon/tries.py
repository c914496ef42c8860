"""What came of the tries to reach one target: whether it answers, what it last said, when it is tried next."""

import logging

from ullage.daemon.clock import Clock
from ullage.daemon.delivery import SENT, Answer, Reason

log = logging.getLogger(__name__)


class Tries:
    """Counts tries and logs what changes, a failure that repeats itself once. Not safe to call from several threads at once.

    Parameters
    ----------
    target
        The target's name.
    clock
        Monotonic time for pauses.
    """

    def __init__(self, target: str, clock: Clock) -> None:
        self._target = target
        self._clock = clock
        self._next_s = 0.0
        self.failures = 0
        """Failed tries in a row."""
        self.last = SENT
        """What the last failure was; counts while there are failures."""
        self.sent = 0
        """Messages taken since the start."""

    @property
    def left_s(self) -> float:
        """Return the seconds until the next try."""
        return max(self._next_s - self._clock.monotonic_s(), 0.0)

    @property
    def slow(self) -> bool:
        """Tell whether the last try was given up on for want of an answer."""
        return self.failures > 0 and self.last.reason is Reason.TIMED_OUT

    def at_once(self) -> None:
        """Have the next try made now, however long the target has been failing."""
        self._next_s = 0.0

    def opened(self) -> None:
        """The target is ready to be tried."""
        self.failures, self._next_s = 0, 0.0

    def taken(self, messages: int) -> None:
        """The target has taken so many messages."""
        self.sent += messages
        if self.failures:
            extra = {"target": self._target, "failures": self.failures}
            log.info("target takes messages again", extra=extra)
        self.opened()

    def failed(self, answer: Answer, pause_s: float) -> None:
        """Another try has failed; the next is made after a pause."""
        if self.failures == 0 or answer.reason is not self.last.reason:
            self.refused(answer)
        self.failures += 1
        self.last = answer
        self._next_s = self._clock.monotonic_s() + pause_s

    def refused(self, answer: Answer) -> None:
        """The target won't have a message: that is no reason to wait with the next."""
        extra = {"target": self._target, "reason": answer.reason.value, "detail": answer.detail}
        log.warning("target does not take messages", extra=extra)
