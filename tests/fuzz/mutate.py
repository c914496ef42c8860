"""Spoils inputs: the plain engine of the short form, and the growing of patterns that the guided one lends from it."""

from collections.abc import Sequence
from random import Random

from tests.fuzz.target import Target

_MOST_CHANGES = 6


def drawn(target: Target, draw: Random) -> bytes:
    """Return an input: a seed of the target, or two spliced, changed in a few places."""
    data = bytearray(draw.choice(target.seeds))
    if draw.random() < 0.2:
        other = draw.choice(target.seeds)
        data = data[: draw.randint(0, len(data))] + other[draw.randint(0, len(other)) :]
    for _ in range(draw.randint(0, _MOST_CHANGES)):
        _change(data, target.words, target.longest, draw)
    return bytes(data[: target.longest])


def grown(data: bytes, longest: int, draw: Random) -> bytes:
    """Return the input with a short piece of it repeated many times: what is worse than linear shows on these."""
    if not data:
        return data
    start = draw.randrange(len(data))
    piece = data[start : start + draw.choice((1, 1, 2, 4, 16, 64))]
    room = longest - len(data)
    times = draw.randint(0, max(room // len(piece), 0))
    return data[:start] + piece * times + data[start:]


def _change(data: bytearray, words: Sequence[bytes], longest: int, draw: Random) -> None:
    place = draw.randint(0, len(data))
    match draw.randrange(7):
        case 0:
            data[place : place + 1] = bytes([draw.randrange(256)])
        case 1:
            data[place:place] = draw.choice(words)
        case 2:
            data[place : place + draw.randint(1, 8)] = draw.choice(words)
        case 3:
            del data[place : place + draw.randint(1, 16)]
        case 4:
            data[place:place] = draw.randbytes(draw.randint(1, 4))
        case 5:
            data[place : place + 1] = draw.choice(
                (b"9" * 30, b"0.", b"-", b"e308", b"\x00", b"\xff", b'"', b"\n")
            )
        case _:
            if draw.random() < 0.1:
                data[:] = grown(bytes(data), longest, draw)
