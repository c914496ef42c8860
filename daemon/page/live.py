"""Live pages: one look a second for all of them, and to each page only what has changed for it.

Server-Sent Events (WHATWG HTML, section 9.2) over plain HTTP. What is sent is the same pieces of HTML that the page was
first loaded with, so there is one place that knows how a vessel looks. Nobody looks while no page is open.
"""

import asyncio
import json
import logging
from collections.abc import AsyncIterator, Callable, Mapping
from dataclasses import dataclass, field

from ullage.daemon.chart.units import Units

log = logging.getLogger(__name__)

EVERY_S = 1.0
QUIET_S = 5.0
"""A page hears at least this often, so that it notices soon when it hears nothing."""
MOST_PAGES = 100

Pieces = Mapping[str, str]
Look = Callable[[frozenset[Units]], Mapping[Units, Pieces]]
"""Returns the pieces in each of the units; may take a moment, and is called in a thread of its own."""


@dataclass(slots=True, eq=False)
class _Page:
    units: Units
    sent: dict[str, str]
    queue: "asyncio.Queue[str]" = field(default_factory=lambda: asyncio.Queue(maxsize=8))
    heard_s: float = 0.0
    ok: bool = True


class Live:
    """All open pages.

    Parameters
    ----------
    look
        See `Look`.
    now_s
        The daemon's time, for pages to tell ages by.
    every_s
        How often to look.
    """

    def __init__(self, look: Look, now_s: Callable[[], float], every_s: float = EVERY_S) -> None:
        self._look = look
        self._now_s = now_s
        self._every_s = every_s
        self._pages: set[_Page] = set()
        self._task: asyncio.Task[None] | None = None
        self._woken = asyncio.Event()
        self._said = ""
        self.stopping = False

    @property
    def count(self) -> int:
        """Open pages."""
        return len(self._pages)

    def wake(self) -> None:
        """Look at once: something has been done. For the server's own thread."""
        self._woken.set()

    async def events(self, units: Units) -> AsyncIterator[str]:
        """Yield events for one page until it goes away or the server stops."""
        page = _Page(units, {})
        self._pages.add(page)
        self._woken.set()
        if self._task is None or self._task.done():
            self._task = asyncio.create_task(self._run())
        try:
            yield "retry: 3000\n\n"
            while not self.stopping:
                try:
                    yield await asyncio.wait_for(page.queue.get(), 1.0)
                except TimeoutError:
                    continue
        finally:
            self._pages.discard(page)

    async def _run(self) -> None:
        """Look once a second while there is anybody to show it to."""
        loop = asyncio.get_running_loop()
        while self._pages and not self.stopping:
            self._woken.clear()
            wanted = frozenset(page.units for page in self._pages)
            looked_s = self._now_s()  # of this moment, not of a later one, ages are true
            try:
                pieces = await loop.run_in_executor(None, self._look, wanted)
            except Exception as error:  # noqa: BLE001 - pages must learn of it, and the next look may be better
                self._complain(error)
                pieces = {}
            else:
                self._said = ""
            for page in tuple(self._pages):
                self._tell(page, pieces.get(page.units), looked_s, loop.time())
            try:
                await asyncio.wait_for(self._woken.wait(), self._every_s)
            except TimeoutError:
                continue

    def _tell(self, page: _Page, pieces: Pieces | None, looked_s: float, now_s: float) -> None:
        """Send a page what is new for it; one that does not keep up is sent everything later."""
        if pieces is None:
            news: dict[str, str] = {}
        else:
            news = {key: html for key, html in pieces.items() if page.sent.get(key) != html}
        ok = pieces is not None
        if not news and ok is page.ok and now_s - page.heard_s < QUIET_S:
            return
        told = {"now": round(looked_s, 3), "ok": ok, "pieces": news}
        try:
            page.queue.put_nowait(f"data: {json.dumps(told, ensure_ascii=False)}\n\n")
        except asyncio.QueueFull:
            return
        page.sent.update(news)
        page.heard_s, page.ok = now_s, ok

    def _complain(self, error: Exception) -> None:
        said = f"{type(error).__name__}: {error}"
        if said != self._said:  # a repeating failure is logged once, until it changes
            self._said = said
            log.error("the page can't look", extra={"error": said})
