"""What a batch's own wishes add to a finding: the valve's setting, the chill; nothing where there is nothing to say."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.detectors.streams import START_S, VALVED, capacity_g_per_l_bar, noisy, watch_of
from ullage.detectors.advising import advised, batch_advice
from ullage.detectors.batch import Batch
from ullage.detectors.finding import Condition, Finding, Priority, State
from ullage.detectors.record import Record
from ullage.detectors.vessel import Vessel

WISHING = replace(VALVED, rated_pressure_bar=4.0, batch=Batch(carbonation="5.0 g/L"))


def finding(condition: Condition) -> Finding:
    """Return something found."""
    return Finding(
        time_s=START_S,
        vessel="valved",
        condition=condition,
        state=State.NOTED,
        priority=Priority.LOW,
        text="So it is.",
    )


def after_hours(vessel: Vessel, bar: float, celsius: float) -> Record:
    """Return what is known after three quiet hours."""
    watch = watch_of(vessel)
    at_h = np.arange(0.0, 3.0, 1 / 30)
    watch.update(noisy(at_h, np.full(len(at_h), bar), celsius, seed=1))
    return watch.record


def said(condition: Condition, vessel: Vessel, bar: float = 1.2, celsius: float = 19.0) -> str:
    """Return what is added to a finding."""
    text = advised(finding(condition), after_hours(vessel, bar, celsius)).text
    assert text.startswith("So it is.")
    return text.removeprefix("So it is.").strip()


@pytest.mark.parametrize("condition", [Condition.HELD, Condition.FINISHED])
def test_without_wishes_nothing_is_added(condition: Condition) -> None:
    """Nobody has said what the beer is to become."""
    assert said(condition, VALVED) == ""


@pytest.mark.parametrize(
    "condition", [one for one in Condition if one not in (Condition.HELD, Condition.FINISHED)]
)
def test_other_findings_stay_as_they_are(condition: Condition) -> None:
    """An alarm is no place for advice about carbonation."""
    assert said(condition, WISHING) == ""


def test_a_held_pressure_is_told_with_the_setting_for_what_is_wanted() -> None:
    """The gas that is in the vessel when it is shut is there when it is cold: by conservation of mass, written out anew.

    Twenty litres of beer chilled from 19 to 2 °C with what air the vessel was closed with, which is worth a tenth of a bar
    either way.
    """
    text = said(Condition.HELD, WISHING)
    assert text.startswith("For the 5.0 g/L wanted: set the valve to ")
    set_bar = float(text.split("set the valve to ")[1].split(" ")[0])
    cold, warm = capacity_g_per_l_bar(WISHING, 2.0), capacity_g_per_l_bar(WISHING, 19.0)
    in_cold_beer = 10 * math.exp(2617.25 / 275.15 - 10.73797)
    assert set_bar == pytest.approx(cold / warm * 5.0 / in_cold_beer - 1.013, abs=0.11)


def test_the_setting_is_for_where_the_plan_ends() -> None:
    """A warmer end of fermentation holds the same gas at a higher pressure."""
    planned = replace(WISHING, batch=Batch(carbonation="5.0 g/L", plan="19 for 3 days, 22"))
    assert batch_advice(planned, 22.0) != batch_advice(planned, 19.0)
    assert said(Condition.HELD, planned).lower().endswith(batch_advice(planned, 22.0).lower())


def test_the_end_is_told_with_what_the_chill_does() -> None:
    """From what the vessel holds to where it is to be kept; beer that is as cold already is not told of it."""
    assert "from 19 to 2 °C" in said(Condition.FINISHED, WISHING)
    assert said(Condition.FINISHED, WISHING, celsius=1.5) == ""


@given(
    bar=st.floats(-0.5, 50.0),
    celsius=st.floats(-14.0, 59.0),
    wanted=st.sampled_from(["", "5.0 g/L", "9 g/L", "2.5 volumes"]),
    condition=st.sampled_from([Condition.HELD, Condition.FINISHED]),
)
def test_whatever_is_read_the_finding_goes_out(
    bar: float, celsius: float, wanted: str, condition: Condition
) -> None:
    """Numbers that no advice is good for cost the advice, never the finding."""
    text = said(condition, replace(WISHING, batch=Batch(carbonation=wanted)), bar, celsius)
    assert "nan" not in text
