"""Files that a command writes never take the place of those that it lives on: configuration, database, logs it reads.

`-o`, `--report` and their like replace what has their name, so a name mistyped would be a season's readings.
"""

from collections.abc import Iterable, Iterator
from contextlib import suppress
from pathlib import Path

from ullage.adapters.errors import ConfigError
from ullage.daemon.settings import Config
from ullage.daemon.store.engine import parse_url, sqlite_path
from ullage.daemon.tune.truth import truth_path

_OF_DATABASE = ("", "-wal", "-shm", ".lock")


def refuse_spared(option: str, path: str | Path, config: Config, logs: Iterable[str | Path] = ()) -> None:
    """Refuse a file to write that is needed, or no file at all.

    Parameters
    ----------
    option
        Where it was given.
    path
        The file that would be written.
    config
        Spares its own file and its database.
    logs
        Logs that the command reads.

    Raises
    ------
    ConfigError
        If the file is one of those, under whatever name, or a folder or a device.
    """
    target = Path(path)
    if target.exists() and not target.is_file():
        raise ConfigError(option, f"{path} is no plain file", "name a new file")
    for what, file in _spared(config, logs):
        with suppress(OSError):
            if target.samefile(file):
                raise ConfigError(option, f"{path} is {what} and would be lost", "name another file")


def _spared(config: Config, logs: Iterable[str | Path]) -> Iterator[tuple[str, Path]]:
    for log in logs:
        yield "a log that is read", Path(log)
        if truth := truth_path(Path(log)):
            yield "what was true of a log", truth
    if config.path is not None:
        yield "the configuration", config.path
    database = sqlite_path(parse_url(config.store.url))
    if database is not None:
        for end in _OF_DATABASE:
            yield "the database", database.with_name(database.name + end)
