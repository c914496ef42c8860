"""Who should hold how much: a fair share for every daemon that lives, reached in steps that each looks at anew.

Pure: from who lives and who holds what to what one daemon does next. Parts that nobody holds come first, the emptiest
hands take them; then whoever has too much lets go of what a lighter one should have. A part moves only if that makes
the two more alike, so nothing goes to and fro.
"""

from collections.abc import Collection, Sequence

from ullage.daemon.store.leases import HOUSE_PART, Part

MOVE_AT_ONCE = 2
"""Parts let go in one step: their vessels are unwatched until another has taken them up."""


def part_to_take(me: str, living: Collection[str], parts: Sequence[Part]) -> int | None:
    """Return the part that this daemon should take up now, None if that is for others or there is none."""
    free = sorted((part for part in parts if part.holder not in living), key=_urgency)
    if not free:
        return None
    load = _loads(living, parts)
    fair = sum(part.vessels for part in parts) / len(load)
    lightest = min(load, key=lambda token: (load[token], token))
    for part in free:
        if me == lightest or load[me] + part.vessels <= fair:
            return part.number
    return None


def parts_to_release(me: str, living: Collection[str], parts: Sequence[Part]) -> tuple[int, ...]:
    """Return the parts that this daemon should let go now, so that lighter ones can take them up."""
    load = _loads(living, parts)
    if any(part.holder not in living for part in parts) or load[me] < max(load.values()):
        return ()
    own = sorted(
        (part for part in parts if part.holder == me and part.vessels), key=lambda part: -part.vessels
    )
    going: list[int] = []
    while len(going) < MOVE_AT_ONCE:
        lightest = min(load, key=lambda token: (load[token], token))
        excess = (load[me] - load[lightest]) / 2
        moved = next((part for part in own if part.vessels <= excess and part.number not in going), None)
        if moved is None:
            break
        load[me] -= moved.vessels
        load[lightest] += moved.vessels
        going.append(moved.number)
    return tuple(going)


def _loads(living: Collection[str], parts: Sequence[Part]) -> dict[str, int]:
    load = dict.fromkeys(living, 0)
    for part in parts:
        if part.holder in load:
            load[part.holder] += part.vessels
    return load


def _urgency(part: Part) -> tuple[bool, int, int]:
    """Sort the installation itself first, then by size, so that small parts even out what is left."""
    return part.number != HOUSE_PART, -part.vessels, part.number
