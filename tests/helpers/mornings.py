"""Ten invented mornings of one small company, planned at 04:30 from hourly weather.

Hours count from midnight, Monday 12 January 2026 in Chicago: the plan is made in the fifth hour.
"""

from datetime import UTC, datetime, timedelta
from functools import cache

from helpers.published_tables import forecast_cell
from helpers.sites import BASE_SECTIONS, SURFACES, parse_sites, site_entry
from stormplan.planning.plan import Plan
from stormplan.planning.planner import SiteForecasts, make_plan
from stormplan.units import f_to_c

MIDNIGHT = datetime(2026, 1, 12, 6, tzinfo=UTC)
NOW = MIDNIGHT + timedelta(hours=4, minutes=30)
HOURS = 84  # 72 h ahead of the plan, and more
INCH_MM = 25.4
CLEAR, CLOUDY = 0.05, 1.0
#: Lot, walk and open deck: 20,000, 2,000 and 5,000 ft².
AREA_KFT2 = 27.0


def ramp(points: dict[int, float]) -> list[float]:
    """Return hourly values on straight lines between (hour, value) points, then the last one."""
    hours = sorted(points)
    out = []
    for hour in range(HOURS):
        later = next((at for at in hours if at >= hour), hours[-1])
        before = max((at for at in hours if at <= hour), default=hours[0])
        share = (hour - before) / (later - before) if later > before else 0.0
        out.append(points[before] + share * (points[later] - points[before]))
    return out


def degrees(points: dict[int, float]) -> list[float]:
    """Return hourly temperatures in °C between points in °F."""
    return [f_to_c(value) for value in ramp(points)]


def during(amounts: dict[range, float]) -> list[float]:
    """Return hourly amounts that hold within ranges of hours, else zero."""
    return [
        next((amount for hours, amount in amounts.items() if hour in hours), 0.0)
        for hour in range(HOURS)
    ]


def snow(inches_an_hour: dict[range, float], ratio: float = 10.0) -> dict[str, list[float]]:
    """Return snow as depth and water; ten to one where nothing else is said."""
    depth_mm = during({hours: value * INCH_MM for hours, value in inches_an_hour.items()})
    return {
        "snowfall_cm": [each / 10.0 for each in depth_mm],
        "snowfall_swe_mm": [each / ratio for each in depth_mm],
    }


def chance(hours: range, likely: float) -> list[float]:
    """Return the chance of precipitation: likely in some hours, else 5 %."""
    return [likely if hour in hours else 0.05 for hour in range(HOURS)]


NIGHT = {0: 28, 7: 26, 14: 36, 18: 31, 31: 22, 38: 38, 48: 40, 71: 42}
#: What the service says of each morning, by hour from midnight.
WEATHER: dict[str, dict | None] = {
    "dry cold frost": {
        "air_temp_c": degrees(NIGHT),
        "dew_point_c": degrees({0: 18, 14: 24, 18: 27, 31: 21, 38: 26, 71: 26}),
        "wind_10m_ms": 1.0,
        "cloud_frac": [CLEAR if 16 <= h < 34 else CLOUDY for h in range(HOURS)],
        "pop": 0.0,
    },
    "freezing rain": {
        "air_temp_c": degrees({0: 30, 14: 31, 18: 29, 30: 30, 38: 38, 71: 42}),
        "dew_point_c": degrees({0: 26, 14: 28, 18: 28, 30: 29, 38: 33, 71: 33}),
        "freezing_rain_mm": during({range(18, 26): 0.5}),
        "pop": chance(range(18, 26), 0.8),
    },
    "rain, then a flash freeze": {
        "air_temp_c": degrees({0: 38, 14: 43, 18: 40, 22: 24, 30: 12, 38: 20, 71: 25}),
        "dew_point_c": degrees({0: 37, 14: 41, 18: 36, 22: 16, 30: 4, 38: 8, 71: 10}),
        "rain_mm": during({range(8, 19): 1.0}),
        "wind_10m_ms": 6.0,
        "cloud_frac": [CLOUDY if h < 24 else CLEAR for h in range(HOURS)],
        "pop": chance(range(8, 19), 0.95),
    },
    "twelve inches of snow": {
        "air_temp_c": degrees({0: 25, 14: 28, 18: 26, 30: 24, 38: 27, 71: 28}),
        "dew_point_c": degrees({0: 15, 14: 19, 18: 23, 30: 21, 38: 17, 71: 17}),
        **snow({range(18, 30): 1.0}),
        "pop": chance(range(18, 30), 0.95),
    },
    "bursts off the lake": {
        "air_temp_c": degrees({0: 22, 14: 25, 30: 19, 38: 24, 71: 26}),
        "dew_point_c": degrees({0: 13, 14: 16, 30: 12, 38: 14, 71: 15}),
        **snow({range(10, 11): 1.5, range(15, 16): 1.5, range(21, 22): 1.5}, ratio=18.0),
        "wind_10m_ms": 5.0,
        "pop": [0.7 if h in (10, 15, 21) else 0.2 if 8 <= h < 24 else 0.05 for h in range(HOURS)],
    },
    "no forecast": None,
    "nothing": {
        "air_temp_c": degrees({0: 44, 14: 52, 30: 43, 38: 54, 71: 50}),
        "dew_point_c": degrees({0: 30, 71: 32}),
        "pop": 0.05,
    },
    "wet snow at 32 °F": {
        "air_temp_c": degrees({0: 34, 14: 35, 18: 32, 26: 32, 38: 37, 71: 40}),
        "dew_point_c": degrees({0: 30, 14: 31, 18: 32, 26: 32, 38: 34, 71: 33}),
        **snow({range(18, 26): 0.3}, ratio=7.0),
        "pop": chance(range(18, 26), 0.85),
    },
    "ice on decks only": {
        "air_temp_c": degrees({0: 44, 14: 50, 18: 42, 26: 35, 31: 34, 36: 46, 71: 50}),
        "dew_point_c": f_to_c(33.0),
        "wind_10m_ms": 1.0,
        "cloud_frac": [0.1 if 17 <= h < 33 else CLOUDY for h in range(HOURS)],
        "pop": 0.0,
    },
    "began an hour ago": {
        "air_temp_c": degrees({0: 27, 14: 28, 30: 22, 38: 27, 71: 30}),
        "dew_point_c": degrees({0: 24, 14: 24, 30: 16, 71: 18}),
        **snow({range(3, 9): 0.5}),
        "pop": chance(range(3, 9), 0.9),
    },
}


def company() -> dict:
    """Return the sections of the invented company: client by mail, prices, stock for a day."""
    client = {"name": "Ours (invented)", "contact": "us@client.example", "contact_by": "mail"}
    about = BASE_SECTIONS["company"] | {"phone": "608-555-0100"}
    north = BASE_SECTIONS["yards"]["north"]
    t1 = north["tanks"]["t1"] | {
        "on_hand": "5 gal",
        "reading": {"specific_gravity": 1.178, "temperature": "60 F", "taken_at": "2026-01-11"},
    }
    yard = north | {"tanks": {"t1": t1}}
    return {"company": about, "clients": {"ours": client}, "yards": {"north": yard}}


@cache
def planned_morning(name: str) -> Plan:
    """Return the plan of a morning."""
    # trees keep lot and walk warm where the deck has all of the clear sky
    shelter = {"sky_view": 0.5} if name == "ice on decks only" else {}
    surfaces = {key: one | (shelter if key != "deck" else {}) for key, one in SURFACES.items()}
    site = site_entry(43.1, -89.4, surfaces, name="Mill Court", open_hours="07:00-21:00")
    weather = WEATHER[name]
    answer = (
        SiteForecasts(None, "National Weather Service: no answer in 60 s")
        if weather is None
        else SiteForecasts(forecast_cell(HOURS, MIDNIGHT, **weather))
    )
    return make_plan(parse_sites({"mill": site}, **company()), {"mill": answer}, NOW)
