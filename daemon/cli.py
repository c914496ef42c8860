"""The command line: which commands there are, and what becomes of errors. Handlers are imported when they are called."""

import argparse
import gc
import importlib
import io
import os
import re
import sys
from collections.abc import Callable, Sequence
from typing import Any, NoReturn, TypeAlias

from ullage.adapters.errors import ConfigError, UllageError
from ullage.daemon.amounts import amount, celsius, number, whole_number

INTERRUPTED = 130
"""What a shell reports for a program that Ctrl-C ended."""

Handler = Callable[[argparse.Namespace], int]


class PlainParser(argparse.ArgumentParser):
    """Says what is wrong in one sentence instead of printing the usage first; options are never guessed."""

    def __init__(self, **settings: Any) -> None:
        super().__init__(allow_abbrev=False, **settings)
        # `-1C` and `-1,5 P` are numbers, too, and no options
        self._negative_number_matcher = re.compile(r"-[\d.,]+ ?°?[A-Za-z/]*")
        self.mixed = False
        """Whether options may stand among the words of an entry."""
        self._within = False

    def parse_known_args(  # type: ignore[override]
        self, args: Any = None, namespace: Any = None
    ) -> tuple[argparse.Namespace, list[str]]:
        """Take options wherever they stand, if `mixed`."""
        if not self.mixed or self._within:
            return super().parse_known_args(args, namespace)
        self._within = True  # the mixed way comes back here, once for options and once for the rest
        try:
            return self.parse_known_intermixed_args(args, namespace)
        finally:
            self._within = False

    def parse_args(self, args: Any = None, namespace: Any = None) -> argparse.Namespace:  # type: ignore[override]
        """Take all words; those that nobody knows are refused in the name of the command that they were given to."""
        found, unknown = self.parse_known_args(args, namespace)
        if unknown:
            names = (getattr(found, "command", None), getattr(found, "part", None))
            self.prog = " ".join([self.prog, *(name for name in names if name)])
            self.error(f"unrecognized arguments: {' '.join(unknown)}")
        return found

    def error(self, message: str) -> NoReturn:
        """Leave with exit code 2."""
        self.exit(2, f"{self.prog}: {message}; see `{self.prog} --help`\n")


def build_parser() -> argparse.ArgumentParser:
    """Return the parser of all commands; imports nothing heavy."""
    parser = PlainParser(
        prog="ullage",
        description="Watches beer and cider fermenting under pressure and tells you the few things worth telling. "
        "It observes; the vessel's relief valve protects.",
    )
    parser.add_argument("--version", action=_ShowVersion, help="show the version and leave")
    commands = parser.add_subparsers(title="commands", dest="command", metavar="COMMAND")
    _add_running(commands)
    _add_replay(commands)
    _add_tune(commands)
    _add_looking(commands)
    _add_batch(commands)
    _add_samples(commands)
    _add_alarms(commands)
    _add_database(commands)
    _add_carbonation(commands)
    return parser


class _ShowVersion(argparse.Action):
    """Looks the installed version up only when it is asked for."""

    def __init__(self, option_strings: Sequence[str], dest: str, help: str | None = None) -> None:
        super().__init__(option_strings, dest, nargs=0, help=help)

    def __call__(
        self,
        parser: argparse.ArgumentParser,
        _namespace: argparse.Namespace,
        _values: object,
        _option: str | None = None,
    ) -> NoReturn:
        """Print it and leave."""
        from importlib.metadata import version

        print(f"ullage {version('ullage')}")
        parser.exit(0)


Commands: TypeAlias = "argparse._SubParsersAction[PlainParser]"
"""argparse has no public name for what `add_subparsers` returns."""


def _command(commands: Commands, name: str, summary: str, *, config: bool = True) -> PlainParser:
    """Add a command; its handler is `handle` in `ullage.daemon.commands.<name>`."""
    parser = commands.add_parser(name, help=summary, description=summary)
    parser.set_defaults(handler=name)
    if config:
        parser.add_argument(
            "--config",
            metavar="FILE",
            help="configuration (otherwise ULLAGE_CONFIG, otherwise /etc/ullage/config.yaml)",
        )
    return parser


def _add_running(commands: Commands) -> None:
    _command(commands, "run", "watch the vessels until stopped")
    demo = _command(
        commands, "demo", "watch two simulated vessels for a minute: no sensor needed", config=False
    )
    pace = demo.add_mutually_exclusive_group()
    pace.add_argument("--minutes", type=number, default=1.0, metavar="M", help="how long it takes (1)")
    pace.add_argument(
        "--speed", type=number, metavar="N", help="simulated seconds for each real one; 0 as fast as it goes"
    )
    demo.add_argument(
        "--port", type=whole_number, metavar="N", help="of its page (8080, or any that is free)"
    )
    demo.add_argument("--no-page", action="store_true", help="serve no page")
    demo.add_argument("--db", metavar="FILE", help="keep the database in this new file")
    demo.add_argument(
        "--seed",
        type=whole_number,
        default=1,
        metavar="N",
        help="of the noise; another gives other readings (1)",
    )


def _add_replay(commands: Commands) -> None:
    replay = _command(commands, "replay", "run a recorded log through the same detectors")
    replay.add_argument("log", metavar="LOG", help="CSV file, may be gzipped")
    replay.add_argument("--jsonl", action="store_true", help="one JSON object a line, nothing else on stdout")
    replay.add_argument(
        "--vessel",
        action="append",
        default=[],
        metavar="LOGNAME=CONFIGNAME",
        help="the vessel of the log is that one of the configuration; with --map only its name",
    )
    replay.add_argument(
        "--map",
        dest="column_map",
        metavar="MAP",
        help="columns of a wide file: time=time,temperature=temp_c:Cel,pressure=p:kPa:absolute",
    )
    replay.add_argument(
        "--report", metavar="FILE.html", help="write charts, verdicts and what led to each into this file"
    )
    replay.add_argument("--png", metavar="FILE.png", help="draw the whole log as a still picture")
    replay.add_argument(
        "--pressure-unit", choices=("bar", "psi", "kPa"), default="bar", help="of report and picture (bar)"
    )
    replay.add_argument(
        "--temperature-unit", choices=("C", "F"), default="C", help="of report and picture (C)"
    )


def _add_tune(commands: Commands) -> None:
    tune = _command(commands, "tune", "try other settings of the detectors on recorded batches")
    tune.add_argument(
        "log", metavar="LOG", nargs="*", help="CSV files; LOG.truth.json beside each says what was true"
    )
    tune.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="DETECTOR.KEY=A,B,C",
        help="values to try; given more than once, every combination is tried",
    )
    tune.add_argument(
        "--vessel",
        action="append",
        default=[],
        metavar="LOGNAME=CONFIGNAME",
        help="the vessel of the logs is that one of the configuration",
    )
    tune.add_argument("--from-store", metavar="VESSEL", help="tune on what the daemon has recorded itself")
    tune.add_argument(
        "--batch",
        default="last",
        metavar="BATCH",
        help="with --from-store: last, all, a number or a name (last)",
    )
    tune.add_argument("--jobs", type=whole_number, default=0, metavar="N", help="processes (one a core)")
    tune.add_argument(
        "--cost",
        action="append",
        default=[],
        metavar="NAME=N",
        help="early, early_hour, late_hour, missed, nuisance",
    )
    tune.add_argument("--all", action="store_true", help="show every setting, not only the best")
    tune.add_argument(
        "--write", metavar="FILE.yaml", help="write the best settings as a block of configuration"
    )


def _add_looking(commands: Commands) -> None:
    check = _command(commands, "check", "say what a configuration will do, without doing it")
    check.add_argument("--notify", action="store_true", help="send a test message through every target")
    check.add_argument(
        "--listen", type=number, metavar="SECONDS", help="show what arrives from each source meanwhile"
    )
    status = _command(commands, "status", "show the vessels, their latest readings and standing alarms")
    status.add_argument("--json", action="store_true", help="as one JSON object")
    journal = _command(commands, "journal", "write an entry into a vessel's journal")
    journal.mixed = True
    journal.add_argument("vessel", metavar="VESSEL")
    journal.add_argument(
        "entry", metavar="ENTRY", nargs="*", help="`pitched`, `valve shut`, `chill 2` or free text"
    )
    journal.add_argument("--at", metavar="TIME", help="when it happened: `20 minutes ago`, 18:30 (now)")
    instead = journal.add_mutually_exclusive_group()
    instead.add_argument("--list", action="store_true", help="show the latest entries with their numbers")
    instead.add_argument("--strike", type=whole_number, metavar="NUMBER", help="withdraw an entry")
    instead.add_argument(
        "--replace", type=whole_number, metavar="NUMBER", help="put ENTRY, or --at, in its place"
    )


def _add_batch(commands: Commands) -> None:
    batch = _command(commands, "batch", "begin, correct, show and end a batch", config=False)
    parts = batch.add_subparsers(title="parts", dest="part", metavar="PART", required=True)
    start = _batch_part(parts, "start", "begin a batch: with the pitching just entered, else now")
    _add_wishes(start)
    start.add_argument("--at", metavar="TIME", help="when it began")
    change = _batch_part(parts, "change", "want something else of the batch: only what is given changes")
    _add_wishes(change)
    show = _batch_part(parts, "show", "show a batch and its stages")
    show.add_argument("--summary", action="store_true", help="durations, peak rate, gas vented, alarms")
    show.add_argument("--past", action="store_true", help="list the batches before it")
    show.add_argument("--number", type=whole_number, metavar="N", help="another than the latest one")
    show.add_argument("--json", action="store_true", help="as JSON")
    end = _batch_part(parts, "end", "end a batch, and print its summary")
    end.add_argument("--at", metavar="TIME", help="when it ended (now)")
    end.add_argument("--json", action="store_true", help="the summary as JSON")
    stage = _batch_part(parts, "stage", "set the stage right")
    stage.add_argument("stage", metavar="STAGE", nargs="+", help="such as active, cold or `on tap`")
    stage.add_argument("--at", metavar="TIME", help="since when (now)")
    _batch_part(parts, "undo", "take the last change of stage back")


def _add_wishes(part: PlainParser) -> None:
    part.add_argument("--name", metavar="TEXT", help="what you call it")
    part.add_argument("--beverage", choices=("ale", "lager", "cider", "other"), help="(ale)")
    part.add_argument("--yeast", nargs=2, type=celsius, metavar=("LOW", "HIGH"), help="its range, °C")
    part.add_argument("--og", metavar="GRAVITY", help="original gravity, 1.048 or 12P")
    part.add_argument("--plan", metavar="TEXT", help="`16 for 3 days, 20, rest 22 for 2 days, chill 1`")
    part.add_argument("--carbonation", metavar="AMOUNT", help='"5.0 g/L" or "2.5 volumes"')
    part.add_argument("--serving", type=celsius, metavar="C", help="temperature in the glass: 6, or 43F (6)")
    part.add_argument(
        "--finings", choices=("yes", "twice", "once", "no"), help="yes: two doses (for cider no)"
    )


def _batch_part(parts: Commands, name: str, summary: str) -> PlainParser:
    part = _command(parts, name, summary)
    part.set_defaults(handler="batch")
    part.add_argument("vessel", metavar="VESSEL")
    return part


def _add_samples(commands: Commands) -> None:
    snooze = _command(commands, "snooze", "put off what a batch waits for")
    snooze.add_argument("vessel", metavar="VESSEL")
    snooze.add_argument(
        "hours", type=number, nargs="?", default=12.0, metavar="HOURS", help="for how long (12)"
    )
    gravity = _command(commands, "gravity", "take a gravity sample down, and say what it means")
    gravity.add_argument("vessel", metavar="VESSEL")
    gravity.add_argument("gravity", nargs="?", metavar="GRAVITY", help="by hydrometer: 1.012 or 3.1P")
    gravity.add_argument(
        "--temperature", type=celsius, metavar="C", help="of the sample: 20, or 68F (20, as it is made for)"
    )
    gravity.add_argument("--brix", type=number, metavar="NOW", help="by refractometer, °Brix")
    gravity.add_argument(
        "--original-brix", type=number, metavar="WORT", help="what it showed before the yeast"
    )
    gravity.add_argument("--at", metavar="TIME", help="when it was taken (now)")


def _add_alarms(commands: Commands) -> None:
    for name, summary in (
        ("ack", "acknowledge alarms: somebody has seen them"),
        ("shelve", "keep alarms of one kind quiet for a limited time"),
        ("unshelve", "end a shelving early"),
    ):
        alarm = _command(commands, name, summary)
        alarm.add_argument("vessel", metavar="VESSEL")
        alarm.add_argument(
            "condition",
            metavar="CONDITION",
            nargs="?" if name == "ack" else None,
            help="such as over-pressure; all of the vessel's if left out"
            if name == "ack"
            else "such as leak",
        )
        alarm.add_argument("--by", metavar="NAME", help="who (the user's name)")
        if name == "shelve":
            alarm.add_argument("--hours", type=number, default=1.0, metavar="N", help="for how long (1)")


def _add_database(commands: Commands) -> None:
    export = _command(commands, "export", "write stored readings and journal as a log file")
    export.add_argument("vessel", metavar="VESSEL", nargs="?", help="all vessels if left out")
    export.add_argument("--since", metavar="TIME", help="from then on: a date, or a date and time")
    export.add_argument("--until", metavar="TIME", help="before then")
    export.add_argument("-o", "--output", metavar="FILE", help="stdout if left out; .gz compresses")
    backup = _command(commands, "backup", "copy the database while the daemon goes on")
    backup.add_argument("file", metavar="FILE", help="where to; must not exist yet")
    restore = _command(commands, "restore", "put a backup in the place of the database")
    restore.add_argument("file", metavar="FILE", help="the backup")


def _add_carbonation(commands: Commands) -> None:
    carbonation = _command(
        commands,
        "carbonation",
        "carbonation from pressure and temperature, the other way round, or as a table",
        config=False,
    )
    pressures, carbonations, temperatures = ("bar", "psi", "kPa"), ("g/L", "volumes"), ("C", "F")
    asked = carbonation.add_mutually_exclusive_group()
    asked.add_argument(
        "--pressure", type=amount(*pressures), metavar="P", help="gauge pressure: say the carbonation"
    )
    asked.add_argument(
        "--carbonation",
        type=amount(*carbonations),
        metavar="C",
        help='"5 g/L" or "2.5 volumes": say the pressure',
    )
    asked.add_argument("--table", action="store_true", help="a table to print out")
    carbonation.add_argument(
        "--temperature", type=amount(*temperatures), metavar="T", help="of the beer: 6, or 43F"
    )
    carbonation.add_argument("--pressure-unit", choices=pressures, default="bar", help="(bar)")
    carbonation.add_argument("--carbonation-unit", choices=carbonations, default="g/L", help="(g/L)")
    carbonation.add_argument("--temperature-unit", choices=temperatures, default="C", help="(C)")
    air = carbonation.add_mutually_exclusive_group()
    air.add_argument("--altitude", type=number, metavar="M", help="metres above the sea (0)")
    air.add_argument("--air-pressure", type=number, metavar="MBAR", help="by a barometer (1013)")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return the exit code: 0 done, 1 the data or the outside, 2 wrong use or configuration."""
    given = list(sys.argv[1:] if arguments is None else arguments)
    if isinstance(sys.stdout, io.TextIOWrapper):  # a terminal that knows no ° shows a question mark for it
        sys.stdout.reconfigure(errors="replace")
    try:
        parser = build_parser()
        _refuse_unknown_command(parser, given)
        options = parser.parse_args(given)
        if options.command is None:
            parser.print_help()
            return 2
        if _for_programs(options) and isinstance(sys.stdout, io.TextIOWrapper):
            sys.stdout.reconfigure(encoding="utf-8", errors="replace")
        code = _handler(options.handler)(options)
        sys.stdout.flush()
        return code
    except UllageError as error:
        return _say(error)
    except KeyboardInterrupt:
        return INTERRUPTED
    except BrokenPipeError:
        # whoever read our output has had enough; keep the interpreter from failing on it again at its end
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except Exception as error:  # noqa: BLE001 - the last place where an error can be put into words
        return _say_unexpected(error)


def _for_programs(options: argparse.Namespace) -> bool:
    """Tell whether what is printed is JSON or a log, which are UTF-8 wherever they go."""
    return options.command == "export" or any(getattr(options, name, False) for name in ("json", "jsonl"))


def _handler(name: str) -> Handler:
    """Import the handler of a command."""
    module = f"ullage.daemon.commands.{name}"
    if module not in sys.modules:
        gc.disable()  # what is imported stays: it need not be searched for garbage, now or ever
        try:
            importlib.import_module(module)
        finally:
            gc.freeze()
            gc.enable()
    handler: Handler = sys.modules[module].handle
    return handler


def _refuse_unknown_command(parser: argparse.ArgumentParser, given: Sequence[str]) -> None:
    """Name the nearest command before argparse lists all of them."""
    word = given[0] if given else "-"
    actions = [action for action in parser._actions if isinstance(action, argparse._SubParsersAction)]
    known = sorted(actions[0].choices)
    if word.startswith("-") or word in known:
        return
    from difflib import get_close_matches

    near = get_close_matches(word, known, n=1)
    hint = f"did you mean {near[0]}?" if near else f"there are {', '.join(known)}"
    raise ConfigError("", f"there is no command {word!r}", hint)


def _say(error: UllageError) -> int:
    for sentence in str(error).splitlines():
        print(f"ullage: {sentence}", file=sys.stderr)
    return error.exit_code


def _say_unexpected(error: Exception) -> int:
    """Put the traceback where it can be found and say so in one sentence."""
    import tempfile
    import traceback

    details = "".join(traceback.format_exception(error))
    said = f"ullage: unexpected {type(error).__name__}"
    if "JOURNAL_STREAM" in os.environ:  # a service's temporary files are gone when it has ended
        print(f"{said}; the details follow\n{details}", file=sys.stderr)
        return 1
    try:
        handle, path = tempfile.mkstemp(prefix="ullage-error-", suffix=".txt")
        with os.fdopen(handle, "w", encoding="utf-8", errors="backslashreplace") as file:
            file.write(details)
    except OSError:
        print(f"{said}; the details follow\n{details}", file=sys.stderr)
        return 1
    print(f"{said}; this is a fault of the program, its details are in {path}", file=sys.stderr)
    return 1


if __name__ == "__main__":
    sys.exit(main())
