"""One invented hourly storm in the forms of three services, for comparing what is read of them.

A row per hour from ``START``. Words, symbols and codes are the services' own for the same hour.
"""

from datetime import UTC, datetime, timedelta

START = datetime(2026, 1, 11, 18, tzinfo=UTC)
HOURS = 96
ISSUED = datetime(2026, 1, 12, 9, tzinfo=UTC)
NOW = datetime(2026, 1, 12, 10, 30, tzinfo=UTC)
LATITUDE, LONGITUDE, ELEVATION_M = 43.1, -89.4, 280

# Water to depth by Hedstrom & Pomeroy 1998, density 67.92 + 51.25 exp(T / 2.59) kg/m3, worked out
# by hand at the one temperature at which it snows here: 84.0 kg/m3 at -3.0 degC.
SNOW_AT_C = -3.0
CM_PER_MM = 0.1 * 1000 / 84.0

WORDS = {"rain": "rain", "snow": "snow", "freezing": "freezing_rain", None: None}
SYMBOLS = {"rain": "rain", "snow": "snow", "freezing": "rain", None: "cloudy"}  # no ice symbol
CODES = {"rain": 61, "snow": 73, "freezing": 66, None: 3}


def hour_values(hour):
    """Air [degC], dew point [degC], wind [m/s], cloud, what falls, water [mm]."""
    if hour < 30:
        return round(4.0 - 0.1 * hour, 1), -3.0, 2.0, 0.2, None, 0.0
    if hour < 34:
        return 2.5, 1.5, 3.0, 1.0, "rain", 0.8
    if hour < 38:
        return -1.0, -1.5, 3.0, 1.0, "freezing", 0.6
    if hour < 48:
        return SNOW_AT_C, -4.0, 4.0, 1.0, "snow", 0.5
    return -6.0, -9.0, 2.0, 0.1, None, 0.0


def hour_start(hour):
    return START + timedelta(hours=hour)


TABLE = [(hour_start(hour), *hour_values(hour)) for hour in range(HOURS)]


def nws_reply():
    def layer(uom, values):
        entries = [
            {"validTime": f"{hour_start(hour).isoformat()}/PT1H", "value": value}
            for hour, value in enumerate(values)
        ]
        return {"uom": uom, "values": entries}

    def word(kind):
        named = {"coverage": "definite", "weather": WORDS[kind], "intensity": "light"}
        return [named if kind else {"coverage": None, "weather": None, "intensity": None}]

    snow = [10 * CM_PER_MM * mm if kind == "snow" else 0.0 for *_, kind, mm in TABLE]
    ice = [0.5 * mm if kind == "freezing" else 0.0 for *_, kind, mm in TABLE]
    return {
        "geometry": {"type": "Point", "coordinates": [LONGITUDE, LATITUDE]},
        "properties": {
            "@id": "https://example.invalid/gridpoints/XYZ/1,2",
            "updateTime": ISSUED.isoformat(),
            "elevation": {"unitCode": "wmoUnit:m", "value": ELEVATION_M},
            "temperature": layer("wmoUnit:degC", [r[1] for r in TABLE]),
            "dewpoint": layer("wmoUnit:degC", [r[2] for r in TABLE]),
            "windSpeed": layer("wmoUnit:km_h-1", [3.6 * r[3] for r in TABLE]),
            "skyCover": layer("wmoUnit:percent", [100 * r[4] for r in TABLE]),
            "quantitativePrecipitation": layer("wmoUnit:mm", [r[6] for r in TABLE]),
            "snowfallAmount": layer("wmoUnit:mm", snow),
            "iceAccumulation": layer("wmoUnit:mm", ice),
            "weather": {
                "values": [
                    {"validTime": f"{at.isoformat()}/PT1H", "value": word(kind)}
                    for at, *_, kind, _ in TABLE
                ]
            },
        },
    }


def metno_reply():
    def six_hours(hour):
        return {
            "summary": {"symbol_code": "rain"},
            "details": {"precipitation_amount": sum(r[6] for r in TABLE[hour : hour + 6])},
        }

    steps = [
        {
            "time": f"{at:%Y-%m-%dT%H:%M:%SZ}",
            "data": {
                "instant": {
                    "details": {
                        "air_temperature": air,
                        "dew_point_temperature": dew,
                        "wind_speed": wind,
                        "cloud_area_fraction": 100 * cloud,
                    }
                },
                "next_1_hours": {
                    "summary": {"symbol_code": SYMBOLS[kind]},
                    "details": {"precipitation_amount": mm},
                },
                "next_6_hours": six_hours(hour),  # runs along; must not be counted again
            },
        }
        for hour, (at, air, dew, wind, cloud, kind, mm) in enumerate(TABLE)
    ]
    units = {
        "air_temperature": "celsius",
        "dew_point_temperature": "celsius",
        "wind_speed": "m/s",
        "cloud_area_fraction": "%",
        "precipitation_amount": "mm",
    }
    return {
        "type": "Feature",
        "geometry": {"type": "Point", "coordinates": [LONGITUDE, LATITUDE, ELEVATION_M]},
        "properties": {
            "meta": {"updated_at": f"{ISSUED:%Y-%m-%dT%H:%M:%SZ}", "units": units},
            "timeseries": steps,
        },
    }


OPENMETEO_UNITS = {
    "temperature_2m": "°C",
    "dew_point_2m": "°C",
    "wind_speed_10m": "m/s",
    "cloud_cover": "%",
    "precipitation": "mm",
    "rain": "mm",
    "showers": "mm",
    "snowfall": "cm",
    "weather_code": "wmo code",
}


def openmeteo_reply():
    """States at the stamp; sums and codes stand in the row after their hour."""
    rows = [*TABLE, (hour_start(HOURS), *hour_values(HOURS))]
    before = [None, *rows[:-1]]

    def ended(give):
        return [None if r is None else give(r[5], r[6]) for r in before]

    return {
        "latitude": LATITUDE,
        "longitude": LONGITUDE,
        "elevation": float(ELEVATION_M),
        "utc_offset_seconds": 0,
        "timezone": "GMT",
        "hourly_units": {"time": "unixtime"} | OPENMETEO_UNITS,
        "hourly": {
            "time": [int(r[0].timestamp()) for r in rows],
            "temperature_2m": [r[1] for r in rows],
            "dew_point_2m": [r[2] for r in rows],
            "wind_speed_10m": [r[3] for r in rows],
            "cloud_cover": [100 * r[4] for r in rows],
            "precipitation": ended(lambda kind, mm: mm),
            "rain": ended(lambda kind, mm: 0.0 if kind == "snow" else 0.75 * mm),
            "showers": ended(lambda kind, mm: 0.0 if kind == "snow" else 0.25 * mm),
            "snowfall": ended(lambda kind, mm: 0.7 * mm if kind == "snow" else 0.0),
            "weather_code": ended(lambda kind, mm: CODES[kind]),
        },
    }


def table_csv():
    """The same as a file of one's own."""
    head = (
        "time,air_temp_c,dew_point_c,wind_10m_ms,cloud_frac,"
        "rain_mm,snowfall_swe_mm,freezing_rain_mm"
    )
    phases = ("rain", "snow", "freezing")
    lines = [
        f"{at.isoformat()},{air!r},{dew},{wind},{cloud},"
        + ",".join(str(mm if kind == each else 0.0) for each in phases)
        for at, air, dew, wind, cloud, kind, mm in TABLE
    ]
    return "\n".join([head, *lines]) + "\n"
