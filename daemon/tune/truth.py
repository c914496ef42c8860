"""What is known to be true of a recorded batch: from a file beside the log, or from the brewer's own entry."""

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ullage.adapters.errors import DataError
from ullage.adapters.log_format import VesselLog
from ullage.adapters.timestamps import parse_rfc3339

TRUE_END = "true end"
"""The journal entry that says when fermentation really was over."""
_HINT = 'write it like {"end": "2026-03-07T04:12:00Z", "alarms": ["leak"]}, with null for a batch that never ended'


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What really happened."""

    end_s: float | None
    """When fermentation was over, Unix seconds; None if it never was."""
    alarms: frozenset[str]
    """Conditions that are right to be raised; any other alarm is a nuisance."""


def truth_path(log: Path) -> Path | None:
    """Return the truth file beside a log: its name, with or without the log's endings, and `.truth.json`."""
    bare = log.name.removesuffix(".gz").removesuffix(".csv")
    for name in dict.fromkeys((f"{log.name}.truth.json", f"{bare}.truth.json")):
        path = log.with_name(name)
        if path.is_file():
            return path
    return None


def truth_of(log_path: Path | None, log: VesselLog) -> Truth | None:
    """Return the truth about one vessel of a log, None if nobody wrote it down.

    Raises
    ------
    DataError
        If the file can't be read, or says nothing that can be understood.
    """
    path = truth_path(log_path) if log_path is not None else None
    if path is not None:
        return _from_file(path, log.name)
    ends = [entry.time_s for entry in log.entries if entry.text.strip().lower() == TRUE_END]
    return Truth(end_s=ends[-1], alarms=frozenset()) if ends else None


def _from_file(path: Path, vessel: str) -> Truth | None:
    try:
        tree = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise DataError(str(path), f"can't be read ({error})", _HINT) from None
    if isinstance(tree, dict) and isinstance(tree.get("vessels"), dict):
        tree = tree["vessels"].get(vessel)
        if tree is None:
            return None
    if not isinstance(tree, dict):
        raise DataError(str(path), "says nothing of a batch", _HINT)
    alarms = tree.get("alarms", [])
    if not isinstance(alarms, list) or not all(isinstance(one, str) for one in alarms):
        raise DataError(f"{path}: alarms", "must be a list of conditions", _HINT)
    return Truth(end_s=_end(path, tree), alarms=frozenset(alarms))


def _end(path: Path, tree: dict[str, Any]) -> float | None:
    if "end" in tree:
        text = tree["end"]
    else:
        try:
            text = tree["moments"]["done"]["time"]
        except (KeyError, TypeError):
            raise DataError(str(path), "names no end", _HINT) from None
    if text is None:
        return None
    if not isinstance(text, str):
        raise DataError(f"{path}: end", f"{text!r} is no time", _HINT)
    return parse_rfc3339(text)
