"""The demo: two simulated vessels through the real pipeline, in simulated time, without broker, file or network.

Everything but the sensors is what runs at night: source, pipeline, detectors, alarm desk, outbox, notifier, store. The
source's thread drives the clock: readings are handed over in small steps, the clock is set to each step's time, and the
pipeline takes its turn there and then, so that a batch of a fortnight passes in a minute and comes out the same again.
"""

import contextlib
import itertools
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import partial

from ullage.adapters.reading import Delivery, Quantity, Reading
from ullage.adapters.simulated import SimulatedSettings, SimulatedSource
from ullage.adapters.simulation.batches import demo_cellar
from ullage.daemon.alarms import AlarmDesk
from ullage.daemon.batches import begin
from ullage.daemon.clock import ManualClock, SystemClock
from ullage.daemon.config_vessels import WatchedVessel
from ullage.daemon.demo_brewer import Brewer
from ullage.daemon.events import Event, EventKind
from ullage.daemon.notifier import Notifier
from ullage.daemon.notify_settings import NotifySettings, RateLimit, TargetSettings
from ullage.daemon.pipeline import Pipeline
from ullage.daemon.screen import Screen
from ullage.daemon.store.batches import keep_stages
from ullage.daemon.store.journal_tail import entries_after
from ullage.daemon.store.store import Store
from ullage.daemon.watched import Watched
from ullage.daemon.writer import Writer, WriterSettings
from ullage.detectors.batch import Batch, Beverage
from ullage.detectors.finding import Finding
from ullage.detectors.registry import compose
from ullage.detectors.samples import Kind
from ullage.detectors.stage import NextStep, Stage, StageChange, current
from ullage.detectors.vessel import Probe, Vessel
from ullage.detectors.watch import VesselWatch

ALE, LAGER = "heron", "otter"
"""Invented names."""
START_S = 1_772_355_600.0
"""2026-03-01 09:00 UTC, an invented morning."""
DAYS = 18.0
STEP_S = 600.0
"""Simulated time between two turns of the pipeline."""
AFTER_CHILL_S = 6 * 86_400.0
"""The demo ends so long after the chill though nothing is ready, unless the calendar ends it before."""
REST_H = 12.0
"""The lager's warm rest: short, so that the demo is."""
OPENING = (
    "This is a simulation: two invented vessels with invented data, an ale and a lager in one fridge. ullage observes; "
    "on a real vessel the relief valve protects."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoSettings:
    """What the demo is told."""

    speed: float
    """Simulated seconds for each real one; 0 runs as fast as it goes."""
    url: str
    """The database."""
    seed: int = 1
    days: float = DAYS


@dataclass(slots=True)
class Story:
    """What has happened to one vessel, for the summary."""

    notices: dict[str, float] = field(default_factory=dict)
    """Condition to the simulated day on which it was first told."""
    alarms: int = 0
    stages: tuple[StageChange, ...] = ()
    step: NextStep | None = None


def vessels() -> tuple[WatchedVessel, ...]:
    """Return the two vessels as a brewer would describe them."""
    ale = Vessel(
        name=ALE,
        total_volume_l=23,
        beer_volume_l=19,
        rated_pressure_bar=3.0,
        valve_pressure_bar=1.5,
        yeast_temperature_c=(18, 24),
        original_gravity=1.048,
        probe=Probe.BEER,
        sensors=frozenset({Kind.TEMPERATURE, Kind.PRESSURE}),
    )
    ale = ale.carrying(Batch(carbonation="4.6 g/L"))
    wishes = Batch(
        beverage=Beverage.LAGER,
        carbonation="2.5 volumes",
        finings="once",
        plan=f"12 for 5 days, 16, rest 16 for {REST_H:.0f} h, chill 2",
    )
    lager = replace(ale, name=LAGER, valve_pressure_bar=1.2, yeast_temperature_c=(9, 18)).carrying(wishes)
    return tuple(WatchedVessel(vessel=v, channels=(), detectors=compose({})) for v in (ale, lager))


class Demo:
    """One run. `play` plays it to its end or until Ctrl-C; `summary` says what came of it.

    Parameters
    ----------
    settings
        Speed, seed and database.
    screen
        Where everything is printed.
    """

    def __init__(self, settings: DemoSettings, screen: Screen) -> None:
        self._screen = screen
        self._settings = settings
        self.clock = ManualClock(wall_s=START_S)
        self.stories = {watched.vessel.name: Story() for watched in vessels()}
        self._latest: dict[tuple[str, Quantity], float] = {}
        self._chilled_s: float | None = None
        self.store = Store.open(settings.url)
        target = TargetSettings(name="phone", kind="console")
        plenty = RateLimit(messages=1000, per_s=60)
        self._notifier = Notifier(
            NotifySettings(targets=(target,), rate_limit=plenty, timezone="UTC", night=""),
            self.store,
            self.clock,
        )
        self.desk = AlarmDesk(self.store, self._notifier, self.clock)
        self.pipeline = Pipeline(
            {w.vessel.name: Watched(w.vessel.name, partial(_watch, w), self.clock) for w in vessels()},
            self.store,
            self,
            self.clock,
        )
        self._writer = Writer(
            self.store,
            self.pipeline,
            self.clock,
            entries_after=partial(entries_after, self.store),
            fingerprints={},
            # an hour of simulated time is a quarter of a second: a commit a minute would only wear the disk
            settings=WriterSettings(commit_interval_s=6 * 3600.0, hurry_interval_s=3600.0),
        )
        self.pipeline.books.told = self._writer.hurry
        self._source = _simulation(settings)
        self._brewer = Brewer(tuple(self.stories), self._act, self._say, REST_H)
        self._batches = {
            w.vessel.name: begin(self.store, w.vessel.name, w.vessel.batch or Batch(), now_s=START_S).id
            for w in vessels()
        }

    def take(self, findings: Sequence[Finding]) -> Sequence[Event]:
        """Pass findings to the real desk; the brewer reads every message that comes of them."""
        events = self.desk.take(findings)
        for event in events:
            self._remember(event)
            self._brewer.hear(event, self.clock.wall_s())
        return events

    @property
    def day(self) -> float:
        """Simulated days since pitching."""
        return (self.clock.wall_s() - START_S) / 86_400

    def play(self, until: Callable[[], bool] = lambda: False) -> None:
        """Play until the end of the batch, or until `until` says so."""
        self._notifier.start()
        with contextlib.redirect_stdout(self._screen):
            try:
                self._source.start(self._deliver)
                while not self._over() and not until():
                    self._source.wait_finished(0.1)
                    self._screen.progress(self._progress(), int(self.day))
            finally:
                self._source.stop()
                self._writer.stop()
                self._notifier.settle(5.0)
                self._notifier.stop()
                self._screen.end_progress()

    def close(self) -> None:
        """Close the database."""
        self.store.close()

    def summary(self) -> Iterator[str]:
        """Yield what came of it, line by line."""
        for name, story in self.stories.items():
            told = [f"{condition} day {day:.1f}" for condition, day in story.notices.items()]
            yield f"{name}: {', '.join(told) or 'nothing told yet'}; {_count(story.alarms, 'alarm')}."
        counts = self.pipeline.counts
        yield (
            f"{self._source.day():.1f} simulated days, {counts.readings:,} readings judged and stored, "
            f"{_count(counts.events, 'message')}."
        )

    def _deliver(self, delivery: Delivery) -> None:
        for readings in _steps(delivery.readings):
            self.clock.advance_to(readings[-1].time_s)
            self._brewer.mind(self.clock.wall_s())
            self.pipeline.deliver(replace(delivery, readings=readings))
            self.pipeline.turn()
            self._writer.turn()
            self._tell_stages()
            for reading in readings:
                self._latest[reading.vessel, reading.quantity] = reading.value
        self._notifier.settle(1.0)  # a message is read before the simulation hurries on

    def _tell_stages(self) -> None:
        for name, story in self.stories.items():
            record = self.pipeline.watched[name].watch.record
            changes = record.stages
            for change in changes[len(story.stages) :]:
                text = f"· day {self.day:.1f}: {name}, stage {change.stage.value}: {change.why}"
                self._screen.write(text + "\n")
            if (changes, record.next_step) != (story.stages, story.step):
                keep_stages(self.store, name, self._batches[name], changes, record.next_step)
            story.stages, story.step = changes, record.next_step

    def _act(self, vessel: str, entry: str, quiet: bool) -> None:
        self._source.act(vessel, entry, quiet=quiet)
        if entry.startswith("chill") and self._chilled_s is None:
            self._chilled_s = self.clock.wall_s()

    def _say(self, vessel: str, entry: str) -> None:
        self._screen.write(f"· day {self.day:.1f}: the brewer enters for {vessel}: {entry}\n")

    def _remember(self, event: Event) -> None:
        story = self.stories.get(event.alarm.vessel)
        if story is None:
            return
        if event.kind is EventKind.NOTED:
            story.notices.setdefault(event.alarm.condition, (event.time_s - START_S) / 86_400)
        elif event.kind is EventKind.RAISED:
            story.alarms += 1

    def _over(self) -> bool:
        last = [current(story.stages) for story in self.stories.values()]
        tapped = all(change is not None and change.stage is Stage.ON_TAP for change in last)
        rested = self._chilled_s is not None and self.clock.wall_s() > self._chilled_s + AFTER_CHILL_S
        return self._source.finished() or tapped or rested

    def _progress(self) -> str:
        parts = [f"day {self.day:4.1f}"]
        for name in self.stories:
            beer_c = self._latest.get((name, Quantity.TEMPERATURE))
            top_bar = self._latest.get((name, Quantity.PRESSURE))
            if beer_c is not None and top_bar is not None:
                parts.append(f"{name} {beer_c:4.1f} °C {top_bar:z4.2f} bar")
        return "   ".join(parts)


def _simulation(settings: DemoSettings) -> SimulatedSource:
    """Return both vessels' readings, pitched and warmed as their calendars have it."""
    simulated = SimulatedSettings(
        ale=ALE,
        lager=LAGER,
        speed=settings.speed,
        days=settings.days,
        start_s=START_S,
        seed=settings.seed,
    )
    plan = demo_cellar(ALE, LAGER, tests=False, start_s=START_S, seed=settings.seed)
    # whatever the calendar would do after the lager's rise in temperature is left to the brewer
    plan = replace(plan, script=tuple(act for act in plan.script if act.entry in ("pitched", "belt 16")))
    return SimulatedSource("simulation", simulated, (), SystemClock(), plan)


def _watch(watched: WatchedVessel) -> VesselWatch:
    return VesselWatch(watched.vessel, watched.detectors)


def _steps(readings: Sequence[Reading]) -> Iterator[tuple[Reading, ...]]:
    """Cut readings into spans of `STEP_S`."""
    for _, group in itertools.groupby(readings, key=lambda reading: reading.time_s // STEP_S):
        yield tuple(group)


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'s' * (number != 1)}"
