"""Shared by all tests: no network beyond this machine, and the recorded forecasts."""

import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest
from helpers.http_service import WeatherServer, run_weather_server

from stormplan.planning.plan import Plan
from stormplan.service import pipeline

_connect = socket.socket.connect


def _loopback_only(self, address):
    host = address[0] if isinstance(address, tuple) else address
    if self.family in (socket.AF_INET, socket.AF_INET6) and host not in ("127.0.0.1", "::1"):
        raise RuntimeError(f"a test tried to reach {host}; tests run without network")
    return _connect(self, address)


@pytest.fixture(autouse=True)
def no_network(monkeypatch):
    monkeypatch.setattr(socket.socket, "connect", _loopback_only)


@pytest.fixture(scope="session")
def samples() -> Path:
    """Folder of recorded forecasts."""
    folder = os.environ.get("STORMPLAN_SAMPLES")
    if not folder:
        pytest.skip("STORMPLAN_SAMPLES names no folder of recorded forecasts")
    path = Path(folder)
    if not path.is_dir():
        pytest.fail(f"STORMPLAN_SAMPLES={folder} is not a folder")
    return path


@pytest.fixture(scope="session")
def demo_plan() -> Plan:
    """Plan of the bundled storm, made once: a plan does not change."""
    return pipeline.plan_demo()


@pytest.fixture
def replay() -> Iterator[WeatherServer]:
    """A weather service on this machine, with scripted answers."""
    with run_weather_server() as service:
        yield service
