"""Secrets that stand in the configuration file itself, where backups, screens and questions for help would show them."""

from collections.abc import Iterator
from urllib.parse import urlsplit

from ullage.adapters.errors import ConfigError
from ullage.daemon.config_text import ConfigText, Location, spell
from ullage.daemon.environment import PREFIX


def inline_secrets(text: ConfigText) -> list[str]:
    """Return a sentence for each secret that came from the file rather than from a file of its own or the environment."""
    return [
        str(
            ConfigError(
                text.where(at), f"{spell(at)} is a secret and must not stand in the configuration", hint
            )
        )
        for at, value in _leaves(text.tree, ())
        if not _from_environment(text, at) and (hint := _hint(at, value))
    ]


def _hint(at: Location, value: str) -> str:
    """Return where the secret should go; empty if the value is none."""
    key = at[-1]
    variable = PREFIX + "__".join(str(step).upper().replace("-", "_") for step in at)
    if key == "password":
        return f"put it into a file and name that in password_file, or set {variable}"
    if at[0] in ("notify", "schedule") and key == "url" and not value.startswith("console:"):
        return f"put it into a file and name that in url_file, or set {variable}"
    if at == ("store", "url") and _has_password(value):
        return f"set {variable}, or leave the password to ~/.pgpass"
    return ""


def _has_password(url: str) -> bool:
    try:
        return bool(urlsplit(url).password)
    except ValueError:
        return True


def _from_environment(text: ConfigText, at: Location) -> bool:
    return any(at[: len(given)] == given for given in text.variables)


def _leaves(node: object, at: Location) -> Iterator[tuple[Location, str]]:
    if isinstance(node, dict):
        for key, value in node.items():
            yield from _leaves(value, (*at, key))
    elif isinstance(node, list):
        for index, value in enumerate(node):
            yield from _leaves(value, (*at, index))
    elif isinstance(node, str):
        yield at, node
