"""Pictures that go with messages: drawn when a message is about to go, in bounded time, beside everything else.

A message waits for its picture no longer than agreed and goes without it whatever goes wrong; what has no picture, and
all that is critical, goes meanwhile. Several targets get the same picture, drawn once. Nothing is written down: after a
restart a message that has not gone is drawn for anew.
"""

import importlib.util
import logging
import threading
import time
from collections import OrderedDict, deque
from collections.abc import Callable
from dataclasses import dataclass, field

from ullage.daemon.alarm_states import AlarmKey
from ullage.daemon.events import Event, EventKind
from ullage.daemon.wording import Attachment
from ullage.detectors.finding import Condition

log = logging.getLogger(__name__)

LONGEST_S = 20.0
"""How long a message waits for its picture."""
KEPT = 4
"""Pictures remembered, each of some 100 kB, for targets that are told later."""
KNOWN = 500
"""Events remembered, so that none is drawn, and waited for, twice."""
MOST_IN_A_MESSAGE = 3

Draw = Callable[[Event, float], bytes]
"""Returns a PNG for an event; the seconds that it may take come with it."""


def can_draw() -> bool:
    """Tell whether what renders pictures, the extra `png`, is installed."""
    return importlib.util.find_spec("resvg_py") is not None


def wanted(event: Event) -> bool:
    """Tell whether a picture goes with an event: with the end of fermentation."""
    return event.kind is EventKind.NOTED and event.alarm.condition == Condition.FINISHED.value


@dataclass(slots=True)
class _Drawing:
    event: Event
    until_s: float
    """Monotonic seconds; nobody waits for longer."""
    ready: list[Callable[[], None]] = field(default_factory=list)
    over: bool = False
    data: bytes | None = None


class Attaching:
    """Safe to call from several threads; calls return at once.

    Parameters
    ----------
    draw
        See `Draw`; called in a thread of its own, one picture at a time.
    longest_s
        How long a message waits.
    """

    def __init__(self, draw: Draw, longest_s: float = LONGEST_S) -> None:
        self._draw = draw
        self._longest_s = longest_s
        self._lock = threading.Lock()
        self._drawings: OrderedDict[str, _Drawing] = OrderedDict()
        self._queue: deque[_Drawing] = deque()
        self._busy = False

    def wait_s(self, event: Event, ready: Callable[[], None]) -> float:
        """Return how many seconds a message may still wait for its picture: 0 if it is there, or none will come.

        The first call has it drawn.

        Parameters
        ----------
        event
            What the message tells of.
        ready
            Called, in another thread, when the picture is there or has failed.
        """
        if not wanted(event):
            return 0.0
        now_s = time.monotonic()  # a real wait, whatever clock the program runs on
        with self._lock:
            drawing = self._drawings.get(event.token)
            if drawing is None:
                drawing = _Drawing(event, now_s + self._longest_s)
                self._remember(drawing)
            if drawing.over or now_s >= drawing.until_s:
                return 0.0
            if ready not in drawing.ready:
                drawing.ready.append(ready)
            return drawing.until_s - now_s

    def attachment(self, event: Event) -> Attachment | None:
        """Return the picture of an event if it is there."""
        with self._lock:
            drawing = self._drawings.get(event.token)
            if drawing is None or drawing.data is None:
                return None
            return Attachment(_file_name(event.alarm), drawing.data)

    def _remember(self, drawing: _Drawing) -> None:
        self._drawings[drawing.event.token] = drawing
        while len(self._drawings) > KNOWN:
            self._drawings.popitem(last=False)
        self._queue.append(drawing)
        if not self._busy:
            self._busy = True
            threading.Thread(target=self._work, name="pictures", daemon=True).start()

    def _work(self) -> None:
        while True:
            with self._lock:
                if not self._queue:
                    self._busy = False
                    return
                drawing = self._queue.popleft()
            left_s = drawing.until_s - time.monotonic()
            data = self._drawn(drawing.event, left_s) if left_s > 0 else None
            with self._lock:
                drawing.data, drawing.over = data, True
                ready, drawing.ready = drawing.ready, []
                kept = [one for one in self._drawings.values() if one.data is not None]
                for one in kept[:-KEPT]:
                    one.data = None
            for call in ready:
                call()

    def _drawn(self, event: Event, left_s: float) -> bytes | None:
        try:
            return self._draw(event, left_s)
        except Exception as error:  # noqa: BLE001 - a message without a picture is better than none
            log.warning(
                "no picture goes with the message", extra={"vessel": event.alarm.vessel, "error": str(error)}
            )
            return None


def _file_name(alarm: AlarmKey) -> str:
    safe = "".join(c if c.isascii() and (c.isalnum() or c in "-_") else "-" for c in alarm.vessel)
    return f"{safe}-{alarm.condition}.png"
