"""The short form of fuzzing: what was found before, and a few thousand inputs drawn anew from a seed."""

import importlib.util
import platform
import re
import subprocess
import sys
import time
import tracemalloc
from dataclasses import replace
from pathlib import Path
from random import Random

import pytest

from tests.fuzz.found import FOUND
from tests.fuzz.mutate import drawn, grown
from tests.fuzz.target import judge
from tests.fuzz.targets import TARGETS

SEED = 20260301
CPU_S = 0.5
"""Processor time for each target's inputs."""
MOST_BYTES = 48 << 20
"""Memory that one input may take: the log reader's buffer, columns and bookkeeping take a tenth of it."""


def test_every_finding_belongs_to_a_target() -> None:
    """A target that is renamed takes its findings along."""
    assert set(FOUND) <= set(TARGETS)


@pytest.mark.parametrize("name", list(TARGETS))
def test_seeds_and_findings_keep_the_laws(name: str) -> None:
    """What every run starts from is sound, and what was mended stays mended; in bounded memory, too."""
    target = TARGETS[name]
    for data in (*target.seeds, *FOUND.get(name, ())):
        assert judge(target, data) is None
    longest = max((*target.seeds, *FOUND.get(name, ())), key=len)
    tracemalloc.start()
    try:
        target.check(longest)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < MOST_BYTES


@pytest.mark.parametrize("name", list(TARGETS))
def test_inputs_drawn_at_random_keep_the_laws(name: str) -> None:
    """Seeds changed in a few places, now and then grown to the longest input, are read as the laws say."""
    target, draw = TARGETS[name], Random(SEED)
    end_s = time.thread_time() + CPU_S
    count = 0
    while time.thread_time() < end_s or count < 30:
        data = drawn(target, draw)
        if count % 50 == 49:
            data = grown(data, target.longest, draw)
        finding = judge(target, data)
        assert finding is None, f"{finding}\n{data[:500]!r}"
        count += 1


def test_a_broken_law_is_found() -> None:
    """The plain engine finds a planted slip within a few thousand inputs."""

    def check(data: bytes) -> None:
        assert b"gravity" not in data or b"\xff" not in data

    target, draw = replace(TARGETS["log"], check=check), Random(SEED)
    assert any(judge(target, drawn(target, draw)) is not None for _ in range(5000))


def test_what_is_slow_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """The pattern that once held a decoder for seconds breaks the law of time, cut down with its input."""
    monkeypatch.setattr("tests.fuzz.target.MOST_CPU_S", 0.01)
    monkeypatch.setattr("tests.fuzz.target.MOST_CPU_S_PER_BYTE", 1e-6)
    pattern = re.compile(rb"[0-9]+\.?[0-9]*")
    finding = judge(replace(TARGETS["bare"], check=pattern.fullmatch), b"1" * 3000 + b"x")
    assert finding is not None
    assert finding.kind == "slow"


@pytest.fixture(name="engine")
def _engine() -> None:
    """The coverage-guided engine, which comes for Linux on x86-64 alone."""
    if importlib.util.find_spec("atheris") is None:
        here = (sys.platform, platform.machine())
        assert here != ("linux", "x86_64"), "install the package's extra `test`"
        pytest.skip("the engine is not made for this machine")


@pytest.mark.usefixtures("engine")
def test_the_guided_form_runs(tmp_path: Path) -> None:
    """The long form's command runs a target, counts its inputs and finds nothing in it."""
    command = [sys.executable, "-m", "tests.fuzz", "--minutes", "0.03", "--target", "journal entry"]
    done = subprocess.run(
        [*command, "--corpus", str(tmp_path)], capture_output=True, text=True, timeout=115, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    count = int(done.stdout.splitlines()[-1].split()[2].replace(",", ""))
    assert count > 100
    assert done.stdout.splitlines()[-1].endswith("0 findings")
    assert len(list((tmp_path / "journal-entry").iterdir())) > len(TARGETS["journal entry"].seeds)
