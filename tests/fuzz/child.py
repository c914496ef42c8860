"""One target under the coverage-guided engine, in a process of its own: the engine ends its process when it is done.

The engine is Atheris, a libFuzzer for Python. It follows branches of the target's modules and of the texts that they
compare, keeps inputs that reach something new, and ends an input that takes too long or too much memory. A law that is
broken is written down and the run goes on.
"""

import argparse
import hashlib
import importlib
import sys
from collections.abc import Sequence
from pathlib import Path
from random import Random
from typing import Any

from tests.fuzz.mutate import grown
from tests.fuzz.target import Target, judge

EVERY = 200
"""Inputs after which one is grown."""


def main() -> None:
    """Run until the engine ends the process."""
    parser = argparse.ArgumentParser()
    parser.add_argument("target")
    parser.add_argument("found", type=Path)
    parser.add_argument("code", help="modules whose branches guide the engine, commas between them")
    parser.add_argument("engine", nargs="*", help="the engine's own options")
    options = parser.parse_args()
    engine: Any = importlib.import_module("atheris")
    with engine.instrument_imports(include=["ullage", "yaml"], exclude=_others(options.code.split(","))):
        targets = importlib.import_module("tests.fuzz.targets").TARGETS
    one = _Judge(targets[options.target], options.found)
    engine.Setup([sys.argv[0], *options.engine], one)
    engine.Fuzz()


def _others(code: Sequence[str]) -> list[str]:
    """Return our modules whose branches do not matter: following them would only slow the engine down."""
    root = Path(__file__).parents[2]
    paths = [path for part in ("daemon", "adapters", "detectors") for path in (root / part).rglob("*.py")]
    names = [".".join(("ullage", *path.relative_to(root).with_suffix("").parts)) for path in paths]
    return [name.removesuffix(".__init__") for name in names if name not in code]


class _Judge:
    """Judges what the engine makes; now and then with a piece of it repeated up to the target's longest input.

    Those long ones are not the engine's own: it would keep them, and change little but them from then on.
    """

    def __init__(self, target: Target, found: Path) -> None:
        self._target = target
        self._found = found
        self._count = 0

    def __call__(self, data: bytes) -> None:
        self._count += 1
        self._look(data)
        if self._count % EVERY == 0:
            self._look(grown(data, self._target.longest, Random(self._count)))

    def _look(self, data: bytes) -> None:
        finding = judge(self._target, data)
        if finding is None:
            return
        key = hashlib.sha256(f"{finding.kind} {finding.place}".encode()).hexdigest()[:12]
        note = self._found / f"{key}.txt"
        if not note.exists():
            note.write_text(f"{finding}\n", encoding="utf-8")
            (self._found / f"{key}.bin").write_bytes(data)


if __name__ == "__main__":
    main()
