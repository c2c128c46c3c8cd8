"""Shared by all tests: no network beyond this machine, and the recorded forecasts."""

import os
import socket
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from helpers.http_service import WeatherServer, run_weather_host
from helpers.remembered import remember_plans
from helpers.smtp import MailServer, run_mail_host

from stormplan.planning.plan import Plan
from stormplan.service import pipeline
from stormplan.words import strip_charts

#: Modules that take longest, in that order: one that is begun last leaves the other cores idle.
LONGEST_MODULES = (
    "test_policy", "test_runner", "test_record", "test_month", "test_treatment",
    "test_fault_matrix",
    "test_course_properties", "test_course_catalogue", "test_plan", "test_crash", "test_grids",
    "test_workers", "test_damaged_forecasts", "test_clock_jumps", "test_week",
)  # fmt: skip

_connect = socket.socket.connect


def _loopback_only(self, address):
    host = address[0] if isinstance(address, tuple) else address
    if self.family in (socket.AF_INET, socket.AF_INET6) and host not in ("127.0.0.1", "::1"):
        raise RuntimeError(f"a test tried to reach {host}; tests run without network")
    return _connect(self, address)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The longest modules first, for `--no-loadscope-reorder`; the others stay as they are."""
    rank = {name: at for at, name in enumerate(LONGEST_MODULES)}
    items.sort(key=lambda item: rank.get(item.path.stem, len(rank)))


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


@pytest.fixture(scope="session")
def open_weather_service() -> Iterator[Callable[[], WeatherServer]]:
    """The address of every weather service: sites files that name it are read once."""
    with run_weather_host() as open_service:
        yield open_service


@pytest.fixture
def replay(open_weather_service) -> WeatherServer:
    """A weather service on this machine, with scripted answers."""
    return open_weather_service()


@pytest.fixture(scope="session")
def open_mail_server() -> Iterator[Callable[[], MailServer]]:
    """The address of every mail server, for the same reason."""
    with run_mail_host() as open_server:
        yield open_server


@pytest.fixture
def server(open_mail_server) -> MailServer:
    """A mail server on this machine, which keeps what it accepts."""
    return open_mail_server()


@pytest.fixture
def remembered_plans(monkeypatch, tmp_path_factory) -> Path:
    """The same sites, hours and record are decided and drawn once; the folder of what was."""
    folder = tmp_path_factory.getbasetemp() / "remembered"
    remember_plans(monkeypatch.setattr, folder)
    return folder


@pytest.fixture
def plain_charts(monkeypatch):
    """No curve is drawn: for days on end, where nobody looks at a page and no fault is in one."""
    monkeypatch.setattr(strip_charts, "_draw", lambda *_: "<svg></svg>")
