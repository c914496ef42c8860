"""Laws that every registered detector keeps, alone and in the watch of a vessel."""

import dataclasses
import pickle
import typing
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.detectors.streams import (
    DAY_S,
    HOUR_S,
    SEALED,
    START_S,
    VALVED,
    Batch,
    Stream,
    every,
    feed,
    frozen,
    in_order,
    jumbled,
    keep,
    merged,
    pressure,
    repeated,
    silenced,
    spiked,
    stream,
    temperature,
    watch_of,
)
from ullage.detectors.activity import Activity
from ullage.detectors.detector import Detector, Step
from ullage.detectors.finding import Condition, Finding
from ullage.detectors.frozen import Frozen
from ullage.detectors.over_pressure import OverPressure
from ullage.detectors.registry import REGISTERED, compose
from ullage.detectors.samples import Entry, FloatArray, Kind, Samples
from ullage.detectors.vessel import Vessel
from ullage.detectors.watch import Failure, VesselWatch

Story = tuple[Vessel, Stream]


def _thin(samples: Samples, minutes: int) -> Samples:
    """Keep the readings of every n-th minute."""
    minute = (samples.time_s - START_S) // 60
    return keep(samples, minute % minutes == 0)


def _cool_after(hour: float, to_c: float) -> Callable[[FloatArray], FloatArray]:
    return lambda hours: np.clip(19.0 - (hours - hour) * 0.8, to_c, 19.0)


def _cycling() -> Story:
    """A valve that cycles; the end; a chill; a day of silence; a fridge that fails."""

    def celsius(hours: FloatArray) -> FloatArray:
        return np.interp(hours, [210, 231, 264, 276], [19.0, 2.0, 2.0, 14.0])

    batch = Batch(vessel=VALVED, hours=288, opening_bar=1.2, blow_down_bar=0.15, tail_h=14.0, celsius=celsius)
    samples = silenced(_thin(batch.samples(), 5), Kind.PRESSURE, 30, 33)
    return VALVED, stream(samples, (START_S + 8 * HOUR_S, "pitched"), (START_S + 209 * HOUR_S, "chill 2"))


def _stuck() -> Story:
    """A valve that sticks and lets the pressure rise past the rated limit; damage on the wire."""
    rng = np.random.default_rng(5)
    batch = Batch(vessel=VALVED, hours=72, opening_bar=1.2, shut=((40, 52),))
    samples = repeated(spiked(_thin(batch.samples(seed=3), 2), rng, 0.01), rng, 0.05)
    bad = np.flatnonzero(samples.kind == Kind.TEMPERATURE)[300:320]
    value = samples.value.copy()
    value[bad] = -127.0
    return VALVED, stream(replace(samples, value=value))


def _tested() -> Story:
    """A smooth valve, a test too early, a test at the end, a frozen sensor, a leak after all, a turn into the cold."""
    batch = Batch(
        vessel=VALVED, hours=240, opening_bar=1.25, shut=((50, 51.5), (130, 240)), tail_h=13.0,
        leak_per_h=0.03, leak_from_h=170, celsius=_cool_after(200, 9.0),
    )  # fmt: skip
    samples = frozen(_thin(batch.samples(seed=4), 4), Kind.PRESSURE, 80, 86)
    return VALVED, stream(
        samples,
        (START_S + 50 * HOUR_S, "valve shut"),
        (START_S + 51.5 * HOUR_S, "valve opened"),
        (START_S + 130 * HOUR_S, "valve shut"),
        (START_S + 100 * HOUR_S, "nothing to report"),
    )


def _stalled() -> Story:
    """A sealed vessel that falls asleep in the cold, tapped at last, coarse steps, readings that arrive late."""
    rng = np.random.default_rng(6)
    batch = Batch(
        vessel=SEALED, hours=144, total_g_per_l=6.0, tail_h=30.0, celsius=_cool_after(30, 10.0), stop_h=36.0,
    )  # fmt: skip
    samples = _thin(batch.samples(seed=5, step_bar=0.0085), 3)
    return SEALED, stream(jumbled(samples, rng, 0.05, 6), (START_S + 140 * HOUR_S, "tapped"))


def _nothing() -> Story:
    """A wort in which nothing happens for two days, in a fridge whose air the probe feels."""
    time_s = every(240, 60)
    rng = np.random.default_rng(7)
    swing = 3.0 * np.sign(np.sin((time_s - START_S) / HOUR_S * 6.0))
    quiet = 0.01 + 0.002 * rng.standard_normal(len(time_s))
    vessel = replace(
        SEALED, yeast_temperature_c=(8.0, 12.0), sensors=frozenset({Kind.PRESSURE, Kind.TEMPERATURE})
    )
    return vessel, stream(merged(pressure(time_s, quiet), temperature(time_s + 7, 15.0 + swing)))


def _dead() -> Story:
    """A coarse sensor that died just before the valve was shut for a test, at the height: it never moves again."""
    batch = Batch(vessel=VALVED, hours=80, opening_bar=1.2, tail_h=25.0, shut=((60, 80),))
    samples = frozen(batch.samples(noise_bar=0.001, step_bar=0.0098), Kind.PRESSURE, 59, 80)
    return VALVED, stream(_thin(samples, 4), (START_S + 60 * HOUR_S, "valve shut"))


STORIES = {story.__name__[1:]: story() for story in (_cycling, _stuck, _tested, _stalled, _nothing, _dead)}
detectors = pytest.mark.parametrize("kind", REGISTERED, ids=lambda kind: kind.name)
stories = pytest.mark.parametrize("name", STORIES)


def _kinds(kind: type[Detector]) -> tuple[type[Detector], ...]:
    """Return a detector with those whose conclusions it needs: most wait for the first gas."""
    return tuple(dict.fromkeys((Frozen, Activity, kind)))


def _told(kinds: tuple[type[Detector], ...], name: str, cuts: typing.Iterable[int] = ()) -> list[Finding]:
    vessel, given_stream = STORIES[name]
    return in_order(feed(watch_of(vessel, kinds), given_stream, cuts))


@cache
def _whole(kinds: tuple[type[Detector], ...], name: str) -> list[Finding]:
    """Return what is told of a story in one block."""
    return _told(kinds, name)


def _random_cuts(rows: int, number: int, seed: int) -> list[int]:
    return [int(row) for row in np.random.default_rng(seed).integers(1, rows, number)]


@detectors
def test_detector_speaks_on_these_stories(kind: type[Detector]) -> None:
    """The stories make every detector say something, so the laws below are no empty promise."""
    others = tuple(other for other in (Frozen, Activity) if other is not kind)
    assert any(set(_whole(_kinds(kind), name)) - set(_whole(others, name)) for name in STORIES)


@detectors
def test_inputs_are_not_mutated(kind: type[Detector]) -> None:
    """Arrays that can't be written to are enough for every detector."""
    for vessel, given_stream in STORIES.values():
        samples = given_stream.samples.cut(0, 2000)
        for column in (samples.time_s, samples.kind, samples.value):
            column.flags.writeable = False
        watch = watch_of(vessel, _kinds(kind))
        watch.update(samples)
        assert not watch.failures


@detectors
@stories
def test_cuts_change_nothing(kind: type[Detector], name: str) -> None:
    """However the stream is cut into blocks, the findings are the same."""
    rows = len(STORIES[name][1].samples)
    for seed, number in enumerate((3, rows // 20)):
        cuts = _random_cuts(rows, number, seed)
        assert _told(_kinds(kind), name, cuts) == _whole(_kinds(kind), name)


@stories
def test_one_by_one_is_like_a_block(name: str) -> None:
    """Readings that come one at a time give what one block gives, in every part of every story."""
    vessel, given_stream = STORIES[name]
    rows = len(given_stream.samples)
    whole = in_order(feed(watch_of(vessel), given_stream))
    assert in_order(feed(watch_of(vessel), given_stream, range(rows))) == whole


# -- the watch, on streams that nobody designed ----------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Wild:
    """What a stream that nobody designed is made of; shares are of its length."""

    seed: int
    rows: int
    interval_s: float
    vessel: Vessel
    noise_bar: float
    step_bar: float
    silence: tuple[tuple[Kind, float, float], ...]
    freeze: tuple[tuple[Kind, float, float], ...]
    spikes: float
    repeats: float
    late: float
    said: tuple[tuple[float, str], ...]
    floats: bool
    """Whether a hydrometer floats in it."""

    def build(self) -> Story:
        """Return the vessel and its stream."""
        rng = np.random.default_rng(self.seed)
        rows = self.rows // 2
        time_s = np.asarray(START_S + 12.3 + np.arange(rows) * self.interval_s, float)
        knots = rng.choice(np.array([0.0, 0.3, 1.0, 1.2, 1.2, 1.25, 2.4, 3.2]), 12)
        bar = np.interp(np.linspace(0, 11, rows), np.arange(12), knots)
        bar += self.noise_bar * rng.standard_normal(rows)
        bar = np.round(bar / self.step_bar) * self.step_bar if self.step_bar else bar
        celsius = np.interp(np.linspace(0, 5, rows), np.arange(6), rng.uniform(1, 25, 6))
        celsius = np.round((celsius + 0.05 * rng.standard_normal(rows)) / 0.0625) * 0.0625
        floating_s = time_s[:: max(1, int(900 / self.interval_s))] if self.floats else time_s[:0]
        gravity = 1.012 + 0.0004 * rng.standard_normal(len(floating_s))
        samples = merged(
            pressure(time_s, bar),
            temperature(time_s + 1, celsius),
            Samples.of(Kind.GRAVITY, floating_s, gravity),
        )
        hours = rows * self.interval_s / HOUR_S
        for kind, start, share in self.silence:
            samples = silenced(samples, kind, start * hours, (start + share) * hours)
        for kind, start, share in self.freeze:
            samples = frozen(samples, kind, start * hours, (start + share) * hours)
        samples = jumbled(repeated(spiked(samples, rng, self.spikes), rng, self.repeats), rng, self.late, 8)
        latest = np.maximum.accumulate(samples.time_s)
        rows_said = [(int(share * (len(samples) - 1)), text) for share, text in sorted(self.said)]
        entries = tuple((row, Entry(time_s=float(latest[row]), text=text)) for row, text in rows_said)
        return self.vessel, Stream(samples=samples, entries=entries)


ENTRIES = (
    "valve shut",
    "valve opened",
    "valve set 1.4",
    "vented",
    "pitched",
    "chill 3",
    "it smells of bananas",
)
VESSELS = (SEALED, VALVED, replace(VALVED, sensors=frozenset({Kind.TEMPERATURE, Kind.PRESSURE})))


def wild(least: int, most: int, late: tuple[float, ...] = (0.0, 0.02)) -> st.SearchStrategy[Wild]:
    """Return streams of about this many rows."""
    spells = st.lists(
        st.tuples(
            st.sampled_from([Kind.PRESSURE, Kind.TEMPERATURE]), st.floats(0.05, 0.8), st.floats(0.01, 0.2)
        ),
        max_size=2,
    ).map(tuple)
    return st.builds(
        Wild,
        seed=st.integers(0, 2**32 - 1),
        rows=st.integers(least, most),
        interval_s=st.sampled_from([5.0, 60.0, 300.0, 1500.0]),
        vessel=st.sampled_from(VESSELS),
        noise_bar=st.sampled_from([0.0, 0.002, 0.02]),
        step_bar=st.sampled_from([0.0, 0.0085, 0.05]),
        silence=spells,
        freeze=spells,
        spikes=st.sampled_from([0.0, 0.003, 0.05]),
        repeats=st.sampled_from([0.0, 0.02]),
        late=st.sampled_from(late),
        said=st.lists(st.tuples(st.floats(0, 1), st.sampled_from(ENTRIES)), max_size=3).map(tuple),
        floats=st.booleans(),
    )


LAWFUL = settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@LAWFUL
@given(recipe=wild(1000, 3000), shares=st.lists(st.floats(0, 1), max_size=40))
def test_any_cut_gives_the_same(recipe: Wild, shares: list[float]) -> None:
    """Random cuts of any stream give the findings of one block."""
    vessel, given_stream = recipe.build()
    cuts = [int(share * len(given_stream.samples)) for share in shares]
    whole = feed(watch_of(vessel), given_stream)
    assert in_order(feed(watch_of(vessel), given_stream, cuts)) == in_order(whole)


@LAWFUL
@given(recipe=wild(100, 600))
def test_blocks_of_one_give_the_same(recipe: Wild) -> None:
    """A stream read one by one, as it is live, gives the findings of one block, as in replay."""
    vessel, given_stream = recipe.build()
    whole = feed(watch_of(vessel), given_stream)
    single = feed(watch_of(vessel), given_stream, range(len(given_stream.samples)))
    assert in_order(single) == in_order(whole)


@LAWFUL
@given(recipe=wild(400, 1500), share=st.floats(0, 1))
def test_pickling_amid_a_stream_changes_nothing(recipe: Wild, share: float) -> None:
    """A watch that is stored and loaded at any moment goes on as if nothing had happened."""
    vessel, given_stream = recipe.build()
    row = int(share * len(given_stream.samples))
    entries = given_stream.entries
    before = Stream(
        samples=given_stream.samples.cut(0, row),
        entries=tuple((at, entry) for at, entry in entries if at <= row),
    )
    after = Stream(
        samples=given_stream.samples.cut(row, len(given_stream.samples)),
        entries=tuple((at - row, entry) for at, entry in entries if at > row),
    )
    watch = watch_of(vessel)
    found = feed(watch, before)
    found += feed(pickle.loads(pickle.dumps(watch)), after)
    assert in_order(found) == in_order(feed(watch_of(vessel), given_stream))


def _ticked(watch: VesselWatch, given_stream: Stream, cuts: list[int], interval_s: float) -> list[Finding]:
    """Feed a stream in blocks, with ticks between one block's last reading and the next one's first."""
    samples = given_stream.samples
    found: list[Finding] = []
    at = 0
    for stop in sorted({*cuts, len(samples)}):
        rows = [(row - at, entry) for row, entry in given_stream.entries if at <= row < stop]
        found += feed(watch, Stream(samples=samples.cut(at, stop), entries=tuple(rows)))
        if 0 < stop < len(samples):
            for now_s in np.arange(samples.time_s[stop - 1], samples.time_s[stop], interval_s).tolist():
                found += watch.tick(now_s)
        at = stop
    return found


@LAWFUL
@given(
    recipe=wild(400, 1500, late=(0.0,)),
    shares=st.lists(st.floats(0, 1), max_size=60),
    interval_s=st.sampled_from([7.0, 60.0, 600.0]),
)
def test_ticks_only_hasten_the_discovery(recipe: Wild, shares: list[float], interval_s: float) -> None:
    """Time that is told between readings in order changes no finding, its own time included."""
    vessel, given_stream = recipe.build()
    samples = given_stream.samples
    longest = int(np.argmax(np.diff(samples.time_s))) + 1
    cuts = [longest, *(int(share * len(samples)) for share in shares)]
    quiet, ticked = watch_of(vessel), watch_of(vessel)
    end_s = float(samples.time_s[-1]) + 7200
    without = feed(quiet, given_stream) + list(quiet.tick(end_s))
    found = _ticked(ticked, given_stream, cuts, interval_s) + list(ticked.tick(end_s))
    assert in_order(found) == in_order(without)


@settings(LAWFUL, max_examples=15)
@given(recipe=wild(400, 1500), days=st.integers(-9000, 9000))
def test_the_date_does_not_matter(recipe: Wild, days: int) -> None:
    """The same stream decades earlier or later gives the same findings, as much earlier or later."""
    vessel, given_stream = recipe.build()
    shift_s = DAY_S * days
    moved = Stream(
        samples=replace(given_stream.samples, time_s=given_stream.samples.time_s + shift_s),
        entries=tuple(
            (row, replace(entry, time_s=entry.time_s + shift_s)) for row, entry in given_stream.entries
        ),
    )
    here, there = feed(watch_of(vessel), given_stream), feed(watch_of(vessel), moved)
    assert [(f.condition, f.subject, f.state) for f in there] == [
        (f.condition, f.subject, f.state) for f in here
    ]
    assert [f.time_s - shift_s for f in there] == pytest.approx([f.time_s for f in here], abs=0.01)


# -- size -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("vessel", [SEALED, VALVED], ids=lambda vessel: vessel.name)
def test_state_stays_small_and_flat(vessel: Vessel) -> None:
    """Six weeks at one reading a minute: a watch pickles into 310 kB, and has stopped growing after five of them."""
    batch = Batch(vessel=vessel, hours=24.0, total_g_per_l=6.0, opening_bar=1.2, blow_down_bar=0.1, lag_h=0.0)
    day = batch.samples()
    rng = np.random.default_rng(2)
    watch = watch_of(vessel)
    size = []
    for number in range(42):
        shifted = replace(
            day,
            time_s=day.time_s + number * DAY_S,
            value=day.value + (day.kind == Kind.PRESSURE) * 0.002 * rng.standard_normal(len(day)),
        )
        feed(watch, Stream(samples=spiked(shifted, rng, 0.002)), range(0, len(day), 480))
        watch.tick(START_S + (number + 1) * DAY_S)
        size.append(len(pickle.dumps(watch)))
    assert max(size) <= 310_000
    assert (
        abs(size[41] - size[35]) <= 0.005 * size[35]
    )  # the history of rates is the last to fill up to its bound


# -- faults ---------------------------------------------------------------------------------------------------------


class _Broken(Detector):
    name = "broken"
    Settings = Activity.Settings

    def __init__(self, vessel: Vessel, settings: object) -> None:
        super().__init__(vessel)
        self.calls = 0

    def look(self, step: Step) -> list[Finding]:
        """Fail on the third call."""
        self.calls += 1
        if self.calls == 3:
            raise ZeroDivisionError("nothing there")
        return []


def test_one_failing_detector_stops_no_other(caplog: pytest.LogCaptureFixture) -> None:
    """A detector that raises is counted and logged once; the others say what they always say."""
    vessel, given_stream = STORIES["stuck"]
    rows = len(given_stream.samples)
    cuts = range(0, rows, 50)
    watch = watch_of(vessel, (_Broken, *REGISTERED))
    assert feed(watch, given_stream, cuts) == feed(watch_of(vessel), given_stream, cuts)
    assert [record.message for record in caplog.records] == ["detector failed"]
    assert watch.failures == {}  # it has worked for days since


def test_a_failing_record_costs_no_finding_of_the_others(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """Trouble in what the slow detectors share leaves over-pressure alone."""
    vessel, given_stream = STORIES["stuck"]
    watch = watch_of(vessel)

    def fail(*_: object) -> None:
        raise ValueError("no room")

    monkeypatch.setattr(watch.record, "take", fail)
    monkeypatch.setattr(watch.record, "enter", fail)
    watch.enter(Entry(time_s=START_S, text="pitched"))
    found = {(f.condition, f.state, f.time_s) for f in feed(watch, given_stream)}
    alone = feed(watch_of(vessel, (OverPressure,)), given_stream)
    assert {(f.condition, f.state, f.time_s) for f in alone} <= found
    assert Condition.OVER_PRESSURE in {f.condition for f in alone}
    assert [(part, failure.what) for part, failure in watch.failures.items()] == [
        ("record", "ValueError: no room")
    ]
    assert {record.message for record in caplog.records} == {"detector failed"}


def test_a_detector_that_failed_once_sees_what_comes_next(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """Over-pressure that comes after the step that went wrong is told, in the same process and from a saved state; a day
    without another failure ends the trouble."""
    watch = watch_of(STORIES["stuck"][0], (OverPressure,))
    with monkeypatch.context() as patch:
        patch.setattr(OverPressure, "look", _fail)
        watch.update(pressure([START_S], [1.0]))
    assert watch.failures == {"over_pressure": Failure("ValueError: no room", START_S)}
    for again in (watch, pickle.loads(pickle.dumps(watch))):
        (raised,) = again.update(pressure(START_S + 10.0 * np.arange(1, 4), np.full(3, 4.0)))
        assert raised.condition is Condition.OVER_PRESSURE
        again.tick(START_S + 23 * 3600)
        assert again.failures
        again.tick(START_S + 25 * 3600)
        assert not again.failures
    assert len(caplog.records) == 1


def _fail(*_: object) -> list[Finding]:
    raise ValueError("no room")


# -- settings -------------------------------------------------------------------------------------------------------


@detectors
def test_settings_are_frozen_and_documented(kind: type[Detector]) -> None:
    """Settings can't be changed once made, are numbers, and stand in the file that they configure."""
    made = kind.Settings()
    fields = dataclasses.fields(made)
    assert fields
    for field in fields:
        assert isinstance(getattr(made, field.name), (int, float))
        with pytest.raises(dataclasses.FrozenInstanceError):
            setattr(made, field.name, 1)
    assert kind.Settings.__module__ == kind.__module__


@detectors
def test_unknown_setting_is_refused_with_the_nearest(kind: type[Detector]) -> None:
    """A slip in a key or a detector's name is answered with the name that was meant."""
    known = dataclasses.fields(kind.Settings)[0].name
    with pytest.raises(ValueError, match=f"{kind.name}.*{known}x.*did you mean '{known}'"):
        compose({kind.name: {f"{known}x": 1}})
    with pytest.raises(ValueError, match=f"did you mean '{kind.name}'"):
        compose({f"{kind.name}s": {}})


@detectors
def test_settings_take_effect(kind: type[Detector]) -> None:
    """What is composed is what the detector gets, and the others keep their defaults."""
    field = dataclasses.fields(kind.Settings)[0]
    value = type(getattr(kind.Settings(), field.name))(7)
    composed = compose({kind.name: {field.name: value}})
    assert getattr(composed[kind.name], field.name) == value
    assert [
        name for name, made in composed.items() if made != {k.name: k for k in REGISTERED}[name].Settings()
    ] == [kind.name]
