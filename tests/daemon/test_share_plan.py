"""A fair share for every daemon that lives."""

from collections.abc import Sequence
from random import Random

from hypothesis import given
from hypothesis import strategies as st

from ullage.daemon.share_plan import MOVE_AT_ONCE, part_to_take, parts_to_release
from ullage.daemon.store.leases import Part


def _part(number: int, vessels: int, holder: str | None = None) -> Part:
    return Part(number=number, vessels=vessels, holder=holder)


def _loads(living: Sequence[str], parts: Sequence[Part]) -> list[int]:
    return [sum(part.vessels for part in parts if part.holder == name) for name in living]


def _settle(living: Sequence[str], parts: list[Part], order: Sequence[str]) -> tuple[list[Part], int]:
    """Let the daemons act one after another until nobody does anything; return how it stands and the moves."""
    moves = 0
    for _ in range(2000):
        acted = False
        for me in order:
            number = part_to_take(me, living, parts)
            going = () if number is not None else parts_to_release(me, living, parts)
            for index, part in enumerate(parts):
                if part.number == number:
                    parts[index] = _part(part.number, part.vessels, me)
                elif part.number in going:
                    assert part.holder == me
                    parts[index] = _part(part.number, part.vessels)
            acted = acted or number is not None or bool(going)
            moves += (number is not None) + len(going)
        if not acted:
            return parts, moves
    raise AssertionError(f"it never came to rest: {parts}")


_names = st.integers(1, 6).map(lambda count: [f"d{number}" for number in range(count)])
_sizes = st.lists(st.integers(1, 9), max_size=40)


@given(_names, _sizes, st.randoms(use_true_random=False))
def test_every_part_is_held_and_nobody_has_much_more_than_another(
    living: list[str], sizes: list[int], random: Random
) -> None:
    """Whoever held what before, the dead included: it comes to rest, all is held, and no move would make it fairer."""
    before = [None, "dead", *living]
    parts = [_part(n, size, random.choice(before)) for n, size in enumerate([0, *sizes])]
    order = living.copy()
    random.shuffle(order)
    settled, moves = _settle(living, parts, order)
    assert all(part.holder in living for part in settled)
    loads = _loads(living, settled)
    for part in settled:
        if part.vessels and part.holder is not None:
            mine = loads[living.index(part.holder)]
            assert part.vessels > (mine - min(loads)) / 2 or mine < max(loads)
    assert max(loads) - min(loads) < 2 * max([1, *sizes])
    assert moves <= 20 * len(parts) + 20


def test_equal_parts_are_shared_to_within_one() -> None:
    """Sixty-four parts of sixteen over three daemons: 22, 21 and 21 of them, the installation with one of these."""
    parts, _ = _settle(["a", "b", "c"], [_part(0, 0), *(_part(n, 16) for n in range(1, 65))], ["b", "c", "a"])
    assert sorted(_loads(["a", "b", "c"], parts)) == [21 * 16, 21 * 16, 22 * 16]


def test_one_that_joins_gets_its_share_in_small_steps() -> None:
    """The one that holds everything lets a few go at a time, never more than the newcomer should have."""
    parts = [_part(0, 0, "a"), *(_part(n, 16, "a") for n in range(1, 65))]
    going = parts_to_release("a", ["a", "b"], parts)
    assert len(going) == MOVE_AT_ONCE
    assert parts_to_release("b", ["a", "b"], parts) == ()
    settled, moves = _settle(["a", "b"], parts, ["a", "b"])
    assert _loads(["a", "b"], settled) == [512, 512]
    assert moves == 64


def test_the_installation_itself_is_taken_first() -> None:
    """Somebody must do what is done once for all before anything else."""
    assert part_to_take("a", ["a"], [_part(3, 9), _part(0, 0), _part(1, 5)]) == 0


def test_nothing_moves_while_it_is_as_even_as_it_can_be() -> None:
    """Three vessels over two daemons stay two and one."""
    parts = [_part(0, 0, "a"), _part(1, 1, "a"), _part(2, 1, "a"), _part(3, 1, "b")]
    assert parts_to_release("a", ["a", "b"], parts) == ()
