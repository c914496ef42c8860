"""Loads the one part of Apprise that an address needs, of some hundred and forty: 15 MB less, and a faster start.

Apprise loads a folder of plug-ins at the first address. Its loader takes the folder as an argument and goes by the
names of the files in it, so it is given a folder with a single name. Whatever is unclear is left to Apprise's own way.
"""

import re
import tempfile
from pathlib import Path
from typing import Any

_DECLARED = re.compile(r"^    (?:secure_)?protocol\s*=\s*(\([^)]*\)|\"[^\"]*\"|'[^']*')", re.MULTILINE)
_WORD = re.compile(r"[\"']([^\"']+)[\"']")


def load_for(address: str) -> bool:
    """Load what `address` needs; return whether that is all that was loaded.

    Parameters
    ----------
    address
        An address in Apprise's form; only what stands before the colon is looked at.
    """
    from apprise.plugins import N_MGR

    loader: Any = N_MGR
    schema = address.partition(":")[0].strip().lower()
    if not schema or (loader and schema in loader):
        return False
    module = _module_of(schema, Path(loader.module_path))
    if module is not None:
        with tempfile.TemporaryDirectory(prefix="ullage-") as folder:
            Path(folder, f"{module}.py").touch()
            loader.load_modules(path=folder, name=loader.module_name_prefix)
        if schema in loader:
            return True
    loader.load_modules()
    return False


def _module_of(schema: str, folder: Path) -> str | None:
    """Return the module that declares `schema`, None when none or more than one does."""
    found = set()
    for path in folder.rglob("*.py"):
        text = path.read_text(encoding="utf-8", errors="replace")
        if schema in text and any(schema in _WORD.findall(words) for words in _DECLARED.findall(text)):
            found.add(path.relative_to(folder).parts[0].removesuffix(".py"))
    return found.pop() if len(found) == 1 else None
