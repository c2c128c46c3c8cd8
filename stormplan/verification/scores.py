"""How good was it: forecasts held against what came, by source and lead.

Scores are for the reader and for the spread a forecast is stated with; they never change a
forecast. Temperature is scored by bias and root-mean-square error, the chance of freezing by the
Brier score and by reliability: of the hours given 30 %, how many froze.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from stormplan.physics.ensemble import air_error_dc, normal
from stormplan.weather.forecast import CellForecast

Array = NDArray[np.float64]

#: Leads are told apart by these limits [h]: a shift, a night, and whole days.
LEADS_H = (3, 12, 24, 48, 72, 120, 240)
#: An hour given up to this long before it began counts as an analysis of it [h].
ANALYSIS_LEAD_H = 1
#: Chances are gathered between these limits for reliability [-].
CHANCES = (0.0, 0.1, 0.3, 0.5, 0.7, 0.9, 1.0)


@dataclass(frozen=True)
class Pairs:
    """Forecasts of single hours beside what came: arrays (pair,).

    Attributes
    ----------
    lead_h : array
        From receipt of the forecast to the hour [h].
    forecast_c, truth_c : array
        Air temperature forecast (median of the members) and come [°C].
    chance : array
        Forecast chance of air at or below freezing [-].
    """

    lead_h: Array
    forecast_c: Array
    truth_c: Array
    chance: Array


@dataclass(frozen=True)
class Reliability:
    """Hours given about the same chance: how many, the chance said, and the share that came."""

    hours: int
    said: float
    came: float


@dataclass(frozen=True)
class Score:
    """One source at one range of leads.

    Attributes
    ----------
    source : str
        Which [-].
    from_h, to_h : int
        Leads from, and up to but without [h].
    hours : int
        Pairs scored [-].
    bias_dc, rmse_dc : float
        Forecast minus what came: mean, and root of the mean square [K].
    brier : float
        Mean square of chance minus outcome: 0 is perfect, 0.25 says nothing [-].
    reliability : tuple of Reliability
        In order of the chance [-].
    """

    source: str
    from_h: int
    to_h: int
    hours: int
    bias_dc: float
    rmse_dc: float
    brier: float
    reliability: tuple[Reliability, ...]


def chance_of_freezing(air_c: Array, lead_h: Array) -> Array:
    """Give the chance that the air is at or below freezing.

    Parameters
    ----------
    air_c : array (hour, member)
        Forecast [°C].
    lead_h : array (hour,)
        How far ahead [h].

    Returns
    -------
    array (hour,)
        Share of members; of a single member, by the error that plans state without a record [-].
    """
    if air_c.shape[1] > 1:
        return np.asarray((air_c <= 0.0).mean(axis=1))
    return normal(-air_c[:, 0] / air_error_dc(lead_h))


def analyses(cells: Sequence[CellForecast]) -> dict[datetime, float]:
    """Take what a source itself later said of each hour, when it was upon it.

    Parameters
    ----------
    cells : sequence of CellForecast
        Of one source and place, in any order [-].

    Returns
    -------
    dict of datetime to float
        Air temperature by start of the hour, from the forecast received nearest to it and at most
        an hour before [°C].
    """
    best: dict[datetime, tuple[float, float]] = {}
    for cell in cells:
        leads = _leads_h(cell)
        for hour in np.flatnonzero(leads <= ANALYSIS_LEAD_H):
            value = float(np.median(cell.values["air_temp_c"][hour]))
            time = cell.start + timedelta(hours=int(hour))
            away = abs(float(leads[hour]))
            if math.isfinite(value) and away < best.get(time, (math.inf, 0.0))[0]:
                best[time] = away, value
    return {time: value for time, (_, value) in best.items()}


def pair(cells: Sequence[CellForecast], truth: Mapping[datetime, float]) -> Pairs:
    """Line forecasts up with what came.

    Parameters
    ----------
    cells : sequence of CellForecast
        Of one source [-].
    truth : mapping of datetime to float
        Air temperature by start of the hour [°C].

    Returns
    -------
    Pairs
        Every hour of every forecast at least ``LEADS_H[0]`` ahead for which there is a truth.
    """
    rows: list[tuple[float, float, float, float]] = []
    for cell in cells:
        air_c, leads = cell.values["air_temp_c"], _leads_h(cell)
        chance = chance_of_freezing(air_c, leads)
        middle = np.median(air_c, axis=1)
        for hour, lead in enumerate(leads):
            came = truth.get(cell.start + timedelta(hours=hour))
            if lead >= LEADS_H[0] and came is not None and math.isfinite(middle[hour]):
                rows.append((float(lead), float(middle[hour]), came, float(chance[hour])))
    table = np.array(rows, dtype=float).reshape(-1, 4)
    return Pairs(*table.T)


def join(pairs: Sequence[Pairs]) -> Pairs:
    """Put the pairs of several places together."""
    return Pairs(*(np.concatenate(parts) for parts in zip(*map(_arrays, pairs), strict=True)))


def _arrays(pairs: Pairs) -> tuple[Array, ...]:
    return pairs.lead_h, pairs.forecast_c, pairs.truth_c, pairs.chance


def series(cell: CellForecast) -> dict[datetime, float]:
    """Give the known air temperatures of a table of readings, by start of the hour [°C]."""
    air_c = cell.values["air_temp_c"][:, 0]
    return {
        cell.start + timedelta(hours=int(hour)): float(air_c[hour])
        for hour in np.flatnonzero(np.isfinite(air_c))
    }


def score(source: str, pairs: Pairs) -> tuple[Score, ...]:
    """Score a source by lead.

    Parameters
    ----------
    source : str
        Its name [-].
    pairs : Pairs
        Forecasts beside what came [-].

    Returns
    -------
    tuple of Score
        One for each range of leads that has pairs.
    """
    found = []
    for from_h, to_h in pairwise(LEADS_H):
        chosen = (pairs.lead_h >= from_h) & (pairs.lead_h < to_h)
        if not chosen.any():
            continue
        error = pairs.forecast_c[chosen] - pairs.truth_c[chosen]
        froze = pairs.truth_c[chosen] <= 0.0
        chance = pairs.chance[chosen]
        found.append(
            Score(
                source=source,
                from_h=from_h,
                to_h=to_h,
                hours=int(chosen.sum()),
                bias_dc=float(error.mean()),
                rmse_dc=float(np.sqrt((error**2).mean())),
                brier=float(((chance - froze) ** 2).mean()),
                reliability=_reliability(chance, froze),
            )
        )
    return tuple(found)


def _reliability(chance: Array, froze: NDArray[np.bool_]) -> tuple[Reliability, ...]:
    place = np.clip(np.digitize(chance, CHANCES) - 1, 0, len(CHANCES) - 2)
    return tuple(
        Reliability(
            int((place == at).sum()),
            float(chance[place == at].mean()),
            float(froze[place == at].mean()),
        )
        for at in np.unique(place)
    )


def _leads_h(cell: CellForecast) -> Array:
    """Hours from receipt to the start of each hour, (hour,) [h]."""
    first = (cell.start - cell.fetched_at) / timedelta(hours=1)
    return np.asarray(first + np.arange(cell.hours), dtype=float)
