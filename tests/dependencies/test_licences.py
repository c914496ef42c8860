"""What the program depends on may be used under its own licence, MIT."""

from email.message import Message
from importlib.metadata import Distribution
from pathlib import Path

import pytest

from tests.dependencies.licences import closure, goes_with_mit, licence_of


def test_every_dependency_goes_with_mit() -> None:
    """All that an installation brings along, extras included, has a licence that is known and goes with ours."""
    packages = closure("ullage", ("png", "postgres"))
    names = {package.metadata["Name"].lower() for package in packages}
    assert {"numpy", "psycopg", "mako", "h11", "pydantic-core", "pydantic_core"} & names >= {
        "numpy",
        "psycopg",
        "h11",
    }
    unfit = {
        package.metadata["Name"]: licence_of(package)
        for package in packages
        if not goes_with_mit(licence_of(package))
    }
    assert unfit == {}


@pytest.mark.parametrize(
    ("expression", "goes"),
    [
        ("MIT", True),
        ("EPL-2.0 OR BSD-3-Clause", True),
        ("BSD-3-Clause AND 0BSD AND MIT AND Zlib AND CC0-1.0", True),
        ("LGPL-3.0-only", True),
        ("MIT AND GPL-3.0-only", False),
        ("GPL-2.0-or-later", False),
        ("AGPL-3.0-only", False),
        ("EPL-2.0", False),
        ("Proprietary", False),
        ("", False),
    ],
)
def test_expressions(expression: str, goes: bool) -> None:
    """A choice needs one that fits, a sum needs all (SPDX specification, annex D)."""
    assert goes_with_mit(expression) is goes


class Package(Distribution):
    """A package as its metadata alone."""

    def __init__(self, fields: dict[str, str]) -> None:
        self._message = Message()
        for name, value in fields.items():
            self._message[name] = value

    def read_text(self, filename: str) -> str | None:
        return str(self._message) if filename == "METADATA" else None

    def locate_file(self, path: object) -> Path:
        return Path(str(path))


@pytest.mark.parametrize(
    ("fields", "licence"),
    [
        ({"License-Expression": "GPL-3.0-only", "License": "MIT"}, "GPL-3.0-only"),
        ({"License": "MIT License"}, "MIT"),
        (
            {"Classifier": "License :: OSI Approved :: GNU General Public License v3 (GPLv3)"},
            "GNU General Public License v3 (GPLv3)",
        ),
        ({"Name": "silent"}, ""),
    ],
)
def test_what_a_package_says(fields: dict[str, str], licence: str) -> None:
    """Expressions count before words; silence is no licence."""
    assert licence_of(Package(fields)) == licence
