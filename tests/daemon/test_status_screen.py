"""The status screen: what a person sees at 80 columns, without colour."""

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.daemon.desk_kit import open_store
from ullage.adapters.reading import Quantity, Reading
from ullage.daemon.alarm_states import Alarm, AlarmKey, AlarmState
from ullage.daemon.local_time import LocalTime
from ullage.daemon.status import VesselStatus
from ullage.daemon.status_screen import status_lines
from ullage.daemon.store.batches import StoredBatch
from ullage.daemon.trends import trends
from ullage.detectors.batch import Batch
from ullage.detectors.finding import Priority
from ullage.detectors.gravity import Instrument
from ullage.detectors.gravity_samples import GravitySample
from ullage.detectors.stage import NextStep, Stage, StageChange

NOW_S = 1_780_000_000.0
UTC = LocalTime.named("UTC")
LATEST: Mapping[Quantity, Reading] = {
    Quantity.TEMPERATURE: Reading("north", Quantity.TEMPERATURE, NOW_S - 40, 2.06),
    Quantity.PRESSURE: Reading("north", Quantity.PRESSURE, NOW_S - 40, 0.583),
}


def status(alarms: tuple[Alarm, ...] = (), latest: Mapping[Quantity, Reading] = LATEST) -> VesselStatus:
    return VesselStatus(
        name="north",
        latest=latest,
        alarms=alarms,
        shelved=(("leak", NOW_S + 3600),),
        notice=None,
        batch=StoredBatch(
            id=1,
            vessel="north",
            wishes=Batch(name="best", carbonation="5.0 g/L"),
            began_s=NOW_S - 10 * 86_400,
            ended_s=None,
            origin="command",
            summary="",
        ),
        stage=StageChange(stage=Stage.FIRST_FINING, since_s=NOW_S - 7200, why="the journal says so"),
        step=NextStep("Second dose of finings: vent, dose, enter `fined`", NOW_S + 36_000),
        trends={Quantity.TEMPERATURE: "steady", Quantity.PRESSURE: "falling"},
        carbonation_g_per_l=4.73,
        gravity=GravitySample(time_s=NOW_S - 90_000, gravity=1.0105, instrument=Instrument.HYDROMETER),
    )


def alarm() -> Alarm:
    return Alarm(
        key=AlarmKey("north", "leak", ""),
        state=AlarmState.UNACKNOWLEDGED,
        priority=Priority.HIGH,
        text="Gas is lost: 0.12 bar in 3 h that neither temperature nor valve explains. " * 3,
        raised_s=NOW_S - 600,
        changed_s=NOW_S - 600,
        told_s=NOW_S - 600,
    )


def test_one_screen_says_all_of_it() -> None:
    """Stage and since when, readings with trend and age, carbonation in both measures, what is next and when."""
    assert status_lines(status(), NOW_S, UTC, 80, "installation") == [
        "north: first fining, since Thu 28 May 18:26 (2 h)",
        "  temperature   2.1 °C    steady   40 s ago",
        "  pressure      0.58 bar  falling  40 s ago",
        "  sample        1.010 (2.7 °P) by hydrometer, 1 day 1 h ago",
        "  - leak is shelved until Thu 28 May 21:26",
        "  carbonation   about 4.7 g/L (2.4 volumes) in balance, wanted 5.0 g/L",
        '  batch         "best", ale, 10 days old',
        "  next          Second dose of finings: vent, dose, enter `fined`: Fri 29 May",
        "                06:26 (in 10 h)",
    ]


def test_alarms_stand_above_what_is_derived_and_nothing_is_wider_than_the_terminal() -> None:
    """At 80 columns and at 40."""
    for width in (80, 40):
        lines = status_lines(status((alarm(),)), NOW_S, UTC, width, "installation")
        wrapped = [
            line for line in lines if not line.startswith(("north", "  sample", "  temp", "  pres", "  - "))
        ]
        assert max(map(len, wrapped)) <= width
        assert lines.index(next(line for line in lines if line.startswith("  ! leak [high]"))) == 4


def test_an_alarm_that_is_over_does_not_read_as_if_it_were_back() -> None:
    """The standard's word for it, returned to normal, says the opposite to a brewer."""
    over = replace(alarm(), state=AlarmState.RETURNED)
    text = " ".join(" ".join(status_lines(status((over,)), NOW_S, UTC, 80, "installation")).split())
    assert "! leak [high] over but unacknowledged, since Thu 28 May" in text
    assert "returned" not in text


def test_slowing_says_by_what_and_an_ended_batch_that_none_runs() -> None:
    """A guess by time reads as one; after the end nobody is told to wait for gas."""
    slow = StageChange(
        stage=Stage.SLOWING, since_s=NOW_S - 7200, why="a guess by the time that most worts take"
    )
    assert "a guess" in "\n".join(status_lines(replace(status(), stage=slow), NOW_S, UTC, 80, "ullage"))
    ended = replace(status(), stage=None, step=None, batch=None, ended_s=NOW_S - 3600)
    lines = status_lines(ended, NOW_S, UTC, 80, "ullage")
    assert lines[0] == "north: no batch"
    assert any("none runs: the last one ended" in line for line in lines)


def test_old_readings_say_so_and_tell_no_carbonation() -> None:
    """A number that nobody has confirmed for an hour is not what the beer is like now."""
    old = {q: Reading("north", q, NOW_S - 3600, r.value) for q, r in LATEST.items()}
    lines = status_lines(status(latest=old), NOW_S, UTC, 80, "installation")
    assert lines[1].endswith("1 h ago, OLD")
    fresh = status_lines(status(), NOW_S, UTC, 80, "installation")
    assert any("steady" in line or "falling" in line or "rising" in line for line in fresh)
    assert not any("steady" in line or "falling" in line or "rising" in line for line in lines)
    assert not any("carbonation" in line for line in lines)


def test_control_characters_do_not_steer_the_terminal() -> None:
    """Neither in an alarm nor in what is next."""
    shown = replace(
        status((replace(alarm(), text="red \x1b[31m alert"),)), step=NextStep("ring \x07 the bell \x9b")
    )
    lines = status_lines(shown, NOW_S, UTC, 80, "installation")
    assert any("alert" in line for line in lines)
    assert all(line.isprintable() for line in lines)


@pytest.mark.parametrize(
    ("per_h", "word"), [(0.0, "steady"), (0.01, "steady"), (0.05, "rising"), (-0.05, "falling")]
)
def test_trend_is_the_slope_of_two_hours(tmp_path: Path, per_h: float, word: str) -> None:
    """Beyond a sensor's noise of 2 mbar; of too few readings nothing is said."""
    rng = np.random.default_rng(1)
    with open_store(tmp_path) as store:
        time_s = NOW_S - np.arange(0, 3 * 3600, 60.0)
        store.append(
            [
                Reading("north", Quantity.PRESSURE, t, 1.0 + per_h * (t - NOW_S) / 3600 + 0.002 * noise)
                for t, noise in zip(time_s.tolist(), rng.standard_normal(len(time_s)).tolist(), strict=True)
            ]
        )
        store.append([Reading("north", Quantity.TEMPERATURE, NOW_S, 20.0)])
        assert trends(store, "north", NOW_S) == {Quantity.PRESSURE: word}
