"""Throw damaged forecasts, alerts, answers and sites files at their readers.

Only our own errors may come out.

python benchmarks/fuzz.py [SECONDS [SEED [TARGET [COUNT]]]]: damages real texts at random, at their
nodes and in their characters, and prints every ten minutes and in the end how many were read, refused
in our words, and anything else; it ends after some time or some number of texts. Targets ``brief …``
take damaged bodies of one service, ``BATCH`` at a time, all the way to the plan and its briefing,
beside a whole one at another site, whose plan must not change.
"""

import json
import math
import os
import random
import sys
import time
import traceback
import warnings
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import partial
from importlib.resources import files
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))

from helpers.damage import NASTY, damage, nodes, scramble

from stormplan.company import sites_file
from stormplan.company.sites import Sites
from stormplan.errors import StormplanError
from stormplan.planning.plan import Plan
from stormplan.planning.planner import SiteForecasts, make_plan
from stormplan.weather.forecast import CellForecast
from stormplan.weather.http_policy import classify_response, fresh_until
from stormplan.weather.providers import (
    Location,
    fetch_forecasts,
    metno,
    nws,
    nws_alerts,
    openmeteo,
)
from stormplan.words import briefing, terminal

ROOT = Path(__file__).parent.parent
NOW = datetime(2026, 1, 12, 10, 30, tzinfo=UTC)
BATCH = 400
REPORT_EVERY_S = 600.0
GRIDS = [
    json.loads(file.read_text(encoding="utf-8"))
    for file in (files("stormplan") / "demo").iterdir()
    if file.name.startswith("grid_")
]
SITES = (ROOT / "sites.example.yaml").read_text(encoding="utf-8")
ALERT = {
    "type": "FeatureCollection",
    "features": [
        {
            "properties": {
                "id": "one",
                "event": "Winter Storm Warning",
                "status": "Actual",
                "messageType": "Alert",
                "severity": "Severe",
                "affectedZones": ["https://api.weather.gov/zones/forecast/WIZ063"],
                "geocode": {"UGC": ["WIZ063"]},
                "sent": "2026-01-12T09:00:00+00:00",
                "onset": "2026-01-12T18:00:00+00:00",
                "expires": "2026-01-12T12:00:00+00:00",
                "ends": "2026-01-13T06:00:00+00:00",
                "senderName": "an office",
                "headline": "Winter Storm Warning",
                "references": [{"identifier": "zero"}],
            }
        }
    ],
}
YAML_BITS = [
    ":", "- ", "  ", "\t", "{", "}", "[", "]", "&a", "*a",
    "!!python/object:os.system", "|", ">", "#",
    "?", "null", "~", "1e999", "-0", "0x1F", "2026-02-31", "99:99", "'", '"', "\0", "é", "🌨", "\r",
    "<<: *a", "%", "@", "`", "---", "...", "inf F", "nan %", "1_000 gal", "1,0,0 gal", "-5 gal",
]  # fmt: skip


@dataclass(frozen=True)
class Recorded:
    """A whole body, who reads it, and a moment for which it can be planned."""

    service: str
    read: Callable[[object, datetime, datetime], CellForecast]
    body: object
    now: datetime


def recorded() -> list[Recorded]:
    """Bodies of the demonstration, and of other services in the folder of recorded forecasts."""
    found = [Recorded("nws", nws.parse_plannable_forecast, grid, NOW) for grid in GRIDS]
    folder = Path(os.environ.get("STORMPLAN_SAMPLES", ""))
    for service in (metno, openmeteo):
        name = service.__name__.rsplit(".", 1)[-1]
        for file in sorted((folder / name).glob("*.json")):
            body = json.loads(file.read_text(encoding="utf-8"))
            try:
                start = service.parse_forecast(body, NOW).start
            except StormplanError:
                continue  # a recorded refusal
            found.append(
                Recorded(name, service.parse_plannable_forecast, body, start + timedelta(hours=1))
            )
    return found


class DamagedAtOtherSites:
    """A recorded forecast at some sites, damaged at all but one of them."""

    def __init__(self, whole: Recorded, damaged: dict[str, object]) -> None:
        self._whole, self._damaged = whole, damaged

    def forecast(self, location: Location, now: datetime) -> CellForecast:
        """Return the forecast of a site."""
        return self._whole.read(self._damaged.get(location.key, self._whole.body), now, now)


def briefed(sites: Sites, places: list[Location], whole: Recorded, *damaged: object) -> Plan:
    """Plan all sites and render the briefing."""
    source = DamagedAtOtherSites(whole, {f"harmed{at}": body for at, body in enumerate(damaged)})
    found = fetch_forecasts([source], places, whole.now, timedelta(hours=24))
    plan = make_plan(
        sites,
        {
            one.location.key: SiteForecasts(one.forecast, "; ".join(one.failure_reasons) or None)
            for one in found
        },
        whole.now,
    )
    terminal.render_text(briefing.build_view(plan))
    return plan


def are_alike(one: object, other: object) -> bool:
    """Whether two trees are the same but for the last digits of their numbers.

    Iterations end when all columns of a block have converged, so that a neighbor may give another
    column one round more.
    """
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(are_alike(one[k], other[k]) for k in one)
    if isinstance(one, list | tuple) and isinstance(other, list | tuple):
        return len(one) == len(other) and all(map(are_alike, one, other))
    if isinstance(one, float) and isinstance(other, float):
        return math.isclose(one, other, rel_tol=1e-4, abs_tol=1e-4) or (
            one != one and other != other
        )
    return one == other


def brief_sites(whole: Recorded, count: int) -> tuple[Sites, list[Location]]:
    """Sites of one surface each of the demonstration, where a recorded forecast is for."""
    text = (files("stormplan") / "demo" / "sites.yaml").read_text(encoding="utf-8")
    demo = sites_file.parse_sites(text)
    place = whole.read(whole.body, whole.now, whole.now)
    site = next(iter(demo.sites.values()))
    first_surface = dict([next(iter(site.surfaces.items()))])
    here = {
        "latitude_deg": place.latitude_deg,
        "longitude_deg": place.longitude_deg,
        "surfaces": first_surface,
    }
    keys = ["whole", *(f"harmed{at}" for at in range(count))]
    # sites of one yard wait for each other's sprayers: the whole one has a yard of its own
    yards = dict.fromkeys(("own", "other"), demo.yards[site.yard])
    sites = {
        key: site.model_copy(
            update=here | {"name": key, "yard": "own" if key == "whole" else "other"}
        )
        for key in keys
    }
    at = place.latitude_deg, place.longitude_deg
    places = [Location(key, *at) for key in keys]
    return demo.model_copy(update={"sites": sites, "yards": yards}), places


def report(outcomes: Counter[tuple[str, str]], strange: dict[str, None]) -> None:
    """Print how many texts had which outcome, and every error that is not our own."""
    for (name, what), times in sorted(outcomes.items()):
        print(f"{name:16s} {what:8s} {times}")
    print("\n".join(strange) or "only our own errors", flush=True)


def main(
    seconds: float = 60.0, seed: int = 1, only: str | None = None, count: float = float("inf")
) -> int:
    chance = random.Random(seed)
    warnings.simplefilter("error")
    services = recorded()
    paths = [nodes(one.body) for one in services]
    undamaged_plans: dict[int, Plan] = {}
    alert_paths = nodes(ALERT)

    def parse(service: str) -> None:
        which = chance.choice([at for at, one in enumerate(services) if one.service == service])
        one = services[which]
        moment = one.now + chance.choice((-1, 0, 30)) * timedelta(hours=1)
        one.read(damage(one.body, paths[which], chance), one.now, moment)

    def alerts() -> None:
        found, _ = nws_alerts.parse_alerts(damage(ALERT, alert_paths, chance))
        for zoned in found:
            zoned.is_over(NOW)

    def answer() -> None:
        body = scramble(json.dumps(ALERT), [str(x) for x in NASTY if isinstance(x, str)], chance)
        kind = chance.choice(("application/json", "text/html", "", "application/problem+json"))
        head = {"content-type": kind} | {
            name: scramble(value, YAML_BITS, chance)
            for name, value in {
                "cache-control": "max-age=60",
                "age": "5",
                "date": "Mon, 12 Jan 2026 10:00:00 GMT",
                "expires": "Mon, 12 Jan 2026 11:00:00 GMT",
            }.items()
        }
        classify_response(
            chance.choice((200, 301, 403, 429, 500, 503)), head, body.encode("utf-8", "replace")
        )
        fresh_until(head, NOW)

    def brief(service: str) -> None:
        which = chance.choice([at for at, one in enumerate(services) if one.service == service])
        one = services[which]
        sites, places = brief_sites(one, BATCH)
        damaged = [damage(one.body, paths[which], chance) for _ in range(BATCH)]
        plan = briefed(sites, places, one, *damaged)
        if which not in undamaged_plans:
            undamaged_plans[which] = briefed(*brief_sites(one, 0), one)
        undamaged = undamaged_plans[which]
        for site in plan.sites:
            if site.source is None:
                assert plan.no_forecast_reason(site.key), "no forecast and no reason"
        first, second = (
            next(site for site in each.sites if site.key == "whole") for each in (undamaged, plan)
        )
        assert are_alike(first.model_dump(), second.model_dump()), "cells not apart"

    def sites() -> None:
        sites_file.parse_sites(scramble(SITES, YAML_BITS, chance))

    targets: dict[str, tuple[int, Callable[[], None]]] = {
        "alerts": (8, alerts), "answer": (8, answer), "sites": (3, sites),
    }  # fmt: skip
    for name in sorted({one.service for one in services}):
        targets[f"parse {name}"] = 8, partial(parse, name)
        targets[f"brief {name}"] = 1, partial(brief, name)
    if only is not None:
        targets = {only: targets[only]}
    outcomes: Counter[tuple[str, str]] = Counter()
    strange: dict[str, None] = {}  # in the order they came
    end = time.monotonic() + seconds
    report_at = time.monotonic() + REPORT_EVERY_S
    while time.monotonic() < end and outcomes.total() < count:
        if time.monotonic() >= report_at:
            report(outcomes, strange)
            report_at += REPORT_EVERY_S
        name = chance.choices(list(targets), [weight for weight, _ in targets.values()])[0]
        _, target = targets[name]
        times = BATCH if name.startswith("brief") else 1
        try:
            target()
            outcomes[name, "read"] += times
        except StormplanError:
            outcomes[name, "refused"] += times
        except Exception as error:
            outcomes[name, "STRANGE"] += times
            strange.setdefault(
                f"{name}: {traceback.format_tb(error.__traceback__)[-1]}{error!r}"[:600],
                None,
            )
    report(outcomes, strange)
    return len(strange)


if __name__ == "__main__":
    arguments = zip((float, int, str, int), sys.argv[1:], strict=False)
    sys.exit(main(*(read(text) for read, text in arguments)))
