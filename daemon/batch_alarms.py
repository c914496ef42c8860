"""A batch that ends takes its alarms with it: the detectors clear them, and nobody is asked about them any more."""

import math

from ullage.daemon.alarms import AlarmDesk
from ullage.detectors.finding import OF_THE_BATCH


def acknowledge_ended(desk: AlarmDesk, vessel: str, actor: str, before_s: float = math.inf) -> None:
    """Acknowledge what stands about a batch: whoever ends it has taken care of that.

    Parameters
    ----------
    desk
        Knows what stands.
    vessel
        What it was in.
    actor
        By whom or what it was ended.
    before_s
        When: what was raised since is about what is in the vessel now.

    Raises
    ------
    StoreError
        If this process can't write it and nobody would remember it.
    """
    standing = {alarm.condition for alarm in desk.standing(vessel) if alarm.raised_s < before_s}
    for condition in sorted(standing & OF_THE_BATCH):
        desk.acknowledge(vessel, condition, actor)
