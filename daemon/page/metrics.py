"""The metrics endpoint, in OpenMetrics text (RFC draft-ietf-opsawg-openmetrics / OpenMetrics 1.0)."""

import math
from collections.abc import Iterator, Mapping, Sequence

from ullage.adapters.reading import Quantity
from ullage.daemon.page.cellar import Cellar
from ullage.daemon.status import VesselStatus

CONTENT_TYPE = "application/openmetrics-text; version=1.0.0; charset=utf-8"
Sample = tuple[dict[str, str], float]

_QUANTITIES: Mapping[Quantity, tuple[str, str, str]] = {
    Quantity.PRESSURE: ("ullage_pressure_bar", "bar", "Gauge pressure read last."),
    Quantity.TEMPERATURE: ("ullage_temperature_celsius", "celsius", "Temperature read last."),
    Quantity.AIR_TEMPERATURE: (
        "ullage_air_temperature_celsius",
        "celsius",
        "Temperature of the air around it.",
    ),
    Quantity.GRAVITY: ("ullage_gravity", "", "Specific gravity read last."),
}
"""Name, unit and meaning of what is read."""


def metrics_text(cellar: Cellar, statuses: Sequence[VesselStatus]) -> str:
    """Return all metrics."""
    return "".join(_families(cellar, statuses)) + "# EOF\n"


def _families(cellar: Cellar, statuses: Sequence[VesselStatus]) -> Iterator[str]:
    vessels = [status for status in statuses if status.name]
    yield from _readings(vessels, cellar.now_s())
    yield _family("ullage_alarm", "gauge", "Alarms that are not normal.", _alarms(statuses))
    stages = [
        ({"vessel": status.name, "stage": status.stage.stage.value}, 1.0)
        for status in vessels
        if status.stage is not None
    ]
    yield _family("ullage_stage", "gauge", "Stage of the batch.", stages)
    yield from _about_the_program(cellar)


def _readings(vessels: Sequence[VesselStatus], now_s: float) -> Iterator[str]:
    for quantity, (name, unit, text) in _QUANTITIES.items():
        samples = [
            ({"vessel": status.name}, status.latest[quantity].value)
            for status in vessels
            if quantity in status.latest
        ]
        yield _family(name, "gauge", text, samples, unit)
    ages = [
        ({"vessel": status.name, "quantity": quantity.value}, now_s - reading.time_s)
        for status in vessels
        for quantity, reading in status.latest.items()
    ]
    yield _family("ullage_reading_age_seconds", "gauge", "Age of the reading read last.", ages, "seconds")
    carbonation = [
        ({"vessel": status.name}, status.carbonation_g_per_l)
        for status in vessels
        if status.carbonation_g_per_l is not None
    ]
    yield _family(
        "ullage_carbonation_grams_per_litre", "gauge", "CO2 in the beer, when in balance.", carbonation
    )


def _alarms(statuses: Sequence[VesselStatus]) -> list[Sample]:
    return [
        (
            {
                "vessel": status.name,
                "condition": alarm.condition,
                "subject": alarm.subject,
                "priority": alarm.priority.value,
                "state": alarm.state.value,
            },
            1.0,
        )
        for status in statuses
        for alarm in status.alarms
    ]


def _about_the_program(cellar: Cellar) -> Iterator[str]:
    sources = [({"source": h.name}, float(h.connected)) for h in cellar.sources_health()]
    yield _family("ullage_source_connected", "gauge", "Whether a source is in reach.", sources)
    counts = cellar.pipeline.counts
    for name, text, value in (
        ("ullage_readings", "Readings judged since the start.", counts.readings),
        ("ullage_findings", "Findings since the start.", counts.findings),
        ("ullage_gaps", "Gaps in the times of readings since the start.", counts.gaps),
        ("ullage_readings_unstored", "Readings judged that the database would not take.", counts.unstored),
        (
            "ullage_deliveries_unacknowledged",
            "Deliveries that could not be acknowledged; their sender may send them again.",
            counts.unacknowledged,
        ),
    ):
        yield _family(name, "counter", text, [({}, float(value))])
    refused = [
        ({"reason": reason}, float(count)) for reason, count in sorted(dict(cellar.pipeline.refused).items())
    ]
    yield _family("ullage_readings_refused", "counter", "Readings refused since the start.", refused)
    yield _family(
        "ullage_readings_pending", "gauge", "Readings not yet written.", [({}, float(cellar.store.pending))]
    )


def _family(name: str, kind: str, text: str, samples: Sequence[Sample], unit: str = "") -> str:
    lines = [f"# TYPE {name} {kind}"]
    if unit:
        lines.append(f"# UNIT {name} {unit}")
    lines.append(f"# HELP {name} {text}")
    suffix = "_total" if kind == "counter" else ""
    for labels, value in samples:
        if math.isfinite(value):
            said = ",".join(f'{key}="{_escaped(label)}"' for key, label in labels.items())
            lines.append(f"{name}{suffix}{{{said}}} {value!r}" if said else f"{name}{suffix} {value!r}")
    return "\n".join(lines) + "\n"


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace("\n", "\\n").replace('"', '\\"')
