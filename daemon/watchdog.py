"""Tells the service manager that the daemon is alive, only when every loop of it is."""

import logging
from collections.abc import Callable
from dataclasses import dataclass

from ullage.daemon.clock import Clock
from ullage.daemon.health import Health, LoopHealth

log = logging.getLogger(__name__)

SendProbe = Callable[[Callable[[], None]], bool]
"""Puts an action at the end of the pipeline's queue; False when it found no place."""


@dataclass(slots=True)
class _Probe:
    sent_s: float
    returned: bool = False

    def arrive(self) -> None:
        self.returned = True


class Watchdog:
    """Sends `WATCHDOG=1` when every loop moved and a probe has come through the pipeline's queue since the last time.

    Parameters
    ----------
    health
        All loops.
    send_probe
        The way into the pipeline that readings take.
    notify
        Sends words to the service manager.
    interval_s
        Half of what the service manager allows; None when it watches nothing, in which case only the status is sent.
    """

    def __init__(
        self,
        health: Health,
        send_probe: SendProbe,
        notify: Callable[[str], object],
        clock: Clock,
        *,
        interval_s: float | None,
    ) -> None:
        self._health = health
        self._send_probe = send_probe
        self._notify = notify
        self._clock = clock
        self._watched = interval_s is not None
        self._interval_s = interval_s if interval_s is not None else 15.0
        self._due_s = clock.monotonic_s()
        self._probe: _Probe | None = None
        self._first = True
        self._said = ""
        self.trouble: tuple[LoopHealth, ...] = ()

    def ready(self, status: str) -> None:
        """Say that the service has started; the database is open by then."""
        self._notify(f"READY=1\nSTATUS={status}")

    def reloading(self) -> None:
        """Say that a configuration is being taken over; `ready` ends that."""
        moment_us = round(self._clock.monotonic_s() * 1e6)
        self._notify(f"RELOADING=1\nMONOTONIC_USEC={moment_us}\nSTATUS=Taking the configuration over")

    def turn(self, status: str) -> bool:
        """Look at the loops when it is time; return whether all was well at the last look."""
        now_s = self._clock.monotonic_s()
        if now_s < self._due_s:
            return not self.trouble
        self._due_s = now_s + self._interval_s
        self.trouble = tuple(
            loop for loop in (*self._health.loops(), self._probed(now_s)) if not loop.healthy
        )
        self._first = False
        self._probe = _Probe(now_s)
        if not self._send_probe(self._probe.arrive):
            self._probe = None
        if self.trouble:
            words = "; ".join(f"{loop.name}: {loop.detail}" for loop in self.trouble)
            self._notify(f"STATUS=In trouble: {words}")
            names = ",".join(loop.name for loop in self.trouble)
            if self._said != names:  # logged once until it changes
                log.error("a loop is stuck", extra={"loops": names, "detail": words})
            self._said = names
            return False
        if self._said:
            log.info("all loops go round again")
            self._said = ""
        self._notify(f"WATCHDOG=1\nSTATUS={status}" if self._watched else f"STATUS={status}")
        return True

    def stopping(self) -> None:
        """Say that the service is on its way out."""
        self._notify("STOPPING=1\nSTATUS=Writing what is left")

    def _probed(self, now_s: float) -> LoopHealth:
        if self._probe is None:
            return LoopHealth(name="pipeline", healthy=self._first, detail="its queue is full")
        age_s = now_s - self._probe.sent_s
        detail = f"a probe sent {age_s:.0f} s ago has not come through"
        return LoopHealth(name="pipeline", healthy=self._probe.returned, detail=detail)
