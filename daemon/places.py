"""Where the files that a configuration names really are, for the service and for a person at the same machine."""

import os
from collections.abc import Mapping
from copy import deepcopy
from dataclasses import replace
from pathlib import Path

from ullage.daemon.config_text import ConfigText

SERVICE_CONFIG = Path("/etc/ullage/config.yaml")
"""Where the installed service keeps its configuration."""
SERVICE_STATE = Path("/var/lib/ullage")
"""Where the installed service keeps its database."""

_SQLITE = "sqlite:///"


def config_path(option: str | None, env: Mapping[str, str]) -> Path:
    """Return the configuration file: the option, else ULLAGE_CONFIG, else the service's own place."""
    return Path(option or env.get("ULLAGE_CONFIG") or SERVICE_CONFIG)


def settle_places(text: ConfigText, path: Path | None, env: Mapping[str, str]) -> ConfigText:
    """Return the configuration with every relative path made absolute.

    A database goes to the service's state folder where there is one (`STATE_DIRECTORY`, or a configuration in the
    service's own place), else beside the configuration: `status` run from anywhere finds what `run` wrote. A secret's
    file (`…_file`) is looked for among the service's credentials by its name, then where the configuration says,
    relative to the configuration: the service gets from systemd what only root may read.
    """
    tree = deepcopy(text.tree)
    base = Path.cwd() if path is None else path.absolute().parent
    _settle_files(tree, base, env.get("CREDENTIALS_DIRECTORY", ""))
    store = tree.get("store")
    state = env.get("STATE_DIRECTORY", "").split(":")[0]
    if not state and path is not None and path.absolute() == SERVICE_CONFIG:
        state = str(SERVICE_STATE)
    url = store.get("url", f"{_SQLITE}ullage.db") if isinstance(store, dict) else f"{_SQLITE}ullage.db"
    if (store is None or isinstance(store, dict)) and isinstance(url, str):
        tree["store"] = {**(store or {}), "url": _settled_url(url, Path(state) if state else base)}
    return replace(text, tree=tree)


def _settled_url(url: str, base: Path) -> str:
    name = url.removeprefix(_SQLITE)
    if not url.startswith(_SQLITE) or not name or name.startswith(("/", ":memory:", "file:")):
        return url
    return f"{_SQLITE}{base / name}"


def _settle_files(node: object, base: Path, credentials: str) -> None:
    if isinstance(node, list):
        for item in node:
            _settle_files(item, base, credentials)
    if not isinstance(node, dict):
        return
    for key, value in node.items():
        if isinstance(key, str) and key.endswith("_file") and isinstance(value, str) and value:
            given = Path(credentials, Path(value).name)
            node[key] = str(given if credentials and os.path.exists(given) else base / value)
        else:
            _settle_files(value, base, credentials)
