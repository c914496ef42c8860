"""What gets installed is what is there, and what CI relies on holds."""

import importlib.metadata
import os
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

ROOT = Path(__file__).parents[2]
FOLDERS = ("daemon", "adapters", "detectors")


def _packages() -> set[str]:
    with (ROOT / "pyproject.toml").open("rb") as file:
        return set(tomllib.load(file)["tool"]["setuptools"]["packages"])


def test_every_package_is_listed() -> None:
    """A folder that is not listed works in an editable install and is missing from the wheel."""
    found = {
        ".".join(("ullage", *path.parent.relative_to(ROOT).parts))
        for folder in FOLDERS
        for path in (ROOT / folder).rglob("__init__.py")
    }
    assert found == _packages()


def test_every_module_lies_in_a_package() -> None:
    """A module in a folder without `__init__.py` would not be installed."""
    modules = {path.parent for folder in FOLDERS for path in (ROOT / folder).rglob("*.py")}
    assert {folder for folder in modules if not (folder / "__init__.py").exists()} == set()


def test_installed_version_is_the_declared_one() -> None:
    """`ullage --version` reads what pyproject says."""
    with (ROOT / "pyproject.toml").open("rb") as file:
        declared = tomllib.load(file)["project"]["version"]
    assert importlib.metadata.version("ullage") == declared


def test_skipped_tests_fail_in_ci(tmp_path: Path) -> None:
    """With CI set, a test, a fixture and a whole file that skip are failures; without it they are not."""
    shutil.copy(ROOT / "tests" / "conftest.py", tmp_path)
    (tmp_path / "test_some.py").write_text(
        "import pytest\n"
        "@pytest.fixture\n"
        "def missing(): pytest.skip('not there')\n"
        "def test_runs(): pass\n"
        "def test_skips(): pytest.skip('not there')\n"
        "def test_its_fixture_skips(missing): pass\n"
    )
    (tmp_path / "test_whole_file.py").write_text("import pytest\npytest.importorskip('no_such_module')\n")
    command = [
        sys.executable,
        "-m",
        "pytest",
        "-q",
        "-p",
        "no:cacheprovider",
        "--continue-on-collection-errors",
    ]
    environment = {key: value for key, value in os.environ.items() if key not in ("CI", "PYTEST_ADDOPTS")}
    environment["PYTHONPATH"] = str(ROOT)  # what conftest imports
    outside = subprocess.run(
        command, cwd=tmp_path, env=environment, capture_output=True, text=True, check=False
    )
    assert outside.returncode == 0, outside.stdout
    environment["CI"] = "true"
    inside = subprocess.run(
        command, cwd=tmp_path, env=environment, capture_output=True, text=True, check=False
    )
    assert inside.returncode == 1
    assert "1 failed, 1 passed, 2 errors" in inside.stdout, inside.stdout


def test_every_test_file_belongs_to_a_package() -> None:
    """Two test files of one name in different folders must not shadow each other."""
    folders = {path.parent for path in (ROOT / "tests").rglob("test_*.py")}
    assert {folder for folder in folders if not (folder / "__init__.py").exists()} == set()
