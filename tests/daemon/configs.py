"""Configurations for tests: an invented cellar."""

from pathlib import Path

EXAMPLE = """\
store: {url: "sqlite:///ullage.db", keep_days: 400}
vessels:
  - name: north
    total_volume_l: 23
    beer_volume_l: 19
    rated_pressure_bar: 2.5
    valve_pressure_bar: 1.5
    yeast_temperature_c: [18, 24]
    original_gravity: 1.048
    temperature: {source: cellar, topic: "cellar/north", pointer: "/beer", unit: Cel}
    pressure:    {source: cellar, topic: "cellar/north", pointer: "/top", unit: bar}
sources:
  cellar: {kind: mqtt, host: localhost, port: 1883}
notify:
  targets: [{url_file: push-url, priorities: [critical, high]}]
page: {host: 127.0.0.1, port: 8080}
"""
"""The configuration of the design, as it stands there."""

BARE = """\
vessels:
  - {name: north, total_volume_l: 23, beer_volume_l: 19, rated_pressure_bar: 2.5, yeast_temperature_c: [18, 24]}
"""
"""Enough for a replay."""


def write(folder: Path, text: str = EXAMPLE, *changes: tuple[str, str]) -> Path:
    """Write a configuration with some texts replaced, each of which must be there."""
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    path = folder / "config.yaml"
    path.write_text(text)
    return path
