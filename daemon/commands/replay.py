"""`ullage replay`: a recorded log through the detectors, for a person or as JSON lines."""

import argparse
import io
import os
import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from ullage.adapters.column_map import ColumnMap
from ullage.adapters.errors import ConfigError
from ullage.adapters.log_format import RecordedLog
from ullage.adapters.recorded_log import read_log
from ullage.daemon.chart.units import units_named
from ullage.daemon.finding_json import finding_json
from ullage.daemon.finding_table import finding_lines, plain
from ullage.daemon.local_time import LocalTime
from ullage.daemon.places import config_path
from ullage.daemon.progress import ProgressLine
from ullage.daemon.replaying import Replayed, pair_vessels, replay
from ullage.daemon.settings import Config, load
from ullage.daemon.times import duration_text, local_text
from ullage.detectors.finding import Finding

if TYPE_CHECKING:
    from ullage.daemon.report.writer import ReportWriter

_BAD_ROWS_NAMED = 5


def handle(options: argparse.Namespace) -> int:
    """Replay a log."""
    config = load(config_path(options.config, os.environ), os.environ, live=False)
    _spare(options, config)
    progress = ProgressLine()
    names, columns = _names_and_columns(options, config)
    log = read_log(Path(options.log), columns=columns, progress=_reading(progress))
    progress.clear()
    try:
        pairs = pair_vessels(log, config.vessels, names)
    finally:
        _tell_bad_rows(log)
    tell = _json_line if options.jsonl else _table_line(config)
    rows = sum(len(pair.log) for pair in pairs)
    judged = 0

    def on_judged(count: int) -> None:
        nonlocal judged
        judged += count
        progress.show(f"judging {judged / max(rows, 1):4.0%}")

    writer = _report_writer(options)
    told = False
    for finding in replay(pairs, on_judged, writer.observe if writer is not None else None):
        progress.clear()
        tell(finding)
        told = True
        if writer is not None:
            writer.take(finding)
    progress.clear()
    if not options.jsonl:
        if not told:
            print("Nothing is told of it: no alarm, no notice.")
        _tell_summary(pairs, log, config)
    if writer is not None:
        for path in writer.write(pairs, log, LocalTime.named(config.timezone)):
            print(f"{path} written", file=sys.stderr)
    return 0


def _spare(options: argparse.Namespace, config: Config) -> None:
    """Refuse to write over what is needed; only who writes at all waits for the database's library to load."""
    written = {"--report": options.report, "--png": options.png}
    if any(written.values()):
        from ullage.daemon.spared import refuse_spared

        for option, path in written.items():
            if path:
                refuse_spared(option, path, config, [options.log])


def _report_writer(options: argparse.Namespace) -> "ReportWriter | None":
    """Return what gathers and writes the report and the picture, if either is asked for."""
    if not options.report and not options.png:
        return None
    from ullage.daemon.report.writer import ReportWriter

    return ReportWriter(
        Path(options.log).name,
        report=Path(options.report) if options.report else None,
        png=Path(options.png) if options.png else None,
        units=units_named(options.temperature_unit, options.pressure_unit),
    )


def _names_and_columns(
    options: argparse.Namespace, config: Config
) -> tuple[dict[str, str], ColumnMap | None]:
    """Read `--vessel` and `--map`."""
    if options.column_map is None:
        return log_names(options.vessel), None
    only = config.vessels[0].vessel.name if len(config.vessels) == 1 else ""
    given = options.vessel[0] if options.vessel else only
    if len(options.vessel) > 1 or not given:
        known = ", ".join(watched.vessel.name for watched in config.vessels)
        raise ConfigError(
            "--map", "needs to know which one vessel the file is about", f"add --vessel with one of {known}"
        )
    watched = config.watched(given)
    return {}, ColumnMap.parse(
        options.column_map, vessel=given, air_pressure_bar=watched.vessel.air_pressure_bar
    )


def log_names(given: list[str]) -> dict[str, str]:
    """Read `LOGNAME=CONFIGNAME` pairs."""
    names: dict[str, str] = {}
    for pair in given:
        name, equals, meant = pair.partition("=")
        if not equals or not name or not meant:
            raise ConfigError(
                "--vessel", f"{pair!r} is not LOGNAME=CONFIGNAME", "as in --vessel 'tank 2=north'"
            )
        names[name] = meant
    return names


def _reading(progress: ProgressLine) -> Callable[[float], None]:
    return lambda fraction: progress.show(f"reading {fraction:4.0%}")


def _json_line(finding: Finding) -> None:
    print(finding_json(finding), flush=True)


def _table_line(config: Config) -> Callable[[Finding], None]:
    zone = LocalTime.named(config.timezone)
    width = shutil.get_terminal_size((100, 24)).columns
    colour = sys.stdout.isatty() and "NO_COLOR" not in os.environ and os.environ.get("TERM") != "dumb"
    return lambda finding: print(finding_lines(finding, zone, width, colour=colour), flush=True)


def _tell_bad_rows(log: RecordedLog) -> None:
    """Say on stderr how many rows were left out, and why the first few."""
    bad = log.bad_rows
    if not bad.total:
        return
    reasons = ", ".join(f"{reason.value} {count}" for reason, count in sorted(bad.by_reason.items()))
    print(f"ullage: {bad.total} bad row{'s' if bad.total > 1 else ''} left out ({reasons})", file=sys.stderr)
    for line, sentence in bad.first[:_BAD_ROWS_NAMED]:
        print(f"ullage:   line {line}: {plain(sentence)}", file=sys.stderr)
    if bad.total > _BAD_ROWS_NAMED:
        print(f"ullage:   and {bad.total - _BAD_ROWS_NAMED} more", file=sys.stderr)


def _tell_summary(pairs: tuple[Replayed, ...], log: RecordedLog, config: Config) -> None:
    zone = LocalTime.named(config.timezone)
    rows = sum(len(pair.log) + len(pair.log.entries) for pair in pairs)
    out = io.StringIO()
    out.write(f"\n{rows:,} row{'' if rows == 1 else 's'} used, {log.bad_rows.total:,} bad")
    repeated = sum(pair.log.repeated + pair.log.contradicting for pair in pairs)
    if repeated:
        out.write(f", {repeated:,} left out as repeats")
    out.write("\n")
    for pair in pairs:
        times = [*pair.log.time_s[[0, -1]].tolist()] if len(pair.log) else []
        times += [entry.time_s for entry in pair.log.entries]
        if times:
            first_s, last_s = min(times), max(times)
            out.write(
                f"{plain(pair.watched.vessel.name)}: {local_text(first_s, zone, seen_s=last_s)} to "
                f"{local_text(last_s, zone, seen_s=first_s)}, "
                f"{duration_text(last_s - first_s)}\n"
            )
    print(out.getvalue(), end="", flush=True)
