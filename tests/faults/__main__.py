"""Cause faults and print what they cost: `python -m tests.faults [--long] [--only WORD]... [--seed N] [--list]`."""

import argparse
import logging
import random
import sys
import tempfile
from pathlib import Path

from tests.faults.fault import run
from tests.faults.suite import FAULTS
from tests.faults.table import line, lines, machine, not_caused


def main(arguments: list[str]) -> int:
    """Run what is asked for; return 1 if anything was not survived."""
    parser = argparse.ArgumentParser(prog="python -m tests.faults", description=__doc__)
    parser.add_argument("--long", action="store_true", help="as often as the table in DEVELOPERS.md")
    parser.add_argument("--only", action="append", default=[], help="faults whose name holds this word")
    parser.add_argument("--seed", type=int, default=0, help="repeat a run; drawn at random unless given")
    parser.add_argument("--list", action="store_true", help="only name them")
    options = parser.parse_args(arguments)
    chosen = [f for f in FAULTS if not options.only or any(word in f.key for word in options.only)]
    if options.list:
        print("\n".join(fault.key for fault in chosen))
        return 0
    logging.disable(logging.CRITICAL)
    seed = options.seed or random.randrange(1, 10**6)
    rows = []
    print(f"{machine()}; seed {seed}\n")
    print("\n".join(list(lines([]))), flush=True)
    with tempfile.TemporaryDirectory(prefix="ullage-faults-") as folder:
        for number, fault in enumerate(chosen):
            rows.append(run(fault, Path(folder) / str(number), seed=seed, long=options.long))
            print(line(rows[-1]), flush=True)
    survived = sum(row.survived for row in rows)
    trials = sum(row.trials for row in rows)
    tried = [row for row in rows if not row.missing]
    whole = sum(row.survived == row.trials for row in tried)
    caused = sum(row.cost.caused for row in rows)
    print(
        f"\nsurvived: {whole} of {len(tried)} faults, {survived} of {trials} trials, {caused} times caused; "
        f"{sum(row.took_s for row in rows) / 60:.1f} min"
    )
    for row in rows:
        if row.missing:
            print(f"not caused: {not_caused(row)}")
        for failure in row.failures:
            print(failure, file=sys.stderr)
    return int(whole < len(tried))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
