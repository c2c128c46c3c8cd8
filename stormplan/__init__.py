"""stormplan: from the open weather forecast to a decision for every surface.

What a notebook needs is exported here and described in ``stormplan.api``. It is loaded at first
use, so that the command line starts without pandas.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from stormplan.version import __version__

if TYPE_CHECKING:
    from stormplan.api import (
        Batch,
        Blend,
        CellForecast,
        ForecastError,
        InputError,
        LiquidApplication,
        Plan,
        PlowPass,
        Sites,
        SitesError,
        StormplanError,
        batch,
        blend,
        brine_density_kg_m3,
        brine_freeze_point_c,
        brine_strength_pct,
        demo_plan,
        forecast_from_dataframe,
        hydrometer_reading_sg,
        load_sites,
        plan,
        read_plan,
        simulate_pavement,
    )

__all__ = [
    "Batch",
    "Blend",
    "CellForecast",
    "ForecastError",
    "InputError",
    "LiquidApplication",
    "Plan",
    "PlowPass",
    "Sites",
    "SitesError",
    "StormplanError",
    "__version__",
    "batch",
    "blend",
    "brine_density_kg_m3",
    "brine_freeze_point_c",
    "brine_strength_pct",
    "demo_plan",
    "forecast_from_dataframe",
    "hydrometer_reading_sg",
    "load_sites",
    "plan",
    "read_plan",
    "simulate_pavement",
]


def __getattr__(name: str) -> Any:
    """Return a name of the Python interface, loaded at its first use (PEP 562)."""
    if name not in __all__:
        raise AttributeError(f"module 'stormplan' has no attribute '{name}'")
    from stormplan import api

    return getattr(api, name)


def __dir__() -> list[str]:
    return sorted(__all__)
