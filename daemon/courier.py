"""One target's thread: what waits for it, when it may go, and what is done with the answer.

Each target has a courier of its own, so that one that fails, crawls or hangs delays no other. The queue is fed by the
desk in memory and read from the database at the start, so that a message costs no read before it goes.
"""

import logging
import random
import threading
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace

from ullage.adapters.errors import ConfigError
from ullage.daemon.attaching import MOST_IN_A_MESSAGE, Attaching
from ullage.daemon.clock import Clock
from ullage.daemon.delivery import Answer, Outcome, Reason, Target
from ullage.daemon.events import EventKey, EventKind
from ullage.daemon.health import Heartbeat, LoopHealth
from ullage.daemon.outbox import Message
from ullage.daemon.row_marks import RowMarks
from ullage.daemon.send_call import SendCall
from ullage.daemon.sending_rules import Rules
from ullage.daemon.store.store import Store
from ullage.daemon.tries import Tries
from ullage.daemon.turf import Everything, Turf
from ullage.daemon.waiting import Waiting
from ullage.daemon.weighing import weigh
from ullage.daemon.wording import Attachment, Letter
from ullage.detectors.finding import Priority

log = logging.getLogger(__name__)

_IDLE_S = 30.0
"""Longest wait without a look around: the clock may have been set, a heartbeat is due."""
_MARKS_TOGETHER = 8
"""What became of so many messages is noted in one go while more of them wait."""
_NOT_OURS_S = 0.5
"""How soon to look again at messages that may not go from here now."""
_WEIGHED_AFTER_S = 60.0
"""What has waited for less is news."""
_WEIGHED_AGAIN_S = 900.0
"""How soon what is snoozed is looked at anew: the brewer may have done it, or ended the snooze."""
_HANGING_CALLS = 4
"""Tries without an answer that may hang at the same time; beyond it nothing is sent until one ends."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetHealth:
    """How one target is doing."""

    name: str
    place: str
    """What kind of address it is; the address itself is a secret."""
    ready: bool
    """Whether its address was understood."""
    working: bool
    """Whether the last try succeeded, or none was made yet."""
    waiting: int
    failures: int
    """Failed tries in a row."""
    reason: str
    """Why the last try failed."""
    detail: str
    """The same in a few words."""
    next_try_s: float | None
    """Seconds until the next try, None when none is due."""
    sent: int
    """Messages taken by the target since the start."""


class Courier:
    """Brings messages to one target.

    Parameters
    ----------
    name
        The target's name.
    open_target
        Makes the target; called in the courier's own thread, since it may import much.
    store
        The outbox; None for a process without a database.
    rules
        When what may go, and in which words.
    timeout_s
        Seconds after which a try counts as failed.
    attaching
        Makes the pictures that go with messages; None for none.
    turf
        Whose messages may go from here, and when.
    """

    def __init__(
        self,
        name: str,
        open_target: Callable[[], Target],
        store: Store | None,
        clock: Clock,
        rules: Rules,
        *,
        timeout_s: float,
        attaching: Attaching | None = None,
        turf: Turf | None = None,
    ) -> None:
        self.name = name
        self._turf = turf or Everything()
        self._attaching = attaching
        self._open_target = open_target
        self._target: Target | None = None
        self._clock = clock
        self._rules = rules
        self._timeout_s = timeout_s
        self._changed = threading.Condition()
        self._waiting = Waiting(rules.give_up_after_s)
        self._store = store
        self._marks = RowMarks(store, clock, self._turf.token, self.wake)
        self._calls: list[SendCall] = []
        self._sending: tuple[Message, ...] = ()
        self._stopping = False
        self._reload = True
        self._woken = True
        self._settled = False
        self._tries = Tries(name, clock)
        self._thread: threading.Thread | None = None
        self._heartbeat = Heartbeat(f"target {name}", clock, longest_turn_s=4 * _IDLE_S + 3 * timeout_s)

    # called from other threads

    def start(self) -> None:
        """Start the thread."""
        self._stopping = False
        self._thread = threading.Thread(target=self._run, name=f"target-{self.name}", daemon=True)
        self._thread.start()

    def ask_to_stop(self) -> None:
        """Ask the thread to end after the try it is at."""
        with self._changed:
            self._stopping = True
            self._changed.notify_all()

    def join(self, timeout_s: float) -> None:
        """Wait for the thread to end."""
        if self._thread is not None:
            self._thread.join(timeout_s)

    def offer(self, messages: Sequence[Message], delay_s: float = 0.0) -> None:
        """Take messages. One with a row replaces the same one without; one told already is only marked.

        Parameters
        ----------
        messages
            What to tell.
        delay_s
            For messages without a row: how long to wait for the row.
        """
        monotonic_s, wall_s = self._clock.monotonic_s(), self._clock.wall_s()
        with self._changed:
            for message in messages:
                row = self._waiting.add(message, monotonic_s, wall_s, delay_s)
                if row is not None:
                    self._marks.sent([row])
                critical = message.event.priority is Priority.CRITICAL
                if critical and delay_s == 0 and self._target is not None:
                    self._tries.at_once()
            self._wake()

    def withdraw(self, keys: Sequence[EventKey]) -> None:
        """Forget messages without a row."""
        with self._changed:
            self._waiting.withdraw(keys)

    def forget(self, vessels: Collection[str]) -> None:
        """Leave what waits for these vessels to the daemon that holds them next."""
        with self._changed:
            self._waiting.forget(vessels)

    def busy_with(self, vessels: Collection[str]) -> bool:
        """Tell whether a message about these vessels is on its way, or has gone and is not yet noted as told."""
        with self._changed:
            under_way = (*self._sending, *(message for call in self._calls for message in call.messages))
            return self._marks.waiting > 0 or any(m.event.alarm.vessel in vessels for m in under_way)

    def wake(self, *, reload: bool = False) -> None:
        """Look around at once; with `reload` read the outbox anew."""
        with self._changed:
            self._reload = self._reload or reload
            self._wake()

    def settle(self, timeout_s: float) -> bool:
        """Wait until nothing is left that may go now; return whether that came about within `timeout_s` seconds."""
        with self._changed:
            return self._changed.wait_for(lambda: self._settled, timeout_s)

    def health(self) -> TargetHealth:
        """Tell how the target is doing."""
        with self._changed:
            tries, failing = self._tries, self._tries.failures > 0
            return TargetHealth(
                name=self.name,
                place=self._target.place if self._target is not None else "",
                ready=self._target is not None,
                working=not failing,
                waiting=len(self._waiting),
                failures=tries.failures,
                reason=tries.last.reason.value if failing else "",
                detail=tries.last.detail if failing else "",
                next_try_s=tries.left_s if failing and len(self._waiting) else None,
                sent=tries.sent,
            )

    def critical_age_s(self) -> float | None:
        """Return for how many seconds the oldest critical message has waited; None if none waits."""
        with self._changed:
            return self._waiting.critical_age_s(self._clock.monotonic_s())

    def loop_health(self) -> LoopHealth:
        """Tell whether the courier's thread goes round; a target that fails is no fault of the thread."""
        if self._thread is None or not self._thread.is_alive():
            return LoopHealth(
                name=f"target {self.name}", healthy=False, alive=False, detail="the thread does not run"
            )
        return self._heartbeat.health()

    # the thread

    def _run(self) -> None:
        while not self._stopping:
            self._heartbeat.beat()
            try:
                wait_s = self._turn()
            except Exception as error:  # noqa: BLE001 - whatever happens, the next message must find somebody
                kind = type(error).__name__  # its text may hold an address
                log.error("courier failed", extra={"target": self.name, "error": kind})
                self._fail((), Answer(Outcome.TRY_AGAIN, Reason.BROKEN, kind))
                self._sending = ()
                wait_s = 1.0
            self._wait(wait_s)
        self._marks.close(_IDLE_S)

    def _turn(self) -> float:
        """Do what can be done now; return how many seconds there is nothing to do."""
        if self._target is None and not self._ready():
            return 1.0
        self._read_outbox()
        self._look_at_calls()
        letter, messages, wait_s = self._next_letter()
        if self._overtaken(messages):
            return 0.0  # and choose anew
        if letter is None:
            self._marks.write()
            return wait_s
        self._send(letter, messages)
        return 0.0

    def _wait(self, wait_s: float) -> None:
        with self._changed:
            if wait_s > 0 and not self._woken and not self._stopping:
                self._settled = not self._marks.busy
                self._changed.notify_all()
                self._changed.wait(min(wait_s, _IDLE_S))
            self._woken = False

    def _wake(self) -> None:
        self._woken = True
        self._settled = False
        self._changed.notify_all()

    def _ready(self) -> bool:
        if self._tries.left_s:
            return False
        try:
            target = self._open_target()
        except ConfigError as error:
            self._fail((), Answer(Outcome.TRY_AGAIN, Reason.MISCONFIGURED, str(error)))
            return False
        with self._changed:
            self._target = target
            self._tries.opened()
        return True

    def _read_outbox(self) -> None:
        with self._changed:
            if self._waiting.overflowed and len(self._waiting) < 100:
                self._waiting.overflowed, self._reload = False, True
            if not self._reload:
                return
            self._reload = False
        messages = self._marks.read(self.name)
        if messages is None:
            self._reload = True  # with the next turn, at the latest after the idle wait
        elif messages:
            self.offer(messages)

    def _look_at_calls(self) -> None:
        """See which tries that were given up on have ended after all."""
        for call in tuple(self._calls):
            if call.answer is not None:
                self._calls.remove(call)
                if call.answer.outcome is Outcome.SENT:
                    self._settle_answer(call.messages, call.answer)

    def _next_letter(self) -> tuple[Letter | None, tuple[Message, ...], float]:
        assert self._target is not None
        monotonic_s, wall_s = self._clock.monotonic_s(), self._clock.wall_s()
        with self._changed:
            old = self._waiting.too_old(monotonic_s)
            if old:
                self._marks.given_up(self._waiting.close(old), Reason.TOO_OLD)
                log.warning("messages given up", extra={"target": self.name, "count": len(old)})
            self._marks.given_up(self._waiting.close(self._waiting.superseded()), Reason.SUPERSEDED)
            # A try without an answer may still succeed: for a while no second copy is sent.
            hanging = [call for call in self._calls if call.age_s() < 2 * self._timeout_s]
            if hanging or len(self._calls) >= _HANGING_CALLS:
                return None, (), self._timeout_s
            pause_s = self._tries.left_s
            if pause_s:
                return None, (), pause_s
            if self._waiting.promised(monotonic_s):  # a lesser message begun now would stand in its way
                return None, (), self._waiting.next_ready_s(monotonic_s)
            due = self._waiting.ready(monotonic_s)
            ready = tuple(message for message in due if self._may_tell(message))
            choice = self._rules.choose(ready, monotonic_s, wall_s)
            undrawn = self._undrawn(choice.messages)
            if undrawn:  # the others need not wait for a picture
                others = [message for message in ready if message.event.token not in undrawn]
                choice = self._rules.choose(others, monotonic_s, wall_s)
            if not choice.messages:
                wait_s = min(choice.wait_s, self._waiting.next_ready_s(monotonic_s), *undrawn.values())
                return None, (), wait_s if len(ready) == len(due) else min(wait_s, _NOT_OURS_S)
            self._sending = choice.messages
        letter = self._rules.wording.letter(choice.messages, wall_s, self._target.limit)
        return letter, choice.messages[: letter.count], 0.0

    def _overtaken(self, messages: Sequence[Message]) -> bool:
        """Take out of what was to go now what is no longer worth it, or not yet; tell whether there was any."""
        monotonic_s, wall_s = self._clock.monotonic_s(), self._clock.wall_s()
        with self._changed:
            notices = [message for message in messages if message.event.kind is EventKind.NOTED]
            waited = self._waiting.waited(notices, monotonic_s, _WEIGHED_AFTER_S)
        if not waited or self._store is None:
            return False
        found = weigh(self._store, [message.event for message in waited], wall_s)
        dropped = [m for m in waited if m.event.token in found and found[m.event.token].overtaken]
        snoozed = [m for m in waited if m.event.token in found and found[m.event.token].wait_until_s > wall_s]
        for message in dropped:
            by = found[message.event.token].overtaken
            extra = {"target": self.name, "id": message.event.token, "by": by}
            log.info("message overtaken", extra=extra)
        with self._changed:
            self._marks.given_up(self._waiting.close(dropped), Reason.OVERTAKEN)
            for message in snoozed:
                left_s = found[message.event.token].wait_until_s - wall_s
                self._waiting.hold([message], monotonic_s + min(left_s, _WEIGHED_AGAIN_S))
            if dropped or snoozed:
                self._sending = ()
        return bool(dropped or snoozed)

    def _may_tell(self, message: Message) -> bool:
        mine = self._turf.mine(message.event.alarm.vessel)
        stored = message.row is not None
        return (mine or not stored) and self._turf.may_tell(stored=stored)

    def _pictured(self) -> bool:
        """Tell whether pictures go along: the target takes them, and was not too slow to answer lately."""
        return self._target is not None and self._target.takes_pictures and not self._tries.slow

    def _undrawn(self, messages: Sequence[Message]) -> dict[str, float]:
        """Have pictures drawn; return the events whose picture is not there yet, with the seconds left for it."""
        if self._attaching is None or not self._pictured():
            return {}
        waits = {m.event.token: self._attaching.wait_s(m.event, self.wake) for m in messages}
        return {token: wait_s for token, wait_s in waits.items() if wait_s > 0}

    def _attachments(self, messages: Sequence[Message]) -> tuple[Attachment, ...]:
        if self._attaching is None or not self._pictured():
            return ()
        found = (self._attaching.attachment(message.event) for message in messages)
        return tuple(one for one in found if one is not None)[:MOST_IN_A_MESSAGE]

    def _send(self, letter: Letter, messages: tuple[Message, ...]) -> None:
        assert self._target is not None
        self._rules.spend(self._clock.monotonic_s(), self._target.pause_s)
        attachments = self._attachments(messages)
        answer = self._try(replace(letter, attachments=attachments), messages)
        if attachments and answer.outcome is Outcome.TRY_AGAIN and answer.reason is not Reason.TIMED_OUT:
            answer = self._try(letter, messages)  # it may be the picture that is not liked
            if answer.outcome is Outcome.SENT:
                log.warning("target takes the message without its picture", extra={"target": self.name})
        self._settle_answer(messages, answer)

    def _try(self, letter: Letter, messages: tuple[Message, ...]) -> Answer:
        assert self._target is not None
        call = SendCall(self._target, letter, messages, self.wake)
        answer = call.run(self._timeout_s)
        if answer is None:
            self._calls.append(call)
            return Answer(Outcome.TRY_AGAIN, Reason.TIMED_OUT, f"no answer within {self._timeout_s:g} s")
        return answer

    def _settle_answer(self, messages: Sequence[Message], answer: Answer) -> None:
        critical = any(message.event.priority is Priority.CRITICAL for message in messages)
        if answer.outcome is Outcome.SENT:
            with self._changed:
                self._marks.sent(self._waiting.close(messages))
                self._tries.taken(len(messages))
        elif answer.outcome is Outcome.GIVE_UP and not critical:
            with self._changed:
                self._marks.given_up(self._waiting.close(messages), answer.reason)
            self._tries.refused(answer)
        else:
            self._fail(messages, answer)
        if (
            self._marks.waiting >= _MARKS_TOGETHER
        ):  # else when nothing is left to send: a commit takes its time
            self._marks.write()
        self._sending = ()

    def _fail(self, messages: Sequence[Message], answer: Answer) -> None:
        with self._changed:
            longest_s = self._rules.longest_pause_s(self._tries.failures + 1, urgent=self._waiting.critical)
            pause_s = random.uniform(0, longest_s)
            self._tries.failed(answer, pause_s)
            rows = self._waiting.tried(messages)
        self._marks.tried(rows, self._tries.failures, answer.reason, pause_s)
