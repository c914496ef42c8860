"""The configuration: a file and the environment become settings with finite numbers, or sentences that say why not."""

import json
import math
import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import fields, is_dataclass
from pathlib import Path

from pydantic import BaseModel

from tests.fuzz.target import Target, tells
from ullage.adapters.errors import ConfigError
from ullage.daemon.config_text import ConfigText, parse_config_text
from ullage.daemon.environment import overlay
from ullage.daemon.settings import load

_CODE = tuple(
    f"ullage.daemon.{name}"
    for name in (
        "config_text",
        "environment",
        "settings",
        "config_blocks",
        "config_sources",
        "config_vessels",
        "sentences",
        "places",
        "secrets_in_file",
    )
)


def text(data: bytes) -> None:
    """A text is a tree of plain values, the same when it is written and read again; or a sentence says why not."""
    try:
        read = parse_config_text(data.decode("utf-8", "replace"), "config.yaml")
    except ConfigError as error:
        tells(error)
        return
    assert all(_is_plain(value) for value in _leaves(read.tree))
    written = json.dumps(read.tree, allow_nan=False)
    if "\\ud" not in written and len(written) < 1000:  # JSON's pairs of escapes and its long keys are no YAML
        assert parse_config_text(written, "again.yaml").tree == read.tree


def _leaves(node: object) -> Iterator[object]:
    if isinstance(node, dict):
        for key, value in node.items():
            assert isinstance(key, str)
            yield from _leaves(value)
    elif isinstance(node, list):
        for item in node:
            yield from _leaves(item)
    else:
        yield node


def _is_plain(value: object) -> bool:
    if isinstance(value, float):
        return math.isfinite(value)
    return value is None or isinstance(value, str | int)


def variables(data: bytes) -> None:
    """The environment is laid over the file, or a sentence says which variable can't be."""
    tree: dict[str, object] = json.loads(json.dumps(_TREE))
    try:
        laid = overlay(ConfigText(name="config.yaml", tree=tree), _environ(data))
    except ConfigError as error:
        tells(error)
        return
    assert tree == _TREE, "the file's values stay as they are"
    assert all(_is_plain(value) for value in _leaves(laid.tree))


def _environ(data: bytes) -> Mapping[str, str]:
    """Lines `NAME=VALUE`, as far as an operating system could hand them over."""
    found: dict[str, str] = {}
    for line in data.replace(b"\0", b"").decode("utf-8", "surrogateescape").split("\n")[:64]:
        name, equals, value = line.partition("=")
        if equals and name:
            found[name if name.startswith("ULLAGE_") else f"ULLAGE_{name}"] = value
    return found


def whole(data: bytes) -> None:
    """File and environment, with a line of dashes between them, become a configuration of finite numbers."""
    content, _, environment = data.partition(b"\n---\n")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "config.yaml")
        path.write_bytes(content)
        try:
            config = load(path, _environ(environment))
        except ConfigError as error:
            tells(error)
            return
    assert all(math.isfinite(number) for number in _numbers(config))


def _numbers(node: object) -> Iterator[float]:
    if isinstance(node, float):
        yield node
    elif isinstance(node, BaseModel):
        for name in type(node).model_fields:
            yield from _numbers(getattr(node, name))
    elif is_dataclass(node):
        for each in fields(node):
            yield from _numbers(getattr(node, each.name))
    elif isinstance(node, Mapping):
        for item in node.values():
            yield from _numbers(item)
    elif isinstance(node, tuple | list):
        for item in node:
            yield from _numbers(item)


_TREE: dict[str, object] = {
    "store": {"keep_days": 400},
    "vessels": [{"name": "north", "rated_pressure_bar": 2.5}, {"name": "south"}],
    "sources": {"keg-probe": {"kind": "serial"}},
    "timezone": "",
}
_FILE = b"""\
store: {url: "sqlite:///ullage.db", keep_days: 400}
vessels:
  - name: north
    total_volume_l: 23
    beer_volume_l: 19
    rated_pressure_bar: 2.5
    valve_pressure_bar: 1.5
    yeast_temperature_c: [18, 24]
    original_gravity: 1.048
    batch: {name: "spring ale", carbonation: "5.0 g/L", serving_c: 6, plan: "18 for 3 days, 20, chill 2"}
    temperature: {source: cellar, topic: "cellar/north", pointer: "/beer", unit: Cel, scale: 1.0, offset: -0.5}
    pressure:    {source: cellar, topic: "cellar/north", pointer: "/top", unit: bar}
    detectors: {silent: {after_min: 20}}
sources:
  cellar: {kind: mqtt, host: localhost, port: 1883}
  probe: {kind: serial, url: /dev/ttyUSB0, baud: 9600}
notify:
  targets: [{url_file: push-url, priorities: [critical, high]}]
  quiet_hours: "22:00-07:00"
schedule: {daily_digest: "08:00"}
page: {host: 127.0.0.1, port: 8080}
"""
_FILES = (
    _FILE,
    b"vessels:\n  - {name: north, total_volume_l: 23, beer_volume_l: 19, rated_pressure_bar: 2.5, yeast_temperature_c: [18, 24]}\n",
    b'a: &x [1, "two", ~, 0x1F, 1e3]\nb: *x\nc: |\n  text\n? d\n: {e: !!str 1}\n',
)
_VARIABLES = (
    b"ULLAGE_STORE__KEEP_DAYS=30\nULLAGE_VESSELS__NORTH__VALVE_PRESSURE_BAR=1.2",
    b'ULLAGE_VESSELS=[{"name": "east"}]\nULLAGE_VESSELS__0__NAME=west\nULLAGE_VESSELS__1__NAME=x',
    b"ULLAGE_SOURCES__KEG_PROBE__BAUD=9600\nULLAGE_DETECTORS__SILENT__AFTER_MIN=20\nULLAGE_NOTIFY__TARGETS__0__URL=x",
)
_WORDS = (
    b"ULLAGE_", b"__", b"VESSELS", b"NORTH", b"DETECTORS", b"[", b"{", b'{"a":', b"1e999", b"NaN", b"-", b": ", b"\n  - ",
    b"&a ", b"*a", b"<<: ", b"!!", b"!!binary ", b'"\\e"', b"|", b">", b"%", b"\t", b"---\n", b"...", b"? ", b"#", b"\xef\xbf\xbe",
    b"password: x", b"url: ", b"total_volume_l: 1e400", b"timezone: ", b"../..",
)  # fmt: skip
TARGETS = (
    Target(
        name="config text",
        check=text,
        seeds=_FILES,
        words=_WORDS,
        usual=1024,
        longest=8192,
        code=("ullage.daemon.config_text", "yaml"),
    ),
    Target(
        name="environment",
        check=variables,
        seeds=_VARIABLES,
        words=_WORDS,
        usual=512,
        longest=65_536,
        code=_CODE,
    ),
    Target(
        name="configuration",
        check=whole,
        seeds=tuple(file + b"\n---\n" + _VARIABLES[0] for file in _FILES),
        words=_WORDS,
        usual=1024,
        longest=8192,
        code=_CODE,
    ),
)
