"""Beer that was chilled and gets warm again: a fridge that has failed, or a door that stands open.

From the chill on `temperature` keeps quiet, since cold is what is wanted. What must not pass in silence is the way back:
beer that had reached its target, kelvins above it for hours. A door opened for minutes does not warm beer by kelvins, and
what the brewer says counts: a chill to another temperature, a stage before the chill, a new batch; once the beer is
conditioned or on tap it may be as warm as it is to be served.

Warm beer holds less CO2, so a shut vessel climbs. How far is foreseen from what was in it while it was cold (mass balance,
`co2.shut_pressure_after_bar`): the gauge itself takes hours to days to get there.
"""

import math
from dataclasses import dataclass

from ullage.detectors.advice_limits import working_limit_bar
from ullage.detectors.batch import SERVING_C
from ullage.detectors.co2 import shut_pressure_after_bar
from ullage.detectors.detector import Detector
from ullage.detectors.finding import Condition, Finding, Priority, State
from ullage.detectors.frames import Frame
from ullage.detectors.journal import Word, understand
from ullage.detectors.latch import Change, Latch
from ullage.detectors.record import Record
from ullage.detectors.samples import Entry
from ullage.detectors.stage import Stage, current
from ullage.detectors.vessel import Vessel

SUBJECT = "after the chill"
"""Tells it apart from the alarm about the yeast's range."""
ROOM_C = 20.0
"""Where beer ends up in a fridge that stands still (common practice)."""
BACK_S = 1800.0
"""Cold again for so long, it is over."""
LONGEST_GAP_S = 2 * 3600.0
"""Nobody knows how warm the beer was while nothing was heard for longer than this."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WarmedSettings:
    """What counts as warm again, and for how long."""

    above_k: float = 3.0
    """Above what counts as cold; a fridge holds within a kelvin or two (common practice)."""
    patience_h: float = 2.0
    patience_air_h: float = 4.0
    """A probe in air, smoothed with the beer's lag, feels a door that stood open for longer than the beer does."""
    dead_band_k: float = 1.0
    cold_c: float = 5.0
    """Counts as cold where neither journal nor plan names a target."""
    within_c: float = 1.0
    cold_h: float = 1.0
    """So long in its target, the beer has reached it."""
    untold_h: float = 12.0
    """The same where nobody has entered the chill."""


class Warmed(Detector):
    """Raises `temperature-high` about beer that had been cold."""

    name = "warmed"
    Settings = WarmedSettings

    def __init__(self, vessel: Vessel, settings: WarmedSettings) -> None:
        super().__init__(vessel)
        self.settings = settings
        self._latch = Latch(settings.patience_h * 3600, BACK_S)
        self._meant = False
        """Whether the brewer has said by an entry that the beer is to be cold."""
        self._was_cold = False
        self._since_s = math.inf
        """When the beer became cold, as far as it has been so ever since."""
        self._seen_s = -math.inf
        self._cold_bar = self._cold_c = math.nan
        """Pressure and temperature when the beer was last cold."""
        self._cold_s = -math.inf

    def entry(self, entry: Entry, record: Record) -> list[Finding]:
        """Take the brewer's word: a chill begins, anew if need be, or what is done only to cold beer."""
        known = understand(entry.text)
        if known is None:
            return []
        if known.word is Word.CHILL:
            self._meant = True
            return self._forget(max(entry.time_s, self._seen_s), record, "A chill has been entered")
        self._meant = self._meant or known.word in (Word.FINED, Word.TAPPED)
        return []

    def frame(self, frame: Frame, record: Record) -> list[Finding]:
        """Learn whether the beer has been cold, then compare it with the limit."""
        celsius = record.thermometer.beer_c
        if math.isnan(frame.temperature_c) or math.isnan(celsius) or not record.under_way:
            return []
        now = current(record.stages)
        if now is not None and now.stage.place < Stage.CHILLING.place:
            return self._forget(frame.end_s, record, f"The stage has been set back to {now.stage.value}")
        if celsius <= self._cold_limit_c(record):
            self._stay_cold(frame, celsius, record)
        elif not self._was_cold:
            self._since_s = math.inf
        self._seen_s = frame.end_s
        if not self._was_cold:
            return []
        return self._judge(frame.end_s, celsius, record)

    def _cold_limit_c(self, record: Record) -> float:
        target_c = record.chill_target_c
        return self.settings.cold_c if target_c is None else target_c + self.settings.within_c

    def _stay_cold(self, frame: Frame, celsius: float, record: Record) -> None:
        if math.isinf(self._since_s) or frame.end_s - self._seen_s > LONGEST_GAP_S:
            self._since_s = frame.end_s
        hours = self.settings.cold_h if record.chill_s is not None else self.settings.untold_h
        # cold that nobody meant, of beer that is not known to be finished: warming it is the cure
        meant = self._meant or record.finished_s is not None
        if meant and frame.end_s - self._since_s >= hours * 3600:
            self._was_cold = True
        if not math.isnan(frame.pressure_bar):
            self._cold_bar, self._cold_c, self._cold_s = record.bar, celsius, frame.end_s

    def _judge(self, now_s: float, celsius: float, record: Record) -> list[Finding]:
        in_air = record.thermometer.in_air
        self._latch.on_delay_s = 3600 * (self.settings.patience_air_h if in_air else self.settings.patience_h)
        limit_c, whose = self._limit(record)
        change = self._latch.feed(now_s, celsius > limit_c, celsius <= limit_c - self.settings.dead_band_k)
        if change is Change.RAISED:
            return [self._raise(now_s, celsius, limit_c, whose, record)]
        if change is Change.CLEARED:
            return [self._clear(now_s, celsius, limit_c, f"The beer is back at {celsius:.1f} °C.")]
        return []

    def _limit(self, record: Record) -> tuple[float, str]:
        """Return the limit, and what it lies above."""
        now, batch = current(record.stages), self.vessel.batch
        cold_c, above_k = self._cold_limit_c(record), self.settings.above_k
        serving_c = SERVING_C if batch is None else batch.serving_c
        served = record.tapped_s is not None or (
            now is not None and now.stage.place >= Stage.CONDITIONED.place
        )
        if served and serving_c > cold_c:
            return serving_c + above_k, f"{above_k:g} K above the {serving_c:g} °C of serving"
        return cold_c + above_k, f"{above_k:g} K above the {cold_c:g} °C that counts as cold"

    def _forget(self, now_s: float, record: Record, why: str) -> list[Finding]:
        """Return to the state before the chill."""
        standing = self._latch.active
        self._was_cold, self._since_s = False, math.inf
        self._latch = Latch(self._latch.on_delay_s, BACK_S)
        if not standing:
            return []
        limit_c, _ = self._limit(record)
        text = f"{why}: the alarm about beer that has warmed up is over."
        return [self._clear(now_s, record.thermometer.beer_c, limit_c, text)]

    def _raise(self, now_s: float, celsius: float, limit_c: float, whose: str, record: Record) -> Finding:
        in_air = record.thermometer.in_air
        what = "The air around the beer, averaged over hours," if in_air else "The beer"
        hours = self._latch.on_delay_s / 3600
        text = (
            f"{what} had been chilled and is at {celsius:.1f} °C, for {hours:g} h above {limit_c:.1f} °C "
            f"({whose}). Check that the fridge has power, runs, and is shut; unplug it before touching wet parts."
        )
        text += self._about_pressure(celsius, record)
        if record.finished_s is None:
            text += " That fermentation is over has not been proved here: warm, it may begin again."
        text += f" If you warm it on purpose, enter where to, as in `chill {math.ceil(celsius)}`."
        if record.tapped_s is not None:
            text += " If the vessel is empty: `ullage batch end`."
        return self.finding(
            now_s, Condition.TEMPERATURE_HIGH, State.RAISED, Priority.MEDIUM, text, subject=SUBJECT,
            value=celsius, limit=limit_c, unit="°C", evidence=self._evidence(),
        )  # fmt: skip

    def _about_pressure(self, celsius: float, record: Record) -> str:
        """Say what becomes of the pressure in the shut vessel; nothing where the cold pressure is not known."""
        bar = self._expected_bar(celsius, record)
        if math.isnan(bar):
            return ""
        rated_bar = self.vessel.rated_pressure_bar
        text = (
            f" CO2 comes out of solution: shut, the vessel comes to about {bar:.2f} bar at {celsius:.1f} °C"
        )
        highest_bar = bar
        if celsius < ROOM_C:
            highest_bar = max(bar, self._expected_bar(ROOM_C, record))
            text += f", and to {highest_bar:.2f} bar should it warm up to {ROOM_C:g} °C"
        if highest_bar >= rated_bar:
            return (
                f"{text}. That is above its rated {rated_bar:.2f} bar: cool it, or let gas off before it gets there, "
                "slowly and with the room aired, and keep the relief valve free."
            )
        if highest_bar >= working_limit_bar(self.vessel):
            return f"{text}. That is near its rated {rated_bar:.2f} bar: watch the gauge, keep the relief valve free."
        return f"{text} (rated {rated_bar:.2f} bar)."

    def _expected_bar(self, celsius: float, record: Record) -> float:
        """Return the gauge pressure of the shut vessel once beer and gas have settled at this temperature."""
        if math.isinf(self._cold_s):
            return math.nan
        since_c, since_bar = self._cold_c, self._cold_bar
        if record.vented_s > self._cold_s:  # what was in it when it was cold is no longer
            since_c, since_bar = record.beer_c, record.bar
        return max(float(shut_pressure_after_bar(self.vessel, since_bar, since_c, celsius)), record.bar)

    def _evidence(self) -> tuple[str, ...]:
        if math.isinf(self._cold_s):
            return ("beer temperature, not the fridge's",)
        return (
            "beer temperature, not the fridge's",
            f"mass balance of CO2 from {self._cold_bar:.2f} bar at {self._cold_c:.1f} °C",
        )

    def _clear(self, now_s: float, celsius: float, limit_c: float, text: str) -> Finding:
        return self.finding(
            now_s, Condition.TEMPERATURE_HIGH, State.CLEARED, Priority.MEDIUM, text, subject=SUBJECT,
            value=None if math.isnan(celsius) else celsius, limit=limit_c, unit="°C",
        )  # fmt: skip
