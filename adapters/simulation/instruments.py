"""What the instruments show of a vessel: noise, steps and slowness.

References
----------
A digital thermometer steps by 0.0625 °C. A 0.5-4.5 V transmitter of 7 bar on a 12-bit converter of 5 V steps by
5 / 4096 / 4 x 7 = 2.1 mbar. The noise is common practice.
"""

from dataclasses import dataclass

from numpy.random import Generator


@dataclass(frozen=True, slots=True, kw_only=True)
class Instruments:
    """A thermometer in the beer and a pressure transmitter on top."""

    temperature_noise_k: float = 0.03
    temperature_step_k: float = 0.0625
    probe_time_h: float = 0.05
    """The probe's well follows the beer with this time."""
    pressure_noise_bar: float = 0.002
    pressure_step_bar: float = 5.0 / 4096 / 4.0 * 7.0
    pressure_offset_bar: float = 0.0
    pressure_end_bar: float = 7.0

    def temperature_c(self, probe_c: float, noise: Generator) -> float:
        """Return what the thermometer shows."""
        step = self.temperature_step_k
        return round((probe_c + noise.normal(0.0, self.temperature_noise_k)) / step) * step

    def pressure_bar(self, true_bar: float, noise: Generator) -> float:
        """Return what the transmitter shows; it ends at both ends of its scale."""
        seen = true_bar + self.pressure_offset_bar + noise.normal(0.0, self.pressure_noise_bar)
        step = self.pressure_step_bar
        lowest = -0.125 * self.pressure_end_bar  # 0 V, an eighth of the span below 0.5 V
        return round(min(max(seen, lowest), self.pressure_end_bar) / step) * step
