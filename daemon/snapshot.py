"""The state of one vessel's detectors as bytes, and back, admitting nothing but detectors, numpy and containers.

A pickle can call anything it names when it is read. The database is a file that may be copied about, so reading one
admits only what detectors are made of; anything else makes the snapshot worthless, and the state is rebuilt from the
stored readings instead.
"""

import functools
import hashlib
import io
import pickle
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from pathlib import Path

from ullage import detectors
from ullage.detectors.vessel import Vessel
from ullage.detectors.watch import VesselWatch

LAYOUT = 1
"""Raised when `Saved` itself changes."""

_BUILTINS = frozenset(
    {"bool", "bytearray", "bytes", "complex", "dict", "float", "frozenset", "int", "list", "object"}
    | {"range", "set", "slice", "str", "tuple"}
)
_COLLECTIONS = frozenset({"deque", "OrderedDict", "defaultdict", "Counter"})
_NUMPY = frozenset({"ndarray", "dtype", "_reconstruct", "scalar", "_frombuffer"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Saved:
    """Detectors and what the daemon must know with them. Only plain values beside the detectors."""

    watch: VesselWatch
    standing: tuple[tuple[str, str, str], ...]
    """Condition, subject and priority of each alarm that the detectors hold raised."""
    newest_ms: Mapping[str, int]
    """Newest time stamp judged of each quantity: stored readings after it are yet to be judged."""
    last_entry_id: int
    """Journal entries up to this number were taken from the table."""
    entries: tuple[tuple[int, str], ...]
    """The latest journal entries taken: time in milliseconds and text."""


class SnapshotRefused(Exception):
    """The bytes are no snapshot that this program may read."""


def _member(of: object, name: object) -> object:
    """Return the member of an enumeration: all that a snapshot may look up by name."""
    if isinstance(of, type) and issubclass(of, Enum) and isinstance(name, str) and name in of.__members__:
        return of.__members__[name]
    raise SnapshotRefused(f"{name} of {of} has no place in a snapshot")


class _Reader(pickle.Unpickler):
    def find_class(self, module: str, name: str) -> object:
        """Admit the types that detectors are made of."""
        if (module, name) == ("builtins", "getattr"):
            return _member  # as the first releases of Python 3.11 write an enumeration's member
        root = module.partition(".")[0]
        if (
            (module.startswith("ullage.detectors.") and "." not in name)
            or (module == "builtins" and name in _BUILTINS)
            or (module == "collections" and name in _COLLECTIONS)
            or (root == "numpy" and name in _NUMPY)
        ):
            return super().find_class(module, name)
        raise SnapshotRefused(f"{module}.{name} has no place in a snapshot")


def fingerprint(vessel: Vessel, settings: Mapping[str, object], mark: str = "") -> str:
    """Return what must be the same for a snapshot to be used: the detectors' code, the vessel and the settings.

    `mark` stands for whatever else they depend on: the batch and the corrections of its journal.
    """
    said = repr((LAYOUT, code_mark(), vessel, sorted(settings.items(), key=lambda item: item[0]), mark))
    return hashlib.blake2b(said.encode(), digest_size=16).hexdigest()


@functools.cache
def code_mark() -> str:
    """Return a mark of the detectors' code: state of one version means nothing to another."""
    mark = hashlib.blake2b(digest_size=16)
    for path in sorted(Path(detectors.__path__[0]).rglob("*.py")):
        mark.update(path.read_bytes())
    return mark.hexdigest()


def dump(saved: Saved) -> bytes:
    """Return the state as bytes."""
    parts = (
        saved.watch,
        saved.standing,
        dict(saved.newest_ms),
        saved.last_entry_id,
        saved.entries,
    )
    return pickle.dumps(parts, protocol=5)


def load(payload: bytes) -> Saved:
    """Return the state that `dump` wrote.

    Raises
    ------
    SnapshotRefused
        If the bytes are damaged, or name anything that has no place in a snapshot.
    """
    try:
        watch, standing, newest_ms, last_entry_id, entries = _Reader(io.BytesIO(payload)).load()
        if not isinstance(watch, VesselWatch):
            raise SnapshotRefused(f"a {type(watch).__name__} is no vessel's watch")
        return Saved(
            watch=watch,
            standing=tuple((str(c), str(s), str(p)) for c, s, p in standing),
            newest_ms={str(q): int(ms) for q, ms in newest_ms.items()},
            last_entry_id=int(last_entry_id),
            entries=tuple((int(ms), str(text)) for ms, text in entries),
        )
    except SnapshotRefused:
        raise
    except Exception as error:
        raise SnapshotRefused(f"{type(error).__name__}: {error}") from error
