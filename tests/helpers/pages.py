"""The pages of a company with one site, served on this machine."""

import asyncio
import socket
import threading
import time
from contextlib import contextmanager
from datetime import UTC, datetime

import uvicorn

from helpers.one_surface import LOT
from helpers.published_tables import forecast_cell
from helpers.sites import parse_sites, site_entry, sites_text
from stormplan.planning.planner import SiteForecasts, make_plan
from stormplan.record.entries import parse_entry
from stormplan.service import pipeline
from stormplan.store.archive import Archive
from stormplan.store.people import PeopleLog, Role
from stormplan.store.record_log import RecordLog
from stormplan.web.app import PagesSettings, make_app

SITES = {"mill": site_entry(43.1, -89.4, {"lot": LOT, "walk": {"class": "concrete_walk",
                                                               "area": "2000 ft2"}})}  # fmt: skip


def snowy_cell(made_at):
    """Return a forecast with snow from the third hour on."""
    snow = {"snowfall_cm": {0: 0.0, 3: 1.0, 7: 0.0}, "snowfall_swe_mm": {0: 0.0, 3: 1.0, 7: 0.0}}
    start = made_at.replace(minute=0, second=0, microsecond=0)
    # without sun, so that there is work whatever day and hour the tests run
    cold = {"air_temp_c": -2.0, "dew_point_c": -7.0, "sw_down_wm2": 0.0}
    return forecast_cell(start=start, pop=0.9, **cold, **snow)


def write_morning(folder, made_at, **sections):
    """Write a sites file and the reports of a snowy plan made then."""
    (folder / "sites.yaml").write_text(sites_text(SITES, **sections), encoding="utf-8")
    forecasts = {"mill": SiteForecasts(snowy_cell(made_at))}
    plan = make_plan(parse_sites(SITES, **sections), forecasts, made_at)
    pipeline.write_reports(plan, folder / "out" / "latest")
    return plan


def holding(app, until):
    """Return an app that answers for a path only once its event is set."""

    async def held(scope, receive, send):
        while scope["type"] == "http" and scope["path"] in until:
            if until[scope["path"]].is_set():
                break
            await asyncio.sleep(0.01)
        await app(scope, receive, send)

    return held


@contextmanager
def serving(folder, port=0, clock=lambda: datetime.now(UTC), hold_until=None, **settings):
    """Serve the pages of a folder on a port of this machine, a free one by default.

    ``hold_until`` has an event for each path that is answered only once it is set.
    """
    told = PagesSettings(
        folder / "sites.yaml", folder / "out", folder / "archive.sqlite", **settings
    )
    server = uvicorn.Server(
        uvicorn.Config(
            holding(make_app(told, clock), hold_until or {}), host="127.0.0.1", port=0,
            log_level="error", lifespan="off",
        )
    )  # fmt: skip
    listener = socket.socket(
        proto=socket.IPPROTO_TCP
    )  # else asyncio leaves Nagle on: 40 ms a reply
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    listener.bind(("127.0.0.1", port))
    thread = threading.Thread(target=server.run, args=([listener],), daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.01)
    try:
        yield f"http://127.0.0.1:{listener.getsockname()[1]}"
    finally:
        server.should_exit = True
        thread.join(10)
        listener.close()


def link_of(folder, name, role, made_at=None):
    with Archive(folder / "archive.sqlite") as archive:
        return PeopleLog(archive).add_person(name, Role(role), made_at or datetime.now(UTC))


def documents(folder):
    with Archive(folder / "archive.sqlite") as archive:
        return RecordLog(archive).documents()


def record(folder):
    return [parse_entry(document, key) for key, document in documents(folder)]
