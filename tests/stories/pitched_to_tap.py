"""Makes `replay_fixtures/heron_pitched_to_tap.*`: an invented ale from pitching to the tap, and the truth about it.

    python -m tests.stories.pitched_to_tap            # writes both files, always the same

A simulated vessel and a brewer who knows the truth, not the program's messages: the valve is wound shut ten hours after
the CO2 still to come has fallen below 0.4 g/L, the chill begins a day later, finings follow by the beer's temperature,
and in the middle of the first settling the fridge stands open until the beer has warmed to 9 °C. Every moment in the
truth file follows from the simulation's own state or from what the brewer did.
"""

import json
from dataclasses import dataclass, field, replace

from tests.stories.truth_file import FOLDER, HOUR, Due, due_rows
from ullage.adapters.log_writer import write_log
from ullage.adapters.reading import Reading
from ullage.adapters.simulation.batches import FRIDGE_C, ale
from ullage.adapters.simulation.cellar import Cellar, CellarPlan
from ullage.adapters.timestamps import format_rfc3339
from ullage.detectors.finding import NOTICES

NAME = "heron"
START_S = 1_772_355_600.0
"""2026-03-01 09:00 UTC, an invented morning."""
INTERVAL_S = 120.0
CHILL_C = 2.0
LIMIT_C = 3.0
"""Target and a kelvin: what counts as cold."""
FRIDGE_FAILED_K = 4.0
"""So far above its target no fridge holds beer that works (a kelvin or two, common practice)."""
DONE_G_PER_L = 0.4


@dataclass(slots=True)
class Teller:
    """The simulation, what was read, and the moments of the truth, hours since the start."""

    cellar: Cellar
    rows: list[Reading] = field(default_factory=list)
    truth: dict[str, float] = field(default_factory=dict)

    @property
    def hours(self) -> float:
        """Hours since the start."""
        return self.cellar.elapsed_h

    @property
    def beer_c(self) -> float:
        """True beer temperature."""
        return self.cellar.state(NAME).beer_c

    def act(self, entry: str, *, quiet: bool = False) -> None:
        """Do something, with or without an entry in the journal."""
        self.rows.extend(self.cellar.act(NAME, entry, quiet=quiet))

    def go(self, hours: float) -> None:
        """Let time pass."""
        until = self.hours + hours
        while self.hours < until - 1e-6:
            self.step()

    def step(self) -> None:
        """One interval."""
        self.rows.extend(self.cellar.advance())
        state = self.cellar.state(NAME)
        if state.made_g / 19.0 > 0.05:
            self.truth.setdefault("first_gas", self.hours)
        if state.pressure_bar > 1.4:
            self.truth.setdefault("held", self.hours)
        if "pitched" in self.truth and self.hours > 24 and state.co2_to_come_g_per_l < DONE_G_PER_L:
            self.truth.setdefault("done", self.hours)

    def wait_cold(self, name: str) -> None:
        """Let time pass until the beer is in its target."""
        while self.beer_c > LIMIT_C:
            self.step()
        self.truth[name] = self.hours


def tell() -> Teller:
    """Run the batch."""
    plan = CellarPlan(
        vessels=(replace(ale(NAME), pitched_c=19.5),),
        fridge_c=FRIDGE_C,
        start_s=START_S,
        interval_s=INTERVAL_S,
    )
    story = Teller(Cellar(plan))
    story.truth["pitched"] = 0.0
    story.act("pitched")
    while "done" not in story.truth:
        story.step()
    story.go(10)
    story.truth["valve_shut"] = story.hours
    story.act("valve shut")
    story.go(24)
    story.truth["chill"] = story.hours
    story.act("belt off", quiet=True)
    story.act(f"chill {CHILL_C:g}")
    story.wait_cold("cold_from")
    story.go(13)
    story.truth["first_dose"] = story.hours
    story.act("fined 15")
    story.go(6)
    story.act("the fridge was found open")
    story.act("fridge 11", quiet=True)
    while story.beer_c < 9.0:
        story.step()
        if story.beer_c > CHILL_C + FRIDGE_FAILED_K:
            story.truth.setdefault("too_warm", story.hours)
    story.truth["warmed"] = story.hours
    story.act(f"fridge {CHILL_C:g}", quiet=True)
    story.wait_cold("cold_again_from")
    story.go(14)
    story.truth["second_dose"] = story.hours
    story.act("fined 15")
    story.go(22)
    story.truth["tapped"] = story.hours
    story.act("tapped")
    story.go(3)
    return story


def conditions(at: dict[str, float]) -> list[Due]:
    """Return what must be told when, from the moments of the truth."""
    cold = at["cold_from"]
    settled = at["second_dose"] + 18
    through = "half a day cold (common practice), and 2 h to say so"
    return [
        Due(condition="activity", from_h=0.0, by_h=at["first_gas"] + 6, why="from pitching, and first 0.05 g/L made"),
        Due(condition="held", from_h=at["held"], by_h=at["held"] + 6, why="the valve's pressure is reached"),
        Due(condition="finished", from_h=at["done"], by_h=at["valve_shut"] + 12,
            why="no more than 0.4 g/L to come; the valve wound shut"),
        Due(condition="chilled", from_h=cold + 11.5, by_h=cold + 14, why=through),
        Due(condition="fining-due", from_h=cold + 11.5, by_h=cold + 14, why=through),
        Due(condition="temperature-high", from_h=at["too_warm"], by_h=at["too_warm"] + 3,
            why="the fridge stands open: cold beer is four kelvin above its target"),
        Due(condition="ready", from_h=settled - 0.5, by_h=settled + 2,
            why="the second dose settled for 18 h in the cold (common practice)"),
    ]  # fmt: skip


def main() -> None:
    """Write log and truth."""
    story = tell()
    FOLDER.mkdir(exist_ok=True)
    write_log(FOLDER / f"{NAME}_pitched_to_tap.csv.gz", story.rows)
    truth = {
        "about": "invented: made by tests/stories/pitched_to_tap.py from a simulated vessel",
        "vessel": NAME,
        "cold_limit_c": LIMIT_C,
        "moments": {
            name: {"time": format_rfc3339(START_S + hours * HOUR), "hours": round(hours, 3)}
            for name, hours in sorted(story.truth.items(), key=lambda item: item[1])
        },
        "alarms": sorted({due.condition for due in conditions(story.truth)} - NOTICES),
        "conditions": due_rows(START_S, conditions(story.truth)),
    }
    path = FOLDER / f"{NAME}_pitched_to_tap.truth.json"
    path.write_text(json.dumps(truth, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
