"""A company that works by itself: a weather service and a mail server on this machine, a clock."""

import json
import re
from datetime import datetime, timedelta
from importlib.resources import files

from helpers import smtp
from helpers.http_service import Answer, Replay
from helpers.sites import company, site, text
from stormplan.service.pipeline import DEMO_NOW
from stormplan.service.runner import Desk, step
from stormplan.weather.http_client import Manners

QUICK = Manners(pause_s=0.0, throttled_s=0.0, timeout_s=(0.5, 0.2), sleep=lambda seconds: None)
LOT = {"lot": {"class": "asphalt_lot", "area": "20000 ft2"}}
PLACE = ("43.16", "-89.44")
GRID = "/gridpoints/ZZZ/1,1"
OWNER, YARD, OFFICE = "owner@test.example", "yard@test.example", "office@test.example"
HOUR, MINUTE = timedelta(hours=1), timedelta(minutes=1)
STORM = (files("stormplan") / "demo" / "grid_ZZZ_1_1.json").read_text(encoding="utf-8")


def moved(by: timedelta) -> dict:
    """Give the storm's grid with every moment moved by whole days."""
    stamps = r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\+00:00"
    return json.loads(
        re.sub(stamps, lambda m: (datetime.fromisoformat(m[0]) + by).isoformat(), STORM)
    )


def mail(server: smtp.Post, *recipients: str) -> dict:
    return {
        "host": "127.0.0.1",
        "port": server.port,
        "security": "none",
        "from": "briefing@test.example",
        "to": list(recipients or (OWNER, YARD, OFFICE)),
    }


def parts(replay: Replay, server: smtp.Post | None = None, **delivery) -> dict:
    """The sections of the sites file beyond the usual ones."""
    posted = {"mail": mail(server)} if server is not None else {}
    return {
        "watch": {"storm_interval": "3 h", "jitter": "0 min"},
        "policy": {"horizon": "30 h"},  # the storm is tonight; a shorter look is a faster test
        "delivery": posted | delivery,
    }


def serve(replay: Replay, body: object = STORM, **headers: str) -> None:
    replay.serve_place(*PLACE, "ZZZ/1,1", body, **headers)


class Company:
    """One desk, and the clock on its wall."""

    def __init__(self, folder, replay: Replay, server: smtp.Post | None = None, **delivery):
        self.now = DEMO_NOW
        self.out = folder / "briefings"
        self.more = parts(replay, server, **delivery)
        self.base_url = replay.base_url
        self.place = site(43.16, -89.44, LOT)
        self.desk = Desk(
            company({"a": self.place}, replay.base_url, **self.more),
            self.out,
            self.out / "archive.sqlite",
            clock=lambda: self.now,
            manners=QUICK,
            busy_s=0.2,
        )

    @property
    def text(self) -> str:
        return text({"a": self.place}, self.base_url, **self.more)

    def step(self, after: timedelta = timedelta(0)):
        self.now += after
        return step(self.desk)

    def restart(self) -> None:
        """Forget everything that is not on disk."""
        if self.desk.spare is not None:
            self.desk.spare.close()
            self.desk.spare = None

    def latest(self, name: str = "briefing.txt") -> str:
        return (self.out / "latest" / name).read_text(encoding="utf-8")


__all__ = ["Answer"]
