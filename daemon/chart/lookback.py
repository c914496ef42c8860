"""Looking back on a vessel: which batches it held, and everything that a chart of one may show."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from ullage.adapters.errors import ConfigError
from ullage.daemon import outbox
from ullage.daemon.chart.batch import BatchView, Curve, Rates, condition_words
from ullage.daemon.chart.batch_spans import LOOK_BACK_S, BatchSpan, batch_spans
from ullage.daemon.chart.history import History
from ullage.daemon.chart.past_rates import PastRates, rates_of
from ullage.daemon.chart.picture import Mark, MarkKind
from ullage.daemon.clock import Clock
from ullage.daemon.config_vessels import WatchedVessel
from ullage.daemon.events import TO_DO, Event, EventKind
from ullage.daemon.store.journal import JournalEntry
from ullage.daemon.store.store import Store
from ullage.daemon.watched import Watched
from ullage.detectors.journal import Word, understand
from ullage.detectors.samples import Entry, Kind
from ullage.detectors.vessel import Vessel

DAY_S = 86_400.0
EARLIER = "those of an earlier batch stand in its own chart"
_MOST_EVENTS = 500


class LookBack:
    """Safe to call from several threads; reads the database, never writes.

    Parameters
    ----------
    store
        The database.
    vessels
        As configured.
    clock
        Which batch is over, and what may still change.
    running
        Returns the detectors at work, by vessel: what they know of the batch that is in it.
    """

    def __init__(
        self,
        store: Store,
        vessels: Sequence[WatchedVessel],
        clock: Clock,
        running: Callable[[], Mapping[str, Watched]],
    ) -> None:
        self._store = store
        self._vessels = {watched.vessel.name: watched for watched in vessels}
        self._clock = clock
        self._running = running
        self._history = History(store, clock)
        self._past_rates = PastRates(store)

    def vessel(self, name: str) -> Vessel:
        """Return a vessel with the wishes of the batch that is in it.

        Raises
        ------
        KeyError
            If there is none of that name.
        """
        watched = self._running().get(name)
        return watched.watch.vessel if watched is not None else self._vessels[name].vessel

    def batches(self, name: str) -> tuple[BatchSpan, ...]:
        """Return what can be looked at of a vessel, the newest first.

        Raises
        ------
        StoreError
            If the database refuses.
        """
        return batch_spans(self._store, name, self._clock.wall_s())

    def batch_at(self, name: str, time_s: float) -> BatchSpan | None:
        """Return the batch that was in a vessel at a moment."""
        for span in self.batches(name):
            if span.start_s <= time_s <= (span.end_s if span.end_s is not None else time_s):
                return span
        return None

    def current_span(self, name: str) -> tuple[float, float]:
        """Return the span of what is in a vessel now, from its beginning to this moment."""
        spans = self.batches(name)
        now_s = self._clock.wall_s()
        start_s = spans[0].start_s if spans and spans[0].end_s is None else now_s - DAY_S
        return min(start_s, now_s - 3600.0), now_s

    def curves(self, name: str, start_s: float, end_s: float) -> Mapping[Kind, Curve]:
        """Return temperature, pressure and the air's temperature between two moments.

        Raises
        ------
        StoreError
            If the database refuses.
        """
        return self._history.curves(name, start_s, end_s)

    def view(self, name: str, start_s: float, end_s: float) -> BatchView:
        """Return everything that a chart of a vessel shows between two moments; rates are those of the batch in it.

        Raises
        ------
        StoreError
            If the database refuses.
        """
        watched = self._running().get(name)
        rates = Rates() if watched is None else rates_of(watched.watch.record)
        view = replace(self._view(name, start_s, end_s), rates=rates)
        return replace(view, no_rates=EARLIER) if end_s <= self.current_span(name)[0] else view

    def view_of(self, span: BatchSpan) -> BatchView:
        """Return everything that a chart of a whole batch shows, with that batch's own wishes and rates.

        Raises
        ------
        ConfigError
            If its vessel is no longer configured.
        StoreError
            If the database refuses.
        """
        if span.end_s is None:
            now_s = self._clock.wall_s()
            return _within(self.view(span.vessel, span.start_s, now_s), span.start_s, now_s)
        configured = self._vessels.get(span.vessel)
        if configured is None:
            raise ConfigError("vessel", f"{span.vessel} is not in the configuration")
        then = replace(configured, vessel=configured.vessel.carrying(span.wishes))
        measured = self._past_rates.of(then, span.start_s, span.end_s)
        view = replace(
            _within(self._view(span.vessel, span.start_s, span.end_s), span.start_s, span.end_s),
            vessel=then.vessel,
            rates=measured.rates,
        )
        return replace(view, no_rates=measured.why_none) if measured.why_none else view

    def _view(self, name: str, start_s: float, end_s: float) -> BatchView:
        curves = self._history.curves(name, start_s, end_s)
        entries = self._store.entries(name, start_s - LOOK_BACK_S, end_s)
        shown = [entry for entry in entries if entry.time_s >= start_s and not _of_no_use(entry.text)]
        return BatchView(
            vessel=self.vessel(name),
            temperature=curves[Kind.TEMPERATURE],
            pressure=curves[Kind.PRESSURE],
            air=curves[Kind.AIR],
            entries=tuple(Entry(time_s=entry.time_s, text=entry.text) for entry in entries),
            marks=_marks(shown, self._events(name, start_s, end_s)),
        )

    def _events(self, name: str, start_s: float, end_s: float) -> Sequence[Event]:
        with self._store.reading() as connection:
            return outbox.read_events(connection, name, start_s, _MOST_EVENTS, until_s=end_s)


def _within(view: BatchView, start_s: float, end_s: float) -> BatchView:
    """Leave out what another batch in the same vessel read, on the same day before or after."""
    return replace(
        view,
        temperature=view.temperature.between(start_s, end_s),
        pressure=view.pressure.between(start_s, end_s),
        air=view.air.between(start_s, end_s),
    )


def _marks(entries: Sequence[JournalEntry], events: Sequence[Event]) -> tuple[Mark, ...]:
    found = [(entry.time_s, MarkKind.JOURNAL, entry.text) for entry in entries]
    for event in events:
        if event.alarm.condition == TO_DO:
            continue  # it marks nothing that happened
        words = condition_words(event.alarm.condition, event.alarm.subject)
        if event.kind is EventKind.CLEARED:
            found.append((event.time_s, MarkKind.OVER, f"{words} over"))
        elif event.kind is EventKind.NOTED:
            found.append((event.time_s, MarkKind.NOTICE, words))
        elif event.kind is EventKind.RAISED:
            found.append((event.time_s, MarkKind.ALARM, words))
    found.sort(key=lambda item: item[0])
    return tuple(
        Mark(time_s=at, kind=kind, text=text, number=number)
        for number, (at, kind, text) in enumerate(found, start=1)
    )


def _of_no_use(text: str) -> bool:
    """Tell whether an entry only says what the batch's own list says already."""
    known = understand(text)
    return known is not None and known.word in (Word.BATCH_STARTED, Word.BATCH_ENDED)
