"""The service's unit as systemd itself reads it (systemd-analyze, Debian's systemd 252; works without a booted one)."""

import re
import shutil
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
UNIT = ROOT / "systemd" / "ullage.service"
MOST_EXPOSED_TENTHS = 20
"""Ceiling for `systemd-analyze security`, whose threshold counts in tenths of a point."""


@pytest.fixture(name="analyze")
def _analyze() -> str:
    """The program, which Debian's package `systemd` brings and pip can't."""
    program = shutil.which("systemd-analyze")
    if program is None:
        pytest.skip("systemd-analyze is not installed")
    return program


@pytest.fixture(name="unit")
def _unit(tmp_path: Path) -> Path:
    """The unit with paths that exist here, and every hint in it taken up."""
    text = UNIT.read_text()
    text = re.sub(r"^ExecStart=\S+", "ExecStart=/bin/true", text, flags=re.MULTILINE)
    text = re.sub(r"^#(LoadCredential=)", r"\1", text, flags=re.MULTILINE)
    copy = tmp_path / UNIT.name
    copy.write_text(text)
    return copy


def test_systemd_finds_nothing_to_complain_about(analyze: str, unit: Path) -> None:
    """`verify` leaves with 0 even for misspelt keys, so its stderr must be empty as well."""
    done = subprocess.run(
        [analyze, "verify", str(unit)], capture_output=True, text=True, timeout=60, check=False
    )
    assert (done.returncode, done.stderr) == (0, "")


def test_a_misspelt_key_would_be_found(analyze: str, unit: Path) -> None:
    """The check above is able to fail."""
    unit.write_text(unit.read_text().replace("LockPersonality=", "LockPersonalty="))
    done = subprocess.run(
        [analyze, "verify", str(unit)], capture_output=True, text=True, timeout=60, check=False
    )
    assert "LockPersonalty" in done.stderr


def test_exposure_is_low(analyze: str, unit: Path) -> None:
    """The service is hardened as far as a daemon with serial ports and a network can be."""
    command = [analyze, "security", "--offline=true", f"--threshold={MOST_EXPOSED_TENTHS}", str(unit)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stdout[-500:]
    score = re.search(r"Overall exposure level for \S+: ([0-9.]+)", done.stdout)
    assert score is not None
    assert float(score.group(1)) <= 1.5


def _section(name: str) -> dict[str, list[str]]:
    """Every key of one section with all its values: a unit may give a key more than once."""
    found: dict[str, list[str]] = {}
    here = ""
    for line in UNIT.read_text().splitlines():
        if line.startswith("["):
            here = line.strip("[]")
        elif here == name and "=" in line and not line.startswith("#"):
            key, _, value = line.partition("=")
            found.setdefault(key, []).append(value)
    return found


def test_it_never_gives_up() -> None:
    """Restarts are spaced and unlimited; the limit is switched off where systemd reads it, in [Unit]."""
    service = _section("Service")
    assert _section("Unit")["StartLimitIntervalSec"] == ["0"]
    assert service["Restart"] == ["always"]
    assert float(service["RestartSec"][0]) >= 5
    assert service["Type"] == ["notify"]
    assert float(service["WatchdogSec"][0]) > 0


def test_it_waits_for_nothing_that_may_never_come() -> None:
    """Vessels are watched without a network and before the time is known (systemd.special(7)): no target to wait for those."""
    unit = _section("Unit")
    keys = ("After", "Requires", "BindsTo", "Requisite")
    waited_for = {name for key in keys for value in unit.get(key, []) for name in value.split()}
    assert waited_for
    assert not waited_for & {"network-online.target", "time-sync.target", "systemd-time-wait-sync.service"}


def test_it_writes_only_where_it_keeps_its_state() -> None:
    """A user of its own, a state folder, the configuration's place, no capability, serial ports alone."""
    service = _section("Service")
    assert service["DynamicUser"] == ["yes"]
    assert service["StateDirectory"] == ["ullage"]
    assert "ULLAGE_CONFIG=/etc/ullage/config.yaml" in service["Environment"]
    assert service["CapabilityBoundingSet"] == [""]
    assert service["SupplementaryGroups"] == ["dialout"]
    assert sorted(service["DeviceAllow"]) == ["char-ttyACM rw", "char-ttyUSB rw"]
    assert "ReadWritePaths" not in service


def test_a_child_that_runs_out_of_memory_takes_nothing_along() -> None:
    """systemd's default would stop the whole service when the kernel ends one of its processes (systemd.service(5))."""
    assert _section("Service")["OOMPolicy"] == ["continue"]
