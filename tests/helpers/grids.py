"""Small invented bodies of the National Weather Service's grid, for tests of the rules."""

from datetime import UTC, datetime, timedelta

NOW = datetime(2026, 1, 12, 10, tzinfo=UTC)
START = datetime(2026, 1, 12, 6, tzinfo=UTC)


def interval(hour, duration):
    """Interval from an hour of 12 January 2026."""
    return f"{(START.replace(hour=0) + timedelta(hours=hour)).isoformat()}/{duration}"


def layer(uom, *entries):
    values = [
        {"validTime": interval(hour, length), "value": value} for hour, length, value in entries
    ]
    return {"uom": uom, "values": values}


def weather_layer(*entries):
    """(hour, duration, [(coverage, word, intensity)...])."""
    return {
        "values": [
            {
                "validTime": interval(hour, length),
                "value": [
                    {"coverage": coverage, "weather": word, "intensity": intensity}
                    for coverage, word, intensity in words
                ],
            }
            for hour, length, words in entries
        ]
    }


DRY = [(None, None, None)]


def gridpoint_reply(temp=-2.0, **layers):
    """An invented body: steady and dry for three days, with the layers given put in."""
    properties = {
        "@id": "https://example.invalid/gridpoints/XYZ/1,2",
        "updateTime": "2026-01-12T09:00:00+00:00",
        "elevation": {"unitCode": "wmoUnit:m", "value": 100},
        "temperature": layer("wmoUnit:degC", (6, "P3D", temp)),
        "dewpoint": layer("wmoUnit:degC", (6, "P3D", temp - 4)),
        "relativeHumidity": layer("wmoUnit:percent", (6, "P3D", 75)),
        "skyCover": layer("wmoUnit:percent", (6, "P3D", 50)),
        "windSpeed": layer("wmoUnit:km_h-1", (6, "P3D", 18)),
        "probabilityOfPrecipitation": layer("wmoUnit:percent", (6, "P3D", 0)),
        "quantitativePrecipitation": layer("wmoUnit:mm", (6, "P3D", 0)),
        "snowfallAmount": layer("wmoUnit:mm", (6, "P3D", 0)),
        "iceAccumulation": layer("wmoUnit:mm", (6, "P3D", 0)),
        "weather": weather_layer((6, "P3D", DRY)),
    }
    ring = [[-93.0, 45.0], [-92.9, 45.0], [-92.9, 45.1], [-93.0, 45.1], [-93.0, 45.0]]
    return {
        "type": "Feature",
        "geometry": {"type": "Polygon", "coordinates": [ring]},
        "properties": properties | layers,
    }
