"""Every figure of running unattended, one after the other: `python -m tests.unattended [--long]`.

Faults survived, kills and what they cost, memory over a month (tests.faults); the time to take over and the load held
(tests.benchmarks.fleet); inputs that the fuzzer ran (tests.fuzz). Short, it takes some ten minutes and shows that all of
it runs; long, some three hours, for the tables in DEVELOPERS.md. Run it as root, with nothing else on the machine.
"""

import argparse
import subprocess
import sys
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Part:
    """One command, and what it is given in either form."""

    what: str
    module: str
    short: tuple[str, ...]
    long: tuple[str, ...]

    def command(self, *, long: bool) -> list[str]:
        """Return it as it is started."""
        return [sys.executable, "-m", self.module, *(self.long if long else self.short)]


PARTS = (
    Part("faults, kills, a month's memory", "tests.faults", (), ("--long",)),
    Part("takeover, load held", "tests.benchmarks.fleet", ("--vessels", "100", "--minutes", "1"), ()),
    Part("fuzzing", "tests.fuzz", ("--minutes", "2"), ("--minutes", "60")),
)


def main() -> int:
    """Run all parts, whatever becomes of one; return 1 if any failed."""
    parser = argparse.ArgumentParser(prog="python -m tests.unattended", description=__doc__)
    parser.add_argument("--long", action="store_true", help="as the tables in DEVELOPERS.md")
    options = parser.parse_args()
    failed = []
    for part in PARTS:
        print(f"\n== {part.what}: python -m {part.module}\n", flush=True)
        if subprocess.run(part.command(long=options.long), check=False).returncode != 0:
            failed.append(part.what)
    print(
        f"\n{len(PARTS) - len(failed)} of {len(PARTS)} whole" + "".join(f"; failed: {one}" for one in failed)
    )
    return int(bool(failed))


if __name__ == "__main__":
    sys.exit(main())
