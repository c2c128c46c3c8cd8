"""Python interface: sites, plans, pavement and brine for a notebook or another program.

Everything here is exported by the package, ``from stormplan import plan``. Tables are pandas
DataFrames with an aware hourly index; strengths are in percent by weight; everything else is SI,
with the unit in the name. What cannot be used is refused with an ``InputError`` that says where it
stands and what would be accepted.
"""

from __future__ import annotations

from stormplan.api.liquids import (
    Blend,
    batch,
    blend,
    brine_density_kg_m3,
    brine_freeze_point_c,
    brine_strength_pct,
    hydrometer_reading_sg,
)
from stormplan.api.pavement import LiquidApplication, PlowPass, simulate_pavement
from stormplan.api.plans import demo_plan, load_sites, plan, read_plan
from stormplan.api.weather_table import forecast_from_dataframe
from stormplan.company.sites import Sites
from stormplan.errors import ForecastError, InputError, SitesError, StormplanError
from stormplan.liquids.batch import Batch
from stormplan.planning.plan import Plan
from stormplan.weather.forecast import CellForecast

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
