"""Scores of forecasts against observations, by source and lead.

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

from stormplan.arrays import Array, BoolArray
from stormplan.physics.ensemble import air_error_k
from stormplan.physics.normal_distribution import normal_cdf
from stormplan.weather.forecast import CellForecast

#: Leads are told apart by these limits [h]: a shift, a night, and whole days.
LEAD_BINS_H = (3, 12, 24, 48, 72, 120, 240)
#: An hour given up to this long before it began counts as an analysis of it [h].
ANALYSIS_LEAD_H = 1
#: Chances are gathered between these limits for reliability [-].
PROBABILITY_BINS = (0.0, 0.1, 0.3, 0.5, 0.7, 0.9, 1.0)


@dataclass(frozen=True)
class ForecastObservationPairs:
    """Forecasts of single hours beside what came: arrays (pair,).

    Attributes
    ----------
    lead_h : array
        From receipt of the forecast to the hour [h].
    forecast_c, observed_c : array
        Air temperature forecast (median of the members) and come [°C].
    freezing_prob : array
        Forecast chance of air at or below freezing [-].
    """

    lead_h: Array
    forecast_c: Array
    observed_c: Array
    freezing_prob: Array


@dataclass(frozen=True)
class Reliability:
    """Hours given about the same chance: how many, the chance said, and the share that came."""

    hours: int
    forecast_prob: float
    observed_freq: float


@dataclass(frozen=True)
class Score:
    """Scores of one source over a range of leads.

    Attributes
    ----------
    source : str
        Which.
    from_h, to_h : int
        Leads from, and up to but without [h].
    hours : int
        Pairs scored [-].
    bias_k, rmse_k : float
        Forecast minus what came: mean, and root of the mean square [K].
    brier_score : float
        Mean square of chance minus outcome: 0 is perfect, 0.25 says nothing [-].
    reliability : tuple of Reliability
        In order of the chance.
    """

    source: str
    from_h: int
    to_h: int
    hours: int
    bias_k: float
    rmse_k: float
    brier_score: float
    reliability: tuple[Reliability, ...]


def freezing_probability(air_c: Array, lead_h: Array) -> Array:
    """Return the probability of air at or below freezing.

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
    return normal_cdf(-air_c[:, 0] / air_error_k(lead_h))


def analyses(cells: Sequence[CellForecast]) -> dict[datetime, float]:
    """Return the source's own analysis of each hour: its forecast at most an hour ahead.

    Parameters
    ----------
    cells : sequence of CellForecast
        Of one source and place, in any order.

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


def match_observations(
    cells: Sequence[CellForecast], observed: Mapping[datetime, float]
) -> ForecastObservationPairs:
    """Return forecasts paired with observations.

    Parameters
    ----------
    cells : sequence of CellForecast
        Of one source.
    observed : mapping of datetime to float
        Air temperature by start of the hour [°C].

    Returns
    -------
    ForecastObservationPairs
        Every hour of every forecast at least ``LEAD_BINS_H[0]`` ahead for which there is a truth.
    """
    rows: list[tuple[float, float, float, float]] = []
    for cell in cells:
        air_c, leads = cell.values["air_temp_c"], _leads_h(cell)
        freezing_prob = freezing_probability(air_c, leads)
        middle = np.median(air_c, axis=1)
        for hour, lead in enumerate(leads):
            observed_c = observed.get(cell.start + timedelta(hours=hour))
            if lead >= LEAD_BINS_H[0] and observed_c is not None and math.isfinite(middle[hour]):
                rows.append(
                    (float(lead), float(middle[hour]), observed_c, float(freezing_prob[hour]))
                )
    table = np.array(rows, dtype=float).reshape(-1, 4)
    return ForecastObservationPairs(*table.T)


def concatenate_pairs(pairs: Sequence[ForecastObservationPairs]) -> ForecastObservationPairs:
    """Return the pairs of several places as one."""
    return ForecastObservationPairs(
        *(np.concatenate(parts) for parts in zip(*map(_arrays, pairs), strict=True))
    )


def _arrays(pairs: ForecastObservationPairs) -> tuple[Array, ...]:
    return pairs.lead_h, pairs.forecast_c, pairs.observed_c, pairs.freezing_prob


def station_air_temps(cell: CellForecast) -> dict[datetime, float]:
    """Return the known air temperatures of a station table by start of the hour [°C]."""
    air_c = cell.values["air_temp_c"][:, 0]
    return {
        cell.start + timedelta(hours=int(hour)): float(air_c[hour])
        for hour in np.flatnonzero(np.isfinite(air_c))
    }


def score_by_lead(source: str, pairs: ForecastObservationPairs) -> tuple[Score, ...]:
    """Score a source by lead.

    Parameters
    ----------
    source : str
        Its name.
    pairs : ForecastObservationPairs
        Forecasts beside what came.

    Returns
    -------
    tuple of Score
        One for each range of leads that has pairs.
    """
    found = []
    for from_h, to_h in pairwise(LEAD_BINS_H):
        chosen = (pairs.lead_h >= from_h) & (pairs.lead_h < to_h)
        if not chosen.any():
            continue
        error = pairs.forecast_c[chosen] - pairs.observed_c[chosen]
        froze = pairs.observed_c[chosen] <= 0.0
        freezing_prob = pairs.freezing_prob[chosen]
        found.append(
            Score(
                source=source,
                from_h=from_h,
                to_h=to_h,
                hours=int(chosen.sum()),
                bias_k=float(error.mean()),
                rmse_k=float(np.sqrt((error**2).mean())),
                brier_score=float(((freezing_prob - froze) ** 2).mean()),
                reliability=_reliability(freezing_prob, froze),
            )
        )
    return tuple(found)


def _reliability(freezing_prob: Array, froze: BoolArray) -> tuple[Reliability, ...]:
    bin_index = np.clip(
        np.digitize(freezing_prob, PROBABILITY_BINS) - 1, 0, len(PROBABILITY_BINS) - 2
    )
    return tuple(
        Reliability(
            int((bin_index == at).sum()),
            float(freezing_prob[bin_index == at].mean()),
            float(froze[bin_index == at].mean()),
        )
        for at in np.unique(bin_index)
    )


def _leads_h(cell: CellForecast) -> Array:
    """Hours from receipt to the start of each hour, (hour,) [h]."""
    first = (cell.start - cell.fetched_at) / timedelta(hours=1)
    return np.asarray(first + np.arange(cell.n_hours), dtype=float)
