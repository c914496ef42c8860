"""A target of fuzzing, and how one input is judged: by the target's laws, by time, by what it raises."""

import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass

MOST_CPU_S, MOST_CPU_S_PER_BYTE = 1.0, 1e-4
"""Processor time that one input may take, under the engine, too, which makes everything several times slower. What is
worse than linear breaks this by far: 16,000 digits once took 7 s, a row of 65,000 took 165 s."""


LONGEST_SENTENCE = 2000
"""Characters: a path, a key and what is known there fit in, a payload does not."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """Code that reads what others wrote.

    `check` raises whatever breaks a law; `seeds` are inputs that lead deep into the code, `words` bits that occur in
    them, `usual` and `longest` the bytes of most inputs and of the longest, and `code` the modules whose branches guide
    the engine.
    """

    name: str
    check: Callable[[bytes], object]
    seeds: tuple[bytes, ...]
    words: tuple[bytes, ...]
    usual: int
    longest: int
    code: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Finding:
    """A law that an input broke; two inputs that break it at the same place in the same way are one finding."""

    kind: str
    place: str
    sentence: str

    def __str__(self) -> str:
        return f"{self.kind} at {self.place}: {self.sentence}"


def tells(error: Exception) -> None:
    """Hold that an error is told in plain sentences of one line each, safe on a terminal."""
    for sentence in str(error).split("\n"):
        assert sentence.isprintable(), "a sentence must be safe on a terminal"
        assert 0 < len(sentence) <= LONGEST_SENTENCE, "a sentence must be one"


def judge(target: Target, data: bytes) -> Finding | None:
    """Return what is wrong with how an input was read, None if nothing is."""
    began_s = time.thread_time()
    try:
        target.check(data)
    except Exception as error:  # noqa: BLE001 - that nothing else is raised is the law
        last = traceback.extract_tb(error.__traceback__)[-1]
        place = f"{last.filename.rpartition('/')[2]}:{last.lineno}"
        return Finding(type(error).__name__, place, ascii(str(error))[:300])
    took_s = time.thread_time() - began_s
    if took_s > MOST_CPU_S + len(data) * MOST_CPU_S_PER_BYTE:
        return Finding("slow", target.name, f"{took_s:.1f} s for {len(data)} bytes")
    return None
