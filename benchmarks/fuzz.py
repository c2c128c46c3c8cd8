"""Throw damaged forecasts, alerts, answers and sites files at their readers.

Only our own errors may come out.

python benchmarks/fuzz.py [SECONDS [SEED]]: damages real texts at random, at their nodes and in
their characters, and prints how many were read, refused in our words, and anything else. Target
``brief`` takes a damaged body all the way to the plan and its briefing, beside a whole one at
another site, whose plan must not change.
"""

import copy
import json
import os
import random
import sys
import time
import traceback
import warnings
from collections import Counter
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from importlib.resources import files
from pathlib import Path

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
NASTY = [
    None, True, False, 0, -1, 1e308, -1e308, float("nan"), float("inf"), 10**400, "", " ", "\0",
    "nan", "1e999", "PT1H", "P9999999D", "2026-01-12T06:00:00+00:00/PT-3H",
    "2026-13-45T99:99:99+99:99/P1D", "9999-12-31T23:00:00+00:00/P9D",
    "0001-01-01T00:00:00+14:00/PT1H",
    "2026-01-12T06:00:00/PT3H", "wmoUnit:furlong", "é🌨️", [], {}, [None], [[[]]], {"a": {"b": 1}},
    {"validTime": 3, "value": "x"}, {"value": []}, "A" * 5000, "../../etc/passwd", "<script>",
]  # fmt: skip
YAML_BITS = [
    ":", "- ", "  ", "\t", "{", "}", "[", "]", "&a", "*a",
    "!!python/object:os.system", "|", ">", "#",
    "?", "null", "~", "1e999", "-0", "0x1F", "2026-02-31", "99:99", "'", '"', "\0", "é", "🌨", "\r",
    "<<: *a", "%", "@", "`", "---", "...", "inf F", "nan %", "1_000 gal", "1,0,0 gal", "-5 gal",
]  # fmt: skip


def recorded() -> list[tuple[Callable[..., object], object]]:
    """Bodies of the other services in the folder of recorded forecasts, if there is one."""
    found = []
    for folder, parse in (("metno", metno.parse_forecast), ("openmeteo", openmeteo.parse_forecast)):
        for file in sorted((Path(os.environ.get("STORMPLAN_SAMPLES", "")) / folder).glob("*.json")):
            body = json.loads(file.read_text(encoding="utf-8"))
            if isinstance(body, dict):
                found.append((parse, body))
    return found


def nodes(tree: object, path: tuple = ()) -> list[tuple]:
    found = [path]
    items = (
        tree.items()
        if isinstance(tree, dict)
        else enumerate(tree)
        if isinstance(tree, list)
        else ()
    )
    for key, value in items:
        found += nodes(value, (*path, key))
    return found


def damage(tree: object, paths: list[tuple], chance: random.Random) -> object:
    """Replace, remove or repeat some nodes."""
    tree = copy.deepcopy(tree)
    for _ in range(chance.choice((1, 1, 1, 2, 5))):
        *way, last = chance.choice(paths[1:])
        node = tree
        try:
            for step in way:
                node = node[step]
            match chance.randrange(4):
                case 0:
                    del node[last]
                case 1 if isinstance(node, list):
                    node.insert(last, copy.deepcopy(node[last]))
                case 2 if isinstance(node, dict):
                    node[str(chance.choice(NASTY))[:20]] = node.pop(last)
                case _:
                    node[last] = copy.deepcopy(chance.choice(NASTY))
        except (KeyError, IndexError, TypeError):
            continue  # an earlier damage took the way there
    return tree


def scramble(text: str, bits: list[str], chance: random.Random) -> str:
    """Cut out, repeat, or put something in the way."""
    for _ in range(chance.choice((1, 1, 2, 4))):
        at = chance.randrange(len(text) + 1)
        to = min(len(text), at + chance.choice((0, 1, 3, 40)))
        text = text[:at] + chance.choice((*bits, text[at:to] * 2, "")) + text[to:]
    return text


class DamagedAtOneSite:
    """The first recorded grid at two sites, damaged at one of them."""

    def __init__(self, body: object) -> None:
        self._body = body

    def forecast(self, location: Location, now: datetime) -> CellForecast:
        """Return the forecast of a site."""
        body = self._body if location.key == "harmed" else GRIDS[0]
        return nws.parse_plannable_forecast(body, now, now)


def briefed(sites: Sites, places: list[Location], body: object) -> Plan:
    """Plan both sites and render the briefing."""
    found = fetch_forecasts([DamagedAtOneSite(body)], places, NOW, timedelta(hours=24))
    plan = make_plan(
        sites,
        {
            one.location.key: SiteForecasts(one.forecast, "; ".join(one.failure_reasons) or None)
            for one in found
        },
        NOW,
    )
    terminal.render_text(briefing.build_view(plan))
    return plan


def rounded(tree: object) -> object:
    """Return a tree with its numbers to six digits."""
    if isinstance(tree, dict):
        return {key: rounded(value) for key, value in tree.items()}
    if isinstance(tree, list | tuple):
        return [rounded(value) for value in tree]
    return round(tree, 6) if isinstance(tree, float) else tree


def brief_sites() -> tuple[Sites, list[Location]]:
    """Two sites of one surface each, inside the first recorded grid, of the demonstration."""
    text = (files("stormplan") / "demo" / "sites.yaml").read_text(encoding="utf-8")
    demo = sites_file.parse_sites(text)
    place = nws.parse_forecast(GRIDS[0], NOW)
    site = next(iter(demo.sites.values()))
    first_surface = dict([next(iter(site.surfaces.items()))])
    here = {
        "latitude_deg": place.latitude_deg,
        "longitude_deg": place.longitude_deg,
        "surfaces": first_surface,
    }
    two = {key: site.model_copy(update=here | {"name": key}) for key in ("harmed", "whole")}
    at = place.latitude_deg, place.longitude_deg
    return demo.model_copy(update={"sites": two}), [Location(key, *at) for key in two]


def main(seconds: float = 60.0, seed: int = 1) -> int:
    chance = random.Random(seed)
    warnings.simplefilter("error")
    paths = [nodes(grid) for grid in GRIDS]
    alert_paths = nodes(ALERT)

    def grid() -> None:
        which = chance.randrange(len(GRIDS))
        nws.parse_plannable_forecast(
            damage(GRIDS[which], paths[which], chance),
            NOW,
            NOW + chance.choice((-1, 0, 30)) * timedelta(hours=1),
        )

    others = [(parse, body, nodes(body)) for parse, body in recorded()]

    def other() -> None:
        parse, body, places = chance.choice(others)
        parse(damage(body, places, chance), NOW)

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

    two_sites, places = brief_sites()
    undamaged = briefed(two_sites, places, GRIDS[0])

    def brief() -> None:
        plan = briefed(two_sites, places, damage(GRIDS[0], paths[0], chance))
        harmed = next(site for site in plan.sites if site.key == "harmed")
        if harmed.source is None:
            assert plan.no_forecast_reason("harmed"), "no forecast and no reason"
        first, second = (
            next(site for site in one.sites if site.key == "whole") for one in (undamaged, plan)
        )
        # side by side in one block the last digit of a number may differ
        assert rounded(first.model_dump()) == rounded(second.model_dump()), "cells not apart"

    def sites() -> None:
        sites_file.parse_sites(scramble(SITES, YAML_BITS, chance))

    outcomes: Counter[tuple[str, str]] = Counter()
    strange: dict[str, str] = {}
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        weights = (4, 4 if others else 0, 3, 3, 1, 1)
        target = chance.choices((grid, other, alerts, answer, sites, brief), weights)[0]
        try:
            target()
            outcomes[target.__name__, "read"] += 1
        except StormplanError:
            outcomes[target.__name__, "refused"] += 1
        except Exception as error:
            outcomes[target.__name__, "STRANGE"] += 1
            strange.setdefault(
                f"{target.__name__}: {traceback.format_tb(error.__traceback__)[-1]}{error!r}"[:600],
                "",
            )
    for (name, what), times in sorted(outcomes.items()):
        print(f"{name:8s} {what:8s} {times}")
    print("\n".join(strange) or "only our own errors")
    return len(strange)


if __name__ == "__main__":
    sys.exit(main(*map(float, sys.argv[1:2]), *map(int, sys.argv[2:3])))
