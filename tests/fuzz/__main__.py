"""Runs all targets under the coverage-guided engine and prints what each has seen.

python -m tests.fuzz --minutes 60 --corpus /var/tmp/ullage-corpus
"""

import argparse
import importlib.util
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path

from tests.fuzz.target import Target
from tests.fuzz.targets import TARGETS

SECONDS_FOR_ONE_INPUT = 20
"""After that the engine ends its process; a law of the target says much less already."""
MEGABYTES = 1024
"""Memory that a target's process may take, engine and corpus included."""
_FIGURE = re.compile(r"stat::(\w+):\s+(\d+)")
_RSS = re.compile(r"rss: (\d+)Mb")


@dataclass(slots=True)
class Result:
    """What a target's runs came to."""

    target: Target
    seconds: float = 0.0
    inputs: int = 0
    kept: int = 0
    peak_mb: int = 0
    findings: list[str] = field(default_factory=list)


def main() -> int:
    """Run, print the table, and leave with 1 if anything was found."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("--minutes", type=float, default=10.0, help="for all targets together")
    parser.add_argument("--target", action="append", choices=sorted(TARGETS), help="these alone")
    parser.add_argument(
        "--corpus", type=Path, help="folder that keeps what reached something new from run to run"
    )
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    if importlib.util.find_spec("atheris") is None:
        print("the engine is missing: pip install 'atheris>=3,<4' (Linux on x86-64)", file=sys.stderr)
        return 2
    names = options.target or list(TARGETS)
    results: list[Result] = []
    with tempfile.TemporaryDirectory(dir=_memory()) as folder:
        for name in names:
            corpus = (options.corpus or Path(folder, "corpus")) / name.replace(" ", "-")
            seconds = options.minutes * 60 / len(names)
            results.append(fuzz(TARGETS[name], seconds, corpus, Path(folder), options.seed))
            print(_line(results[-1]), flush=True)
        print(_sum(results))
    return 1 if any(result.findings for result in results) else 0


def _memory() -> str | None:
    """A folder in memory where there is one: files of a few hundred bytes, thousands a second, would wear a disk out."""
    return "/dev/shm" if os.path.isdir("/dev/shm") else None


def fuzz(target: Target, seconds: float, corpus: Path, folder: Path, seed: int) -> Result:
    """Run one target for that long, again after an input that ended the engine."""
    corpus.mkdir(parents=True, exist_ok=True)
    for index, content in enumerate(target.seeds):
        (corpus / f"seed-{index}").write_bytes(content)
    found = folder / "found" / target.name.replace(" ", "-")
    found.mkdir(parents=True)
    words = folder / "words"
    words.write_text("".join(f'"{_escaped(word)}"\n' for word in target.words))
    result = Result(target)
    end_s = time.monotonic() + seconds
    while (left_s := end_s - time.monotonic()) >= 1:
        began_s = time.monotonic()
        _run(result, left_s, corpus, found, words, seed)
        result.seconds += time.monotonic() - began_s
        seed += 1
    result.findings += [note.read_text().strip() for note in sorted(found.glob("*.txt"))]
    result.findings += [
        f"{path.name}: {path.stat().st_size} bytes that ended the engine"
        for path in sorted(found.glob("*-*"))
    ]
    for path in found.iterdir():
        shutil.move(path, _kept(path, target))
    return result


def _kept(path: Path, target: Target) -> Path:
    """Where a finding is left for whoever mends it."""
    folder = Path(tempfile.gettempdir(), "ullage-fuzz-findings", target.name.replace(" ", "-"))
    folder.mkdir(parents=True, exist_ok=True)
    return folder / path.name


def _run(result: Result, seconds: float, corpus: Path, found: Path, words: Path, seed: int) -> None:
    options = {
        "max_total_time": int(seconds),
        "max_len": result.target.usual,
        "timeout": SECONDS_FOR_ONE_INPUT,
        "rss_limit_mb": MEGABYTES,
        "dict": words,
        "seed": seed,
        "artifact_prefix": f"{found}/",
        "print_final_stats": 1,
    }
    flags = [f"-{name}={value}" for name, value in options.items()]
    child = [
        sys.executable,
        "-m",
        "tests.fuzz.child",
        result.target.name,
        str(found),
        ",".join(result.target.code),
        "--",
    ]
    environment = os.environ | {"TMPDIR": str(found.parent.parent)}
    done = subprocess.run(
        [*child, *flags, str(corpus)],
        capture_output=True,
        text=True,
        errors="replace",
        check=False,
        env=environment,
    )
    figures = {name: int(value) for name, value in _FIGURE.findall(done.stderr)}
    if "number_of_executed_units" not in figures:
        raise SystemExit(f"the engine did not run {result.target.name}:\n{done.stderr[-3000:]}")
    result.inputs += figures["number_of_executed_units"]
    result.peak_mb = max(result.peak_mb, figures.get("peak_rss_mb", 0))
    result.kept = len(list(corpus.iterdir()))


def _escaped(word: bytes) -> str:
    return "".join(f"\\x{byte:02x}" for byte in word)


def _line(result: Result) -> str:
    name, findings = result.target.name, len(result.findings)
    line = (
        f"{name:16} {result.inputs:>12,} inputs {result.inputs / max(result.seconds, 1):>8,.0f}/s "
        f"{result.kept:>6,} kept {result.peak_mb:>5} MB {findings:>3} findings"
    )
    return "\n".join([line, *(f"    {finding}" for finding in result.findings)])


def _sum(results: list[Result]) -> str:
    inputs = sum(result.inputs for result in results)
    findings = sum(len(result.findings) for result in results)
    return f"{len(results)} targets, {inputs:,} inputs, {findings} findings"


if __name__ == "__main__":
    raise SystemExit(main())
