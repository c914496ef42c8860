"""Each verdict with what led to it: the stretch it was read from, the fit through it, and the span to zoom to."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ullage.daemon.chart.batch import Curve
from ullage.daemon.chart.picture import Role, Slope, Span
from ullage.daemon.report.meaning import NONE_G_PER_L_DAY
from ullage.daemon.report.trace import Look, Trace
from ullage.detectors.finding import Condition, Finding, State

_HOUR_S = 3600.0
_DAY_S = 86_400.0
_AROUND_H = {
    Condition.OVER_PRESSURE: (3.0, 2.0),
    Condition.PRESSURE_RISING: (4.0, 3.0),
    Condition.SENSOR_SILENT: (3.0, 6.0),
    Condition.SENSOR_FROZEN: (8.0, 4.0),
    Condition.SENSOR_IMPLAUSIBLE: (3.0, 3.0),
    Condition.LEAK: (36.0, 6.0),
    Condition.CHILLED: (36.0, 4.0),
}
"""Hours before and after that are shown where no shut stretch says it better."""
_USUAL_H = (18.0, 6.0)
_LONGEST_H = 96.0
_LEAK_WINDOW_H = 8.0
_FITTED = frozenset({Condition.FINISHED, Condition.STILL_FERMENTING, Condition.LEAK, Condition.STALLED})


@dataclass(frozen=True, slots=True, kw_only=True)
class Explained:
    """One finding with its picture's span, and what is drawn into it."""

    finding: Finding
    number: int
    span_s: tuple[float, float]
    spans: tuple[Span, ...] = ()
    slopes: tuple[Slope, ...] = ()
    sentences: tuple[str, ...] = ()
    """What the drawing shows, in words."""


def explain(finding: Finding, number: int, trace: Trace, pressure: Curve) -> Explained:
    """Return a finding with what led to it.

    Parameters
    ----------
    finding
        What was told.
    number
        Its number in the chart and the list.
    trace
        The looks of the same replay.
    pressure
        The vessel's pressure: a fitted line is drawn through its mean.
    """
    now_s = finding.time_s
    look = trace.at(now_s)
    before_h, after_h = _AROUND_H.get(finding.condition, _USUAL_H)
    if look is None or finding.condition not in _FITTED:
        span_s = (now_s - before_h * _HOUR_S, now_s + after_h * _HOUR_S)
        return Explained(finding=finding, number=number, span_s=span_s)
    window_s = _window(finding, look)
    shut_s = look.shut_since_s
    spans: list[Span] = []
    sentences: list[str] = []
    begin_s = now_s - before_h * _HOUR_S
    if shut_s is not None and finding.condition is not Condition.LEAK:
        begin_s = max(min(shut_s, window_s[0]), now_s - _LONGEST_H * _HOUR_S)
        spans.append(
            Span(from_s=shut_s, to_s=now_s, text=f"no way out for gas: {look.proof}", role=Role.SHUT)
        )
        hours = (now_s - shut_s) / _HOUR_S
        sentences.append(f"Light ground: no way out for gas for {hours:.1f} h, because {look.proof}.")
    slopes = _slopes(finding, look, window_s, pressure)
    if slopes:
        spans.append(
            Span(from_s=window_s[0], to_s=window_s[1], text="the stretch that was fitted", role=Role.WINDOW)
        )
        sentences += _fit_words(finding, look, window_s)
    margin_s = max(0.15 * (now_s - begin_s), _HOUR_S)
    return Explained(
        finding=finding,
        number=number,
        span_s=(begin_s - margin_s, now_s + margin_s),
        spans=tuple(spans),
        slopes=slopes,
        sentences=tuple(sentences),
    )


def worth_a_picture(finding: Finding) -> bool:
    """Tell whether a finding gets a chart of its own; the end of an alarm is seen in the alarm's."""
    return finding.state is not State.CLEARED


def _window(finding: Finding, look: Look) -> tuple[float, float]:
    """Return the stretch that the finding's rate was read from."""
    production, rate = look.production, finding.rate_g_per_l_day
    if production is not None and rate is not None and abs(production.rate_g_per_l_day - rate) < 1e-9:
        return production.start_s, production.end_s
    if finding.condition is Condition.LEAK or look.shut_since_s is None:
        return finding.time_s - _LEAK_WINDOW_H * _HOUR_S, finding.time_s
    return look.shut_since_s, finding.time_s


def _slopes(
    finding: Finding, look: Look, window_s: tuple[float, float], pressure: Curve
) -> tuple[Slope, ...]:
    """Return the fitted line: the rate as a slope of pressure, through the middle of what was fitted."""
    rate = finding.rate_g_per_l_day
    inside = (pressure.time_s >= window_s[0]) & (pressure.time_s <= window_s[1])
    if rate is None or not inside.any():
        return ()
    bar_per_s = rate / look.capacity_g_per_l_bar / _DAY_S
    middle_bar = float(np.median(pressure.value[inside]))
    half = (window_s[1] - window_s[0]) / 2 * bar_per_s
    return (
        Slope(
            from_s=window_s[0],
            to_s=window_s[1],
            from_value=middle_bar - half,
            to_value=middle_bar + half,
            text=f"fit: {_rate_words(finding, rate)}",
        ),
    )


def _fit_words(finding: Finding, look: Look, window_s: tuple[float, float]) -> Sequence[str]:
    rate = finding.rate_g_per_l_day or 0.0
    hours = (window_s[1] - window_s[0]) / _HOUR_S
    per_h = rate / look.capacity_g_per_l_bar / 24 * 1000
    per_bar = look.capacity_g_per_l_bar
    fitted = (
        f"Darker ground and dashed line: the fit over {hours:.1f} h. With the effect of temperature taken out the "
        f"pressure changes by {per_h:+.2f} mbar an hour, {_rate_words(finding, rate)} at {per_bar:.2f} g/L CO₂ for each bar."
    )
    said = [fitted]
    production = look.production
    if production is not None and abs(production.rate_g_per_l_day - rate) < 1e-9:
        scatter = f"the readings scatter about it by {production.residual_sd_bar * 1000:.1f} mbar."
        if production.low > 0 or finding.condition is Condition.LEAK:
            low, high = sorted((abs(production.low), abs(production.high)))
            said.append(f"Its 99.7 % interval runs from {low:.2f} to {high:.2f} g/L a day; {scatter}")
        else:
            said.append(
                f"By its 99.7 % interval it is at most {max(production.high, 0.0):.2f} g/L a day; {scatter}"
            )
    return said


def _rate_words(finding: Finding, rate_g_per_l_day: float) -> str:
    """Return a rate in words: nobody makes less than nothing."""
    if finding.condition is Condition.LEAK:
        return f"{-rate_g_per_l_day:.2f} g/L a day lost"
    return f"{rate_g_per_l_day:.2f} g/L a day" if rate_g_per_l_day >= NONE_G_PER_L_DAY else "no production"
