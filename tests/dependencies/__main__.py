"""Audits what the program depends on, as far as that can be done from here, and says what could not.

    python -m tests.dependencies

Licences need nothing. Releases that were withdrawn, and newer ones, need the registry. Known weaknesses need an advisory
service and the tool `pip-audit` (`pip install pip-audit`): where either is missing the last line says so.
"""

import importlib.util
import subprocess
import sys
from importlib.metadata import Distribution

from tests.dependencies.licences import closure, goes_with_mit, licence_of

EXTRAS = ("png", "postgres")
_PIP = (sys.executable, "-m", "pip", "--disable-pip-version-check")


def main() -> int:
    """Print everything; leave with 1 if something is wrong."""
    packages = [package for package in closure("ullage", EXTRAS) if package.metadata["Name"] != "ullage"]
    wrong = [*_licences(packages), *_fit(), *_withdrawn(packages), *_weaknesses(packages)]
    _newer(packages)
    for sentence in wrong:
        print(f"WRONG: {sentence}")
    print(f"{len(packages)} packages, {len(wrong)} things wrong")
    return 1 if wrong else 0


def _licences(packages: list[Distribution]) -> list[str]:
    wrong = []
    for package in packages:
        name, licence = package.metadata["Name"], licence_of(package)
        print(f"{name:22} {package.version:18} {licence}")
        if not goes_with_mit(licence):
            wrong.append(f"{name}: licence {licence or 'unknown'!r} is not known to go with MIT")
    return wrong


def _fit() -> list[str]:
    done = subprocess.run([*_PIP, "check"], capture_output=True, text=True, check=False)
    print(f"fit together: {done.stdout.strip().splitlines()[-1]}")
    return [] if done.returncode == 0 else [f"pip check: {done.stdout.strip()}"]


def _withdrawn(packages: list[Distribution]) -> list[str]:
    """Ask the registry for the very releases that are installed; pip warns of one that was withdrawn (PEP 592)."""
    pinned = [f"{package.metadata['Name']}=={package.version}" for package in packages]
    command = [
        *_PIP,
        "install",
        "--dry-run",
        "--no-deps",
        "--ignore-installed",
        *pinned,
    ]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    yanked = [line for line in done.stderr.splitlines() if "yanked" in line.lower()]
    answered = done.returncode == 0
    print(
        f"withdrawn releases: {len(yanked) if answered else 'NOT LOOKED AT, the registry did not give all of them'}"
    )
    return yanked


def _newer(packages: list[Distribution]) -> None:
    done = subprocess.run([*_PIP, "list", "--outdated"], capture_output=True, text=True, check=False)
    names = {package.metadata["Name"].lower() for package in packages}
    lines = [
        line for line in done.stdout.splitlines() if line.split()[:1] and line.split()[0].lower() in names
    ]
    print("newer releases: " + ("NOT LOOKED AT" if done.returncode else f"{len(lines)}"))
    for line in lines:
        print(f"    {line}")


def _weaknesses(packages: list[Distribution]) -> list[str]:
    if importlib.util.find_spec("pip_audit") is None:
        print("known weaknesses: NOT LOOKED AT, pip-audit is not installed")
        return []
    listed = "".join(f"{package.metadata['Name']}=={package.version}\n" for package in packages)
    command = [
        sys.executable,
        "-m",
        "pip_audit",
        "--no-deps",
        "--disable-pip",
        "-r",
        "/dev/stdin",
        "--progress-spinner=off",
    ]
    done = subprocess.run(command, input=listed, capture_output=True, text=True, check=False)
    missed = done.stdout.count("could not be audited") + done.stderr.count("could not be audited")
    if missed or (done.returncode and "vulnerabilit" not in done.stdout + done.stderr):
        print(
            f"known weaknesses: NOT LOOKED AT for {missed or len(packages)} packages, the advisory service did not answer"
        )
        return []
    print("known weaknesses: " + ("none" if done.returncode == 0 else "see below"))
    return [] if done.returncode == 0 else done.stdout.strip().splitlines()


if __name__ == "__main__":
    raise SystemExit(main())
