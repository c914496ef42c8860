"""What gets installed is what is there, and what CI relies on holds."""

import importlib.metadata
import os
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from tests import sharing

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


@pytest.mark.parametrize("processes", [0, 2])
def test_skipped_tests_fail_in_ci(tmp_path: Path, processes: int) -> None:
    """With CI set, a test, a fixture and a whole file that skip are failures, among several processes, too."""
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
        f"--numprocesses={processes}",
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


def test_files_with_a_place_are_there() -> None:
    """One that is renamed would be waited for at the end, or hurry others that go by the clock, and nobody would know why."""
    placed = sharing.BY_THE_CLOCK + sharing.LONG
    assert [file for file in placed if not (ROOT / file).is_file()] == []
    assert len(set(placed)) == len(placed)


@pytest.mark.parametrize(
    ("words", "shared"), [([], True), (["suite/test_a.py"], False), (["-k", "runs"], False)]
)
def test_only_the_whole_suite_is_shared(tmp_path: Path, words: list[str], *, shared: bool) -> None:
    """Who works on one file waits for no process to start, and a debugger may stop what runs."""
    folder = tmp_path / "suite"
    folder.mkdir()
    settings = (ROOT / "pyproject.toml").read_text().replace('testpaths = ["tests"]', 'testpaths = ["suite"]')
    (tmp_path / "pyproject.toml").write_text(settings)
    shutil.copy(ROOT / "tests" / "conftest.py", folder)
    for name in "ab":
        (folder / f"test_{name}.py").write_text(
            "import os\n"
            "from pathlib import Path\n"
            f"def test_runs(): Path({str(tmp_path / name)!r}).write_text(str(os.getppid()))\n"
        )
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    with subprocess.Popen(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", *words],
        cwd=tmp_path, env=environment, stdout=subprocess.PIPE, text=True,
    ) as run:  # fmt: skip
        said, _ = run.communicate()
    assert run.returncode == 0, said
    parents = {int((tmp_path / name).read_text()) for name in "ab" if (tmp_path / name).exists()}
    assert parents == {run.pid if shared else os.getpid()}
