"""A batch from pitching to the tap: every stage and every notice at the right time, whatever happens between."""

import json
import pickle
from collections.abc import Iterator, Sequence
from copy import copy
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.detectors.streams import keep, merged, pressure, temperature
from ullage.adapters.recorded_log import read_log
from ullage.adapters.timestamps import parse_rfc3339
from ullage.detectors.batch import Batch, Beverage
from ullage.detectors.finding import Condition, Finding, State
from ullage.detectors.samples import Entry, Kind, Samples
from ullage.detectors.stage import Stage, StageChange, current
from ullage.detectors.vessel import Probe, Vessel
from ullage.detectors.waits import Waits
from ullage.detectors.watch import VesselWatch

FOLDER = Path(__file__).parents[2] / "replay_fixtures"
HOUR = 3600.0
FRAME_H = 10 / 60
"""What is told is told at the end of a ten-minute frame."""
VESSEL = Vessel(
    name="heron",
    total_volume_l=23,
    beer_volume_l=19,
    rated_pressure_bar=3.0,
    valve_pressure_bar=1.5,
    yeast_temperature_c=(18, 24),
    original_gravity=1.048,
    probe=Probe.BEER,
    batch=Batch(carbonation="5.0 g/L"),
)


class Story:
    """The log of the invented ale and what is true of it, hours since pitching."""

    def __init__(self) -> None:
        log = read_log(FOLDER / "heron_pitched_to_tap.csv.gz").vessels["heron"]
        self.samples = Samples(time_s=log.time_s, kind=log.kind, value=log.value)
        self.entries = [Entry(time_s=entry.time_s, text=entry.text) for entry in log.entries]
        truth = json.loads((FOLDER / "heron_pitched_to_tap.truth.json").read_text(encoding="utf-8"))
        self.hours = {name: moment["hours"] for name, moment in truth["moments"].items()}
        self.start_s = parse_rfc3339(truth["moments"]["pitched"]["time"])

    def without(self, *texts: str) -> list[Entry]:
        """Return the entries but for some."""
        return [entry for entry in self.entries if entry.text not in texts]

    def entry(self, hours: float, text: str) -> Entry:
        """Return an entry."""
        return Entry(time_s=self.start_s + hours * HOUR, text=text)

    def entered_at(self, entry: Entry) -> float:
        """Return hours since pitching of an entry."""
        return (entry.time_s - self.start_s) / HOUR

    def at(self, finding: Finding | StageChange) -> float:
        """Return hours since pitching."""
        time_s = finding.time_s if isinstance(finding, Finding) else finding.since_s
        return (time_s - self.start_s) / HOUR


@pytest.fixture(name="story", scope="module")
def _story() -> Story:
    return Story()


def feed(
    watch: VesselWatch, story: Story, entries: Sequence[Entry], from_h: float = -1.0, to_h: float = 1e6
) -> list[Finding]:
    """Give a watch part of the story."""
    found: list[Finding] = []
    times = story.samples.time_s
    start = int(np.searchsorted(times, story.start_s + from_h * HOUR))
    stop = int(np.searchsorted(times, story.start_s + to_h * HOUR))
    for entry in sorted(entries, key=lambda entry: entry.time_s):
        if not story.start_s + from_h * HOUR <= entry.time_s < story.start_s + to_h * HOUR:
            continue
        place = max(int(np.searchsorted(times, entry.time_s)), start)
        found += watch.update(story.samples.cut(start, place))
        found += watch.enter(entry)
        start = place
    found += watch.update(story.samples.cut(start, stop))
    return found


def told(found: Sequence[Finding], *conditions: Condition) -> list[Finding]:
    """Return the notices of these conditions."""
    return [finding for finding in found if finding.condition in conditions]


def held(watch: VesselWatch) -> list[StageChange]:
    """Return the changes of stage that were not undone."""
    return [change for change in watch.record.stages if change.undone_s is None]


def stage_now(watch: VesselWatch) -> Stage:
    """Return where the batch stands."""
    change = current(watch.record.stages)
    assert change is not None
    return change.stage


def waits(found: Sequence[Finding], story: Story) -> list[tuple[str, float]]:
    """Return fining and readiness notices with their hours."""
    return [
        (finding.subject or "ready", story.at(finding))
        for finding in told(found, Condition.FINING_DUE, Condition.READY)
    ]


def test_every_notice_comes_at_the_right_time(story: Story) -> None:
    """Activity, held, finished, chilled, both doses and ready, each once; waits as in common practice; one alarm."""
    everything = feed(VesselWatch(VESSEL), story, story.entries)
    found = [f for f in everything if f.condition in _NOTICES]
    times = {(f.condition, f.subject): story.at(f) for f in found}
    assert len(times) == len(found)
    truth = story.hours
    assert truth["first_gas"] <= times[Condition.ACTIVITY, ""] < truth["first_gas"] + 6
    assert truth["held"] <= times[Condition.HELD, ""] < truth["held"] + 6
    assert truth["done"] <= times[Condition.FINISHED, ""] < truth["valve_shut"] + 24
    cold_h = truth["cold_from"] + 12
    # half an hour: the probe is good to 0.1 K, and the beer falls by 0.2 K an hour there
    assert times[Condition.CHILLED, ""] == pytest.approx(cold_h, abs=0.5)
    assert times[Condition.FINING_DUE, "first dose"] == times[Condition.CHILLED, ""]
    # the fridge stood open after the first dose: the wait of 12 h began anew when the beer was cold again
    second_h = times[Condition.FINING_DUE, "second dose"]
    assert second_h == pytest.approx(truth["cold_again_from"] + 12, abs=0.5)
    ready_h = times[Condition.READY, ""]
    assert truth["second_dose"] + 12 <= ready_h <= truth["second_dose"] + 24
    alarms = [f for f in everything if f.condition not in _NOTICES]
    assert [(f.condition, f.state) for f in alarms] == [  # the fridge that stood open
        (Condition.TEMPERATURE_HIGH, State.RAISED),
        (Condition.TEMPERATURE_HIGH, State.CLEARED),
    ]


_NOTICES = {
    Condition.ACTIVITY,
    Condition.HELD,
    Condition.FINISHED,
    Condition.CHILLED,
    Condition.FINING_DUE,
    Condition.READY,
}


def test_every_stage_comes_with_when_and_why(story: Story) -> None:
    """All twelve stages of a batch without a warm rest, in order, within six hours of the truth."""
    watch = VesselWatch(VESSEL)
    feed(watch, story, story.entries)
    changes = held(watch)
    assert [change.stage for change in changes] == [stage for stage in Stage if stage is not Stage.WARM_REST]
    assert all(change.why for change in changes)
    truth = story.hours
    when = {change.stage: story.at(change) for change in changes}
    for stage, hours in (
        (Stage.PITCHED, truth["pitched"]),
        (Stage.ACTIVE, truth["first_gas"]),
        (Stage.HELD, truth["held"]),
        (Stage.CHILLING, truth["chill"]),
        (Stage.COLD, truth["cold_from"] + 12),
        (Stage.FIRST_FINING, truth["first_dose"]),
        (Stage.SECOND_FINING, truth["second_dose"]),
        (Stage.ON_TAP, truth["tapped"]),
    ):
        assert when[stage] == pytest.approx(hours, abs=6), stage
    assert when[Stage.FINISHED] == pytest.approx(truth["done"], abs=12)


def test_texts_say_what_to_do_with_numbers(story: Story) -> None:
    """Where to vent to, what the chill does, where to set valve and regulator; cautions about CO2 and foam."""
    found = feed(VesselWatch(VESSEL), story, story.entries)
    texts = {(f.condition, f.subject): f.text for f in found}
    first = texts[Condition.FINING_DUE, "first dose"]
    assert "to 0.50 bar, 0.5 bar below the dosing gas" in first
    assert "foam" in first
    assert "CO2" in first
    assert "closed room" in first
    assert "began anew" in texts[Condition.FINING_DUE, "second dose"]
    assert "et the regulator to" in texts[Condition.READY, ""]
    assert "5.0 g/L wanted: set the valve to" in texts[Condition.HELD, ""]
    assert "is a leak" in texts[Condition.FINISHED, ""]


def test_ready_says_what_the_beer_lacks_or_has_too_much_of(story: Story) -> None:
    """Short of 5.6 g/L by about 0.9: grams and pressure of the bottle; 4.0 wanted: let gas off; 4.7: neither."""

    def ready(carbonation: str) -> str:
        watch = VesselWatch(replace(VESSEL, batch=Batch(carbonation=carbonation)))
        return told(feed(watch, story, story.entries), Condition.READY)[0].text

    short = ready("5.6 g/L")
    assert "short of the 5.6 g/L wanted: connect the bottle at 0.9" in short
    assert "g of CO2; left alone that takes between" in short
    assert "For serving: set the regulator to" in short
    much = ready("4.0 g/L")
    assert "more than the 4.0 g/L wanted: let about" in much
    assert "closed room" in much
    assert "foam" in much
    near = ready("4.7 g/L")
    assert "wanted" not in near
    assert "not been proved" not in near


def test_ready_without_a_proved_end_asks_for_gravity(story: Story) -> None:
    """Chilled without a proof of the end, as the brewer says: it may be sweet still."""
    watch = VesselWatch(VESSEL)
    active = story.entry(story.hours["chill"] - 0.5, "stage active")
    found = feed(watch, story, [*story.entries, active])
    assert watch.record.finished_s is None
    (ready,) = told(found, Condition.READY)
    assert "has not been proved here: take a gravity sample" in ready.text


def test_advice_on_an_old_pressure_says_so(story: Story) -> None:
    """The pressure sensor dies as the beer gets cold: the beer is still fined by its temperature, the gauge decides."""
    dead_s = story.start_s + (story.hours["cold_from"] + 2) * HOUR
    alive = ~((story.samples.kind == Kind.PRESSURE) & (story.samples.time_s > dead_s))
    deaf = copy(story)
    deaf.samples = keep(story.samples, alive)
    found = feed(VesselWatch(VESSEL), deaf, story.entries)
    first, _ = told(found, Condition.FINING_DUE)
    (ready,) = told(found, Condition.READY)
    assert "That pressure was read 10 h ago: go by the vessel's gauge." in first.text
    assert "read 3 days ago" in ready.text


def test_without_a_batch_nothing_is_advised(story: Story) -> None:
    """A vessel of which nobody said what is in it is told when finings would be due, and no carbonation."""
    found = feed(VesselWatch(replace(VESSEL, batch=None)), story, story.entries)
    assert len(told(found, Condition.FINING_DUE, Condition.READY)) == 3
    assert not any("wanted" in finding.text for finding in found)


def test_cider_is_ready_when_it_is_cold(story: Story) -> None:
    """No finings, by common practice: cold through is ready."""
    vessel = replace(VESSEL, batch=Batch(beverage=Beverage.CIDER))
    watch = VesselWatch(vessel)
    found = feed(watch, story, story.without("fined 15"))
    assert [what for what, _ in waits(found, story)] == ["ready"]
    assert waits(found, story)[0][1] == pytest.approx(story.hours["cold_from"] + 12, abs=0.5)
    stages = [change.stage for change in held(watch)]
    assert stages[-3:] == [Stage.COLD, Stage.CONDITIONED, Stage.ON_TAP]


def test_one_dose_is_enough_if_one_is_wanted(story: Story) -> None:
    """After `finings: once` the first dose is the last."""
    watch = VesselWatch(replace(VESSEL, batch=Batch(finings="once")))
    entries = [*story.without("fined 15", "tapped"), story.entry(story.hours["first_dose"], "fined 15")]
    found = feed(watch, story, entries)
    assert [what for what, _ in waits(found, story)] == ["first dose", "ready"]
    # 18 h, counted from when the beer was cold again
    assert waits(found, story)[1][1] == pytest.approx(story.hours["cold_again_from"] + 18, abs=0.5)


def test_two_words_for_one_dose_are_one(story: Story) -> None:
    """A button pressed twice, minutes apart."""
    watch = VesselWatch(VESSEL)
    entries = [*story.entries, story.entry(story.hours["first_dose"] + 0.2, "fined 15")]
    feed(watch, story, entries, to_h=story.hours["first_dose"] + 3)
    assert stage_now(watch) is Stage.FIRST_FINING


def test_beer_that_warms_before_the_dose_is_told_anew(story: Story) -> None:
    """Nobody fined; the fridge stood open; the first dose is due again when the beer has been cold for 12 h more."""
    watch = VesselWatch(VESSEL)
    found = feed(watch, story, story.without("fined 15", "tapped"))
    first, again = waits(found, story)
    assert (first[0], again[0]) == ("first dose", "first dose")
    assert again[1] == pytest.approx(story.hours["cold_again_from"] + 12, abs=0.5)
    stages = [change.stage for change in held(watch)]
    assert stages[-4:] == [Stage.CHILLING, Stage.COLD, Stage.CHILLING, Stage.COLD]
    assert "warmed up" in held(watch)[-2].why


def test_a_snooze_puts_off_what_is_due(story: Story) -> None:
    """Told again when it is over, not before; a dose meanwhile and it is not told at all."""
    due_h = story.hours["cold_from"] + 12.5
    quiet = story.without("fined 15", "tapped", "the fridge was found open")
    end_h = story.hours["warmed"] - 6
    watch = VesselWatch(VESSEL)
    found = feed(watch, story, [*quiet, story.entry(due_h, "snooze 5")], to_h=end_h)
    assert [h for _, h in waits(found, story)][1:] == [pytest.approx(due_h + 5, abs=FRAME_H)]
    fined = VesselWatch(VESSEL)
    done = [*quiet, story.entry(due_h, "snooze 5"), story.entry(due_h + 2, "fined 15")]
    assert len(waits(feed(fined, story, done, to_h=end_h), story)) == 1


def test_a_snooze_is_shown_at_once(story: Story) -> None:
    """Before the next frame: whoever looks after snoozing sees that it took."""
    watch = VesselWatch(VESSEL)
    due_h = story.hours["cold_from"] + 12.5
    feed(watch, story, story.entries, to_h=due_h)
    watch.enter(story.entry(due_h, "snooze 5"))
    step = watch.record.next_step
    assert step is not None
    assert step.quiet_until_s == story.start_s + (due_h + 5) * HOUR


def test_what_a_snooze_has_put_off_is_not_also_reminded_of_at_its_end(story: Story) -> None:
    """The notice comes anew then; the reminder only if none has come for an hour."""
    watch = VesselWatch(VESSEL)
    due_h = story.hours["cold_from"] + 12.5
    feed(watch, story, story.entries, to_h=due_h)
    watch.enter(story.entry(due_h, "snooze 30"))
    step = watch.record.next_step
    assert step is not None
    assert step.remind_s == story.start_s + (due_h + 31) * HOUR


def test_a_wrong_guess_is_undone_and_leaves_its_trace(story: Story) -> None:
    """One word takes the last change back; the same evidence does not bring it again."""
    watch = VesselWatch(VESSEL)
    wrong_h = story.hours["cold_from"] + 13
    entries = [*story.without("fined 15", "tapped"), story.entry(wrong_h, "stage undo")]
    feed(watch, story, entries, to_h=story.hours["warmed"] - 3)
    assert stage_now(watch) is Stage.CHILLING
    undone = [change for change in watch.record.stages if change.undone_s is not None]
    assert [change.stage for change in undone] == [Stage.COLD]
    assert undone[0].undone_s == story.start_s + wrong_h * HOUR
    feed(watch, story, [], from_h=story.hours["warmed"] - 3)  # warm, and cold again: that is new evidence
    assert stage_now(watch) is Stage.COLD


def test_finished_that_is_undone_is_looked_for_again(story: Story) -> None:
    """The brewer knows better: the end is open again at once, and may be called when a day has passed."""
    watch = VesselWatch(VESSEL)
    found = feed(watch, story, story.entries, to_h=story.hours["chill"] - 1)
    (finished,) = told(found, Condition.FINISHED)
    undo = story.entry(story.at(finished) + 1, "stage undo")
    watch = VesselWatch(VESSEL)
    feed(watch, story, [*story.without(*_AFTER), undo], to_h=story.at(finished) + 1.05)
    assert stage_now(watch) is Stage.SLOWING
    assert watch.record.finished_s is None
    found = feed(watch, story, [], from_h=story.at(finished) + 1.05, to_h=story.hours["chill"])
    assert not told(found, Condition.FINISHED)


_AFTER = ("chill 2", "fined 15", "tapped", "the fridge was found open")


def test_the_brewer_sets_the_stage_right(story: Story) -> None:
    """`stage finished` ends the search for the end: no test is asked for any more, and a chill is no alarm."""
    watch = VesselWatch(VESSEL)
    said_h = story.hours["done"] + 2
    entries = [*story.without("valve shut", "chill 2", *_AFTER), story.entry(said_h, "stage finished")]
    found = feed(watch, story, entries, to_h=story.hours["cold_from"])
    change = next(change for change in watch.record.stages if change.stage is Stage.FINISHED)
    assert change.by_brewer
    assert stage_now(watch) is Stage.CHILLING  # by the fall of the beer's temperature: nobody entered it
    late = [f.condition for f in found if story.at(f) > said_h]
    assert Condition.FINISH_SUSPECTED not in late
    assert Condition.TEMPERATURE_LOW not in late


def test_a_stage_on_the_brewers_word_alone_does_not_claim_to_have_been_measured(story: Story) -> None:
    """`stage cold` in warm beer, `stage conditioned` without a dose: what is told says on whose word."""

    def said(stage: str) -> Finding:
        entries = [story.entry(100.0, f"stage {stage}")]
        found = feed(VesselWatch(VESSEL), story, entries, to_h=102)
        (finding,) = told(found, Condition.FINING_DUE, Condition.READY)
        return finding

    cold = said("cold")
    assert cold.text.startswith("You have entered that the beer is cold; it is at")
    assert cold.evidence[0] == "the brewer's word"
    ready = said("conditioned")
    assert ready.text.startswith("Ready: so you have entered. At")
    assert ready.evidence == ("the brewer's word",)


def test_a_dose_that_was_no_dose_is_undone(story: Story) -> None:
    """`stage undo` after the first dose: the next one is the first again."""
    watch = VesselWatch(VESSEL)
    dose_h = story.hours["first_dose"]
    entries = [story.entry(dose_h + 1, "stage undo"), story.entry(dose_h + 3, "fined 15")]
    feed(watch, story, [*story.entries, *entries], to_h=dose_h + 2)
    assert stage_now(watch) is Stage.COLD
    feed(watch, story, entries, from_h=dose_h + 2, to_h=dose_h + 4)
    assert stage_now(watch) is Stage.FIRST_FINING


def _moments(story: Story) -> Iterator[tuple[str, float]]:
    """Yield each stage with an hour in the middle of it."""
    watch = VesselWatch(VESSEL)
    feed(watch, story, story.entries)
    changes = held(watch)
    for change, following in zip(changes, [*changes[1:], None], strict=True):
        until_h = story.hours["tapped"] + 2 if following is None else story.at(following)
        yield change.stage.value, (story.at(change) + until_h) / 2


def test_a_restart_in_any_stage_changes_nothing(story: Story) -> None:
    """State saved and loaded, and detectors rebuilt from the readings: the same stages, notices and next step."""
    whole = VesselWatch(VESSEL)
    expected = feed(whole, story, story.entries)
    moments = list(_moments(story))
    assert len(moments) == 12
    for stage, hours in moments:
        watch = VesselWatch(VESSEL)
        found = feed(watch, story, story.entries, to_h=hours)
        restarted = pickle.loads(pickle.dumps(watch))
        assert isinstance(restarted, VesselWatch)
        found += feed(restarted, story, story.entries, from_h=hours)
        assert found == expected, stage
        assert restarted.record.stages == whole.record.stages, stage
        assert restarted.record.next_step == whole.record.next_step, stage


def test_a_warm_rest_where_the_plan_has_one(story: Story) -> None:
    """After the end, at the rest's temperature: the rest is a stage, counted by the clock, and the chill is due after it."""
    planned = replace(VESSEL, batch=Batch(plan="20, rest 20 for 6 h, chill 2"))
    watch = VesselWatch(planned)
    finished_h = story.hours["valve_shut"] + 24
    found = feed(watch, story, story.entries, to_h=finished_h)
    (over,) = told(found, Condition.FINISHED)
    assert "Next: the warm rest, 20 °C for 6 h; then leave the valve shut and chill." in over.text
    stages = held(watch)
    assert [change.stage for change in stages][-2:] == [Stage.FINISHED, Stage.WARM_REST]
    assert story.at(stages[-1]) == pytest.approx(story.at(over), abs=2 * FRAME_H)
    step = watch.record.next_step
    assert step is not None
    assert "chill to 2 °C" in step.text
    assert step.due_s == pytest.approx(stages[-1].since_s + 6 * HOUR)
    feed(watch, story, story.entries, from_h=finished_h)
    assert [change.stage for change in held(watch)] == list(Stage)


def test_next_step_says_what_and_when(story: Story) -> None:
    """In each part of the batch something that a brewer can do, with its time where it can be known."""
    watch = VesselWatch(replace(VESSEL, batch=Batch(plan="18 for 2 days, 20, rest 22 for 2 days, chill 2")))
    truth = story.hours

    def step(from_h: float, to_h: float) -> tuple[str, float | None]:
        feed(watch, story, story.entries, from_h=from_h, to_h=to_h)
        found = watch.record.next_step
        assert found is not None
        return found.text, None if found.due_s is None else (found.due_s - story.start_s) / HOUR

    text, due_h = step(-1, 20)
    assert (text, due_h) == ("Set the temperature to 20 °C, as planned", 48.0)
    text, _ = step(20, truth["chill"] - 1)
    assert text == "Warm it to 22 °C for the rest, as planned"
    text, due_h = step(truth["chill"] - 1, truth["cold_from"] + 3)
    assert text.startswith("Wait: the beer is in its target")
    assert due_h == pytest.approx(truth["cold_from"] + 12, abs=0.5)
    text, _ = step(truth["cold_from"] + 3, truth["first_dose"] - 0.1)
    assert text.startswith("First dose")
    text, due_h = step(truth["first_dose"] - 0.1, truth["first_dose"] + 3)
    assert text.startswith("Second dose")
    assert due_h == pytest.approx(truth["first_dose"] + 12, abs=FRAME_H)
    text, due_h = step(truth["first_dose"] + 3, truth["warmed"] + 1)
    assert "Chill it again" in text
    assert due_h is None
    assert watch.record.next_step is not None
    assert watch.record.next_step.remind_s is not None
    told_h = (watch.record.next_step.remind_s - story.start_s) / HOUR
    # within the hours that the fridge stood open, and some: six hours after the dose it was opened
    assert truth["first_dose"] + 6 + 2 < told_h < truth["warmed"]


def test_beer_that_warms_before_the_dose_is_to_be_chilled_again(story: Story) -> None:
    """Nobody fined yet: the step says so, and when to tell it; no more once the beer is in its target again."""
    watch = VesselWatch(VESSEL)
    undosed = story.without("fined 15", "tapped")
    feed(watch, story, undosed, to_h=story.hours["warmed"])
    step = watch.record.next_step
    assert step is not None
    assert step.text.startswith("Chill it again")
    assert step.remind_s is not None
    feed(watch, story, undosed, from_h=story.hours["warmed"], to_h=story.hours["cold_again_from"] + 1)
    step = watch.record.next_step
    assert step is not None
    assert step.text.startswith("Wait: the beer is in its target")
    assert step.remind_s is None


def test_next_step_during_the_shut_valve_test(story: Story) -> None:
    """Asked for the test, and once the valve is shut, the brewer is told to leave it so."""
    watch = VesselWatch(VESSEL)
    shut_h = story.hours["valve_shut"]
    feed(watch, story, story.entries, from_h=-1, to_h=shut_h - 12)
    watch.record.suspected_s = watch.record.now_s
    feed(watch, story, story.entries, from_h=shut_h - 12, to_h=shut_h + 1)
    assert watch.record.next_step is not None
    assert watch.record.next_step.text == "Leave the valve shut: the answer comes within hours"


@pytest.mark.parametrize(("gravity", "over"), [("1.011", True), ("1.030", False)])
def test_gravity_that_stands_still_ends_it(story: Story, gravity: str, over: bool) -> None:
    """Two samples 48 h apart behind an open valve are proof (common practice); far above where worts end, they are not."""
    watch = VesselWatch(VESSEL)
    first_h = story.hours["chill"] - 49
    samples = [story.entry(first_h, f"gravity {gravity}"), story.entry(first_h + 48, f"gravity {gravity}")]
    found = feed(watch, story, [*story.without("valve shut", *_AFTER), *samples], to_h=story.hours["chill"])
    finished = told(found, Condition.FINISHED)
    assert bool(finished) is over
    if over:
        assert "stood within 0.0000 over 48 h" in finished[0].text
        assert story.at(finished[0]) == pytest.approx(first_h + 48.5, abs=0.6)  # looked at once an hour


def test_a_step_that_was_passed_is_not_asked_for_again(story: Story) -> None:
    """Three steps, the beer at 20 °C all along: at none of them is the brewer sent back to 16 or 18 °C."""
    planned = replace(VESSEL, batch=Batch(plan="16 for 12 h, 18 for 12 h, 20, chill 2"))
    watch = VesselWatch(planned)
    for hours in range(30, int(story.hours["valve_shut"]), 6):
        feed(watch, story, story.entries, from_h=hours - 31 if hours == 30 else hours - 6, to_h=hours)
        step = watch.record.next_step
        assert step is not None
        assert "18 °C" not in step.text


def test_a_test_that_is_due_comes_before_a_later_step(story: Story) -> None:
    """The next step of the plan is days away, and fermentation seems to be over: the valve is what is to be turned now."""
    watch = VesselWatch(replace(VESSEL, batch=Batch(plan="20 for 6 days, 21, chill 2")))
    feed(watch, story, story.entries, to_h=40)
    watch.record.suspected_s = watch.record.now_s
    feed(watch, story, story.entries, from_h=40, to_h=40.5)
    assert not watch.record.valve.shut
    step = watch.record.next_step
    assert step is not None
    assert step.text.startswith("Wind the valve shut")


def test_a_lager_that_ferments_in_the_cold_is_not_kept_cold_yet(story: Story) -> None:
    """Yeast that works at 4 to 12 °C, beer at 4.8 °C from the first hour: no cold, no finings before anybody chills."""
    lager = replace(VESSEL, yeast_temperature_c=(4, 12))
    cooler = Story()
    celsius = cooler.samples.kind == Kind.TEMPERATURE
    value = np.where(celsius, 4.8 + 0.02 * (cooler.samples.value - 20), cooler.samples.value)
    cooler.samples = replace(cooler.samples, value=value)
    watch = VesselWatch(lager)
    found = feed(watch, cooler, cooler.entries, to_h=story.hours["valve_shut"])
    assert waits(found, cooler) == []
    assert stage_now(watch).place < Stage.CHILLING.place


def cold_after(story: Story, hours: float) -> Story:
    """Return the story with a fridge that keeps its cold from an hour on, for three days."""
    steady = Story()
    from_s = story.start_s + hours * HOUR
    before = keep(story.samples, story.samples.time_s < from_s)
    time_s = from_s + 60.0 * np.arange(72 * 60)
    rng = np.random.default_rng(8)
    bar = float(before.value[before.kind == Kind.PRESSURE][-1]) + 0.002 * rng.standard_normal(len(time_s))
    celsius = 2.0 + 0.02 * rng.standard_normal(len(time_s))
    steady.samples = merged(before, merged(pressure(time_s, bar), temperature(time_s + 20, celsius)))
    return steady


def silent_from(story: Story, hours: float, *, until_h: float = 1e6) -> Story:
    """Return the story with a thermometer that is silent for a while."""
    quiet, time_s = Story(), story.samples.time_s
    from_s, until_s = story.start_s + hours * HOUR, story.start_s + until_h * HOUR
    lost = (story.samples.kind == Kind.TEMPERATURE) & (time_s > from_s) & (time_s < until_s)
    quiet.samples = keep(story.samples, ~lost)
    return quiet


def test_what_settles_unseen_has_not_settled(story: Story) -> None:
    """The thermometer falls silent an hour after the first dose: the second is not said to be due, nor the beer warm."""
    first_h = story.hours["first_dose"]
    quiet = silent_from(story, first_h + 1)
    watch = VesselWatch(VESSEL)
    found = feed(watch, quiet, story.without("tapped"), to_h=first_h + 40)
    assert [what for what, _ in waits(found, quiet)] == ["first dose"]
    assert watch.record.next_step is not None
    assert "temperature is not known" in watch.record.next_step.text


def test_after_silence_the_wait_begins_anew(story: Story) -> None:
    """Silent for eight hours after the first dose, while the fridge stays cold: what settles is counted from then on."""
    first_h = story.hours["first_dose"]
    quiet = silent_from(cold_after(story, first_h), first_h + 1, until_h=first_h + 9)
    entries = [entry for entry in story.without("tapped") if quiet.entered_at(entry) <= first_h + 0.1]
    found = feed(VesselWatch(VESSEL), quiet, entries, to_h=first_h + 40)
    ((_, _), (what, due_h)) = waits(found, quiet)
    assert what == "second dose"
    assert due_h == pytest.approx(first_h + 9 + 12, abs=1)


@pytest.mark.parametrize("undone", [Stage.COLD, Stage.CONDITIONED])
def test_an_undone_wait_is_counted_anew(story: Story, undone: Stage) -> None:
    """The brewer says that it is not so yet: told again after another wait, and the next step says when."""
    watch = VesselWatch(VESSEL)
    entries = story.without("tapped")
    hours = -1.0
    while not watch.record.stages or stage_now(watch) is not undone:
        feed(watch, story, entries, from_h=hours, to_h=hours + 1)
        hours += 1
        assert hours < 400, "never came so far"
    at_h = hours + 0.1
    later = [entry for entry in entries if story.entered_at(entry) < at_h] + [story.entry(at_h, "stage undo")]
    steady = cold_after(story, at_h)
    feed(watch, steady, later, from_h=hours, to_h=at_h + 1)
    assert stage_now(watch) is not undone
    step = watch.record.next_step
    assert step is not None
    assert step.due_s is not None
    assert step.due_s > watch.record.now_s
    feed(watch, steady, later, from_h=at_h + 1, to_h=at_h + 40)
    assert stage_now(watch) is undone


def test_a_bottle_put_on_hours_ago_is_not_in_the_beer_yet(story: Story) -> None:
    """Gas goes on at 0.3 bar more after the last dose: ready says what the beer held before, and what it comes to."""
    dose_h = max(story.entered_at(entry) for entry in story.entries if entry.text.startswith("fined"))
    bottled = cold_after(story, dose_h + 1)
    late = (bottled.samples.kind == Kind.PRESSURE) & (
        bottled.samples.time_s > story.start_s + (dose_h + 8) * HOUR
    )
    bottled.samples = replace(
        bottled.samples, value=np.where(late, bottled.samples.value + 0.3, bottled.samples.value)
    )
    found = told(feed(VesselWatch(VESSEL), bottled, story.without("tapped")), Condition.READY)
    assert len(found) == 1
    assert "before gas was connected" in found[0].text
    plain = told(
        feed(VesselWatch(VESSEL), cold_after(story, dose_h + 1), story.without("tapped")), Condition.READY
    )
    assert found[0].value == pytest.approx(plain[0].value, abs=0.05)


WITHDRAWN = (("stage active",), ("chill 20",), ("stage undo",))


@pytest.mark.parametrize("words", WITHDRAWN)
def test_a_chill_that_is_taken_back_guards_the_beer_again(story: Story, words: tuple[str, ...]) -> None:
    """`chill 2` in error over beer at work, then the brewer's word: warm beer is an alarm as if nothing had been said."""
    watch = VesselWatch(VESSEL)
    said_h = story.hours["first_gas"] + 30
    entries = [
        story.entry(-0.5, "pitched"),
        story.entry(said_h, "chill 2"),
        *(story.entry(said_h + 0.2, word) for word in words),
    ]
    feed(watch, story, entries, to_h=said_h + 1)
    assert watch.record.chill_s is None
    assert stage_now(watch).place < Stage.CHILLING.place
    time_s = story.start_s + (said_h + 1) * HOUR + 60.0 * np.arange(600)
    hot = Samples.of(Kind.TEMPERATURE, time_s, np.full(600, 33.0))
    assert told(watch.update(hot), Condition.TEMPERATURE_HIGH)


def test_a_word_of_chilling_upwards_is_none(story: Story) -> None:
    """`chill 20` over beer that ferments at 19 °C begins no chill, and nobody is told of one."""
    watch = VesselWatch(VESSEL)
    said_h = story.hours["first_gas"] + 30
    found = feed(watch, story, [story.entry(said_h, "chill 20")], to_h=said_h + 3)
    assert watch.record.chill_s is None
    assert stage_now(watch).place < Stage.CHILLING.place
    assert not [f for f in found if "chill begins" in f.text]


def test_what_a_stuck_button_says_fills_no_memory(story: Story) -> None:
    """A thousand changes and doses: the first and the newest are kept."""
    watch = VesselWatch(VESSEL)
    feed(watch, story, story.entries, to_h=100)
    for number in range(1000):
        watch.enter(story.entry(100 + 0.001 * number, "stage slowing" if number % 2 else "stage active"))
    assert len(watch.record.stages) <= 200
    assert watch.record.stages[0].stage is Stage.PITCHED
    assert stage_now(watch) is Stage.SLOWING
    for number in range(300):
        watch.enter(story.entry(110 + 3 * number, "fined 15"))
    (waiting,) = (d for d in watch._detectors if isinstance(d, Waits))
    assert len(waiting.stages.doses) <= 20
