"""The beginning: the first gas that temperature can't explain, and the alarm when none comes.

An open or cold wort shows nothing; a shut one that merely warms shows the gas law and, if it holds gas already,
solubility. Activity is a rise beyond both, and faster than weather: a gauge sensor shows the barometer upside down, and
that moves by tens of millibars in days. Yeast that has begun doubles its gas within hours. A vessel that was just shut
fills without any: what wort, or beer that is given sugar, holds already comes into balance with the head space within hours, ever more
slowly. So a rise that begins with the vessel's being shut has to go on.
"""

import math
from collections import deque
from dataclasses import dataclass

from ullage.detectors.co2 import KELVIN
from ullage.detectors.detector import Detector
from ullage.detectors.finding import Condition, Finding, Priority, State
from ullage.detectors.frames import Frame
from ullage.detectors.lag import Wait
from ullage.detectors.record import Record
from ullage.detectors.vessel import Vessel

UNDER_WAY_BAR = 0.25
"""A record that begins above this pressure begins in the middle of a fermentation."""
HALF_HOURS = 24
"""How far back a rise counts as one."""
SOLUBILITY_BAR_PER_K = 0.065
"""Largest effect of warming on a shut vessel that holds gas already (60 to 64 mbar/K near 1 bar gauge)."""

JUST_SHUT_S = 3 * 3600.0
"""A rise that begins so soon after pitching, or the first reading, may be of gas that was there: yeast takes longer (common practice)."""
GOES_ON_S = 3 * 3600.0
"""So long it has to go on then: the head space's share comes into balance with a time constant of an hour or two."""
FILLED, AT_ONCE = 0.75, 0.5
"""Of the valve's setting: so far up, it rests because the valve holds it; unless so much of the rise came from one frame to the next."""
SPAN, GOES_ON, AT_REST = 3, 0.6, 0.2
"""Of the most that it gained in so many half hours, it still gains more than the one share, or has come to rest below the other."""
COARSE = 3.0
"""A rise is as many steps of the converter at least."""
RESTED_S = 12 * 3600.0
"""A beginning that has not gone on for so long has come to rest."""
BROUGHT_ALONG_BAR = 0.17
"""0.3 g/L CO2 in a wort that was purged, or came with its yeast, fills a tenth of head space by 0.15 bar; yeast makes a hundred times that."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ActivitySettings:
    """When the wait for the first gas becomes an alarm."""

    expected_within_h: float = 0.0
    """Whatever the temperature; 0: 36 h in a warm wort, longer in a cold one or a cider (`lag.py`)."""
    rise_bar: float = 0.02
    """Within half a day."""
    slow_rise_bar: float = 0.06
    """Over any time: more than the barometer can do."""


class Activity(Detector):
    """Notes the first production; raises `no-activity` when there is none in time."""

    name = "activity"
    Settings = ActivitySettings

    def __init__(self, vessel: Vessel, settings: ActivitySettings) -> None:
        super().__init__(vessel)
        self.settings = settings
        self._base: tuple[float, float] | None = None
        self._lately: deque[tuple[float, float]] = deque(maxlen=HALF_HOURS)
        """Mean pressure of each half hour, with its temperature: one frame of a coarse sensor is off by a step."""
        self._frames: deque[tuple[float, float]] = deque(maxlen=3)
        self._half_hour = -math.inf
        self._in_half_hour = 0
        self._onset_s: float | None = None
        """Since when half of a rise has stood."""
        self._steepest_bar = 0.0
        """Most that it has risen from one frame to the next since then."""
        self._rested_at_s = -math.inf
        """When such a rise came to rest: what follows may be its end."""
        self._brought_bar = 0.0
        """What came into balance when the vessel was shut."""
        self._hits = 0
        self._raised = False
        self._wait = Wait(vessel, settings.expected_within_h)
        self._doubted = False
        """Whether a beginning was doubted: once is enough."""

    def frame(self, frame: Frame, record: Record) -> list[Finding]:
        """Look for gas until there is some, then for none."""
        if math.isnan(frame.pressure_bar):
            return []
        self._wait.take(frame.end_s, record.pitched_s or record.first_s or frame.end_s, record.beer_c)
        if record.activity_s is not None:
            return self._rested(frame, record, record.activity_s)
        if record.needs_no_start:
            return self._needless(frame, record)
        bar, celsius = frame.pressure_bar, record.beer_c
        if self._base is None:
            self._base = (bar, celsius)
            if bar > UNDER_WAY_BAR and not record.empty:
                record.activity_s, record.joined_late = frame.end_s, True
            return []
        if bar < self._base[0]:
            self._base = (bar, celsius)
        self._note(frame.end_s, bar, celsius)
        limit_bar = self._limit_bar(record)
        rise = self._quick_rise()
        slow_rise = self._rise(bar, celsius, *self._base)
        quick = rise > limit_bar
        slow = slow_rise > max(self.settings.slow_rise_bar, limit_bar)
        before_bar = self._frames[-2][0] if len(self._frames) > 1 else self._base[0]
        step_bar = max(bar - before_bar, 0.0)
        if max(rise, slow_rise) <= limit_bar / 2:
            self._onset_s, self._steepest_bar = None, step_bar
        elif self._onset_s is None:
            self._onset_s = frame.end_s
        self._steepest_bar = max(self._steepest_bar, step_bar)
        self._hits = self._hits + 1 if quick or slow else 0
        if self._hits >= 2 and self._goes_on(frame.end_s, bar, celsius, record):
            return self._begun(frame.end_s, max(rise, slow_rise), record)
        return self._waiting(frame.end_s, record)

    def _limit_bar(self, record: Record) -> float:
        """Return what rise within half a day is one, beyond this sensor's noise and steps, bar."""
        noise = record.valve.noise
        return max(self.settings.rise_bar, 7 * noise.frame_sd_bar, COARSE * noise.step_bar)

    def _quick_rise(self) -> float:
        """Return the rise within half a day, bar."""
        bar, celsius = (sum(column) / len(self._frames) for column in zip(*self._frames, strict=True))
        return max(self._rise(bar, celsius, *base) for base in self._lately)

    def _goes_on(self, time_s: float, bar: float, celsius: float, record: Record) -> bool:
        """Tell whether a rise is more than what comes into balance in a vessel that was just shut; forget one that has come to rest."""
        shut_s = max(record.first_s or time_s, record.pitched_s or -math.inf, self._rested_at_s)
        if self._onset_s is None or self._onset_s - shut_s > JUST_SHUT_S:
            return True
        if self._fills(bar, record):
            return True
        if time_s - self._onset_s < GOES_ON_S or len(self._lately) <= SPAN:
            return False
        half_hours = list(self._lately)
        gains = [
            self._rise(*later, *earlier)
            for earlier, later in zip(half_hours, half_hours[SPAN:], strict=False)
        ]
        if gains[-1] > GOES_ON * max(gains):
            return True
        if gains[-1] <= AT_REST * max(gains):
            self._brought_bar += self._quick_rise()
            self._rested_at_s = time_s
            self._base, self._onset_s, self._hits = (bar, celsius), None, 0
            self._lately = deque([half_hours[-1]], HALF_HOURS)
        return False

    def _fills(self, bar: float, record: Record) -> bool:
        """Tell whether it has come up to its valve within the hour or so that the quickest yeast takes: a bottle takes a minute."""
        valve = record.valve
        if valve.sealed or valve.set_bar is None or self._base is None or bar < FILLED * valve.set_bar:
            return False
        return self._steepest_bar <= AT_ONCE * (bar - self._base[0])

    def _rested(self, frame: Frame, record: Record, activity_s: float) -> list[Finding]:
        """Doubt a beginning that came to rest far below the valve: wort gives off what it brought along and is dead all the same."""
        if self._base is None or record.joined_late or record.valve.held.since_s is not None:
            return self._after_all(frame.end_s) if self._raised else []
        if self._doubted and not self._raised:
            return []
        bar, celsius = frame.pressure_bar, record.beer_c
        self._note(frame.end_s, bar, celsius)
        if self._raised:
            return self._after_all(frame.end_s) if self._rises(record) else []
        began_s = record.pitched_s or record.first_s or frame.end_s
        hours = (frame.end_s - began_s) / 3600
        if not self._wait.over:
            return []
        filled_bar = self._rise(bar, celsius, *self._base)
        if frame.end_s - activity_s < RESTED_S or not 0 < filled_bar < BROUGHT_ALONG_BAR:
            return []
        if record.valve.opened_s > began_s or record.vented_s > began_s or self._rises(record):
            return []
        self._raised = self._doubted = True
        return [
            self.finding(
                frame.end_s, Condition.NO_ACTIVITY, State.RAISED, Priority.MEDIUM,
                f"Pressure came up by {filled_bar * 1000:.0f} mbar and has rested since, {hours:.0f} h after "
                f"{'pitching' if record.pitched_s else 'the first reading'}: wort gives off as much of what it brought along, and "
                f"yeast at work would have filled the vessel. {self._what_to_do(record)}",
                value=hours, limit=self._wait.limit_h, unit="h",
                evidence=(f"no rise beyond what warming explains for {RESTED_S / 3600:.0f} h",),
            )
        ]  # fmt: skip

    def _rises(self, record: Record) -> bool:
        return self._quick_rise() > self._limit_bar(record)

    def _after_all(self, time_s: float) -> list[Finding]:
        self._raised = False
        text = "Fermentation has begun after all."
        return [self.finding(time_s, Condition.NO_ACTIVITY, State.CLEARED, Priority.MEDIUM, text)]

    def _needless(self, frame: Frame, record: Record) -> list[Finding]:
        """Wait no more: gas that comes into beer which has fermented elsewhere is a bottle's."""
        if frame.pressure_bar > UNDER_WAY_BAR:
            # if the brewer takes the word back, what has fermented did so since its pitching, not since this gauge showed gas
            record.activity_s, record.joined_late = frame.end_s, True
        if not self._raised:
            return []
        self._raised = False
        text = "By what you have entered the beer has fermented already: no gas is waited for any more."
        return [self.finding(frame.end_s, Condition.NO_ACTIVITY, State.CLEARED, Priority.MEDIUM, text)]

    def _note(self, time_s: float, bar: float, celsius: float) -> None:
        half_hour = time_s // 1800
        self._frames.append((bar, celsius))
        if half_hour != self._half_hour:
            self._half_hour, self._in_half_hour = half_hour, 1
            self._lately.append((bar, celsius))
            return
        self._in_half_hour += 1
        mean_bar, mean_c = self._lately[-1]
        share = 1 / self._in_half_hour
        self._lately[-1] = mean_bar + share * (bar - mean_bar), mean_c + share * (celsius - mean_c)

    def _rise(self, bar: float, celsius: float, base_bar: float, base_c: float) -> float:
        """Return by how much the pressure is above a base, warming taken out, bar."""
        warmer = max(celsius - base_c, 0.0)
        by_warmth = (base_bar + self.vessel.air_pressure_bar) * warmer / (base_c + KELVIN)
        if base_bar > 0.1:
            by_warmth += SOLUBILITY_BAR_PER_K * warmer
        return bar - base_bar - by_warmth

    def _begun(self, time_s: float, rise: float, record: Record) -> list[Finding]:
        record.activity_s = time_s
        hours = (time_s - (record.pitched_s or record.first_s or time_s)) / 3600
        found = [
            self.finding(
                time_s, Condition.ACTIVITY, State.NOTED, Priority.LOW,
                f"Fermentation has begun: pressure is up {rise * 1000:.0f} mbar beyond what warming explains, "
                f"{hours:.0f} h after {'pitching' if record.pitched_s else 'the first reading'}.",
                value=rise, unit="bar", evidence=("a rise of pressure beyond gas law and solubility",),
            )
        ]  # fmt: skip
        return found + (self._after_all(time_s) if self._raised else [])

    def _waiting(self, time_s: float, record: Record) -> list[Finding]:
        since_s = record.pitched_s or record.first_s or time_s
        hours = (time_s - since_s) / 3600
        if self._raised or record.empty or not self._wait.over:
            return []
        self._raised = True
        since = f"{hours:.0f} h after {'pitching' if record.pitched_s else 'the first reading'}"
        what = f"No gas {since}"
        if self._brought_bar > 0:
            what = (
                f"Pressure came up by {self._brought_bar * 1000:.0f} mbar when the vessel was shut and has rested since, {since}: "
                "that is what wort or beer brings along, not yeast"
            )
        return [
            self.finding(
                time_s, Condition.NO_ACTIVITY, State.RAISED, Priority.MEDIUM,
                f"{what}; the beer is at {record.beer_c:.1f} °C. {self._what_to_do(record)}",
                value=hours, limit=self._wait.limit_h, unit="h",
            )
        ]  # fmt: skip

    def _what_to_do(self, record: Record) -> str:
        """Return what to do first: a leaking lid hides gas, and slow yeast wants warmth and time more often than other yeast."""
        limits = self.vessel.yeast_temperature_c
        cool = limits is None or record.beer_c < sum(limits) / 2
        rouse = "warm the beer by two or three kelvin" if cool else "rouse the yeast"
        return (
            "First check that the vessel is shut and tight and the temperature right, and take a gravity sample. If it has not "
            f"moved, {rouse} and wait a day; if nothing has begun then, pitch fresh yeast."
        )
