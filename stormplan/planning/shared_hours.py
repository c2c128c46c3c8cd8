"""Hours of very many surfaces in little memory: what is written alike is kept once.

Surfaces of a cell have its weather in common, and rounded values are few. A float is 24 bytes
beside the 8 that name it, so a series of shared ones takes a quarter.
"""

from __future__ import annotations

from array import array
from collections.abc import Mapping
from hashlib import blake2b
from typing import Any

from stormplan.planning.plan import ForecastSeries, HourlySeries


class SharedHours:
    """Keeps series of floats, and the floats in them, once.

    Equal floats that are written differently, zero and minus zero, stay what they are.
    """

    def __init__(self) -> None:
        self._floats: dict[float | str, float | None] = {}
        self._series: dict[bytes, tuple[float | None, ...]] = {}

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
        key = blake2b(_written(values), digest_size=16).digest()
        kept = self._series.get(key)
        if kept is None:
            known = self._floats
            kept = tuple([known.setdefault(value or repr(value), value) for value in values])
            self._series[key] = kept
        return kept


def _written(values: tuple[Any, ...]) -> bytes:
    """Return the bits of numbers, and which of them are None."""
    try:
        return array("d", values).tobytes()
    except TypeError:  # some are not known
        known = array("d", [0.0 if value is None else value for value in values])
        return known.tobytes() + bytes(value is None for value in values)
