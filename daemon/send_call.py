"""One try to send one letter, with a hard limit on how long anybody waits for it."""

import threading
import time
from collections.abc import Callable

from ullage.daemon.delivery import Answer, Outcome, Reason, Target
from ullage.daemon.outbox import Message
from ullage.daemon.wording import Letter


class SendCall:
    """Runs `target.send` in a thread of its own, since no library can be trusted to come back.

    Parameters
    ----------
    target, letter
        Where to and what.
    messages
        What the letter holds.
    finished
        Called, in the call's own thread, when the target has answered.
    """

    def __init__(
        self, target: Target, letter: Letter, messages: tuple[Message, ...], finished: Callable[[], None]
    ) -> None:
        self.messages = messages
        self.answer: Answer | None = None
        self._target = target
        self._letter = letter
        self._finished = finished
        self._done = threading.Event()
        self._started_s = (
            time.monotonic()
        )  # a real wait for a real answer, whatever clock the program runs on
        self._thread = threading.Thread(target=self._run, name="send", daemon=True)

    def run(self, timeout_s: float) -> Answer | None:
        """Start, and wait up to `timeout_s` seconds; return the answer, None if there is none yet."""
        self._thread.start()
        self._done.wait(timeout_s)
        return self.answer

    def age_s(self) -> float:
        """Return the seconds since the start."""
        return time.monotonic() - self._started_s

    def _run(self) -> None:
        try:
            answer = self._target.send(self._letter)
        except Exception as error:  # noqa: BLE001 - a target's code may do anything
            answer = Answer(
                Outcome.TRY_AGAIN, Reason.BROKEN, type(error).__name__
            )  # its text may hold an address
        self.answer = answer
        self._done.set()
        self._finished()
