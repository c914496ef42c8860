"""`ullage journal`: the brewer's word into a vessel's journal; the running daemon takes it from there."""

import argparse
import shlex
import shutil
import sys
import textwrap
from collections.abc import Sequence

from ullage.adapters.entry_units import in_canonical_units
from ullage.adapters.errors import ConfigError, StoreError
from ullage.daemon.commands.common import load_config, open_store, system_clock
from ullage.daemon.finding_table import plain
from ullage.daemon.local_time import LocalTime
from ullage.daemon.moments import parse_moment
from ullage.daemon.settings import Config
from ullage.daemon.store import batches
from ullage.daemon.store.journal import JournalEntry
from ullage.daemon.store.store import Store
from ullage.daemon.times import local_text
from ullage.daemon.withdrawing import withdraw
from ullage.detectors.journal import STAGES, Word, is_mark, mistake, understand
from ullage.detectors.plate import set_caution
from ullage.detectors.stage import Stage, current
from ullage.detectors.vessel import Vessel

_LISTED = 40
"""Entries listed at a time, the latest."""
_BY_COMMAND = {Word.BATCH_STARTED: "start", Word.BATCH_ENDED: "end"}


def handle(options: argparse.Namespace) -> int:
    """Add an entry, list them, or correct one."""
    config = load_config(options)
    watched = config.watched(options.vessel).vessel
    vessel = watched.name
    zone = LocalTime.named(config.timezone)
    now_s = system_clock().wall_s()
    text = in_canonical_units(" ".join(" ".join(options.entry).split()))
    time_s = None if options.at is None else parse_moment(options.at, zone, now_s, "--at")
    _check_use(options, text)
    _warn(text, watched)
    if options.list:
        return _list(config, vessel, zone, struck=True)
    if options.strike is not None:
        return _strike(config, vessel, options.strike, now_s)
    if options.replace is not None:
        return _replace(config, vessel, options.replace, time_s, text or None, now_s, zone)
    at_s = now_s if time_s is None else time_s
    with open_store(config, read_only=False) as store:
        number = store.add_entry(vessel, at_s, text, made_s=now_s)
        pitched = _about_pitching(store, vessel, text, at_s, zone)
    print(_added(vessel, number, at_s, text, zone))
    for line in pitched:
        print(f"  {line}")
    return 0


def _check_use(options: argparse.Namespace, text: str) -> None:
    """Refuse what does not go together."""
    if options.list or options.strike is not None:
        if text or options.at:
            raise ConfigError("", "--list and --strike take no entry and no --at", "give them alone")
        return
    if not options.entry and not (options.replace is not None and options.at):
        raise ConfigError("ENTRY", "is missing", "as in `ullage journal north valve shut`")
    if options.entry and not (text and text.isprintable()):
        raise ConfigError("ENTRY", "must be printable text", "as in `valve shut`")
    if wrong := mistake(text):
        raise ConfigError("ENTRY", f"{text!r} can't be", wrong)
    known = understand(text)
    if known is not None and known.word in _BY_COMMAND:
        raise ConfigError(
            "ENTRY", f"{text!r} is made by a command", f"ullage batch {_BY_COMMAND[known.word]} VESSEL"
        )


def _warn(text: str, vessel: Vessel) -> None:
    """Say so, beside the entry, if the valve stands above the vessel's plate."""
    known = understand(text)
    if known is None or known.word is not Word.VALVE_SET:
        return
    if caution := set_caution(vessel, known.number):
        print(f"warning: {caution}", file=sys.stderr)


def _about_pitching(store: Store, vessel: str, text: str, time_s: float, zone: LocalTime) -> tuple[str, ...]:
    """Return what becomes of the word `pitched`: a batch begins with it, or one is in the vessel already."""
    known = understand(text)
    if known is None or known.word is not Word.PITCHED:
        return ()
    last, name = batches.newest(store, vessel), shlex.quote(vessel)
    if last is None or (last.ended_s is not None and time_s >= last.ended_s):
        return (
            "A batch begins with it. Say what you want of it, as in:",
            f'ullage batch start {name} --carbonation "5.0 g/L" --og 1.048',
        )
    stage = current(batches.stages(store, vessel, last.id))
    if last.ended_s is not None or stage is None:
        return ()
    if not Stage.LAG.place < stage.stage.place < Stage.CONDITIONED.place:
        return ()
    return (
        f"It counts for batch {last.id}, begun {local_text(last.began_s, zone)}, which is in the vessel and {stage.stage.value}.",
        f"If the vessel was filled anew, end that first: ullage batch end {name} --at 'the moment it was emptied'",
    )


def _added(vessel: str, number: int, time_s: float, text: str, zone: LocalTime) -> str:
    when = local_text(time_s, zone, seen_s=system_clock().wall_s())
    kept = f"{vessel}: {text} ({when}), entry {number}"
    if understand(text) is not None:
        return kept
    if timed := _with_its_time(text, zone):
        entry, moment = timed
        again = f"ullage journal {shlex.quote(vessel)} --replace {number} {entry} --at '{moment}'"
        return f"{kept}, kept as a note\n  If `{entry}` at that time was meant: {again}"
    near = _near(text)
    if not near:
        return f"{kept}, kept as a note"
    meant = f"  If `{near}` was meant: ullage journal {shlex.quote(vessel)} --replace {number} '{near}'"
    return f"{kept}, kept as a note\n{meant}"


def _with_its_time(text: str, zone: LocalTime) -> tuple[str, str] | None:
    """Return the known entry and the moment in `vented 20 minutes ago` or `vented at 18:30`, if that is what it is."""
    words = text.split()
    for count in range(1, len(words)):
        entry, moment = " ".join(words[:count]), " ".join(words[count:]).removeprefix("at ")
        if understand(entry) is None:
            continue
        try:
            parse_moment(moment, zone, system_clock().wall_s(), "")
        except ConfigError:
            continue
        return entry, moment
    return None


def _near(text: str) -> str:
    """Return a known entry that was probably meant."""
    from difflib import get_close_matches

    words = [word.value for word in Word if word not in _BY_COMMAND and word is not Word.STAGE]
    words += [f"{Word.STAGE.value} {stage}" for stage in STAGES]
    found = get_close_matches(text.lower(), words, n=1, cutoff=0.75)
    return found[0] if found else ""


def _list(config: Config, vessel: str, zone: LocalTime, *, struck: bool) -> int:
    with open_store(config, read_only=True) as store:
        entries = store.entries(vessel, struck=struck)[-_LISTED:]
    if not entries:
        print(f"{vessel}: no entry yet")
    print("\n".join(_lines(entries, zone)), end="\n" if entries else "")
    return 0


def _lines(entries: Sequence[JournalEntry], zone: LocalTime) -> list[str]:
    """Return a line an entry: number, time, text; struck ones say so."""
    width = max(40, shutil.get_terminal_size((80, 24)).columns)
    digits = max(len(str(entry.id)) for entry in entries) if entries else 1
    lines: list[str] = []
    for entry in entries:
        note = "" if understand(entry.text) else " (note)"
        if entry.replaces is not None:
            note += f" (in place of {entry.replaces})"
        if entry.struck_s is not None:
            note = f" [struck {local_text(entry.struck_s, zone)}]"
        head = f"{entry.id:>{digits}}  {local_text(entry.time_s, zone)}  "
        lines += textwrap.wrap(
            head + plain(entry.text) + note, width, subsequent_indent=" " * len(head), drop_whitespace=True
        )
    return lines


def _strike(config: Config, vessel: str, number: int, now_s: float) -> int:
    with open_store(config, read_only=False) as store:
        entry = _own(store, vessel, number)
        goes_on = withdraw(store, vessel, entry, now_s)
    print(
        f"{vessel}: entry {number}, {plain(entry.text)!r}, is struck{': the batch goes on' if goes_on else ''}"
    )
    return 0


def _replace(
    config: Config,
    vessel: str,
    number: int,
    time_s: float | None,
    text: str | None,
    now_s: float,
    zone: LocalTime,
) -> int:
    with open_store(config, read_only=False) as store:
        old = _own(store, vessel, number)
        if is_mark(old.text):
            raise ConfigError(f"entry {number}", "is a mark of the batch", "strike it, if the batch goes on")
        new = store.replace_entry(number, made_s=now_s, time_s=time_s, text=text)
    print(
        f"in place of entry {number}, {plain(old.text)!r}: "
        + _added(vessel, new, old.time_s if time_s is None else time_s, text or old.text, zone)
    )
    return 0


def _own(store: Store, vessel: str, number: int) -> JournalEntry:
    """Return an entry of this vessel's journal.

    Raises
    ------
    StoreError
        If it is not there, or struck.
    """
    for entry in store.entries(vessel):
        if entry.id == number:
            return entry
    raise StoreError(f"entry {number}", f"does not stand in the journal of {vessel}", "see --list")
