"""Every kind of source can be named, configured, built and refused."""

import dataclasses
import subprocess
import sys
from pathlib import Path

import pytest
from pydantic import ConfigDict, ValidationError, create_model

from tests.adapters.received import SystemClock
from ullage.adapters import registry
from ullage.adapters.channel import Channel
from ullage.adapters.errors import ConfigError
from ullage.adapters.mqtt import MqttSource
from ullage.adapters.mqtt_settings import MqttSettings
from ullage.adapters.reading import Quantity
from ullage.adapters.serial_settings import SerialSettings
from ullage.adapters.source import Source

BEER = Channel(vessel="north", quantity=Quantity.TEMPERATURE, unit="Cel", topic="a/b")


@pytest.mark.parametrize("kind", registry.kinds())
def test_every_kind_has_settings_and_a_source(kind: str) -> None:
    """The table's lines lead to a frozen settings type and a source of that kind."""
    settings = registry.settings_type(kind)
    assert dataclasses.is_dataclass(settings)
    assert settings.__dataclass_params__.frozen  # type: ignore[attr-defined]
    source = registry._load(registry._kind(kind).source)
    assert issubclass(source, Source)
    assert source.kind == kind


@pytest.mark.parametrize("kind", registry.kinds())
def test_unknown_keys_are_refused(kind: str) -> None:
    """A misspelt key is an error for whoever validates the settings with pydantic."""
    settings = registry.settings_type(kind)
    holder = create_model("Holder", __config__=ConfigDict(extra="forbid"), held=(settings, ...))
    with pytest.raises(ValidationError, match="hosst"):
        holder.model_validate({"held": {"hosst": 1}})


def test_build() -> None:
    """A source is built from its settings and does nothing before it is started."""
    source = registry.build("mqtt", "cellar", MqttSettings(), (BEER,), SystemClock())
    assert isinstance(source, MqttSource)
    assert not source.alive()
    assert source.health().detail == "not started"


def test_build_refuses_what_does_not_fit() -> None:
    """An unknown kind, another kind's settings, and a channel that can't be right."""
    with pytest.raises(ConfigError, match="mqtt, serial, log, simulated"):
        registry.build("mqqt", "cellar", MqttSettings(), (), SystemClock())
    with pytest.raises(ConfigError, match="SerialSettings"):
        registry.build("mqtt", "cellar", SerialSettings(url="loop://"), (), SystemClock())
    wrong = dataclasses.replace(BEER, topic="a/#/b")
    with pytest.raises(ConfigError, match="north temperature"):
        registry.build("mqtt", "cellar", MqttSettings(), (wrong,), SystemClock())


def test_only_what_is_used_is_imported() -> None:
    """Naming the kinds and reading their settings brings in neither the MQTT nor the serial library."""
    code = (
        "import sys; from ullage.adapters import registry; registry.settings_type('mqtt');"
        "registry.settings_type('serial'); assert not {'paho', 'serial'} & set(sys.modules)"
    )
    subprocess.run([sys.executable, "-c", code], check=True, cwd=Path(__file__).parents[2])


@pytest.mark.parametrize(
    ("keys", "says"),
    [
        ({"host": ""}, "host must not be empty"),
        ({"port": 70_000}, "port 70000 must lie between 0 and 65535"),
        ({"keep_alive_s": 0}, "keep_alive_s 0"),
        ({"receive_maximum": 0}, "receive_maximum 0"),
        ({"password": "x"}, "needs a username"),
        ({"username": "u", "password": "x", "password_file": Path("f")}, "keep one"),
        ({"ca_file": Path("f")}, "need tls: true"),
        ({"tls": True, "key_file": Path("f")}, "need each other"),
        ({"status_topic": "a/+"}, "without + and #"),
        ({"longest_pause_s": 0.1}, "longest_pause_s"),
    ],
)
def test_mqtt_settings_that_can_not_be_right(keys: dict[str, object], says: str) -> None:
    """Each mistake is named."""
    with pytest.raises(ValueError, match=says.replace("+", r"\+")):
        MqttSettings(**keys)  # type: ignore[arg-type]


def test_mqtt_ports_and_secrets() -> None:
    """The usual ports are filled in, and the password shows nowhere."""
    assert MqttSettings().actual_port() == 1883
    assert MqttSettings(tls=True).actual_port() == 8883
    assert "hunter" not in repr(MqttSettings(username="u", password="hunter"))
