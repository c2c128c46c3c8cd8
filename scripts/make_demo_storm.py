"""Writes the bundled demo storm: invented forecast cells in the weather service's own format.

Beside them an hourly table for each site that has a second opinion. Everything here is invented: the places, the office "ZZZ", the storm. Run it after a change with
``python scripts/make_demo_storm.py``; the files it writes are committed. Times are UTC; the demo
morning is Monday 12 January 2026, 04:30 in America/Chicago.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable
from datetime import UTC, datetime, timedelta
from itertools import groupby, pairwise
from pathlib import Path

OUT = Path(__file__).parent.parent / "stormplan" / "demo"
START = datetime(2026, 1, 12, 6, tzinfo=UTC)  # midnight in Chicago
ISSUED = datetime(2026, 1, 12, 9, 12, tzinfo=UTC)
HOURS = 102
BLOCK_H = 6


def f_to_c(temp_f: float) -> float:
    return round((temp_f - 32) / 1.8, 10)


def curve(points: dict[int, float]) -> Callable[[int], float]:
    """Straight lines between (hour, value) points, rounded to whole numbers like the service's."""
    hours = sorted(points)

    def at(hour: int) -> float:
        if hour <= hours[0]:
            return points[hours[0]]
        for left, right in pairwise(hours):
            if hour <= right:
                share = (hour - left) / (right - left)
                return round(points[left] + share * (points[right] - points[left]))
        return points[hours[-1]]

    return at


# hour 0 is midnight Monday, local. One entry per cell: what an hourly reader would be told.
CELLS = {
    "1,1": {  # north side: dry afternoon, snow from 8 PM, clearing and cold after
        "place": (43.16, -89.44),
        "elevation_m": 290.0,
        "temp_f": curve({0: 26, 7: 24, 14: 33, 18: 31, 22: 28, 30: 25, 38: 27, 48: 18, 54: 15, 62: 24, 72: 17, 86: 26, 101: 20}),
        "dew_f": curve({0: 11, 9: 11, 14: 20, 18: 24, 22: 26, 30: 23, 38: 20, 48: 11, 62: 14, 72: 11, 101: 14}),
        "sky": curve({0: 30, 10: 60, 14: 90, 20: 100, 34: 95, 40: 45, 48: 10, 72: 20, 86: 60, 101: 40}),
        "wind_mph": curve({0: 5, 12: 7, 20: 9, 30: 12, 38: 10, 48: 5, 72: 6, 101: 8}),
        "pop": curve({0: 5, 14: 10, 18: 40, 20: 85, 28: 85, 32: 40, 36: 10, 48: 2, 101: 10}),
        "weather": lambda h: (("snow", "light") if h in (*range(20, 23), *range(27, 31)) else ("snow", "moderate") if 23 <= h < 27 else None),
        "qpf_mm": {3: 1.2, 4: 3.6, 5: 0.3},
        "snow_mm": {3: 15.0, 4: 52.0, 5: 4.0},
        "ice_mm": {},
    },
    "1,2": {  # south side: freezing rain from 9 PM, pavement just below freezing
        "place": (42.98, -89.38),
        "elevation_m": 262.0,
        "temp_f": curve({0: 28, 7: 27, 14: 34, 18: 32, 21: 31, 30: 30, 38: 33, 48: 26, 62: 31, 72: 22, 101: 25}),
        "dew_f": curve({0: 24, 14: 28, 18: 30, 21: 30, 30: 29, 38: 30, 48: 20, 72: 16, 101: 18}),
        "sky": curve({0: 60, 10: 85, 14: 95, 20: 100, 34: 100, 44: 60, 48: 30, 101: 50}),
        "wind_mph": curve({0: 6, 20: 8, 30: 9, 48: 6, 101: 7}),
        "pop": curve({0: 5, 14: 15, 18: 45, 21: 80, 30: 80, 34: 30, 38: 10, 101: 10}),
        "weather": lambda h: ("freezing_rain", "light") if 21 <= h < 31 else None,
        "qpf_mm": {3: 1.1, 4: 2.8, 5: 0.4},
        "snow_mm": {},
        "ice_mm": {3: 0.6, 4: 1.4, 5: 0.2},
    },
    "2,1": {  # downtown by the water: cloudy and mild, nothing falls
        "place": (43.06, -89.22),
        "elevation_m": 259.0,
        "temp_f": curve({0: 37, 7: 36, 14: 42, 22: 38, 30: 37, 38: 41, 48: 38, 62: 42, 72: 38, 101: 39}),
        "dew_f": curve({0: 29, 14: 30, 30: 30, 62: 31, 101: 31}),
        "sky": curve({0: 100, 101: 100}),
        "wind_mph": curve({0: 9, 14: 11, 30: 10, 101: 9}),
        "pop": curve({0: 5, 20: 10, 40: 8, 101: 5}),
        "weather": lambda h: None,
        "qpf_mm": {},
        "snow_mm": {},
        "ice_mm": {},
    },
    "2,2": {  # river bottom: clear, calm, humid: frost before dawn on Tuesday
        "place": (43.22, -89.10),
        "elevation_m": 251.0,
        "temp_f": curve({0: 30, 7: 29, 14: 38, 18: 34, 24: 31, 30: 29, 38: 39, 48: 35, 54: 34, 62: 42, 72: 36, 101: 36}),
        "dew_f": curve({0: 15, 9: 16, 14: 26, 18: 30, 24: 30, 30: 28, 38: 30, 48: 28, 72: 28, 101: 28}),
        "sky": curve({0: 40, 14: 25, 18: 5, 30: 5, 34: 20, 44: 90, 54: 95, 101: 90}),
        "wind_mph": curve({0: 3, 14: 5, 18: 2, 30: 2, 38: 5, 101: 6}),
        "pop": curve({0: 2, 101: 5}),
        "weather": lambda h: None,
        "qpf_mm": {},
        "snow_mm": {},
        "ice_mm": {},
    },
    "3,3": {  # across the lake, an hour ahead: wet pavement, then bursts of snow off the water
        "place": (41.70, -86.26),
        "elevation_m": 221.0,
        "temp_f": curve({0: 34, 7: 33, 14: 36, 18: 33, 21: 29, 30: 23, 38: 26, 48: 18, 62: 27, 72: 22, 101: 27}),
        "dew_f": curve({0: 27, 14: 28, 18: 28, 21: 25, 30: 18, 48: 12, 62: 17, 101: 18}),
        "sky": curve({0: 70, 14: 85, 20: 95, 30: 80, 38: 60, 48: 30, 101: 50}),
        "wind_mph": curve({0: 8, 14: 10, 20: 13, 30: 14, 38: 12, 48: 7, 101: 7}),
        "pop": curve({0: 10, 14: 20, 20: 75, 30: 75, 34: 35, 40: 10, 101: 10}),
        "weather": lambda h: ("snow", "light") if h in (*range(21, 23), *range(25, 27), *range(29, 31)) else None,
        "qpf_mm": {3: 0.9, 4: 1.5, 5: 0.4},
        "snow_mm": {3: 13.0, 4: 22.0, 5: 6.0},
        "ice_mm": {},
    },
}  # fmt: skip
# A forecaster hired by the hour, for two sites: agrees on the frost, has rain where the service has
# freezing rain.
TABLES = {
    "river-bend": {
        "temp_f": curve({0: 30, 7: 29, 14: 37, 18: 33, 24: 30, 30: 28, 38: 39, 48: 35, 62: 42, 101: 36}),
        "dew_f": curve({0: 15, 14: 26, 18: 30, 24: 29, 30: 27, 38: 30, 101: 28}),
        "sky": curve({0: 30, 18: 0, 30: 10, 44: 80, 101: 80}),
        "wind_mph": curve({0: 3, 101: 3}),
        "rain_mm": lambda h: 0.0,
    },
    "southgate": {
        "temp_f": curve({0: 36, 14: 41, 21: 39, 30: 38, 38: 41, 72: 39, 101: 38}),
        "dew_f": curve({0: 31, 14: 35, 21: 37, 30: 37, 48: 33, 101: 33}),
        "sky": curve({0: 80, 14: 100, 101: 100}),
        "wind_mph": curve({0: 6, 20: 9, 101: 9}),
        "rain_mm": lambda h: 0.4 if 21 <= h < 31 else 0.0,
    },
}  # fmt: skip


def stamp(hour: int, hours: int) -> str:
    start = START + timedelta(hours=hour)
    days, rest = divmod(hours, 24)
    length = "P" + (f"{days}D" if days else "") + (f"T{rest}H" if rest else "")
    return f"{start.isoformat()}/{length}"


def runs(values: Iterable[object]) -> list[dict[str, object]]:
    """Run-length encode hourly values the way the service does: equal neighbors are merged."""
    entries, hour = [], 0
    for value, group in groupby(values):
        length = len(list(group))
        entries.append({"validTime": stamp(hour, length), "value": value})
        hour += length
    return entries


def blocks(amounts: dict[int, float]) -> list[dict[str, object]]:
    return [
        {"validTime": stamp(block * BLOCK_H, BLOCK_H), "value": amounts.get(block, 0)}
        for block in range(HOURS // BLOCK_H)
    ]


def layer(uom: str, values: list[dict[str, object]]) -> dict[str, object]:
    return {"uom": f"wmoUnit:{uom}", "values": values}


def weather(said: tuple[str, str] | None) -> list[dict[str, object]]:
    kind, intensity = said or (None, None)
    coverage = "likely" if said else None
    visibility = {"unitCode": "wmoUnit:km", "value": None}
    return [
        {
            "coverage": coverage,
            "weather": kind,
            "intensity": intensity,
            "visibility": visibility,
            "attributes": [],
        }
    ]


def grid(name: str, cell: dict) -> dict[str, object]:
    x, y = name.split(",")
    lat, lon = cell["place"]
    temp = [f_to_c(cell["temp_f"](h)) for h in range(HOURS)]
    dew = [f_to_c(min(cell["dew_f"](h), cell["temp_f"](h))) for h in range(HOURS)]
    wind = [round(cell["wind_mph"](h) * 1.609344, 3) for h in range(HOURS)]
    ring = [
        (lon + dx, lat + dy)
        for dx, dy in ((-0.015, -0.012), (-0.015, 0.012), (0.015, 0.012), (0.015, -0.012), (-0.015, -0.012))
    ]  # fmt: skip
    humidity = [
        round(100 * math.exp(17.625 * d / (d + 243.04)) / math.exp(17.625 * t / (t + 243.04)))
        for t, d in zip(temp, dew, strict=True)
    ]
    return {
        "id": f"https://weather.invalid/gridpoints/ZZZ/{name}",
        "type": "Feature",
        "geometry": {"type": "Polygon", "coordinates": [[[round(a, 4), round(b, 4)] for a, b in ring]]},
        "properties": {
            "@id": f"https://weather.invalid/gridpoints/ZZZ/{name}",
            "@type": "wx:Gridpoint",
            "updateTime": ISSUED.isoformat(),
            "validTimes": stamp(0, HOURS),
            "elevation": {"unitCode": "wmoUnit:m", "value": cell["elevation_m"]},
            "gridId": "ZZZ",
            "gridX": int(x),
            "gridY": int(y),
            "temperature": layer("degC", runs(temp)),
            "dewpoint": layer("degC", runs(dew)),
            "relativeHumidity": layer("percent", runs(humidity)),
            "skyCover": layer("percent", runs(cell["sky"](h) for h in range(HOURS))),
            "windSpeed": layer("km_h-1", runs(wind)),
            "windGust": layer("km_h-1", runs(round(w * 1.6, 3) for w in wind)),
            "weather": {"values": runs(weather(cell["weather"](h)) for h in range(HOURS))},
            "probabilityOfPrecipitation": layer(
                "percent", runs(cell["pop"](h) for h in range(HOURS))
            ),
            "quantitativePrecipitation": layer("mm", blocks(cell["qpf_mm"])),
            "iceAccumulation": layer("mm", blocks(cell["ice_mm"])),
            "snowfallAmount": layer("mm", blocks(cell["snow_mm"])),
        },
    }  # fmt: skip


def table(told: dict) -> str:
    """Return an hourly table as a station or a consultant has it."""
    rows = [
        "time,air_temp_c,dew_point_c,wind_10m_ms,cloud_frac,pop,rain_mm,snowfall_swe_mm,freezing_rain_mm"
    ]
    for hour in range(HOURS):
        temp_c, dew_c = f_to_c(told["temp_f"](hour)), f_to_c(told["dew_f"](hour))
        wind_ms, rain_mm = told["wind_mph"](hour) * 0.44704, told["rain_mm"](hour)
        time = f"{START + timedelta(hours=hour):%Y-%m-%dT%H:%MZ}"
        rows.append(
            f"{time},{temp_c:.1f},{dew_c:.1f},{wind_ms:.1f},{told['sky'](hour) / 100},"
            f"{0.8 if rain_mm else 0.05},{rain_mm},0,0"
        )
    return "\n".join(rows) + "\n"


def main() -> None:
    OUT.mkdir(exist_ok=True)
    for name, told in TABLES.items():
        (OUT / f"{name}.csv").write_text(table(told), encoding="utf-8")
    for name, cell in CELLS.items():
        path = OUT / f"grid_ZZZ_{name.replace(',', '_')}.json"
        path.write_text(json.dumps(grid(name, cell), separators=(",", ":")) + "\n")


if __name__ == "__main__":
    main()
