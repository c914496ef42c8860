"""What there is to do next for a vessel, and when, as far as it can be known."""

from ullage.detectors.advice_limits import working_limit_bar
from ullage.detectors.plan import Move
from ullage.detectors.proof import Proof
from ullage.detectors.record import Record
from ullage.detectors.stage import NextStep, Stage, current
from ullage.detectors.stages import Stages

STAYS_WARM_S = 2 * 3600.0
"""A fridge whose door stood open is cold again by then, or something is wrong with it."""
DAY_S = 86400.0
"""What a notice has told is not brought up again sooner."""


def next_step(stages: Stages, record: Record, now_s: float) -> NextStep | None:
    """Return it; None before the first stage."""
    change = current(record.stages)
    if change is None:
        return None
    stage = change.stage
    if stage.place < Stage.FINISHED.place:
        return _while_working(stages, record, stage)
    if stage.place < Stage.COLD.place:
        return _before_cold(stages, record, stage, max(change.since_s, record.finished_s or 0.0))
    if stage is Stage.COLD:
        if stages.batch.doses == 0:
            return NextStep("Ready soon: no finings wanted", now_s)
        return _told("First dose of finings: vent, dose, enter `fined`", change.since_s)
    if stage in (Stage.FIRST_FINING, Stage.SECOND_FINING):
        return _settling(stages, stage, now_s)
    if stage is Stage.CONDITIONED:
        return _told("Serve it, and enter `tapped`", change.since_s)
    return NextStep("Nothing: enjoy it; `ullage batch end` when it is empty")


def _while_working(stages: Stages, record: Record, stage: Stage) -> NextStep:
    began_s = record.pitched_s or record.first_s
    steps = stages.batch.temperatures.moves(began_s) if began_s is not None else []
    due = [move for move in steps if move.due_s <= record.now_s][-1:]
    if due and not due[0].made(record.beer_c):
        return _planned(due[0])
    if record.suspected_s is not None and record.bar >= working_limit_bar(record.vessel):
        return _told("Take a gravity sample", record.suspected_s)
    if record.suspected_s is not None and not record.valve.shut:
        return _told("Wind the valve shut for some hours and enter `valve shut`", record.suspected_s)
    if record.suspected_s is not None and record.valve.proof is Proof.WORD:
        return NextStep("Leave the valve shut: the answer comes within hours")
    later = [move for move in steps if move.due_s > record.now_s][:1]
    if later:
        return _planned(later[0])
    if stage.place <= Stage.LAG.place:
        return NextStep("Nothing: the first gas will be told")
    return NextStep("Nothing: the end will be told")


def _planned(move: Move) -> NextStep:
    return NextStep(f"Set the temperature to {move.to_c:g} °C, as planned", move.due_s, move.due_s)


def _before_cold(stages: Stages, record: Record, stage: Stage, since_s: float) -> NextStep:
    target_c = stages.target_c(record)
    if stage is Stage.CHILLING:
        if stages.cold.since_s is not None:
            through_s = stages.cold.since_s + stages.hours.cold_h * 3600
            return NextStep(
                f"Wait: the beer is in its target, {stages.limit_c(record):g} °C or less", through_s
            )
        if stages.cold.warmed_s is not None:
            return _warmed(stages)
        return NextStep(f"Wait until the beer is at {stages.limit_c(record):g} °C or less")
    rest = stages.batch.temperatures.rest
    if rest is not None and stage is Stage.FINISHED:
        return _told(f"Warm it to {rest.temperature_c:g} °C for the rest, as planned", since_s)
    if rest is not None and stage is Stage.WARM_REST:
        over_s = since_s + (rest.hours or 0.0) * 3600
        return NextStep(f"With the valve shut, chill to {target_c:g} °C", over_s, over_s)
    return _told(f"With the valve shut, chill to {target_c:g} °C, enter `chill {target_c:g}`", since_s)


def _settling(stages: Stages, stage: Stage, now_s: float) -> NextStep:
    if stages.cold.unheard(now_s):
        return NextStep("See that the beer is cold: its temperature is not known, so the wait is not either")
    until_s = stages.settling_until_s()
    another = stage is Stage.FIRST_FINING and stages.batch.doses > 1
    if until_s is None:
        return _warmed(stages)
    if another:
        return _told("Second dose of finings: vent, dose, enter `fined`", until_s)
    return NextStep("Ready to serve", until_s)


def _warmed(stages: Stages) -> NextStep:
    """Return what to do about a fridge that has not stayed cold; the brewer is told if it stays warm."""
    warmed_s = stages.cold.warmed_s
    return NextStep(
        "Chill it again: the beer has warmed up, and settles only in the cold",
        remind_s=None if warmed_s is None else warmed_s + STAYS_WARM_S,
    )


def _told(text: str, due_s: float) -> NextStep:
    """Return what a notice has told at `due_s`."""
    return NextStep(text, due_s, due_s + DAY_S)
