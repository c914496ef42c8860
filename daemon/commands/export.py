"""`ullage export`: stored readings and journal as a log file, for replay, a spreadsheet or a friend."""

import argparse
import os
import sys
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

from ullage.adapters.errors import ConfigError, DataError
from ullage.adapters.log_writer import write_log
from ullage.adapters.reading import Reading
from ullage.daemon.commands.common import load_config, open_store
from ullage.daemon.exporting import stored_rows
from ullage.daemon.local_time import LocalTime
from ullage.daemon.sentences import nearest
from ullage.daemon.spared import refuse_spared
from ullage.daemon.times import parse_time


def handle(options: argparse.Namespace) -> int:
    """Write the log."""
    config = load_config(options)
    zone = LocalTime.named(config.timezone)
    since_s = parse_time(options.since, zone, "--since") if options.since else None
    until_s = parse_time(options.until, zone, "--until") if options.until else None
    if since_s is not None and until_s is not None and since_s >= until_s:
        raise ConfigError("--since", f"{options.since!r} is not before --until {options.until!r}")
    if options.output is not None:
        refuse_spared("--output", options.output, config)
    with open_store(config, read_only=True) as store:
        # what was stored counts, not what is configured: a vessel may have been renamed since
        stored = store.vessels()
        if options.vessel is not None and options.vessel not in stored:
            raise ConfigError(
                "", f"nothing is stored for a vessel {options.vessel!r}", nearest(options.vessel, stored)
            )
        names = stored if options.vessel is None else (options.vessel,)
        rows = (row for name in names for row in stored_rows(store, name, since_s, until_s))
        if options.output is None:
            write_log(sys.stdout, rows)
        else:
            _write_file(Path(options.output), rows)
    return 0


def _write_file(path: Path, rows: Iterator[Reading]) -> None:
    """Write the rows; the file appears under its name only when it is whole."""
    part = path.with_name(f".part-{path.name}")
    try:
        count = write_log(part, rows)
        os.replace(part, path)
    except OSError as error:
        raise DataError(str(path), f"can't be written ({error.strerror})", "check the folder") from None
    except DataError as error:
        subject = str(path) if error.subject == str(part) else error.subject
        raise DataError(subject, error.detail, error.hint) from None
    finally:
        with suppress(OSError):
            part.unlink()
    print(f"{path}: {count:,} rows")
