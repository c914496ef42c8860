"""What to do with a SQLite file that is damaged: look, and move it out of the way."""

import os
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import sqlalchemy as sa

SMALL_BYTES = 16 * 2**20
"""A file below this is looked through at every start; a larger one only when it was not closed in order."""

_PARTS = ("", "-wal", "-shm")


def suspect(file: Path) -> None:
    """Note beside a file that damage was met in it, for the next start to look thoroughly."""
    with suppress(OSError):
        _note(file).touch(mode=0o600)


def suspected(file: Path) -> bool:
    """Tell whether damage was met in it."""
    return _note(file).exists()


def cleared(file: Path) -> None:
    """Take the note away."""
    with suppress(OSError):
        _note(file).unlink()


def _note(file: Path) -> Path:
    return file.with_name(f"{file.name}.suspect")


def left_open(file: Path) -> bool:
    """Return whether the last program did not close the file in order (or has it open now)."""
    with suppress(OSError):
        return Path(f"{file}-wal").stat().st_size > 0
    return False


def worth_checking(file: Path) -> bool:
    """Return whether the file should be looked through before it is used."""
    with suppress(OSError):
        return left_open(file) or file.stat().st_size < SMALL_BYTES
    return False


def first_fault(connection: sa.Connection, *, thorough: bool) -> str | None:
    """Return the first thing wrong with a SQLite database, or None.

    Parameters
    ----------
    connection
        To the database.
    thorough
        Also compare tables with their indexes, which takes longer.
    """
    check = "integrity_check" if thorough else "quick_check"
    found = str(connection.exec_driver_sql(f"PRAGMA {check}(1)").scalar_one())
    return None if found == "ok" else " ".join(found.split())


def move_aside(file: Path, word: str) -> Path:
    """Rename a database with its journal to a free name, and return that.

    Raises
    ------
    OSError
        If the folder does not allow it.
    """
    target = next(name for name in _names(file, word) if not any(Path(f"{name}{p}").exists() for p in _PARTS))
    for part in _PARTS:
        with suppress(FileNotFoundError):
            os.rename(f"{file}{part}", f"{target}{part}")
    return target


def _names(file: Path, word: str) -> Iterator[Path]:
    yield file.with_name(f"{file.name}.{word}")
    number = 2
    while True:
        yield file.with_name(f"{file.name}.{word}-{number}")
        number += 1
