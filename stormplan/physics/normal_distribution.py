"""The normal distribution, and quantiles of mixtures of it: compiled loops over single numbers."""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import NormalDist

import numpy as np
from numpy.typing import ArrayLike

from stormplan.arrays import Array
from stormplan.compiled import compiled

QUANTILE_TOLERANCE_K = 0.03  # of a quantile: finer than it is told


@compiled
def _normal_cdf(z: float) -> float:
    size = abs(z)
    t = 1.0 / (1.0 + 0.2316419 * size)
    poly = 1.781477937 + t * (-1.821255978 + t * 1.330274429)
    poly = t * (0.319381530 + t * (-0.356563782 + t * poly))
    tail = math.exp(-0.5 * size * size) / math.sqrt(2.0 * math.pi) * poly
    return 1.0 - tail if z > 0.0 else tail


@compiled
def _normal_cdf_of_each(z: Array) -> Array:
    chance = np.empty(z.size)
    for at in range(z.size):
        chance[at] = _normal_cdf(z[at])
    return chance


def normal_cdf(z: ArrayLike) -> Array:
    """Return the cumulative normal distribution, within 1e-7 (Abramowitz & Stegun 26.2.17) [-]."""
    values = np.asarray(z, dtype=float)
    return _normal_cdf_of_each(values.ravel()).reshape(values.shape)


@compiled
def _mixture_quantiles(
    middle_c: Array, sd_k: Array, probabilities: Array, kernel_quantiles: Array
) -> Array:
    """Return quantiles (share, hour, column); each column is halved as its own range needs."""
    n_hours, n_columns, n_members = middle_c.shape
    found = np.empty((probabilities.size, n_hours, n_columns))
    for column in range(n_columns):
        widest = QUANTILE_TOLERANCE_K
        for hour in range(n_hours):
            for quantile in kernel_quantiles * sd_k[hour, column]:
                low = middle_c[hour, column].min() + quantile
                high = middle_c[hour, column].max() + quantile
                if high - low > widest:  # not so where it is not known
                    widest = high - low
        rounds = math.ceil(math.log2(widest / QUANTILE_TOLERANCE_K))
        for hour in range(n_hours):
            kernels_c, kernel_sd_k = middle_c[hour, column], sd_k[hour, column]
            for share in range(probabilities.size):
                # a quantile lies between the lowest and the highest of the kernels' own
                low = kernels_c.min() + kernel_quantiles[share] * kernel_sd_k
                high = kernels_c.max() + kernel_quantiles[share] * kernel_sd_k
                for _ in range(rounds):
                    temp_c = 0.5 * (low + high)
                    below = 0.0
                    for kernel_c in kernels_c:
                        below += _normal_cdf((temp_c - kernel_c) / kernel_sd_k)
                    if below / n_members < probabilities[share]:
                        low = temp_c
                    else:
                        high = temp_c
                found[share, hour, column] = 0.5 * (low + high)
    return found


def mixture_quantiles(surface_c: Array, error_sd_k: Array, probabilities: Sequence[float]) -> Array:
    """Return quantiles of an equal-weight mixture of normal kernels, by bisection.

    Parameters
    ----------
    surface_c : array (member,), (hour, member) or (hour, column, member)
        Middles [°C].
    error_sd_k : array (..., 1), broadcastable to it
        Standard deviation [K].
    probabilities : sequence of float
        Chances to stay below [-].

    Returns
    -------
    array (share, ...)
        To within ``QUANTILE_TOLERANCE_K`` [K]; NaN where a middle is. Those of a column are the
        same whatever other columns there are.
    """
    *places, n_members = surface_c.shape
    hours, columns = (*places, 1, 1)[:2]
    found = _mixture_quantiles(
        np.ascontiguousarray(surface_c).reshape(hours, columns, n_members),
        np.array(np.broadcast_to(error_sd_k[..., 0], places)).reshape(hours, columns),
        np.array(probabilities),
        np.array([NormalDist().inv_cdf(share) for share in probabilities]),
    )
    return found.reshape(len(probabilities), *places)
