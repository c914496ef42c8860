"""Temperature against the yeast's range: dead-band, patience, and sense for what the brewer is doing.

Beer moves by hundredths of a kelvin while fridge air swings by kelvins; a probe in air is therefore smoothed with the
beer's own lag first and given more patience. A chill that is announced, or that follows the verdict `finished`, is no
alarm; one before it is: it is the chill begun too early.
"""

import math
from dataclasses import dataclass

from ullage.detectors.detector import Detector
from ullage.detectors.finding import Condition, Finding, Priority, State
from ullage.detectors.frames import Frame
from ullage.detectors.latch import Change, Latch
from ullage.detectors.record import Record
from ullage.detectors.vessel import Vessel


@dataclass(frozen=True, slots=True, kw_only=True)
class TemperatureSettings:
    """Dead-band and patience."""

    dead_band_c: float = 0.4
    """1 % of a 0 to 40 °C range."""
    patience_min: float = 40.0
    patience_air_h: float = 2.0
    settling_h: float = 12.0
    """A wort that is still on its way into the range at the start is given this long."""


class Temperature(Detector):
    """Raises `temperature-high` and `temperature-low`."""

    name = "temperature"
    Settings = TemperatureSettings

    def __init__(self, vessel: Vessel, settings: TemperatureSettings) -> None:
        super().__init__(vessel)
        self.settings = settings
        self._high = Latch(settings.patience_min * 60, settings.patience_min * 60)
        self._low = Latch(settings.patience_min * 60, settings.patience_min * 60)
        self._arrived = False

    def frame(self, frame: Frame, record: Record) -> list[Finding]:
        """Compare the frame's temperature with the range."""
        if self.vessel.yeast_temperature_c is None or math.isnan(frame.temperature_c):
            return []
        low, high = self.vessel.yeast_temperature_c
        in_air = record.thermometer.in_air
        celsius = record.thermometer.beer_c
        patience_s = self.settings.patience_air_h * 3600 if in_air else self.settings.patience_min * 60
        self._high.on_delay_s = self._low.on_delay_s = patience_s
        margin = 0.5 if in_air else 0.05
        self._arrived = self._arrived or low <= celsius <= high
        settling = not self._arrived and frame.end_s - record.began_s < self.settings.settling_h * 3600
        chilling = record.finished_s is not None or record.chill_s is not None or record.tapped_s is not None
        resting = record.finished_s is not None and celsius < high + 5
        found: list[Finding] = []
        change = self._high.feed(
            frame.end_s,
            celsius > high + margin and not settling and not resting and record.chill_s is None,
            celsius <= high - self.settings.dead_band_c or resting or record.chill_s is not None,
        )
        if change is not Change.NONE:
            found.append(self._tell(frame.end_s, Condition.TEMPERATURE_HIGH, change, celsius, high, in_air))
        change = self._low.feed(
            frame.end_s,
            celsius < low - margin and not settling and not chilling,
            celsius >= low + self.settings.dead_band_c or chilling,
        )
        if change is not Change.NONE:
            found.append(self._tell(frame.end_s, Condition.TEMPERATURE_LOW, change, celsius, low, in_air))
        return found

    def _tell(
        self, time_s: float, condition: Condition, change: Change, celsius: float, limit: float, in_air: bool
    ) -> Finding:
        high = condition is Condition.TEMPERATURE_HIGH
        what = "The air around the beer, averaged over hours," if in_air else "The beer"
        if change is Change.CLEARED:
            text = f"{what} is at {celsius:.1f} °C; the alarm about {limit:.1f} °C is over."
        elif high:
            text = (
                f"{what} is at {celsius:.1f} °C, above the yeast's {limit:.1f} °C. Check that the fridge cools and the "
                "heat belt is off; unplug before touching wet parts."
            )
        else:
            text = (
                f"{what} is at {celsius:.1f} °C, below the yeast's {limit:.1f} °C. Check heat belt and fridge. If this "
                "is the chill: fermentation is not known to be over; warm it up again or enter `chill` in the journal."
            )
        return self.finding(
            time_s, condition, State.CLEARED if change is Change.CLEARED else State.RAISED,
            Priority.HIGH if high else Priority.MEDIUM, text, value=celsius, limit=limit, unit="°C",
        )  # fmt: skip
