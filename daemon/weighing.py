"""Looks up whether messages that have waited still stand, beside everything else.

Reading has a thread of its own: a disk that takes its time must not keep the courier from the next message.
"""

import logging
import threading
from collections.abc import Mapping, Sequence

from ullage.adapters.errors import StoreError
from ullage.daemon.events import Event
from ullage.daemon.overtaken import Standing, situation, standing
from ullage.daemon.store.store import Store

log = logging.getLogger(__name__)

_PATIENCE_S = 2.0
"""So long a critical message may have to wait for a look at the others."""


def weigh(store: Store, events: Sequence[Event], now_s: float) -> Mapping[str, Standing]:
    """Return by its token how each event stands; nothing if the database refuses or takes long: better told than lost."""
    found: dict[str, Standing] = {}

    def look() -> None:
        try:
            known = {vessel: situation(store, vessel) for vessel in {event.alarm.vessel for event in events}}
            found.update({e.token: standing(e, known[e.alarm.vessel], now_s) for e in events})
        except StoreError as error:
            log.warning("messages go out unweighed", extra={"error": str(error)})

    looking = threading.Thread(target=look, name="weighing", daemon=True)
    looking.start()
    looking.join(_PATIENCE_S)
    return dict(found)
