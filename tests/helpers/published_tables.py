"""Small hourly tables for tests: say what happens, get a forecast cell."""

from collections.abc import Mapping
from datetime import UTC, datetime

import numpy as np

from stormplan.weather.forecast import CellForecast

NOON = datetime(2026, 1, 12, 18, tzinfo=UTC)  # noon in Chicago


def hourly(value, hours: int) -> np.ndarray:
    """A constant, a full list, or {hour: value} filled forward."""
    if isinstance(value, Mapping):
        out, last = np.empty(hours), next(iter(value.values()))
        for hour in range(hours):
            last = value.get(hour, last)
            out[hour] = last
        return out
    return np.broadcast_to(np.asarray(value, dtype=float), (hours,)).copy()


def forecast_cell(
    hours: int = 72, start: datetime = NOON, name: str = "TST/1,1", **series
) -> CellForecast:
    """A calm, dry, cloudy cell at the freezing point, but for what is said."""
    quiet = {
        "air_temp_c": 0.0,
        "dew_point_c": -20.0,
        "wind_10m_ms": 2.0,
        "cloud_frac": 1.0,
        "rain_mm": 0.0,
        "snowfall_swe_mm": 0.0,
        "freezing_rain_mm": 0.0,
        "sleet_mm": 0.0,
        "snowfall_cm": 0.0,
        "pop": 0.0,
    }
    values = {key: hourly(value, hours)[:, None] for key, value in (quiet | series).items()}
    phases = ("rain_mm", "snowfall_swe_mm", "freezing_rain_mm", "sleet_mm")
    values["precip_mm"] = np.sum([values[key] for key in phases], axis=0)
    return CellForecast(
        source="nws",
        cell_id=name,
        latitude_deg=43.1,
        longitude_deg=-89.4,
        elevation_m=280.0,
        start=start,
        issued_at=start,
        fetched_at=start,
        values=values,
    )


def between_hours(start: int, end: int, value: float) -> dict[int, float]:
    """Zero but between two hours."""
    return {0: 0.0, start: value, end: 0.0} if start else {0: value, end: 0.0}
