"""Sites and plans: read a sites file, plan from forecasts, read a plan."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path

import pandas as pd

from stormplan.api.weather_table import aware_utc, forecast_from_dataframe
from stormplan.company import sites_file
from stormplan.company.sites import Sites
from stormplan.errors import InputError
from stormplan.planning.plan import Plan
from stormplan.planning.planner import SiteForecasts, make_plan
from stormplan.service import pipeline
from stormplan.store.archive import IN_MEMORY, Archive
from stormplan.weather.forecast import CellForecast
from stormplan.weather.providers import quality_control


def load_sites(path: str | Path) -> Sites:
    """Read and check a sites file.

    Parameters
    ----------
    path : str or Path
        The YAML file.

    Returns
    -------
    Sites
        Company, yards, products, clients and sites, in SI.

    Raises
    ------
    InputError
        The file cannot be opened.
    SitesError
        Something in it is wrong; carries every problem found, each with its line.

    Examples
    --------
    >>> from importlib.resources import files
    >>> sites = load_sites(files("stormplan") / "demo" / "sites.yaml")
    >>> sites.company.timezone
    'America/Chicago'
    """
    return sites_file.load_sites(Path(path))


def plan(
    sites: Sites,
    forecasts: Mapping[str, CellForecast | pd.DataFrame] | None = None,
    now: datetime | None = None,
    *,
    folder: str | Path = ".",
    archive: str | Path = IN_MEMORY,
) -> Plan:
    """Plan every site as of a moment.

    Parameters
    ----------
    sites : Sites
        What ``load_sites`` returned.
    forecasts : mapping of str to CellForecast or DataFrame, optional
        By site key; a DataFrame is read as by ``forecast_from_dataframe``, at the place of its
        site. A site that is not in it is planned as one without a forecast. Without the argument
        the sources of the sites file are asked, which needs a network.
    now : datetime, optional
        Moment of planning, with its time zone; the present without it.
    folder : str or Path
        Where relative paths of the sites file start.
    archive : str or Path
        File that keeps replies of the sources, so that the next plan asks only for what is new;
        kept for this call alone without it.

    Returns
    -------
    Plan
        The record from which every report is rendered; ``model_dump_json`` writes it.

    Raises
    ------
    InputError
        No time zone, a site that is not in the sites file, or a table that cannot be used.
    ForecastError
        A forecast that does not cover the 24 h from ``now``.

    Examples
    --------
    A frost night for every site of the demo, from one table:

    >>> from importlib.resources import files
    >>> sites = load_sites(files("stormplan") / "demo" / "sites.yaml")
    >>> hours = pd.date_range("2026-01-12T12:00Z", periods=72, freq="h")
    >>> weather = pd.DataFrame(
    ...     {"air_temp_c": -3.0, "dew_point_c": -3.5, "wind_10m_ms": 2.0,
    ...      "cloud_frac": 0.0, "precip_mm": 0.0}, index=hours)
    >>> tonight = plan(sites, {key: weather for key in sites.sites}, now=hours[6])
    >>> tonight.verdict
    'go'
    """
    moment = datetime.now(UTC) if now is None else aware_utc(now, "now")
    if forecasts is None:
        with Archive(archive) as store:
            return pipeline.fetch_and_plan(sites, store, moment, sites_folder=Path(folder))
    for key in forecasts:
        if key not in sites.sites:
            raise InputError(
                f"forecasts: no site '{key}' in the sites file; accepted: {', '.join(sites.sites)}"
            )
    cells = {key: _site_forecast(key, given, sites, moment) for key, given in forecasts.items()}
    return make_plan(sites, {key: SiteForecasts(cell) for key, cell in cells.items()}, moment)


def _site_forecast(
    key: str, given: CellForecast | pd.DataFrame, sites: Sites, now: datetime
) -> CellForecast:
    """Return a site's forecast, checked for the day ahead."""
    site = sites.sites[key]
    cell = (
        given
        if isinstance(given, CellForecast)
        else forecast_from_dataframe(
            given, site.latitude_deg, site.longitude_deg, name=key, issued_at=now
        )
    )
    return quality_control.require_plannable(cell, now)


def read_plan(path: str | Path) -> Plan:
    """Read a ``plan.json`` back.

    Parameters
    ----------
    path : str or Path
        The file.

    Returns
    -------
    Plan
        Equal to the plan that was written.

    Raises
    ------
    InputError
        It cannot be read, or is no plan of this version.

    Examples
    --------
    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "plan.json"
    >>> _ = path.write_text(demo_plan().model_dump_json(), encoding="utf-8")
    >>> read_plan(path).verdict
    'go'
    """
    return pipeline.read_plan(Path(path))


def demo_plan() -> Plan:
    """Return the plan of the bundled, invented company and storm; needs no network.

    Returns
    -------
    Plan
        As of 04:30 on Monday, 12 January 2026.

    Examples
    --------
    >>> demo_plan().company
    'Quillwater Winter Care (invented demo)'
    """
    return pipeline.plan_demo()
