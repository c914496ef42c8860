"""The picture of a batch that goes with the message of its end."""

import time
from collections.abc import Callable, Mapping, Sequence

from ullage.daemon.chart.batch import batch_picture
from ullage.daemon.chart.layout import PHONE
from ullage.daemon.chart.lookback import LookBack
from ullage.daemon.chart.png_apart import to_png_apart
from ullage.daemon.chart.still import draw_still
from ullage.daemon.chart.units import Units
from ullage.daemon.clock import Clock
from ullage.daemon.config_vessels import WatchedVessel
from ullage.daemon.events import Event
from ullage.daemon.local_time import LocalTime
from ullage.daemon.store.store import Store
from ullage.daemon.watched import Watched

DOTS_PER_PIXEL = 3
"""A phone's screen has about so many dots to a pixel of the layout."""
_BACK_S = 10 * 86_400.0
"""What is shown where no batch is known."""
_BEYOND = 0.02
"""Room after the moment of the end, as a share of what is shown."""


def draw_end(
    store: Store,
    vessels: Sequence[WatchedVessel],
    clock: Clock,
    zone: LocalTime,
    running: Callable[[], Mapping[str, Watched]],
    event: Event,
    timeout_s: float,
) -> bytes:
    """Return the batch up to an event as PNG.

    Parameters
    ----------
    store, vessels, clock, running
        As for `LookBack`.
    zone
        In which times are shown.
    event
        The end of a fermentation.
    timeout_s
        How long it may take.

    Raises
    ------
    StoreError
        If the database refuses.
    DataError
        If it can't be drawn, or not in time.
    """
    until_s = time.monotonic() + timeout_s
    lookback = LookBack(store, vessels, clock, running)
    name = event.alarm.vessel
    batch = lookback.batch_at(name, event.time_s)
    start_s = event.time_s - _BACK_S if batch is None else batch.start_s
    view = lookback.view(name, start_s, event.time_s) if batch is None else lookback.view_of(batch)
    picture = batch_picture(
        view,
        (start_s, event.time_s + _BEYOND * (event.time_s - start_s)),
        Units(),
        zone,
        title=name,
        now_s=event.time_s,
    )
    own_name = batch.wishes.name if batch is not None and batch.wishes is not None else ""
    svg = draw_still(picture, PHONE, f"{name}: {own_name}" if own_name else name)
    width = round(PHONE.width * DOTS_PER_PIXEL)
    return to_png_apart(svg, width=width, timeout_s=max(until_s - time.monotonic(), 0.1))
