"""Sites files for tests: a small invented company, written the way a user would."""

import json
from collections.abc import Mapping
from functools import lru_cache

from stormplan.company import sites_file
from stormplan.company.sites import Sites
from stormplan.errors import SitesError

BASE_SECTIONS = {
    "company": {
        "name": "Test Winter Care (invented)",
        "timezone": "America/Chicago",
        "contact": "ops@test.example",
    },
    "products": {
        "calcium": {
            "name": "calcium 32 %",
            "cacl2": "32 %",
            "inhibited": True,
            "odor": False,
            "tracks_indoors": False,
            "price": "1.35 /gal",
        }
    },
    "yards": {
        "north": {
            "name": "North yard",
            "latitude": 43.1,
            "longitude": -89.4,
            "salt": {"on_hand": "40 ton", "purity": "96 %", "moisture": "1 %", "insolubles": "1 %"},
            "tanks": {
                "t1": {
                    "product": "brine",
                    "capacity": "6000 gal",
                    "on_hand": "0 gal",
                }
            },
            "stock": {"calcium": "500 gal"},
            "mixer": {"production_rate": "2000 gal/h", "max_batch": "2000 gal"},
            "sprayers": {
                "truck": {
                    "name": "Truck",
                    "tank": "500 gal",
                    "coverage_rate": "3 acre/h",
                    "min_rate": "0.2 gal/1000 ft2",
                    "max_rate": "1.2 gal/1000 ft2",
                    "refill": "20 min",
                }
            },
        }
    },
    "clients": {"ours": {"name": "Ours (invented)"}},
}

SURFACES = {
    "lot": {"class": "asphalt_lot", "area": "20000 ft2"},
    "walk": {"class": "concrete_walk", "area": "2000 ft2"},
    "deck": {"class": "open_deck", "area": "5000 ft2"},
}


def site_entry(
    latitude: float, longitude: float, surfaces: Mapping | None = None, **more: object
) -> dict:
    return {
        "name": f"Site {latitude}",
        "latitude": latitude,
        "longitude": longitude,
        "client": "ours",
        "yard": "north",
        "priority": 2,
        "surfaces": surfaces or SURFACES,
        **more,
    }


def sites_text(sites: Mapping[str, dict], base_url: str | None = None, **more: object) -> str:
    """The file's text: JSON is YAML."""
    weather = {"sources": ["nws"]} | ({"nws": {"base_url": base_url}} if base_url else {})
    sections = BASE_SECTIONS | {"weather": weather, "sites": dict(sites)} | more
    far_and_wide = {"max_site_distance": "12500 mi"}  # places of tests are those of their weather
    sections["policy"] = far_and_wide | sections.get("policy", {})
    return json.dumps(sections, indent=1)


def parse_sites(sites: Mapping[str, dict], base_url: str | None = None, **more: object) -> Sites:
    return parse_once(sites_text(sites, base_url, **more))


@lru_cache(maxsize=256)
def parse_once(text: str) -> Sites:
    """Read a file's text, or recall what the same text was read as: nothing in it can change.

    JSON is YAML, and a JSON reader takes a twentieth of the time; what is wrong with a file is
    found again, with its line, in the text as YAML.
    """
    try:
        return sites_file._validate(json.loads(text), "sites.yaml")
    except (SitesError, json.JSONDecodeError):
        return sites_file.parse_sites(text)
