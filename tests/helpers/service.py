"""A company that works by itself: a weather service and a mail server on this machine, a clock."""

import json
import re
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from importlib.resources import files

from helpers import smtp
from helpers.http_service import ScriptedReply, WeatherServer
from helpers.sites import parse_sites, site_entry, sites_text
from stormplan.service.pipeline import DEMO_NOW
from stormplan.service.runner import RunnerConfig, run_step
from stormplan.weather.http_client import ClientPolicy

FAST_POLICY = ClientPolicy(
    min_interval_s=0.0, min_throttle_wait_s=0.0, timeout_s=(0.5, 0.2), sleep=lambda seconds: None
)
LOT = {"lot": {"class": "asphalt_lot", "area": "20000 ft2"}}
PLACE = ("43.16", "-89.44")
GRID = "/gridpoints/ZZZ/1,1"
OWNER, YARD, OFFICE = "owner@test.example", "yard@test.example", "office@test.example"
DAY, HOUR, MINUTE = timedelta(days=1), timedelta(hours=1), timedelta(minutes=1)
STORM = (files("stormplan") / "demo" / "grid_ZZZ_1_1.json").read_text(encoding="utf-8")


def shift_storm(by: timedelta) -> dict:
    """Return the storm's grid with every moment shifted by whole days."""
    stamps = r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\+00:00"
    return json.loads(
        re.sub(stamps, lambda m: (datetime.fromisoformat(m[0]) + by).isoformat(), STORM)
    )


def mail_section(server: smtp.MailServer, *recipients: str) -> dict:
    return {
        "host": "127.0.0.1",
        "port": server.port,
        "security": "none",
        "from": "briefing@test.example",
        "to": list(recipients or (OWNER, YARD, OFFICE)),
    }


def sites_sections(
    replay: WeatherServer, server: smtp.MailServer | None = None, **delivery
) -> dict:
    """The sections of the sites file beyond the usual ones."""
    posted = {"mail": mail_section(server)} if server is not None else {}
    return {
        "schedule": {"storm_interval": "3 h", "jitter": "0 min"},
        "policy": {"horizon": "30 h"},  # the storm is tonight; a shorter look is a faster test
        "delivery": posted | delivery,
    }


def serve_storm(replay: WeatherServer, body: object = STORM, **headers: str) -> None:
    replay.serve_place(*PLACE, "ZZZ/1,1", body, **headers)


def serve_by_clock(replay: WeatherServer, ahead: timedelta, body: object = STORM) -> None:
    """Answers whose Date header (RFC 9110, 6.6.1) is behind this computer's clock."""
    sent_at = format_datetime(datetime.now(UTC) - ahead, usegmt=True)
    serve_storm(replay, body, Date=sent_at)
    point = json.dumps({"properties": {"forecastGridData": replay.base_url + GRID}})
    replay.serve(f"/points/{','.join(PLACE)}", point, Date=sent_at)


class RunningCompany:
    """A runner configuration with a settable clock."""

    def __init__(
        self, folder, replay: WeatherServer, server: smtp.MailServer | None = None, **delivery
    ):
        self.now = DEMO_NOW
        self.out = folder / "briefings"
        self.sections = sites_sections(replay, server, **delivery)
        self.base_url = replay.base_url
        self.place = site_entry(43.16, -89.44, LOT)
        self.config = RunnerConfig(
            parse_sites({"a": self.place}, replay.base_url, **self.sections),
            self.out,
            self.out / "archive.sqlite",
            clock=lambda: self.now,
            client_policy=FAST_POLICY,
            archive_timeout_s=0.2,
        )

    @property
    def text(self) -> str:
        return sites_text({"a": self.place}, self.base_url, **self.sections)

    def step(self, after: timedelta = timedelta(0)):
        self.now += after
        return run_step(self.config)

    def restart(self) -> None:
        """Forget everything that is not on disk."""
        if self.config.fallback_archive is not None:
            self.config.fallback_archive.close()
            self.config.fallback_archive = None

    def latest(self, name: str = "briefing.txt") -> str:
        return (self.out / "latest" / name).read_text(encoding="utf-8")


__all__ = ["ScriptedReply"]
