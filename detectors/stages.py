"""Which stage a batch is in, from evidence and the brewer's word.

A pure derivation from frames, journal entries and what the other detectors have concluded: the same stream gives the
same stages, live, after a restart and in replay. Stages go forward as evidence comes; backwards only when gas is made
again after the end, or the beer warms up again before it was fined. The brewer's `stage …` wins, and `stage undo` takes
the last change back: evidence up to that moment is settled then, and only what is newer moves the stage on.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from ullage.detectors.batch import COLD_C, Batch
from ullage.detectors.cold import Cold
from ullage.detectors.frames import Frame
from ullage.detectors.journal import UNDO, Known, Word, understand
from ullage.detectors.pace import Pace
from ullage.detectors.record import Record
from ullage.detectors.samples import Entry
from ullage.detectors.stage import (
    Stage,
    StageChange,
    appended,
    before_current,
    current,
    last_before,
    without_current,
)
from ullage.detectors.untold_chill import UntoldChill
from ullage.detectors.vessel import Vessel

LAG_AFTER_H = 1.0
SLOW_AFTER_H = 12.0
MOST_DOSES = 20
"""Kept at most: a button that is stuck fills no memory."""
SAME_DOSE_S = 2 * 3600.0
"""Two entries of finings closer than this are one dose."""
REST_SLACK_K = 0.5

Evidence = tuple[float | None, str]
"""Since when it is there, None for the frame that shows it first; and what it is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Hours:
    """How long each wait is, and what is cold where nobody said it."""

    cold_h: float
    settle_h: float
    last_settle_h: float
    cold_c: float
    within_c: float


class Stages:
    """The stage of one vessel's batch and its history, kept in `record.stages`."""

    def __init__(self, vessel: Vessel, hours: Hours) -> None:
        self.vessel = vessel
        self.batch = vessel.batch or Batch()
        self.hours = hours
        self.cold = Cold()
        self.doses: list[float] = []
        self._settled_s = -math.inf
        """Evidence up to here has been judged by the brewer."""
        self._seen: dict[Stage, float] = {}
        self._pace = Pace()
        self._untold_chill = UntoldChill()
        self._now_s = -math.inf

    # -- taking ---------------------------------------------------------------------------------------------------

    def frame(self, frame: Frame, record: Record) -> None:
        """Take one frame."""
        self._now_s = frame.end_s
        beer_c = record.thermometer.beer_c
        if not math.isnan(frame.temperature_c) and record.under_way:
            self.cold.take(frame.end_s, beer_c, self.limit_c(record), self.hours.cold_h)
        if record.under_way and not math.isnan(beer_c):
            self._untold_chill.take(frame.end_s, beer_c)
        if record.activity_s is not None and record.finished_s is None:
            self._pace.take(frame.end_s, record)
        if not record.stages:
            if record.empty and not record.under_way:
                return  # no batch runs, and nothing shows one
            self._begin(frame.end_s, record)
        self._back(frame.end_s, record)
        self._consider(record)

    def enter(self, entry: Entry, record: Record) -> None:
        """Take one journal entry."""
        known = understand(entry.text)
        if known is None:
            return
        if known.word is Word.FINED:
            if not self.doses or entry.time_s - self.doses[-1] >= SAME_DOSE_S:
                self.doses[MOST_DOSES - 1 :] = [entry.time_s]
        elif known.word is Word.PITCHED:
            self._pitched(entry.time_s, record)
        elif known.word is Word.STAGE:
            self._settled_s = max(self._now_s, entry.time_s)
            if known.rest == UNDO:
                self._undo(entry.time_s, record)
            else:
                self._correct(known, entry.time_s, record)
        if known.word is Word.CHILL and record.chill_s is None:
            self._warmed_up_again(entry.time_s, record)
        if record.stages and known.word in (Word.FINED, Word.CHILL, Word.TAPPED):
            self._consider(record)

    # -- what others ask ------------------------------------------------------------------------------------------

    def limit_c(self, record: Record) -> float:
        """Return the beer temperature at or below which it counts as cold."""
        target_c = record.chill_target_c
        return self.hours.cold_c if target_c is None else target_c + self.hours.within_c

    def target_c(self, record: Record) -> float:
        """Return where the chill is to end."""
        target_c = record.chill_target_c
        return COLD_C if target_c is None else target_c

    def settling_until_s(self) -> float | None:
        """Return when the last dose will have settled, if the beer stays cold; None without a dose or in the warm."""
        if not self.doses or self.cold.since_s is None:
            return None
        last = len(self.doses) >= max(self.batch.doses, 1)
        hours = self.hours.last_settle_h if last else self.hours.settle_h
        until_s = max(self.doses[-1], self.cold.since_s) + hours * 3600
        return None if self.cold.unheard(min(until_s, self._now_s)) else until_s

    # -- moving ---------------------------------------------------------------------------------------------------

    def _begin(self, now_s: float, record: Record) -> None:
        if record.pitched_s is not None:
            self._append(record, Stage.PITCHED, record.pitched_s, "the journal says so")
        elif record.activity_s is not None:
            why = f"there was gas at {record.bar:.2f} bar when the first reading came"
            if record.ended_s is not None:
                why = "gas is made, though no batch was begun since the last one ended"
            self._append(record, Stage.ACTIVE, now_s, why)
        else:
            self._append(record, Stage.PITCHED, now_s, "the first reading of this batch")

    def _pitched(self, time_s: float, record: Record) -> None:
        now = current(record.stages)
        if now is None or now.stage.place <= Stage.LAG.place:
            self._append(record, Stage.PITCHED, time_s, "the journal says so")

    def _append(self, record: Record, stage: Stage, since_s: float, why: str, *, word: bool = False) -> None:
        now = current(record.stages)
        if now is not None:
            since_s = max(since_s, now.since_s)
        change = StageChange(stage=stage, since_s=since_s, why=why, by_brewer=word)
        record.stages = appended(record.stages, change)

    def _consider(self, record: Record) -> None:
        """Go on to each stage for which there is evidence that nobody has judged yet, in their order."""
        for stage, look in _LOOKS.items():
            found = look(self, record)
            if found is None:
                self._seen.pop(stage, None)
                continue
            now = current(record.stages)
            at_s, why = found
            seen_s = self._seen.setdefault(stage, self._now_s)
            since_s = seen_s if at_s is None else at_s
            if now is not None and stage.place > now.stage.place and since_s > self._settled_s:
                self._append(record, stage, since_s, why)

    def _back(self, now_s: float, record: Record) -> None:
        """Go back where what held holds no longer."""
        now = current(record.stages)
        if now is None:
            return
        if now.stage in (Stage.FINISHED, Stage.WARM_REST) and record.finished_s is None:
            stage = Stage.ACTIVE if record.valve.held.bar is None else Stage.HELD
            self._append(record, stage, now_s, "gas is being made again")
        elif now.stage is Stage.COLD and (self.cold.warmed_s or -math.inf) > max(
            now.since_s, self._settled_s
        ):
            why = f"the beer has warmed up again, to {record.thermometer.beer_c:.1f} °C"
            self._append(record, Stage.CHILLING, now_s, why)
        elif now.stage is Stage.CHILLING and self._no_chill(record):
            why = f"the beer is at {record.thermometer.beer_c:.1f} °C again: it was no chill"
            self._append(record, last_before(record.stages, Stage.CHILLING, Stage.ACTIVE), now_s, why)

    def _warmed_up_again(self, time_s: float, record: Record) -> None:
        """The journal says that beer which was being chilled is to be warmed to where its yeast works."""
        now = current(record.stages)
        if now is None or not Stage.CHILLING.place <= now.stage.place < Stage.ON_TAP.place:
            return
        self._settled_s = max(self._now_s, time_s)
        before = last_before(record.stages, Stage.CHILLING, Stage.ACTIVE)
        self._append(record, before, time_s, "the journal says that it is to be warmed again", word=True)
        self.doses.clear()
        self.cold.begin_anew(time_s, through=False)

    def _no_chill(self, record: Record) -> bool:
        """Tell whether a chill that nobody announced has gone by without having got cold."""
        now = current(record.stages)
        if record.chill_s is not None or now is None or now.by_brewer or self.cold.warmed_s is not None:
            return False
        return self._untold_chill.undone(record.thermometer.beer_c)

    # -- the brewer's word ----------------------------------------------------------------------------------------

    def _correct(self, known: Known, time_s: float, record: Record) -> None:
        stage = Stage(known.rest)
        self._append(record, stage, time_s, "the brewer says so", word=True)
        if stage is Stage.CHILLING:
            self.cold.begin_anew(time_s, through=False)
        self._set_doses(stage, time_s)
        self._set_finished(stage, time_s, record)

    def _undo(self, time_s: float, record: Record) -> None:
        undone, before = current(record.stages), before_current(record.stages)
        if undone is None or before is None:
            return
        record.stages = without_current(record.stages, time_s)
        if undone.stage in (Stage.FIRST_FINING, Stage.SECOND_FINING):
            self._set_doses(before.stage, time_s)
        if undone.stage in (Stage.COLD, Stage.CONDITIONED):
            self.cold.begin_anew(time_s, through=before.stage.place >= Stage.COLD.place)
        self._set_finished(before.stage, time_s, record)

    def _set_doses(self, stage: Stage, time_s: float) -> None:
        if stage.place < Stage.FIRST_FINING.place:
            self.doses.clear()
        elif stage is Stage.FIRST_FINING:
            self.doses[:] = self.doses[:1] or [time_s]
        elif stage is Stage.SECOND_FINING:
            self.doses[:] = [*(self.doses[:1] or [time_s - SAME_DOSE_S]), time_s]

    def _set_finished(self, stage: Stage, time_s: float, record: Record) -> None:
        """The brewer knows whether fermentation is over; the end is looked for anew after a day."""
        if stage.place >= Stage.FINISHED.place:
            if record.finished_s is None:
                record.finished_s = record.over_since_s = time_s
        elif record.finished_s is not None:
            record.finished_s = record.over_since_s = None
            record.overruled_s = time_s

    # -- evidence -------------------------------------------------------------------------------------------------

    def _lag(self, record: Record) -> Evidence | None:
        began_s = record.pitched_s or record.first_s
        if began_s is None or self._now_s - began_s < LAG_AFTER_H * 3600 or record.activity_s is not None:
            return None
        return None, "no gas yet"

    def _active(self, record: Record) -> Evidence | None:
        if record.activity_s is None:
            return None
        return record.activity_s, "the first gas"

    def _held(self, record: Record) -> Evidence | None:
        level = record.valve.held.bar
        if level is None or record.activity_s is None:
            return None
        return None, f"the valve holds {level:.2f} bar"

    def _slowing(self, record: Record) -> Evidence | None:
        if record.finished_s is not None or record.activity_s is None:
            return None
        if record.suspected_s is not None:
            return record.suspected_s, "passive evidence for the end"
        if record.age_h < SLOW_AFTER_H or not self._pace.why:
            return None
        return None, self._pace.why

    def _finished(self, record: Record) -> Evidence | None:
        proved_s, over_s = record.finished_s, record.over_since_s
        if proved_s is None or over_s is None:
            return None
        if proved_s <= self._settled_s:
            return proved_s, "the end is proved"
        now = current(record.stages)
        since_s = max(over_s, self._settled_s + 1, -math.inf if now is None else now.since_s)
        late_h = (proved_s - since_s) / 3600
        return (
            since_s,
            "the end is proved" if late_h < 1 else f"over, by estimate, {late_h:.0f} h before it was proved",
        )

    def _warm_rest(self, record: Record) -> Evidence | None:
        rest = self.batch.temperatures.rest
        if rest is None or record.finished_s is None or record.chill_s is not None:
            return None
        if record.thermometer.beer_c < rest.temperature_c - REST_SLACK_K:
            return None
        return None, f"finished, and warm at {record.thermometer.beer_c:.1f} °C as planned"

    def _chilling(self, record: Record) -> Evidence | None:
        if record.chill_s is not None:
            return record.chill_s, f"the journal says so: to {self.target_c(record):g} °C"
        why = self._untold_chill.evidence(record, self._now_s, self.limit_c(record))
        return None if why is None else (None, why)

    def _cold(self, record: Record) -> Evidence | None:
        if self.cold.through_s is None or self.cold.since_s is None:
            return None
        now = current(record.stages)
        if now is None or now.stage.place < Stage.CHILLING.place:
            return None  # some lagers ferment as cold as others are kept
        return (
            self.cold.through_s,
            f"at {record.thermometer.beer_c:.1f} °C, {self.hours.cold_h:g} h in its target",
        )

    def _first_fining(self, record: Record) -> Evidence | None:
        return (self.doses[0], "the journal says so") if self.doses else None

    def _second_fining(self, record: Record) -> Evidence | None:
        return (self.doses[1], "the journal says so") if len(self.doses) > 1 else None

    def _conditioned(self, record: Record) -> Evidence | None:
        now = current(record.stages)
        if self.batch.doses == 0 and not self.doses:
            if now is None or now.stage is not Stage.COLD:
                return None
            return None, "cold through, and no finings wanted"
        until_s = self.settling_until_s()
        if len(self.doses) < self.batch.doses or until_s is None or self._now_s < until_s:
            return None
        settling_h = (self._now_s - max(self.doses[-1], self.cold.since_s or -math.inf)) / 3600
        return None, f"settled cold for {settling_h:.0f} h after the last dose"

    def _on_tap(self, record: Record) -> Evidence | None:
        return None if record.tapped_s is None else (record.tapped_s, "the journal says so")


_LOOKS: Mapping[Stage, Callable[[Stages, Record], Evidence | None]] = {
    Stage.LAG: Stages._lag,
    Stage.ACTIVE: Stages._active,
    Stage.HELD: Stages._held,
    Stage.SLOWING: Stages._slowing,
    Stage.FINISHED: Stages._finished,
    Stage.WARM_REST: Stages._warm_rest,
    Stage.CHILLING: Stages._chilling,
    Stage.COLD: Stages._cold,
    Stage.FIRST_FINING: Stages._first_fining,
    Stage.SECOND_FINING: Stages._second_fining,
    Stage.CONDITIONED: Stages._conditioned,
    Stage.ON_TAP: Stages._on_tap,
}
