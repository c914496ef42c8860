"""An invented batch for charts."""

import numpy as np

from ullage.daemon.chart.batch import BatchView, Curve, Rates, marks_of
from ullage.detectors.finding import Condition, Finding, Priority, State
from ullage.detectors.samples import Entry
from ullage.detectors.vessel import Vessel

START_S = 1_772_355_600.0
"""2026-03-01 09:00 UTC."""
DAY_S = 86_400.0
VESSEL = Vessel(
    name="north",
    total_volume_l=23,
    beer_volume_l=19,
    rated_pressure_bar=2.5,
    valve_pressure_bar=1.5,
    yeast_temperature_c=(18, 24),
)


def finding(day: float, condition: Condition, state: State = State.NOTED, **more: object) -> Finding:
    """Return a finding at a day of the batch."""
    return Finding(
        time_s=START_S + day * DAY_S,
        vessel="north",
        condition=condition,
        state=state,
        priority=Priority.MEDIUM,
        text=f"{condition.value} it is.",
        **more,  # type: ignore[arg-type]
    )


def view(days: float = 10.0, every_s: float = 60.0) -> BatchView:
    """Return a batch of so many days with a spike on day 3 and a silence of eight hours on day 5."""
    time_s = START_S + np.arange(0.0, days * DAY_S, every_s)
    bar = np.minimum((time_s - START_S) / DAY_S, 1.5)
    bar[int(3 * DAY_S / every_s)] = 2.4
    celsius = 20 + np.sin((time_s - START_S) / 7200)
    silent = (time_s > START_S + 5 * DAY_S) & (time_s < START_S + 5 * DAY_S + 8 * 3600)
    entries = (Entry(time_s=START_S, text="pitched"), Entry(time_s=START_S + 7 * DAY_S, text="valve shut"))
    findings = (
        finding(0.5, Condition.ACTIVITY),
        finding(5.02, Condition.SENSOR_SILENT, State.RAISED, subject="pressure"),
        finding(5.4, Condition.SENSOR_SILENT, State.CLEARED, subject="pressure"),
        finding(7.5, Condition.FINISHED),
    )
    return BatchView(
        vessel=VESSEL,
        pressure=Curve.of(time_s[~silent], bar[~silent]),
        temperature=Curve.of(time_s[~silent], celsius[~silent]),
        rates=Rates(
            time_s=START_S + np.array([0.7, 7.2]) * DAY_S, rate=np.array([4.0, 0.1]), se=np.array([0.5, 0.05])
        ),
        entries=entries,
        marks=marks_of(findings, entries),
    )
