"""The examples in docstrings, run as they stand, in every module of the three packages."""

import doctest
import importlib
import pkgutil
import subprocess
import sys
from collections.abc import Iterator

import pytest

PACKAGES = ("ullage.daemon", "ullage.adapters", "ullage.detectors")


def _modules() -> Iterator[str]:
    for package in PACKAGES:
        yield package
        for found in pkgutil.walk_packages(importlib.import_module(package).__path__, f"{package}."):
            if not found.name.endswith((".__main__", ".migrations.env")):  # both act when imported
                yield found.name


MODULES = sorted(_modules())


@pytest.mark.parametrize("name", MODULES)
def test_examples_run(name: str) -> None:
    """What an example shows is what it gives."""
    result = doctest.testmod(importlib.import_module(name), verbose=False)
    assert result.failed == 0


def test_examples_are_found() -> None:
    """The walk reaches each package, and there are examples to run."""
    finder = doctest.DocTestFinder()
    tried = {
        name: sum(len(test.examples) for test in finder.find(importlib.import_module(name)))
        for name in MODULES
    }
    assert tried["ullage.detectors.co2"] >= 2
    for package in PACKAGES:
        assert sum(name.startswith(f"{package}.") for name in MODULES) > 5


def test_no_module_goes_by_two_names() -> None:
    """Nothing imports a package by its folder's bare name, which would make two classes of one."""
    script = (
        "import importlib, sys\n"
        f"for name in {[m for m in MODULES if '.migrations' not in m]!r}:\n"
        "    importlib.import_module(name)\n"
        "bare = {name.partition('.')[0] for name in sys.modules} & {'daemon', 'adapters', 'detectors'}\n"
        "assert not bare, bare\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], cwd="/", capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
