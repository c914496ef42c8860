"""The one plug-in that an address needs, compared with what Apprise itself loads for it."""

import subprocess
import sys
from pathlib import Path
from typing import Any

from ullage.daemon.apprise_plugins import _module_of

PROGRAM = """
import sys
import apprise, logging
logging.getLogger("apprise").setLevel(100)
from ullage.daemon.apprise_plugins import load_for
alone = load_for(sys.argv[1])
loaded = [name for name in sys.modules if name.startswith("apprise.plugins.") and name.count(".") == 2]
print(alone, len(loaded), apprise.Apprise().add(sys.argv[1]))
"""


def loaded(address: str) -> list[str]:
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, address], capture_output=True, text=True, check=True, timeout=60
    )
    return done.stdout.split()


def test_an_address_loads_its_own_plug_in_alone() -> None:
    """Three modules are Apprise's base; without this there are some hundred and forty."""
    alone, count, added = loaded("json://127.0.0.1:1/inbox")
    assert (alone, added) == ("True", "True")
    assert int(count) < 10


def test_an_unclear_address_is_left_to_apprise() -> None:
    """A wrong word loads everything, and is then refused by Apprise itself."""
    alone, count, added = loaded("nosuchservice://127.0.0.1/")
    assert (alone, added) == ("False", "False")
    assert int(count) > 50


def test_no_address_is_given_to_the_wrong_plug_in() -> None:
    """For every address that Apprise knows (its own table is the reference) the same module, or none."""
    import apprise

    assert apprise.Apprise().add("json://127.0.0.1/") is True
    from apprise.plugins import N_MGR

    loader: Any = N_MGR
    loader.load_modules()
    folder = Path(loader.module_path)
    table = {schema: plugin.__module__.split(".")[2] for schema, plugin in loader._schema_map.items()}
    ours = {schema: _module_of(schema, folder) for schema in table}
    wrong = {schema for schema in table if ours[schema] not in (None, table[schema])}
    assert wrong == set()
    known = sum(module is not None for module in ours.values())
    assert known >= 0.9 * len(table), f"{known} of {len(table)}"
