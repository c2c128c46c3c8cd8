"""Hours of very many surfaces in little memory: what is written alike is kept once.

Surfaces of a cell have its weather in common, and rounded values are few. A float is 24 bytes
beside the 8 that name it, so a series of shared ones takes a quarter.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from stormplan.planning.plan import ForecastSeries, HourlySeries


class SharedHours:
    """Keeps series of floats, and the floats in them, once; a plan's have no minus zero."""

    def __init__(self) -> None:
        self._floats: dict[float | None, float | None] = {}
        self._series: dict[tuple[float | None, ...], tuple[float | None, ...]] = {}

    def hourly(self, series: HourlySeries) -> HourlySeries:
        """Return the same hours of a surface."""
        return series.model_copy(update=self._kept(dict(series)))

    def forecast(self, series: ForecastSeries) -> ForecastSeries:
        """Return the same hours of a forecast."""
        return series.model_copy(update={"values": self._kept(series.values)})

    def _kept(self, fields: Mapping[str, Any]) -> dict[str, Any]:
        return {
            name: self._once(values) if isinstance(values, tuple) and name != "hazard" else values
            for name, values in fields.items()
        }

    def _once(self, values: tuple[float | None, ...]) -> tuple[float | None, ...]:
        kept = self._series.get(values)
        if kept is None:
            kept = tuple(map(self._floats.setdefault, values, values))
            self._series[kept] = kept
        return kept
