"""README's own examples work as they stand."""

import re
from pathlib import Path

import pytest

from tests.daemon.program import ullage
from ullage.daemon.cli import build_parser
from ullage.daemon.settings import load

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text()


def blocks(language: str) -> list[str]:
    """Return fenced blocks of one language."""
    return re.findall(rf"```{language}\n(.*?)```", README, re.DOTALL)


def test_the_first_configuration_is_right(tmp_path: Path) -> None:
    """What is copied and pasted loads and passes `check`."""
    path = tmp_path / "config.yaml"
    path.write_text(blocks("yaml")[0])
    (tmp_path / "push-url").write_text("json://127.0.0.1:9\n")
    done = ullage("check", "--config", path)
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize(
    "channels", re.findall(r"^\| `[^|]*` \| `(temperature: \{.*\})` \|$", README, re.MULTILINE)
)
def test_serial_channels_are_right(tmp_path: Path, channels: str) -> None:
    """Every row of the table of line formats is a channel that loads."""
    vessel = blocks("yaml")[0].split("    temperature:")[0]
    lines = "\n".join(f"    {channel.strip('`')}" for channel in channels.split("`, `"))
    path = tmp_path / "config.yaml"
    path.write_text(f"{vessel}{lines}\n{blocks('yaml')[1]}")
    assert load(path, {}).vessels[0].channels


def test_serial_table_is_there() -> None:
    """The test above has rows to check."""
    assert len(re.findall(r"^\| `[^|]*` \| `(temperature: \{.*\})` \|$", README, re.MULTILINE)) == 4


def test_the_log_replays(tmp_path: Path) -> None:
    """The example of the log format is a log."""
    (example,) = re.findall(r"^ {4}(time,vessel,.*?)\n\n", README, re.DOTALL | re.MULTILINE)
    log = tmp_path / "log.csv"
    log.write_text("\n".join(line.strip() for line in example.splitlines()) + "\n")
    config = tmp_path / "config.yaml"
    config.write_text(blocks("yaml")[0])
    done = ullage("replay", log, "--config", config)
    assert (done.returncode, done.stderr) == (0, "")
    assert "3 rows used, 0 bad" in done.stdout


def test_every_command_is_in_the_table() -> None:
    """README names all commands, and no others."""
    table = README.split("## Commands")[1].split("## Configuration")[0]
    named = set(
        re.findall(r"`(\w+)[^`]*`", "\n".join(line for line in table.splitlines() if line.startswith("| `")))
    )
    (commands,) = [action.choices for action in build_parser()._actions if isinstance(action.choices, dict)]
    assert set(commands) <= named


def test_the_two_commands_stand_as_promised() -> None:
    """CI runs the second one; nobody may have changed them."""
    commands = re.findall(r"^ {4}(python3 -m venv .*)$", README, re.MULTILINE)
    assert commands == [
        "python3 -m venv .venv && .venv/bin/pip install . && .venv/bin/ullage demo",
        "python3 -m venv .venv && .venv/bin/pip install -e '.[test]' && .venv/bin/pytest",
    ]
