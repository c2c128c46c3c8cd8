"""Invented weather and surfaces, shared by the physics tests."""

from datetime import UTC, datetime

import numpy as np

from stormplan.company import catalog
from stormplan.physics.pavement import Column, Columns
from stormplan.weather.forecast import CellForecast, Forecast, stack

START = datetime(2026, 1, 10, 6, tzinfo=UTC)
ASPHALT = catalog.BUILD_UPS["asphalt"]
DECK = catalog.BUILD_UPS["open_deck"]
CALM = {"air_temp_c": -2.0, "dew_point_c": -5.0, "wind_10m_ms": 3.0, "cloud_frac": 0.3}
DRY = dict.fromkeys(
    ("precip_mm", "rain_mm", "snowfall_swe_mm", "freezing_rain_mm", "sleet_mm"), 0.0
)


def forecast(hours=48, latitude=42.0, members=1, **values) -> Forecast:
    """One cell; each value a number or an array (hour,) or (hour, member)."""
    arrays = {}
    for name, value in (CALM | DRY | values).items():
        value = np.asarray(value, dtype=float)
        value = value[:, None] if value.ndim == 1 else value
        arrays[name] = np.broadcast_to(value, (hours, members)).copy()
    cell = CellForecast("test", "0", latitude, -88.0, 200.0, START, START, START, arrays)
    return stack([cell], START, hours)


def single_column(build_up=ASPHALT, **exposure) -> Columns:
    return Columns.from_records([Column(0, build_up, **exposure)])


def diurnal(hours, mean=-2.0, swing=4.0):
    return mean + swing * np.sin(2 * np.pi * (np.arange(hours) + 6 - 15) / 24)


def changeable_weather(hours=72, seed=0, members=1) -> Forecast:
    """Changeable weather around freezing with rain, snow, sleet and freezing rain."""
    rng = np.random.default_rng(seed)
    air = diurnal(hours, 0.0, 3.0)[:, None] + rng.normal(0, 1.5, (hours, members))
    falls = {
        name: rng.gamma(0.5, 1.0, (hours, members)) * (rng.random((hours, members)) < 0.25)
        for name in ("rain_mm", "snowfall_swe_mm", "freezing_rain_mm", "sleet_mm")
    }
    return forecast(
        hours,
        members=members,
        air_temp_c=air,
        dew_point_c=air - rng.uniform(0, 5, (hours, members)),
        wind_10m_ms=rng.uniform(0, 10, (hours, members)),
        cloud_frac=rng.random((hours, members)),
        precip_mm=sum(falls.values()),
        **falls,
    )
