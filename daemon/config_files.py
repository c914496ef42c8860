"""Who else may read or change the files that the configuration and its secrets stand in.

A secret stands in a file of its own that its owner alone may read, or in the environment. The configuration holds none and
may be read by everyone; whoever may change it, though, sends the messages elsewhere, and so does whoever may put another
file in its place.
"""

import stat
from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from pathlib import Path

from ullage.daemon.settings import Config

_SECRET = ("password_file", "key_file")
_READ, _CHANGE = 0o044, 0o022
"""Bits of a file's mode for its group and for all others."""


def secret_files(config: Config) -> Iterator[tuple[str, Path]]:
    """Yield key and path of every file that holds a secret."""
    for source in config.sources:
        if is_dataclass(source.settings):
            for field in fields(source.settings):
                path = getattr(source.settings, field.name)
                if field.name in _SECRET and path is not None:
                    yield f"sources.{source.name}.{field.name}", path
    for name, target in config.notify.named_targets():
        if target.url_file is not None:
            yield f"target {name}", target.url_file
    beacon = config.schedule.heartbeat
    if beacon is not None and beacon.url_file is not None:
        yield "schedule.heartbeat", beacon.url_file
    if config.page is not None and config.page.token_file is not None:
        yield "page.token_file", config.page.token_file


def loose_files(config: Config) -> Iterator[str]:
    """Yield a sentence for each file that others may read or change and should not."""
    for key, path in secret_files(config):
        try:
            mode = path.stat().st_mode
        except OSError as error:
            yield f"{key}: {path} can't be looked at: {error.strerror}"
            continue
        if mode & (_READ | _CHANGE):
            may = "read" if mode & _READ else "change"
            yield f"{key}: others may {may} {path}; run: chmod 600 {path}"
        yield from _loose_folder(key, path.parent)
    if config.path is not None:
        if config.path.stat().st_mode & _CHANGE:
            yield f"others may change {config.path}; run: chmod go-w {config.path}"
        yield from _loose_folder("configuration", config.path.absolute().parent)


def _loose_folder(key: str, folder: Path) -> Iterator[str]:
    mode = folder.stat().st_mode
    if mode & _CHANGE and not mode & stat.S_ISVTX:  # with the sticky bit nobody moves others' files
        yield f"{key}: others may replace files in {folder}; run: chmod go-w {folder}"
