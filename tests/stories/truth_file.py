"""A story as three files: the log, the configuration that goes with it, and the truth about it."""

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from ullage.adapters.log_writer import write_log
from ullage.adapters.reading import Reading
from ullage.adapters.timestamps import format_rfc3339
from ullage.detectors.finding import NOTICES

FOLDER = Path(__file__).parents[2] / "replay_fixtures"
HOUR = 3600.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """A condition that truly occurs: not to be told before `from_h`, to be told by `by_h`; hours since the start.

    Without `by_h` it need not be told at all, but never sooner than `from_h`. `why` says whence the moments come.
    """

    condition: str
    from_h: float
    by_h: float | None
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Story:
    """What is written of a vessel; `settings` are lines of its configuration below its name.

    `end_h` is when no more than 0.4 g/L CO2 are to come, None if the log does not reach it.
    """

    vessel: str
    title: str
    about: str
    start_s: float
    settings: Sequence[str]
    rows: Sequence[Reading]
    truth: Sequence[Due]
    end_h: float | None = None

    @property
    def stem(self) -> str:
        """What the names of its files begin with."""
        return f"{self.vessel}_{self.title}"


def due_rows(start_s: float, truth: Sequence[Due]) -> list[dict[str, object]]:
    """Return the conditions as a truth file has them, in order of time."""
    rows: list[dict[str, object]] = []
    for due in sorted(truth, key=lambda one: (one.from_h, one.condition)):
        told = {name: value for name, value in asdict(due).items() if name in ("condition", "why")}
        by = None if due.by_h is None else format_rfc3339(round(start_s + due.by_h * HOUR))
        rows.append(told | {"not_before": format_rfc3339(round(start_s + due.from_h * HOUR)), "by": by})
    return rows


def write_story(story: Story, folder: Path = FOLDER) -> None:
    """Write the three files."""
    write_log(folder / f"{story.stem}.csv.gz", story.rows)
    config = [
        f"# Goes with {story.stem}.csv.gz: an invented vessel and an invented beer.",
        "timezone: UTC",
        "vessels:",
        f"  - name: {story.vessel}",
        *(f"    {line}" for line in story.settings),
    ]
    (folder / f"{story.stem}.yaml").write_text("\n".join(config) + "\n", encoding="utf-8")
    truth = {
        "about": f"invented: made by tests/stories/mishaps.py. {story.about}",
        "vessel": story.vessel,
        "end": None if story.end_h is None else format_rfc3339(round(story.start_s + story.end_h * HOUR)),
        "alarms": sorted({due.condition for due in story.truth} - NOTICES),
        "conditions": due_rows(story.start_s, story.truth),
    }
    path = folder / f"{story.stem}.truth.json"
    path.write_text(json.dumps(truth, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
