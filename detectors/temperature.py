"""Temperature against the yeast's range and the brewer's plan: dead-band, patience, and sense for what the brewer does.

Beer moves by hundredths of a kelvin while fridge air swings by kelvins; a probe in air is therefore smoothed with the
beer's own lag first and given more patience. A chill that is announced, or that follows the verdict `finished`, is no
alarm; one before it is: it is the chill begun too early.

A plan is the brewer's word, too. Where one of its steps lies outside the yeast's range the step counts, so that neither a
colder start nor a planned rise is an alarm; and beer that is within the range but kelvins off the step that is due is told
of as well, with more patience and less haste (subject `plan`).
"""

import math
from dataclasses import dataclass

from ullage.detectors.detector import Detector
from ullage.detectors.finding import Condition, Finding, Priority, State
from ullage.detectors.frames import Frame
from ullage.detectors.latch import Change, Latch
from ullage.detectors.plan import MOVE_S, Plan, Wanted
from ullage.detectors.record import BEER, Record
from ullage.detectors.stage import Stage, current
from ullage.detectors.vessel import Vessel

PLAN = "plan"
"""Subject of an alarm that is about the plan."""
BELOW_BEER_K = 2.0
"""Air may be so much colder than beer that works in it: 20 L at their height make some 9 W, and still air takes 2 to 4 W
a kelvin (standard convection correlations)."""
CHATTER_OFF_S = 12 * 3600.0
"""An alarm that a fridge's swing raises again and again is over after half a day in the range."""
ON_ITS_WAY_S, ON_ITS_WAY_K = 8 * 3600.0, 0.5
"""Beer that has come nearer to its plan by so much in so long follows it: much beer, or a weak heater, takes more than a day."""
REST_ABOVE_C = 5.0
"""A finished beer may stand so far above the yeast's range."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TemperatureSettings:
    """Dead-band and patience."""

    dead_band_c: float = 0.4
    """1 % of a 0 to 40 °C range."""
    patience_min: float = 40.0
    patience_air_h: float = 2.0
    settling_h: float = 12.0
    """A wort that is still on its way into the range at the start is given this long."""
    off_plan_c: float = 2.0
    """A brewer holds a kelvin (common practice), and at its height fermentation warms beer by one more."""
    off_plan_h: float = 2.0


class Temperature(Detector):
    """Raises `temperature-high` and `temperature-low`."""

    name = "temperature"
    Settings = TemperatureSettings

    def __init__(self, vessel: Vessel, settings: TemperatureSettings) -> None:
        super().__init__(vessel)
        self.settings = settings
        self.plan = Plan() if vessel.batch is None else vessel.batch.temperatures
        patience_s, plan_s = settings.patience_min * 60, settings.off_plan_h * 3600
        self._high, self._low = (Latch(patience_s, patience_s, CHATTER_OFF_S) for _ in range(2))
        self._warm, self._cool = (Latch(plan_s, patience_s, CHATTER_OFF_S) for _ in range(2))
        self._arrived = False
        self._on_plan = False

    def frame(self, frame: Frame, record: Record) -> list[Finding]:
        """Compare the frame's temperature with the range and the plan."""
        if math.isnan(frame.temperature_c):
            return []
        words_s = (record.finished_s, record.chill_s, record.tapped_s, record.said_over_s)
        over = record.empty or any(word_s is not None for word_s in words_s)
        began_s = record.pitched_s or record.first_s or frame.end_s
        wanted = None if over else self.plan.wanted(began_s, frame.end_s)
        limits = self._limits(record, wanted)
        found: list[Finding] = []
        if self.vessel.yeast_temperature_c is not None:
            found += self._against_range(frame.end_s, record, limits, wanted, over=over)
        if self.plan.steps:
            found += self._against_plan(frame.end_s, record, limits, wanted, began_s)
        return found

    def _limits(self, record: Record, wanted: Wanted | None) -> tuple[float, float]:
        """Return the yeast's range, widened by what the plan says itself."""
        low, high = self.vessel.yeast_temperature_c or (-math.inf, math.inf)
        off_c = self.settings.off_plan_c
        if wanted is not None:
            low, high = min(low, wanted.low_c - off_c), max(high, wanted.high_c + off_c)
        if self.plan.rest is not None and _resting(record):
            high = max(high, self.plan.rest.temperature_c + off_c)
        return low, high

    def _against_range(
        self, now_s: float, record: Record, limits: tuple[float, float], wanted: Wanted | None, *, over: bool
    ) -> list[Finding]:
        low, high = limits
        in_air, celsius = record.thermometer.in_air, record.thermometer.beer_c
        patience_s = self.settings.patience_air_h * 3600 if in_air else self.settings.patience_min * 60
        self._high.on_delay_s = self._low.on_delay_s = patience_s
        above, below = (0.5, BELOW_BEER_K) if in_air else (0.05, 0.05)
        self._arrived = self._arrived or low <= celsius <= high
        settling = not self._arrived and now_s - record.began_s < self.settings.settling_h * 3600
        calm = record.empty or record.chill_s is not None
        calm = calm or (record.finished_s is not None and celsius < high + REST_ABOVE_C)
        found: list[Finding] = []
        change = self._high.feed(
            now_s,
            celsius > high + above and not settling and not calm,
            celsius <= high - self.settings.dead_band_c or calm,
        )
        if change is not Change.NONE:
            found.append(self._tell(now_s, Condition.TEMPERATURE_HIGH, change, celsius, high, in_air, wanted))
        change = self._low.feed(
            now_s,
            celsius < low - below and not settling and not over,
            celsius >= low - below + 0.05 + self.settings.dead_band_c or over,
        )
        if change is not Change.NONE:
            found.append(self._tell(now_s, Condition.TEMPERATURE_LOW, change, celsius, low, in_air, wanted))
        return found

    def _against_plan(
        self,
        now_s: float,
        record: Record,
        limits: tuple[float, float],
        wanted: Wanted | None,
        began_s: float,
    ) -> list[Finding]:
        in_air, celsius = record.thermometer.in_air, record.thermometer.beer_c
        if wanted is None:  # over: whatever was off the plan is so no longer
            low, high, due_c = -math.inf, math.inf, math.nan
        else:
            off_c = self.settings.off_plan_c + (0.5 if in_air else 0.0)
            low, high, due_c = wanted.low_c - off_c, wanted.high_c + off_c, wanted.celsius
        self._on_plan = self._on_plan or low <= celsius <= high
        settling = not self._on_plan and now_s - began_s < MOVE_S
        told_already = not limits[0] <= celsius <= limits[1]  # the alarm about the range says enough
        quiet = settling or told_already or _on_its_way(record, due_c)
        dead_band = self.settings.dead_band_c
        found: list[Finding] = []
        for latch, condition, beyond, back in (
            (self._warm, Condition.TEMPERATURE_HIGH, celsius > high, celsius <= high - dead_band),
            (self._cool, Condition.TEMPERATURE_LOW, celsius < low, celsius >= low + dead_band),
        ):
            change = latch.feed(now_s, beyond and not quiet, back)
            if change is not Change.NONE:
                found.append(self._tell_plan(now_s, condition, change, celsius, due_c, in_air))
        return found

    def _tell(
        self,
        time_s: float,
        condition: Condition,
        change: Change,
        celsius: float,
        limit: float,
        in_air: bool,
        wanted: Wanted | None,
    ) -> Finding:
        high = condition is Condition.TEMPERATURE_HIGH
        what = _what(in_air)
        bound = self._bound(limit, "most" if high else "least")
        if change is Change.CLEARED:
            text = f"{what} is at {celsius:.1f} °C; the alarm about {limit:.1f} °C is over."
        elif high:
            text = (
                f"{what} is at {celsius:.1f} °C, above {bound}. Check that the fridge cools and the "
                "heat belt is off; unplug before touching wet parts."
            )
            if self.plan.rest is not None:
                text += " If this is the planned rest: enter `stage finished` in the journal."
        else:
            text = (
                f"{what} is at {celsius:.1f} °C, below {bound}. Check heat belt and fridge; unplug before touching wet parts. If this "
                "is the chill: fermentation is not known to be over; warm it up again or enter `chill` in the journal."
            )
        if change is Change.RAISED and wanted is not None:
            text += f" The plan has {wanted.celsius:g} °C now."
        return self.finding(
            time_s, condition, State.CLEARED if change is Change.CLEARED else State.RAISED,
            Priority.HIGH if high else Priority.MEDIUM, text, value=celsius, limit=limit, unit="°C",
        )  # fmt: skip

    def _bound(self, limit: float, which: str) -> str:
        """Say whose limit it is."""
        own = self.vessel.yeast_temperature_c
        if own is not None and limit in own:
            return f"the yeast's {limit:.1f} °C"
        return f"{limit:.1f} °C, the {which} that yeast and plan allow"

    def _tell_plan(
        self, time_s: float, condition: Condition, change: Change, celsius: float, due_c: float, in_air: bool
    ) -> Finding:
        what = _what(in_air)
        if change is Change.CLEARED:
            text = f"{what} is at {celsius:.1f} °C; the alarm about the plan is over."
            if not math.isnan(due_c):
                text = f"{what} is at {celsius:.1f} °C, near the plan's {due_c:g} °C again."
        else:
            side = "above" if condition is Condition.TEMPERATURE_HIGH else "below"
            text = (
                f"{what} is at {celsius:.1f} °C, {abs(celsius - due_c):.1f} K {side} the {due_c:g} °C that the plan has "
                "now. Set the fridge, or change the plan (`ullage batch change`)."
            )
        return self.finding(
            time_s, condition, State.CLEARED if change is Change.CLEARED else State.RAISED, Priority.MEDIUM, text,
            subject=PLAN, value=celsius, limit=None if math.isnan(due_c) else due_c, unit="°C",
        )  # fmt: skip


def _on_its_way(record: Record, due_c: float) -> bool:
    """Tell whether the beer comes nearer to what is due now."""
    beer_c = record.since(record.now_s - ON_ITS_WAY_S)[:, BEER]
    return len(beer_c) > 0 and bool(abs(beer_c[0] - due_c) - abs(beer_c[-1] - due_c) >= ON_ITS_WAY_K)


def _what(in_air: bool) -> str:
    return "The air around the beer, averaged over hours," if in_air else "The beer"


def _resting(record: Record) -> bool:
    """Tell whether a rest may have begun: what is left of fermentation is its end."""
    now = current(record.stages)
    return now is not None and now.stage.place >= Stage.SLOWING.place
