"""`ullage check`: what a configuration will do, in plain words; on request a test message and a while of listening."""

import argparse
import logging
import math
import shutil
import textwrap
from collections.abc import Iterable

from ullage.adapters.errors import ConfigError
from ullage.adapters.reading import Quantity, Reading, Refusal
from ullage.adapters.units import units_of
from ullage.daemon.checking import plain_words, source_problems, store_problems, target_problems, warnings
from ullage.daemon.checking_server import server_words
from ullage.daemon.checking_share import share_warnings, share_words
from ullage.daemon.commands.common import load_config, system_clock
from ullage.daemon.finding_table import plain
from ullage.daemon.settings import Config
from ullage.daemon.times import duration_text

_LONGEST_LISTEN_S = 3600.0
_OLD_S = 300.0
"""Age from which what has just come looks odd."""
_TEST = "This is a test. If you can read it, alarms will reach you the same way."


def handle(options: argparse.Namespace) -> int:
    """Check; 0 if everything is right, 1 if something outside does not answer, 2 if the configuration is wrong."""
    if options.listen is not None and not 0 < options.listen <= _LONGEST_LISTEN_S:
        raise ConfigError(
            "--listen", f"{options.listen:g} s must be above 0 and at most {_LONGEST_LISTEN_S:g}"
        )
    config = load_config(options, live=True)
    problems = [*source_problems(config, system_clock()), *store_problems(config)]
    if problems:
        raise ConfigError("", "\n".join(problems))
    _print_wrapped([*plain_words(config), *server_words(config), *share_words(config)])
    print()
    _print_wrapped(f"warning: {sentence}" for sentence in (*warnings(config), *share_warnings(config)))
    problems = list(target_problems(config))
    if problems:
        raise ConfigError("", "\n".join(problems))
    print(f"{config.path}: the configuration is right.")
    code = 0
    if options.notify:
        code = max(code, _notify(config))
    if options.listen is not None:
        code = max(code, _listen(config, options.listen))
    return code


def _print_wrapped(lines: Iterable[str]) -> None:
    width = max(40, shutil.get_terminal_size((100, 24)).columns)
    for line in lines:
        indent = " " * (len(line) - len(line.lstrip()))
        wrapped = textwrap.wrap(plain(line), width, subsequent_indent=f"{indent}    ") or [""]
        print("\n".join(wrapped), flush=True)


def _notify(config: Config) -> int:
    from ullage.daemon.delivery import Outcome
    from ullage.daemon.notifier import try_targets

    code = 0
    for name, answer in try_targets(config.notify, _TEST):
        if answer.outcome is Outcome.SENT:
            print(f"{name}: test message sent; look whether it has arrived")
        else:
            code = 1
            print(f"{name}: NOT sent: {answer.reason.value}{', ' + answer.detail if answer.detail else ''}")
    return code


def _listen(config: Config, seconds: float) -> int:
    from ullage.daemon.listening import listen

    logging.getLogger("ullage").addHandler(logging.NullHandler())  # what a source logs stands in the answer
    print(f"Listening for {seconds:g} s; nothing is stored and no alarm raised.", flush=True)
    heard = listen(config, system_clock(), seconds, _tell)
    print()
    for (vessel, quantity), count in sorted(heard.readings.items()):
        latest = heard.latest[vessel, quantity]
        print(
            f"{plain(vessel)} {quantity}: {count} reading{'s' if count > 1 else ''}, the last {_value(latest)}"
            f"{_age(system_clock().wall_s() - latest.time_s - seconds)}"
        )
    for (source, reason), count in sorted(heard.refusals.items()):
        print(
            f"{source}: {count} refused as {reason.value}, such as: {_refusal(heard.examples[source, reason])}"
        )
    for name, detail in heard.unconnected:
        print(f"{name}: NOT connected: {plain(detail)}")
    for channel in heard.silent:
        print(f"{plain(channel.vessel)} {channel.quantity.value}: NOTHING came from {channel.source}")
    return 1 if heard.unconnected or heard.silent else 0


def _tell(what: Reading | Refusal) -> None:
    if isinstance(what, Reading):
        print(f"  {plain(what.vessel)} {what.quantity.value} {_value(what)}", flush=True)
    else:
        print(f"  {what.source} refused: {_refusal(what)}", flush=True)


def _value(reading: Reading) -> str:
    if reading.quantity is Quantity.JOURNAL:
        return plain(reading.text)
    digits = 4 if reading.quantity is Quantity.GRAVITY else 3
    unit = units_of(reading.quantity)[0].replace("Cel", "°C")
    value = round(reading.value, digits) if math.isfinite(reading.value) else reading.value
    return f"{value:g} {unit}".strip()


def _age(age_s: float) -> str:
    """Say what is odd about a reading that was old when it came; a clock ahead is refused before."""
    if age_s < _OLD_S:
        return ""
    return f"; it was {duration_text(age_s)} old: an old message, or the sender's clock or zone is wrong"


def _refusal(refusal: Refusal) -> str:
    raw = f" (got {plain(refusal.raw)[:80]!r})" if refusal.raw else ""
    return f"{plain(refusal.where)}: {plain(refusal.detail)}{raw}"
