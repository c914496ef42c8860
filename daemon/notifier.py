"""The notifier: one courier for each target, and the way from the alarm desk to them."""

import logging
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from functools import partial

from ullage.adapters.errors import ConfigError
from ullage.daemon import outbox
from ullage.daemon.attaching import Attaching
from ullage.daemon.clock import Clock, SystemClock
from ullage.daemon.courier import Courier, TargetHealth
from ullage.daemon.delivery import Answer, Outcome, Reason, Target, open_target
from ullage.daemon.events import Event
from ullage.daemon.health import LoopHealth
from ullage.daemon.local_time import LocalTime
from ullage.daemon.notify_settings import NotifySettings, TargetSettings
from ullage.daemon.outbox import Message
from ullage.daemon.send_call import SendCall
from ullage.daemon.sending_rules import Rules
from ullage.daemon.store.leases import HOUSE
from ullage.daemon.store.store import Store
from ullage.daemon.turf import Everything, Turf
from ullage.daemon.wording import Letter
from ullage.detectors.finding import Priority

log = logging.getLogger(__name__)

OVERDUE_S = 600.0
"""Age at which an unsent critical message is a matter for the log and for whoever watches the daemon."""

Opener = Callable[[str, TargetSettings], Target]


@dataclass(frozen=True, slots=True, kw_only=True)
class NotifierHealth:
    """How telling goes."""

    targets: tuple[TargetHealth, ...]
    oldest_critical_s: float | None
    """Age in seconds of the oldest critical message that some target has not taken; None if there is none."""

    @property
    def overdue(self) -> bool:
        """Whether a critical message has waited for too long."""
        return self.oldest_critical_s is not None and self.oldest_critical_s > OVERDUE_S


class Notifier:
    """Tells people. It is the `Routes` of the alarm desk.

    Parameters
    ----------
    settings
        Whom, when and how often.
    store
        The outbox; None to tell without one, as the demo may.
    clock
        Time for back-off and quiet hours.
    timezone
        IANA name of the zone that counts if the settings name none; empty for the machine's own.
    opener
        Makes a target from its settings.
    attaching
        Makes the pictures that go with messages; None for none.
    turf
        Whose messages go from here, where several daemons share the vessels.
    """

    def __init__(
        self,
        settings: NotifySettings,
        store: Store | None,
        clock: Clock | None = None,
        *,
        timezone: str = "",
        opener: Opener = open_target,
        attaching: Attaching | None = None,
        turf: Turf | None = None,
    ) -> None:
        self._store = store
        self._turf = turf or Everything()
        self._clock = clock or SystemClock()
        self._settings = settings
        self._targets = settings.named_targets()
        local = LocalTime.named(settings.timezone or timezone)
        self._couriers = {
            name: Courier(
                name,
                partial(opener, name, target),
                store,
                self._clock,
                Rules(settings, local),
                timeout_s=target.timeout_s,
                attaching=attaching,
                turf=self._turf,
            )
            for name, target in self._targets
        }

    def start(self) -> None:
        """Start all couriers; what an earlier run left in the outbox goes out.

        Raises
        ------
        ConfigError
            If there is no target, or an address is not where it should be. Whether the address is understood shows
            in `health`.
        StoreError
            If the outbox can't be read.
        """
        if not self._couriers:
            raise ConfigError("notify.targets", "there is nobody to tell", "give at least one target")
        self.require_addresses()
        for warning in self._settings.warnings():
            log.warning("notify settings", extra={"warning": warning})
        if self._turf.mine(HOUSE):
            self.reroute()
        for courier in self._couriers.values():
            courier.start()

    def reroute(self) -> None:
        """Hand what waits for targets that are no longer there to those that are.

        Raises
        ------
        StoreError
            If the database refuses.
        """
        if self._store is None:
            return
        with self._store.transaction() as connection:
            moved = outbox.reroute(connection, tuple(self._couriers), self.targets_for, self._clock.wall_s())
        if moved:
            log.warning("messages rerouted, their target is gone", extra={"count": moved})

    def require_addresses(self) -> None:
        """Look whether every address is where it should be.

        Raises
        ------
        ConfigError
            If one is not.
        """
        for name, target in self._targets:
            if not target.to_console:
                target.read(f"target {name}")

    def stop(self, timeout_s: float = 5.0) -> None:
        """End all couriers after the try that each is at; what waits stays in the outbox."""
        for courier in self._couriers.values():
            courier.ask_to_stop()
        deadline_s = SystemClock().monotonic_s() + timeout_s
        for courier in self._couriers.values():
            courier.join(max(deadline_s - SystemClock().monotonic_s(), 0.0))

    def wake(self) -> None:
        """Have every courier read the outbox anew: another process may have written to it."""
        for courier in self._couriers.values():
            courier.wake(reload=True)

    def forget(self, vessels: Collection[str]) -> None:
        """Leave what waits for these vessels in the outbox to the daemon that holds them next."""
        for courier in self._couriers.values():
            courier.forget(vessels)

    def busy_with(self, vessels: Collection[str]) -> bool:
        """Tell whether a message about these vessels is on its way to some target."""
        return any(courier.busy_with(vessels) for courier in self._couriers.values())

    def settle(self, timeout_s: float = 10.0) -> bool:
        """Wait until all that may go now has gone; return whether that came about within `timeout_s` seconds."""
        deadline_s = SystemClock().monotonic_s() + timeout_s
        return all(
            courier.settle(max(deadline_s - SystemClock().monotonic_s(), 0.0))
            for courier in self._couriers.values()
        )

    def health(self) -> NotifierHealth:
        """Tell how telling goes."""
        return NotifierHealth(
            targets=tuple(courier.health() for courier in self._couriers.values()),
            oldest_critical_s=self._oldest_critical_s(),
        )

    def loops(self) -> tuple[Callable[[], LoopHealth], ...]:
        """Return what the watchdog asks: whether each courier's thread goes round."""
        return tuple(courier.loop_health for courier in self._couriers.values())

    def check_overdue(self) -> bool:
        """Log critical messages that nobody took for too long; return whether there are any."""
        found = self.health()
        if found.overdue:
            reasons = ", ".join(f"{target.name} {target.reason or 'waits'}" for target in found.targets)
            age_s = round(found.oldest_critical_s or 0.0)
            log.critical("critical message unsent", extra={"age_s": age_s, "targets": reasons})
        return found.overdue

    # what the desk asks

    def targets_for(self, priority: Priority) -> tuple[str, ...]:
        """Return the names of the targets that are told of a priority."""
        return tuple(name for name, target in self._targets if priority in target.priorities)

    def stored(self, messages: Sequence[Message]) -> None:
        """Take messages whose rows are committed; those of other daemons' vessels are told by these."""
        messages = [message for message in messages if self._turf.mine(message.event.alarm.vessel)]
        for name, courier in self._couriers.items():
            own = [message for message in messages if message.target == name]
            if own:
                courier.offer(own)

    def urgent(self, events: Sequence[Event], delay_s: float = 0.0) -> None:
        """Take events without rows."""
        for event in events:
            for name in self.targets_for(event.priority):
                self._couriers[name].offer([Message(row=None, event=event, target=name)], delay_s)

    def withdraw(self, events: Sequence[Event]) -> None:
        """Forget events without rows."""
        keys = [event.key for event in events]
        if keys:
            for courier in self._couriers.values():
                courier.withdraw(keys)

    def _oldest_critical_s(self) -> float | None:
        """Return the age of the oldest critical message that waits, by the couriers' own count of time."""
        ages = [
            age_s for courier in self._couriers.values() if (age_s := courier.critical_age_s()) is not None
        ]
        return max(ages, default=None)


def try_targets(
    settings: NotifySettings, text: str, *, opener: Opener = open_target
) -> tuple[tuple[str, Answer], ...]:
    """Send a test message to every target, past outbox and quiet hours; return each name with its answer.

    Raises
    ------
    ConfigError
        If there is no target, or an address is missing or not understood.
    """
    if not settings.targets:
        raise ConfigError("notify.targets", "there is nobody to tell", "give at least one target")
    opened = [(name, target, opener(name, target)) for name, target in settings.named_targets()]
    letter = Letter("○ Test: ullage", text, 1, Priority.LOW)
    answers = []
    for name, target, place in opened:
        answer = SendCall(place, letter, (), lambda: None).run(target.timeout_s)
        late = Answer(Outcome.TRY_AGAIN, Reason.TIMED_OUT, f"no answer within {target.timeout_s:g} s")
        answers.append((name, answer or late))
    return tuple(answers)
