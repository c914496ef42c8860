"""The heartbeat to a watcher outside, held against an HTTP receiver on loopback."""

import logging
from pathlib import Path

import pytest
from pydantic import ValidationError

from tests.servers.http_receiver import HttpReceiver, Mode
from ullage.adapters.errors import ConfigError
from ullage.daemon.beacon import Beacon
from ullage.daemon.schedule_settings import BeaconSettings


def _beacon(url: str, healthy: bool = True, **keys: object) -> Beacon:
    return Beacon(BeaconSettings.model_validate({"url": url, **keys}), lambda: healthy)


@pytest.mark.parametrize("method", ["GET", "POST", "HEAD"])
def test_it_beats_while_all_is_well(method: str) -> None:
    """One request for each beat, in the way the watcher wants it."""
    with HttpReceiver() as watcher:
        assert _beacon(watcher.http_url, method=method).beat()
        assert [(request.method, request.body) for request in watcher.requests] == [(method, "")]


def test_it_keeps_silent_while_the_chain_is_broken() -> None:
    """No request at all: the watcher is to ring."""
    with HttpReceiver() as watcher:
        assert not _beacon(watcher.http_url, healthy=False).beat()
        assert watcher.requests == ()


def test_failures_are_logged_once_and_without_the_address(
    caplog: pytest.LogCaptureFixture, tmp_path: Path
) -> None:
    """A watcher that refuses, hangs or is not there is a warning when it begins; nothing shows where it is."""
    caplog.set_level(logging.DEBUG)
    secret = "t0pS3cret"
    with HttpReceiver(Mode.REFUSE) as watcher:
        (tmp_path / "address").write_text(f"{watcher.http_url}/{secret}\n")
        settings = BeaconSettings.model_validate({"url_file": tmp_path / "address", "timeout_s": 0.2})
        beacon = Beacon(settings, lambda: True)
        assert [beacon.beat() for _ in range(3)] == [False] * 3
        watcher.mode = Mode.HANG
        assert not beacon.beat()
        watcher.mode = Mode.OK
        assert beacon.beat()
        assert secret in watcher.requests[0].path
    assert not beacon.beat()
    reasons = [record.__dict__.get("reason", "taken") for record in caplog.records]
    assert reasons[0] == "the watcher answered 500"
    assert len(reasons) == 4
    assert not any(secret in str(record.__dict__) for record in caplog.records)


@pytest.mark.parametrize("url", ["file:///etc/hostname", "ftp://somewhere/x", "somewhere"])
def test_only_web_addresses_are_taken(url: str) -> None:
    """Anything else is a configuration error that does not repeat the address."""
    with pytest.raises(ConfigError, match="no web address") as error:
        _beacon(url)
    assert "somewhere" not in str(error.value)
    assert "hostname" not in str(error.value)


def test_it_beats_at_least_every_five_minutes() -> None:
    """A watcher can't tell a slow heart from a dead one."""
    with pytest.raises(ValidationError, match="300"):
        BeaconSettings.model_validate({"url_env": "X", "every_s": 900})
    with pytest.raises(ValidationError, match="url_file"):
        BeaconSettings.model_validate({})
