"""Error of the pavement model by night at one surface, learned from its readings.

The error has a mean that depends on the hour's weather, a part that one night has in common, and a
part of each hour. The mean is a ridge regression on a constant, cloud, the modeled surface less
the air, and the air less its mean of five days; its weights drift. Given readings, everything else
is the conditional mean and variance of jointly normal errors: the first readings move little, old
ones are forgotten, one of tonight moves the rest of the night, and the variance falls with what is
known.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from stormplan.company.practice_rules import Practice
from stormplan.errors import InputError

Array = NDArray[np.float64]

#: Features, in this order: 1; cloud - 0.5 [-]; modeled surface - air [K]; air - its mean of five
#: days [K].
FEATURE_COUNT = 4
SURFACE_MINUS_AIR = 2  # its place
#: Standard deviation of the weights among sites before any reading: 1.1 K is that of the mean error
#: of seven measured pavements and winters; the slopes are own choice [K, K, K/K, K/K].
WEIGHT_SD = np.array([1.1, 0.8, 0.15, 0.1])
#: Of what a night has in common, and of its hours by themselves. With the weights over usual
#: weather they make up the 1.9 K that the model is off by night where nothing is read [K].
NIGHT_SD_K, HOUR_SD_K = 1.2, 0.7
READING_SD_K = 0.5  # of an infrared thermometer on pavement: own choice
#: What a night has in common fades within this time, so that the next night has a fifth of it; a
#: weight is two thirds kept over a season: own choice.
NIGHT_MEMORY_H = 16.0
WEIGHT_MEMORY_H = 240.0 * 24.0
#: Air is compared to its mean of so many hours, where at least a day of them is known.
AIR_MEAN_H, MIN_AIR_MEAN_H = 120, 24
#: By the rule ``reading_max_error`` a reading further from the model is not learned from [K].
DEFAULT_MAX_ERROR_K = Practice().number("reading_max_error")
#: All of these errors may be smaller or larger at a site, alike: the stated size weighs as much as
#: this many readings: own choice.
SIZE_PRIOR_READINGS = 10.0
MAX_READINGS = 300  # the last ones; older ones are mostly forgotten


@dataclass(frozen=True)
class ReadErrors:
    """Errors that readings found, in order of time: arrays ``(reading,)``.

    Attributes
    ----------
    time_h : array
        When, since the epoch [h].
    features : array (reading, feature)
        Of the hour, as ``night_features`` has them.
    error_k : array
        Reading less model [K].
    """

    time_h: Array
    features: Array
    error_k: Array

    def __post_init__(self) -> None:
        n = self.time_h.size
        if self.features.shape != (n, FEATURE_COUNT) or self.error_k.shape != (n,):
            raise InputError(
                f"{n} times against features {self.features.shape} and {self.error_k.size} errors; "
                f"give {FEATURE_COUNT} features and one error for each time"
            )

    def is_plausible(self, max_error_k: float) -> NDArray[np.bool_]:
        """Which of them can be of this surface in this hour, (reading,), by the largest error."""
        return np.asarray(np.abs(self.error_k) <= max_error_k)

    def select(self, chosen: NDArray[np.bool_]) -> ReadErrors:
        """Return some of the readings."""
        return ReadErrors(self.time_h[chosen], self.features[chosen], self.error_k[chosen])

    def append(self, other: ReadErrors) -> ReadErrors:
        """Return these readings and others after them."""
        return ReadErrors(
            np.concatenate([self.time_h, other.time_h]),
            np.concatenate([self.features, other.features]),
            np.concatenate([self.error_k, other.error_k]),
        )


NO_READ_ERRORS = ReadErrors(np.empty(0), np.empty((0, FEATURE_COUNT)), np.empty(0))


@dataclass(frozen=True)
class NightError:
    """What is known of a surface's error by night at one moment; hashable.

    Attributes
    ----------
    at_h : float
        The moment, since the epoch [h].
    mean : tuple of float
        Expected weights of the features, and this night's own part [K, K, K/K, K/K, K].
    covariance : tuple of float
        Of the same, row by row, for errors of the stated size.
    reading_count : int
        Night readings behind it [-].
    size : float
        Variance of errors here over the stated one [-].
    implausible_count : int
        Readings too far from the model to be learned from [-].
    """

    at_h: float
    mean: tuple[float, ...]
    covariance: tuple[float, ...]
    reading_count: int
    size: float = 1.0
    implausible_count: int = 0


#: By site and surface.
NightErrors = Mapping[tuple[str, str], NightError]
NO_NIGHT_ERRORS: NightErrors = MappingProxyType({})


def _prior_covariance() -> Array:
    return np.diag(np.append(WEIGHT_SD, NIGHT_SD_K) ** 2)


def night_features(cloud_frac: Array, surface_minus_air_k: Array, air_minus_mean_k: Array) -> Array:
    """Return the features of hours, (..., feature); what is not known is as usual.

    Parameters
    ----------
    cloud_frac : array
        Total cloud; NaN counts as a half [-].
    surface_minus_air_k : array
        Modeled surface, no reading in it, less the air at 2 m [K].
    air_minus_mean_k : array
        Air less its mean of the five days before [K].
    """
    stacked = np.stack(
        np.broadcast_arrays(1.0, cloud_frac - 0.5, surface_minus_air_k, air_minus_mean_k), axis=-1
    )
    return np.asarray(np.nan_to_num(stacked))


def air_mean_c(air_c: Array) -> Array:
    """Return the mean air over the five days before each hour, along the first axis.

    Parameters
    ----------
    air_c : array (hour, ...)
        Air temperature; NaN where unknown [°C].

    Returns
    -------
    array (hour, ...)
        Of as much as is known; NaN where that is less than a day [°C].
    """
    known = np.isfinite(air_c)
    padding = np.zeros((AIR_MEAN_H, *air_c.shape[1:]))

    def before(values: Array) -> Array:
        running = np.cumsum(np.concatenate([padding, values]), axis=0)
        return np.asarray(running[AIR_MEAN_H - 1 : -1] - np.concatenate(
            [np.zeros((1, *air_c.shape[1:])), running[: len(air_c) - 1]]
        ))  # fmt: skip

    count = before(known.astype(float))
    total = before(np.where(known, air_c, 0.0))
    enough = count >= MIN_AIR_MEAN_H
    return np.where(enough, total / np.maximum(count, 1.0), np.nan)


def _decay(elapsed_h: Array) -> Array:
    """Return how much of the weights and of a night's own part is left, (..., 5) [-]."""
    elapsed = np.abs(np.asarray(elapsed_h, dtype=float))[..., None]
    memory = np.array([WEIGHT_MEMORY_H] * FEATURE_COUNT + [NIGHT_MEMORY_H])
    return np.asarray(np.exp(-elapsed / memory))


def learn(
    readings: ReadErrors, at_h: float, max_error_k: float = DEFAULT_MAX_ERROR_K
) -> NightError:
    """Return what readings say of a surface's error at a moment.

    Parameters
    ----------
    readings : ReadErrors
        Taken by then, in order of time; of the plausible ones the last ``MAX_READINGS`` count.
    at_h : float
        The moment, since the epoch [h].
    max_error_k : float
        A reading further from the model is implausible [K].

    Returns
    -------
    NightError
        Nothing known, the prior, without a reading.

    References
    ----------
    Conditional normal distribution: Rasmussen & Williams 2006, Gaussian Processes for Machine
    Learning, section 2.2; the exponential decay is the Ornstein-Uhlenbeck process of its B.2. Size:
    normal-inverse-gamma prior, Gelman et al. 2013, Bayesian Data Analysis, section 3.3.
    """
    prior = _prior_covariance()
    plausible = readings.select(readings.is_plausible(max_error_k))
    n = plausible.time_h.size
    left_out = readings.time_h.size - n
    last = plausible.select(np.arange(n) >= n - MAX_READINGS)
    if n == 0:
        nothing = (0.0,) * (FEATURE_COUNT + 1)
        return NightError(at_h, nothing, tuple(prior.ravel().tolist()), 0, 1.0, left_out)
    seen = np.column_stack([last.features, np.ones(last.time_h.size)])
    apart = _decay(last.time_h[:, None] - last.time_h[None, :])
    covariance = np.einsum("if,ijf,jf->ij", seen * np.diag(prior), apart, seen)
    covariance += np.eye(len(seen)) * (HOUR_SD_K**2 + READING_SD_K**2)
    cross = (seen * np.diag(prior) * _decay(at_h - last.time_h)).T
    gain = np.linalg.solve(covariance, cross.T).T
    mean, left = gain @ last.error_k, prior - gain @ cross.T
    squares = float(last.error_k @ np.linalg.solve(covariance, last.error_k))
    size = (SIZE_PRIOR_READINGS + squares) / (SIZE_PRIOR_READINGS + len(seen))
    return NightError(at_h, tuple(mean.tolist()), tuple(left.ravel().tolist()), n, size, left_out)


def expected_error_k(error: NightError, time_h: Array, features: Array) -> Array:
    """Return the expected error in hours from the moment of what is known on.

    Parameters
    ----------
    error : NightError
        What is known.
    time_h : array (...)
        Of the hours, since the epoch; hours before the moment count as at it [h].
    features : array (..., feature)
        Of the hours.

    Returns
    -------
    array (...)
        To be added to the modeled surface by night [K].
    """
    return weighted(expected_weights(error, time_h), features)


def expected_weights(error: NightError, time_h: Array) -> Array:
    """Return the expected weights in hours since the epoch, a night's own part last, (..., 5)."""
    return np.array(error.mean) * _decay(np.maximum(time_h - error.at_h, 0.0))


def weighted(weights: Array, features: Array) -> Array:
    """Return the error that weights (..., 5) expect of features (..., 4) [K]."""
    return np.asarray((weights[..., :-1] * features).sum(axis=-1) + weights[..., -1])


def error_sd_k(error: NightError, time_h: Array, features: Array) -> Array:
    """Return the standard deviation of the truth around model and expected error together.

    Parameters
    ----------
    error, time_h, features
        As of ``expected_error_k``.

    Returns
    -------
    array (...)
        With the hour's own part, without a thermometer's [K].
    """
    prior = _prior_covariance()
    known = np.reshape(error.covariance, prior.shape)
    seen = np.concatenate([features, np.ones_like(features[..., :1])], axis=-1)
    left = _decay(np.maximum(time_h - error.at_h, 0.0))
    of_known = np.einsum("...i,ij,...j->...", seen * left, known, seen * left)
    drifted = ((seen**2) * (1.0 - left**2)) @ np.diag(prior)
    return np.asarray(np.sqrt(error.size * (of_known + drifted + HOUR_SD_K**2)))


@dataclass(frozen=True)
class CorrectionScore:
    """RMSE at night of the model alone and corrected by the other nights' readings [K].

    Attributes
    ----------
    nights : int
        Nights left out in turn [-].
    model_rmse_k, corrected_rmse_k : float
        Over all night readings: of the model, and of the model with what the readings of all
        other nights say [K].
    """

    nights: int
    model_rmse_k: float
    corrected_rmse_k: float


def leave_one_night_out(
    readings: ReadErrors,
    night_number: NDArray[np.int_],
    max_error_k: float = DEFAULT_MAX_ERROR_K,
) -> CorrectionScore | None:
    """Return how much other nights' readings would have taken off each night's error.

    Parameters
    ----------
    readings : ReadErrors
        Of night hours, in order of time; implausible ones are left out throughout.
    night_number : array of int (reading,)
        Which night each belongs to [-].
    max_error_k : float
        A reading further from the model is implausible [K].

    Returns
    -------
    CorrectionScore or None
        None from a single night.

    References
    ----------
    Cross-validation by groups that share their error: Wilks 2011, Statistical Methods in the
    Atmospheric Sciences, 3rd ed., section 7.4.4 (from memory).
    """
    plausible = readings.is_plausible(max_error_k)
    readings, night_number = readings.select(plausible), night_number[plausible]
    nights = np.unique(night_number)
    if nights.size < 2:
        return None
    left = np.empty_like(readings.error_k)
    for night in nights:
        own = night_number == night
        at_h = float(readings.time_h[own].mean())
        expected = expected_error_k(
            learn(readings.select(~own), at_h), np.full(own.sum(), at_h), readings.features[own]
        )
        left[own] = readings.error_k[own] - expected
    return CorrectionScore(
        int(nights.size),
        float(np.sqrt(np.mean(readings.error_k**2))),
        float(np.sqrt(np.mean(left**2))),
    )
