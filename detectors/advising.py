"""Adds to a finding what the batch's own wishes make of it: valve, rest, chill, with numbers."""

import math
from dataclasses import replace

from ullage.detectors.advice import chill_advice, valve_advice
from ullage.detectors.batch import COLD_C
from ullage.detectors.finding import Condition, Finding
from ullage.detectors.record import Record
from ullage.detectors.vessel import Vessel


def advised(finding: Finding, record: Record) -> Finding:
    """Return the finding, with advice behind its text where there is any to give."""
    vessel = record.vessel
    if vessel.batch is None:
        return finding
    try:
        if finding.condition is Condition.HELD:
            return _with(finding, _about_valve(vessel, record))
        if finding.condition is Condition.FINISHED:
            return _with(finding, _about_chill(vessel, record))
    except ValueError:  # numbers that no advice is good for: the finding goes out all the same
        return finding
    return finding


def batch_advice(vessel: Vessel, fermenting_c: float) -> str:
    """Return where to set the valve for the carbonation wanted; empty if none is wanted."""
    batch = vessel.batch
    if batch is None or batch.wanted_g_per_l is None:
        return ""
    return valve_advice(vessel, batch.wanted_g_per_l, fermenting_c, batch.cold_c, batch.serving_c).text


def _about_valve(vessel: Vessel, record: Record) -> str:
    batch = vessel.batch
    if batch is None:
        return ""
    text = batch_advice(vessel, batch.temperatures.last_c(round(_sane(record.beer_c), 1)))
    if not text:
        return ""
    return f"For the {batch.carbonation} wanted: {text[0].lower()}{text[1:]}"


def _about_chill(vessel: Vessel, record: Record) -> str:
    assert vessel.batch is not None
    target_c = vessel.batch.cold_c if record.chill_target_c is None else record.chill_target_c
    beer_c = round(_sane(record.beer_c), 1)
    if math.isnan(record.bar) or beer_c <= target_c:
        return ""
    return chill_advice(vessel, record.bar, beer_c, _sane(target_c)).text


def _with(finding: Finding, advice: str) -> Finding:
    return replace(finding, text=f"{finding.text} {advice.strip()}") if advice else finding


def _sane(celsius: float) -> float:
    return COLD_C if math.isnan(celsius) else min(max(celsius, -2.0), 36.0)
