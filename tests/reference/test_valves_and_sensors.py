"""What detectors allow valves and sensors, against the standard's limits and what sensors are known to say."""

import numpy as np

from tests.detectors.streams import SEALED, every, pressure, watch_of
from tests.reference.checks import Check, each, the
from ullage.detectors.frozen import Frozen
from ullage.detectors.gate import plausible
from ullage.detectors.held import HeldSettings
from ullage.detectors.pressure_rising import RisingSettings
from ullage.detectors.samples import Kind, Samples


def test_a_valve_within_the_standard_is_not_told_to_turn() -> None:
    """A certified valve may open 0.1 bar off its setting (ISO 4126-1): no advice to turn it for that much."""
    assert HeldSettings().off_target_bar > the("iso4126_set_tolerance").expected


def test_a_valve_within_the_standard_does_not_count_as_stuck() -> None:
    """Spread of the setting and overpressure to full lift (ISO 4126-1) together stay below the margin."""
    spread, full = the("iso4126_set_tolerance"), the("iso4126_max_overpressure")
    assert RisingSettings().valve_margin_bar > spread.expected + full.expected
    blow_down = the("iso4126_max_blowdown_gas")
    assert RisingSettings().valve_margin_bar >= blow_down.expected  # a full tooth is no run towards the limit


@each("ds18b20_raw_to_C")
def test_values_that_a_digital_thermometer_is_known_to_say(check: Check) -> None:
    """Power-on 85 °C is refused; colder than beer but possible is not (data sheet; one row from memory)."""
    raw = int(check.inputs["raw_hex"], 16)
    degrees = (raw - 0x10000 if raw & 0x8000 else raw) / 16
    check.compare(degrees)
    fine = plausible(Samples.of(Kind.TEMPERATURE, np.array([0.0]), np.array([degrees])))
    assert fine.tolist() == [degrees != 85.0]


@each("adc_step")
def test_a_coarse_quiet_converter_is_never_called_frozen(check: Check) -> None:
    """A 10 or 12 bit converter whose noise is far below its step may repeat itself for a day (common practice)."""
    inputs = check.inputs
    step_bar = inputs["v_ref"] / 2 ** inputs["bits"] / inputs["span_v"] * inputs["p_hi_bar"]
    check.compare(1000 * step_bar)
    rng = np.random.default_rng(inputs["bits"])
    time_s = every(30, 48)
    true = 1.0 + 0.02 * np.sin(np.arange(len(time_s)) / 900)  # a slow swing, so that steps are seen at all
    shown = np.round((true + 0.05 * step_bar * rng.standard_normal(len(time_s))) / step_bar) * step_bar
    assert watch_of(SEALED, (Frozen,)).update(pressure(time_s, shown)) == ()
