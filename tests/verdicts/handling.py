"""What brewers do in the kinds of batches: shut the valve for tests, and the choices that kinds share."""

from dataclasses import replace

from tests.verdicts.draws import Draws
from tests.verdicts.recipe import Action, Recipe, ordinary
from tests.verdicts.trigger import Trigger


def any_style(d: Draws) -> str:
    return d.pick(["ale", "lager"], [0.65, 0.35])


def part_made(d: Draws, recipe: Recipe, low: float, high: float, leave_g_per_l: float) -> float:
    """Return a part made between low and high that leaves at least so much still to come."""
    most = 1 - leave_g_per_l / recipe.yeast.total_g_per_l
    return min(d.between(low, high), most)


def with_test(d: Draws, recipe: Recipe, *, journal: bool = True) -> Recipe:
    """The brewer winds the valve shut too early, opens it again, and shuts it for good after the end."""
    early = Action(
        trigger=Trigger(fraction=part_made(d, recipe, 0.45, 0.93, 2.0)),
        what="shut",
        hold_h=d.between(2, 6),
        part_of_gap=d.between(0.5, 0.75),
        journal=journal,
        early=True,
    )
    late_h = d.log_between(2, 48)
    actions = [early]
    if d.chance(0.2):
        # Once more when little is left: neither answer is sure within hours, and the end must not be called.
        between = Trigger(to_come=d.between(0.6, 1.2))
        actions.append(
            Action(trigger=between, what="shut", hold_h=d.between(2, 8), part_of_gap=0.6, journal=journal)
        )
    actions.append(Action(trigger=Trigger(to_come=0.4, delay_h=late_h), what="shut", journal=journal))
    return replace(
        recipe,
        actions=(*recipe.actions, *actions),
        stop=Trigger(to_come=0.4, delay_h=late_h + d.between(40, 90)),
        evidence="shut",
    )


def provable(d: Draws, style: str) -> Recipe:
    """Return a batch whose end the data can prove: a cycling valve, or a smooth one that is shut for tests."""
    return ordinary(d, style, "pop") if d.chance(0.6) else with_test(d, ordinary(d, style, "smooth"))
