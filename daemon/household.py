"""What is to be said of the daemons themselves where several share the vessels: who was lost, and who knows what."""

import logging
from collections.abc import Collection, Sequence

from ullage.daemon.alarms import AlarmDesk, signed
from ullage.daemon.clock import Clock
from ullage.daemon.service import unknown_vessels
from ullage.daemon.store.leases import HOUSE, Member
from ullage.daemon.turf import Turf
from ullage.detectors.finding import Priority

log = logging.getLogger(__name__)

LOST = "daemon-lost"
DIFFERS = "configuration-differs"


class Household:
    """Speaks for the installation as a whole; all but `mourn` only where this daemon holds that part.

    Parameters
    ----------
    vessels
        Names of all that are configured.
    """

    def __init__(self, desk: AlarmDesk, turf: Turf, vessels: Collection[str], clock: Clock) -> None:
        self._desk = desk
        self._turf = turf
        self._vessels = vessels
        self._clock = clock
        self._agreed = True

    def look(self, members: Sequence[Member]) -> None:
        """Clear the alarm of a daemon that is back, and compare what all of them know."""
        if not self._turf.mine(HOUSE):
            return
        here = {member.name for member in members if not member.overdue}
        for alarm in self._desk.standing(HOUSE):
            if alarm.key.condition == LOST and alarm.active and alarm.key.subject in here:
                text = f"The daemon {alarm.key.subject} is back."
                self._desk.report(LOST, False, text, subject=alarm.key.subject, common=True)
        self._agreed = len({member.knows for member in members}) <= 1
        text = (
            "All daemons know the same vessels."
            if self._agreed
            else f"The daemons {', '.join(sorted(here))} don't have the same vessels in their configurations, and one "
            "that not all of them know may be watched by none. Give all the same configuration and start them anew."
        )
        self._desk.report(DIFFERS, not self._agreed, text, priority=Priority.HIGH, common=True)

    def mourn(self, buried: Sequence[Member]) -> None:
        """Say that a daemon was lost, and take back what it said of itself."""
        for member in buried:
            log.error("a daemon is lost", extra={"daemon": member.name, "machine": member.machine})
            text = (
                f"The daemon {member.name} on {member.machine} has not been heard of any more; the others watch its "
                "vessels now. Look after that machine: there is one fewer to take over next time."
            )
            self._desk.report(LOST, True, text, subject=member.name, common=True)
            for alarm in self._desk.standing(HOUSE):
                if alarm.active and alarm.key.subject.endswith(signed("", member.name)):
                    self._desk.report(
                        alarm.key.condition,
                        False,
                        f"The daemon {member.name} runs no more.",
                        subject=alarm.key.subject,
                        common=True,
                    )

    def move_in(self) -> None:
        """Clear alarms of vessels that are no longer configured, as far as all agree what is."""
        if not self._agreed:
            return
        for name in unknown_vessels(self._desk, dict.fromkeys(self._vessels)):
            log.info("alarms of a vessel that is no longer configured are cleared", extra={"vessel": name})
            self._desk.reconcile(name, (), self._clock.wall_s())
