"""Licences of all that an installed package brings along, and whether they go with MIT.

Names are SPDX's (https://spdx.org/licenses/). Packages are used as they are, beside the program: so a licence that asks for
the source of its own files (MPL) or for being replaceable (LGPL) goes with MIT; one that asks it of the whole does not.
"""

import re
from collections.abc import Iterable, Iterator
from importlib.metadata import Distribution, PackageNotFoundError, distribution

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

PERMISSIVE = frozenset(
    {
        "MIT",
        "BSD-2-Clause",
        "BSD-3-Clause",
        "0BSD",
        "Apache-2.0",
        "ISC",
        "PSF-2.0",
        "Zlib",
        "CC0-1.0",
        "HPND",
        "Unlicense",
    }
)
OF_ITS_OWN_FILES = frozenset({"MPL-2.0", "LGPL-2.1-or-later", "LGPL-3.0-only", "LGPL-3.0-or-later"})
_SPOKEN = {
    "mit license": "MIT", "bsd": "BSD-3-Clause", "bsd license": "BSD-3-Clause", "apache 2.0": "Apache-2.0",
    "apache software license": "Apache-2.0", "mozilla public license 2.0 (mpl 2.0)": "MPL-2.0",
    "isc license (iscl)": "ISC", "python software foundation license": "PSF-2.0",
}  # fmt: skip
"""How packages wrote it before there were expressions (PEP 639)."""
_TEXTS = (
    ("MIT", "permission is hereby granted, free of charge, to any person obtaining a copy"),
    ("ISC", "permission to use, copy, modify, and/or distribute this software for any purpose"),
    ("Apache-2.0", "apache license version 2.0"),
    ("BSD-3-Clause", "redistributions of source code must retain the above copyright notice"),
)
"""What the text of a licence begins with, where a package names none."""


def closure(name: str, extras: Iterable[str] = ()) -> list[Distribution]:
    """Return an installed package and all that it needs here, by name."""
    seen: dict[str, Distribution] = {}
    done: set[tuple[str, frozenset[str]]] = set()
    waiting = [(name, frozenset(extras))]
    while waiting:
        wanted, with_extras = waiting.pop()
        if (canonicalize_name(wanted), with_extras) in done:
            continue
        done.add((canonicalize_name(wanted), with_extras))
        try:
            found = distribution(wanted)
        except PackageNotFoundError:
            continue  # an extra that is not installed here
        seen[canonicalize_name(wanted)] = found
        for text in found.requires or []:
            requirement = Requirement(text)
            marker = requirement.marker
            if marker is None or any(marker.evaluate({"extra": extra}) for extra in (*with_extras, "")):
                waiting.append((requirement.name, frozenset(requirement.extras)))
    return [seen[key] for key in sorted(seen)]


def licence_of(package: Distribution) -> str:
    """Return a package's licence as an SPDX expression; what it says itself where that is none, empty where it is silent."""
    metadata = package.metadata
    for expression in metadata.get_all("License-Expression") or []:
        return str(expression)
    spoken = [str(words) for words in metadata.get_all("License") or []]
    spoken += [
        line.rpartition(" :: ")[2]
        for line in metadata.get_all("Classifier") or []
        if line.startswith("License ::")
    ]
    for words in spoken:
        if words and len(words) < 60 and "\n" not in words:
            return _SPOKEN.get(words.lower(), words)
    return next(_from_texts(package), "")


def _from_texts(package: Distribution) -> Iterator[str]:
    for file in package.files or []:
        if re.search(r"licen[cs]e|copying", file.name, re.IGNORECASE) and file.suffix in ("", ".txt", ".md"):
            text = " ".join(str(file.locate().read_text(encoding="utf-8", errors="replace")).lower().split())  # type: ignore[attr-defined]
            yield from (name for name, words in _TEXTS if words in text)


def goes_with_mit(expression: str) -> bool:
    """Tell whether a package of this licence may be used: of OR one part has to, of AND all."""
    text = expression.replace("(", " ").replace(")", " ")
    return bool(text.strip()) and any(
        all(part.strip() in PERMISSIVE | OF_ITS_OWN_FILES for part in choice.split(" AND "))
        for choice in text.split(" OR ")
    )
