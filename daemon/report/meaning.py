"""What a verdict's numbers are, and by which rule it was told, in words: a reader needs no code for it."""

from collections.abc import Mapping
from types import MappingProxyType
from typing import TypeVar

from ullage.daemon.config_vessels import WatchedVessel
from ullage.daemon.describing import every_promise
from ullage.detectors.activity import ActivitySettings
from ullage.detectors.chilled import ChilledSettings
from ullage.detectors.ending import EndingSettings
from ullage.detectors.finding import Condition, Finding
from ullage.detectors.waits import WaitsSettings

NUMBERS: Mapping[Condition, tuple[str, str]] = MappingProxyType(
    {
        Condition.ACTIVITY: ("rise beyond what temperature explains", ""),
        Condition.NO_ACTIVITY: ("time without gas", "expected within"),
        Condition.HELD: ("level at which the valve holds", "its setting"),
        Condition.FINISH_SUSPECTED: ("", ""),
        Condition.STILL_FERMENTING: ("about to go", ""),
        Condition.FINISHED: ("CO₂ still to come, at most", "told at or below"),
        Condition.STALLED: ("beer temperature", "lowest that suits the yeast"),
        Condition.CHILLED: ("beer temperature", "cold is at or below"),
        Condition.FINING_DUE: ("pressure", "to be vented to"),
        Condition.READY: ("CO₂ in the beer", "wanted"),
        Condition.OVER_PRESSURE: ("pressure", "rated limit"),
        Condition.PRESSURE_RISING: ("pressure", "rated limit"),
        Condition.PRESSURE_LOW: ("pressure", "least"),
        Condition.TEMPERATURE_HIGH: ("temperature", "limit"),
        Condition.TEMPERATURE_LOW: ("temperature", "limit"),
        Condition.LEAK: ("pressure lost", ""),
        Condition.SENSOR_SILENT: ("silent for", "told after"),
        Condition.SENSOR_FROZEN: ("unchanged for", ""),
        Condition.SENSOR_IMPLAUSIBLE: ("reading", "end of what can be"),
    }
)
"""Condition to what its value is, and its limit."""

NONE_G_PER_L_DAY = 0.005
"""A rate that would be shown as nought, or below it."""

Settings = TypeVar("Settings")


def numbers_words(finding: Finding) -> str:
    """Return the numbers behind a finding, each with what it is."""
    value_is, limit_is = NUMBERS[finding.condition]
    parts = []
    if finding.value is not None:
        parts.append(f"{value_is} {_number(finding.value, finding.unit)}")
    if finding.limit is not None:
        parts.append(f"{limit_is} {_number(finding.limit, finding.unit)}")
    if finding.rate_g_per_l_day is not None:
        parts.append(_rate(finding.condition, finding.rate_g_per_l_day))
    return f"Numbers: {'; '.join(parts)}." if parts else ""


def _rate(condition: Condition, rate_g_per_l_day: float) -> str:
    """Return what a rate means: below nought it is a loss where there is a leak, else the error of a rate that is none."""
    if condition is Condition.LEAK and rate_g_per_l_day < 0:
        return f"lost {-rate_g_per_l_day:.2f} g/L CO₂ a day"
    if rate_g_per_l_day < NONE_G_PER_L_DAY:
        return "no production measurable"
    return f"production {rate_g_per_l_day:.2f} g/L CO₂ a day"


def rule_words(condition: Condition, watched: WatchedVessel) -> str:
    """Return when a condition is told, with the settings that were used."""
    own = _rule(condition, watched)
    if not own:
        promised = [p.text for p in every_promise(watched) if condition.value in p.what.split(", ")]
        own = "; or ".join(dict.fromkeys(promised))
    return f"Told when: {own}." if own else ""


def _rule(condition: Condition, watched: WatchedVessel) -> str:
    waits, ending = _settings(watched, WaitsSettings), _settings(watched, EndingSettings)
    match condition:
        case Condition.ACTIVITY:
            rise = _settings(watched, ActivitySettings).rise_bar * 1000
            return f"the pressure has risen by {rise:g} mbar more than gas law and solubility explain"
        case Condition.HELD:
            return "the pressure has stood still for three hours near the valve's setting"
        case Condition.FINISH_SUSPECTED:
            return (
                "the time that most worts take at this temperature is over and the level that the valve holds no longer "
                "slides; behind a valve that proves nothing, so the shut-valve test is asked for"
            )
        case Condition.STILL_FERMENTING:
            return (
                f"gas has no way out and production is surely above {ending.going_g_per_l_day:g} g/L a day, or the test's "
                "hours are over and it is not settled; or it goes on after the end was told"
            )
        case Condition.FINISHED:
            return _end_rule(ending)
        case Condition.CHILLED:
            hours = _settings(watched, ChilledSettings).hours
            return f"the beer itself has been cold for {hours:g} h without a break"
        case Condition.FINING_DUE:
            return (
                f"the beer has been cold for {waits.cold_h:g} h; for a second dose, {waits.settle_h:g} h after the first; "
                "the count begins anew when it warms up"
            )
        case Condition.READY:
            return f"the last dose has settled for {waits.last_settle_h:g} h in the cold; without finings, once it is cold"
    return ""


def _end_rule(ending: EndingSettings) -> str:
    return (
        "gas has provably no way out (no valve, a valve shut by the journal's word, or one that cycles, between two of "
        f"its drops) for at least {ending.least_shut_h:g} h, and what can still come stays at or below "
        f"{ending.to_come_by_word_g_per_l:g} g/L ({ending.to_come_cycling_g_per_l:g} if the valve cycles). What can still "
        "come is the upper end of the measured rate times the time that the tail takes to fade, which is read from how "
        f"the rate has fallen before, or from the beer's age. It must stay so for {ending.confirm_h:g} h "
        f"({ending.confirm_sealed_h:g} h if sealed, {ending.confirm_cycling_h:g} h if the valve cycles, "
        f"{ending.confirm_fading_h:g} h where its teeth show production fade as yeast does). Gravity that "
        "stands within 0.001 for 48 h is an end of its own"
    )


def _settings(watched: WatchedVessel, kind: type[Settings]) -> Settings:
    return next((one for one in watched.detectors.values() if isinstance(one, kind)), None) or kind()


def _number(value: float, unit: str) -> str:
    said = f"{value:.3g}" if abs(value) < 1000 else f"{value:.0f}"
    return f"{said} {unit}".strip()
