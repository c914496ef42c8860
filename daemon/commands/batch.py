"""`ullage batch`: begin, correct, show and end the batch in a vessel."""

import argparse
import dataclasses
import json
import shlex
import shutil
import textwrap
from collections.abc import Callable, Mapping

from ullage.adapters.errors import ConfigError, DataError
from ullage.adapters.timestamps import format_rfc3339
from ullage.daemon import batch_summary
from ullage.daemon.batch_alarms import acknowledge_ended
from ullage.daemon.batch_screen import head_text, next_text, stage_lines, summary_lines, wishes_text
from ullage.daemon.batch_summary import Summary, summarise
from ullage.daemon.batches import BY_CONFIG, begin, current, view
from ullage.daemon.commands.common import load_config, open_desk, open_store, system_clock
from ullage.daemon.config_vessels import WatchedVessel
from ullage.daemon.gravity_text import parse_gravity
from ullage.daemon.local_time import LocalTime
from ullage.daemon.moments import parse_moment
from ullage.daemon.pitching import take_over
from ullage.daemon.sentences import nearest
from ullage.daemon.settings import Config
from ullage.daemon.store import batches
from ullage.daemon.store.batches import StoredBatch
from ullage.daemon.store.store import Store
from ullage.daemon.times import local_text
from ullage.detectors.advising import batch_advice
from ullage.detectors.batch import Batch, Beverage
from ullage.detectors.journal import STAGES, UNDO, Word
from ullage.detectors.stage import NextStep, StageChange
from ullage.detectors.vessel import Vessel

_OPTIONS = {
    "carbonation": "--carbonation",
    "name": "--name",
    "original_gravity": "--og",
    "plan:": "--plan:",
    "serving_c": "--serving",
    "yeast_temperature_c": "--yeast",
}
"""What the fields of a batch are called here."""
_JUST_S = 15.0
"""The daemon has written down what an entry changed by then."""
_USUAL_C = 20.0
"""Fermentation temperature that the valve advice counts with where nobody stated one."""


@dataclasses.dataclass(frozen=True, slots=True)
class _Call:
    """What every part needs."""

    options: argparse.Namespace
    config: Config
    watched: WatchedVessel
    zone: LocalTime
    now_s: float

    @property
    def name(self) -> str:
        """The vessel's name."""
        return self.watched.vessel.name

    def at_s(self) -> float:
        """Return `--at`, else now."""
        at = self.options.at
        return self.now_s if at is None else parse_moment(at, self.zone, self.now_s, "--at")

    @property
    def width(self) -> int:
        """Columns of the terminal."""
        return max(40, shutil.get_terminal_size((80, 24)).columns)


def handle(options: argparse.Namespace) -> int:
    """Do one part."""
    config = load_config(options)
    call = _Call(
        options,
        config,
        config.watched(options.vessel),
        LocalTime.named(config.timezone),
        system_clock().wall_s(),
    )
    _PARTS[options.part](call)
    return 0


def _start(call: _Call) -> None:
    wishes = _wishes(call.options, Batch())
    began_s = None if call.options.at is None else call.at_s()
    with open_store(call.config, read_only=False) as store:
        begun = take_over(store, call.name, wishes, now_s=call.now_s, began_s=began_s)
        if begun is None:
            begun = begin(store, call.name, wishes, now_s=call.now_s, began_s=began_s)
    _print_wishes(call, begun)
    if began_s is None and begun.began_s < call.now_s - 1:
        _say(call, "It begins with the pitching entered then.")
    else:
        _say(call, f"When you pitch, say so: `ullage journal {shlex.quote(call.name)} pitched`.")


def _change(call: _Call) -> None:
    with open_store(call.config, read_only=False) as store:
        batch = current(store, call.name)
        if batch is None:
            raise DataError(
                call.name,
                "has no batch to change",
                f"`ullage batch start {shlex.quote(call.name)}` begins one",
            )
        if batch.origin.startswith(BY_CONFIG):
            raise DataError(call.name, "has its batch from the configuration", "change it there")
        wishes = _wishes(call.options, batch.wishes)
        if wishes == batch.wishes:
            raise ConfigError("", "nothing to change", "give what you want instead, as in --plan")
        batches.change_wishes(store, batch.id, wishes, origin=batches.BY_COMMAND)
    _print_wishes(call, dataclasses.replace(batch, wishes=wishes))


def _print_wishes(call: _Call, batch: StoredBatch) -> None:
    vessel = call.watched.vessel.carrying(batch.wishes)
    _head(call, batch)
    _say(call, wishes_text(vessel, batch.wishes))
    advice = batch_advice(vessel, _fermenting_c(vessel, batch.wishes))
    if advice:
        _say(call, advice)


def _wishes(options: argparse.Namespace, base: Batch) -> Batch:
    """Return the wishes with what the options give in place of the base's."""
    given = {
        "name": options.name,
        "beverage": None if options.beverage is None else Beverage(options.beverage),
        "yeast_temperature_c": None if options.yeast is None else tuple(options.yeast),
        "original_gravity": None if options.og is None else parse_gravity(options.og, "--og"),
        "plan": options.plan,
        "carbonation": options.carbonation,
        "serving_c": options.serving,
        "finings": options.finings,
    }
    try:
        return dataclasses.replace(base, **{key: value for key, value in given.items() if value is not None})
    except ValueError as error:
        field, _, rest = str(error).partition(" ")
        raise ConfigError("", f"{_OPTIONS.get(field, field)} {rest}") from None


def _fermenting_c(vessel: Vessel, wishes: Batch) -> float:
    """Return the temperature at which fermentation will end, as far as it is stated."""
    usual_c = _USUAL_C if vessel.yeast_temperature_c is None else sum(vessel.yeast_temperature_c) / 2
    return wishes.temperatures.last_c(usual_c)


def _show(call: _Call) -> None:
    with open_store(call.config, read_only=True) as store:
        if call.options.past:
            past = batches.all_batches(store, call.name)
            if call.options.json:
                print(json.dumps([_batch_json(one) for one in past], ensure_ascii=False, indent=2))
            else:
                for one in past:
                    _head(call, one)
            return
        batch = _wanted(store, call)
        if call.options.summary:
            _print_summary(call, _summary(store, call, batch))
            return
        changes = batches.stages(store, call.name, batch.id)
        step = batches.next_step(store, call.name) if batch.ended_s is None else None
    vessel = call.watched.vessel.carrying(batch.wishes)
    if call.options.json:
        print(_json(batch, vessel, changes, step))
        return
    _head(call, batch)
    _say(call, wishes_text(vessel, batch.wishes))
    print("\n".join(stage_lines(changes, call.zone, call.width)) or f"  {_without_stages(batch)}")
    if step is not None:
        _say(call, f"Next: {next_text(step, call.zone, call.now_s)}")


def _without_stages(batch: StoredBatch) -> str:
    """Say why no stage is shown."""
    if batch.ended_s is None:
        return "no stage yet: it comes with the first readings"
    return (
        f"nobody watched it; what is known of it: `ullage batch show {shlex.quote(batch.vessel)} --summary`"
    )


def _wanted(store: Store, call: _Call) -> StoredBatch:
    number = call.options.number
    if number is None:
        found = batches.newest(store, call.name)
    else:
        found = next((b for b in batches.all_batches(store, call.name) if b.id == number), None)
    if found is None:
        what = "no batch yet" if number is None else f"no batch {number}"
        raise DataError(call.name, f"has {what}", f"`ullage batch start {shlex.quote(call.name)}` begins one")
    return found


def _json(batch: StoredBatch, vessel: Vessel, changes: tuple[StageChange, ...], step: NextStep | None) -> str:
    found = _batch_json(batch) | {
        "wishes": dataclasses.asdict(batch.wishes)
        | {
            "yeast_temperature_c": vessel.yeast_temperature_c,
            "original_gravity": vessel.original_gravity,
            "carbonation_g_per_l": batch.wishes.wanted_g_per_l,
        },
        "stages": [
            {
                "stage": change.stage.value,
                "since": format_rfc3339(change.since_s),
                "why": change.why,
                "by_brewer": change.by_brewer,
                "undone": None if change.undone_s is None else format_rfc3339(change.undone_s),
            }
            for change in changes
        ],
        "next": None if step is None else _step_json(step),
    }
    return json.dumps(found, ensure_ascii=False, indent=2)


def _batch_json(batch: StoredBatch) -> dict[str, object]:
    return {
        "vessel": batch.vessel,
        "batch": batch.id,
        "name": batch.wishes.name,
        "began": format_rfc3339(batch.began_s),
        "ended": None if batch.ended_s is None else format_rfc3339(batch.ended_s),
    }


def _step_json(step: NextStep) -> dict[str, object]:
    return {"text": step.text, "due": None if step.due_s is None else format_rfc3339(step.due_s)}


def _summary(store: Store, call: _Call, batch: StoredBatch) -> Summary:
    if batch.summary:
        return batch_summary.from_json(batch.summary)
    standing = dataclasses.replace(call.watched, vessel=call.watched.vessel.carrying(batch.wishes))
    return summarise(store, standing, batch, call.now_s)


def _print_summary(call: _Call, summary: Summary) -> None:
    if call.options.json:
        print(json.dumps(dataclasses.asdict(summary), ensure_ascii=False, indent=2))
    else:
        print("\n".join(summary_lines(summary, call.zone, call.width)))


def _end(call: _Call) -> None:
    with open_store(call.config, read_only=False) as store:
        batch = current(store, call.name)
        if batch is None:
            raise DataError(
                call.name, "has no batch to end", f"`ullage batch start {shlex.quote(call.name)}` begins one"
            )
        ended_s = call.at_s()
        if ended_s <= batch.began_s:
            raise ConfigError("--at", "lies before the batch began", local_text(batch.began_s, call.zone))
        ended = dataclasses.replace(batch, ended_s=ended_s)
        summary = _summary(store, call, ended)
        batches.end(store, batch.id, ended_s=ended_s, summary=batch_summary.to_json(summary))
        held = [c for c in batches.stages(store, call.name, batch.id) if c.since_s <= ended_s]
        batches.keep_stages(store, call.name, batch.id, tuple(held), None)
        store.add_entry(call.name, ended_s, Word.BATCH_ENDED.value, made_s=call.now_s)
    with open_desk(call.config) as desk:
        acknowledge_ended(desk, call.name, "batch end")
    _print_summary(call, summary)


def _stage(call: _Call) -> None:
    wanted = " ".join(call.options.stage).lower()
    if wanted not in STAGES:
        raise ConfigError("STAGE", f"{wanted!r} is no stage", nearest(wanted, STAGES))
    at_s = call.at_s()
    standing = _standing(call)
    if standing and at_s < standing[-1].since_s:
        since = local_text(standing[-1].since_s, call.zone)
        raise ConfigError(
            "--at",
            f"lies before `{standing[-1].stage.value}` began ({since})",
            "a stage follows the one that holds; take that back first: `ullage batch undo`",
        )
    _enter(call, f"{Word.STAGE.value} {wanted}", at_s)


def _undo(call: _Call) -> None:
    standing = _standing(call)
    if len(standing) < 2:
        raise DataError(call.name, "has no change of stage to take back", "see `ullage batch show`")
    _enter(call, f"{Word.STAGE.value} {UNDO}", call.now_s)
    print(f"  {standing[-1].stage.value} is taken back; it is {standing[-2].stage.value} again")


def _standing(call: _Call) -> list[StageChange]:
    """Return the changes of stage that hold, without those that an `undo` of a moment ago is about to take back."""
    just_s = call.now_s - _JUST_S
    with open_store(call.config, read_only=True) as store:
        begun = view(store, call.watched)
        changes = batches.stages(store, call.name, begun.batch_id)
        entries = store.entries(call.name, max(just_s, begun.begin_s or 0.0))
    undo = f"{Word.STAGE.value} {UNDO}"
    said = sum(entry.text == undo and entry.made_s >= just_s for entry in entries)
    done = sum(change.undone_s is not None and change.undone_s >= just_s for change in changes)
    standing = [change for change in changes if change.undone_s is None]
    return standing[: max(len(standing) - max(said - done, 0), 0)]


def _enter(call: _Call, text: str, time_s: float) -> None:
    with open_store(call.config, read_only=False) as store:
        number = store.add_entry(call.name, time_s, text, made_s=call.now_s)
    print(f"{call.name}: {text} ({local_text(time_s, call.zone)}), entry {number}")


def _head(call: _Call, batch: StoredBatch) -> None:
    print(textwrap.fill(head_text(batch, call.zone, call.now_s), call.width, subsequent_indent="  "))


def _say(call: _Call, text: str) -> None:
    for line in textwrap.wrap(text, call.width, initial_indent="  ", subsequent_indent="  "):
        print(line)


_PARTS: Mapping[str, Callable[[_Call], None]] = {
    "start": _start,
    "change": _change,
    "show": _show,
    "end": _end,
    "stage": _stage,
    "undo": _undo,
}
