"""Moist air: vapor pressure, dew point, wet bulb, snow fraction and snow-to-liquid ratio.

Plain numpy functions, any broadcastable shapes. Missing in is missing out (NaN).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from stormplan.arrays import Array

# Magnus form, Alduchov & Eskridge 1996, J. Appl. Meteorol. 35, 601: (Pa, -, °C)
MAGNUS_WATER = (610.94, 17.625, 243.04)
MAGNUS_ICE = (611.21, 22.587, 273.86)
CP_J_KG_K = 1005.0  # dry air at constant pressure
LATENT_EVAPORATION_J_KG = 2.501e6  # at 0 °C
LATENT_SLOPE_J_KG_K = -2361.0  # per degree, linear from 0 to 40 °C
MOLECULAR_WEIGHT_RATIO = 0.622  # ratio of gas constants
STANDARD_PRESSURE_PA = 101_325.0


def saturation_vapor_pressure_pa(temp_c: ArrayLike, over_ice: bool = False) -> Array:
    """Saturation vapor pressure.

    Parameters
    ----------
    temp_c : array
        Temperature [°C].
    over_ice : bool
        Over ice instead of liquid water.

    Returns
    -------
    array
        Vapor pressure [Pa].

    References
    ----------
    Alduchov & Eskridge 1996, J. Appl. Meteorol. 35, 601.
    """
    base, slope, shift = MAGNUS_ICE if over_ice else MAGNUS_WATER
    temp = np.asarray(temp_c, dtype=float)
    return np.asarray(base * np.exp(slope * temp / (temp + shift)))


def dew_point_c(air_temp_c: ArrayLike, rel_humidity_pct: ArrayLike) -> Array:
    """Dew point over water from air temperature and relative humidity.

    Parameters
    ----------
    air_temp_c : array
        Air temperature [°C].
    rel_humidity_pct : array
        Relative humidity over water, 0 excluded, to 100 [%].

    Returns
    -------
    array
        Dew point, never above the air temperature [°C].
    """
    base, slope, shift = MAGNUS_WATER
    air = np.asarray(air_temp_c, dtype=float)
    vapor_pa = saturation_vapor_pressure_pa(air) * np.clip(rel_humidity_pct, 0.5, 100.0) / 100.0
    log_ratio = np.log(vapor_pa / base)
    return np.asarray(np.minimum(shift * log_ratio / (slope - log_ratio), air))


def rel_humidity_pct(air_temp_c: ArrayLike, dew_point_c: ArrayLike) -> Array:
    """Relative humidity over water.

    Parameters
    ----------
    air_temp_c : array
        Air temperature [°C].
    dew_point_c : array
        Dew point [°C].

    Returns
    -------
    array
        Relative humidity, at most 100 [%].
    """
    ratio = saturation_vapor_pressure_pa(dew_point_c) / saturation_vapor_pressure_pa(air_temp_c)
    return np.asarray(np.minimum(100.0 * ratio, 100.0))


def frost_point_c(dew_point_c: ArrayLike) -> Array:
    """Temperature below which the same vapor deposits as frost on ice.

    Parameters
    ----------
    dew_point_c : array
        Dew point over water [°C].

    Returns
    -------
    array
        Frost point where the dew point is below freezing, else the dew point itself [°C].
    """
    dew = np.asarray(dew_point_c, dtype=float)
    base, slope, shift = MAGNUS_ICE
    log_ratio = np.log(saturation_vapor_pressure_pa(dew) / base)
    return np.where(dew < 0.0, shift * log_ratio / (slope - log_ratio), dew)


def wet_bulb_c(
    air_temp_c: ArrayLike, dew_point_c: ArrayLike, pressure_pa: ArrayLike = STANDARD_PRESSURE_PA
) -> Array:
    """Wet-bulb temperature over water, from the psychrometric equation.

    Parameters
    ----------
    air_temp_c : array
        Air temperature [°C].
    dew_point_c : array
        Dew point [°C].
    pressure_pa : array
        Station pressure [Pa].

    Returns
    -------
    array
        Wet-bulb temperature [°C].

    Notes
    -----
    Solves ``e_w(Tw) - (cp p / (0.622 L)) (T - Tw) = e`` by Newton's method; the function is
    convex and increasing, eight steps from the air temperature reach rounding error.

    Examples
    --------
    >>> round(float(wet_bulb_c(5.0, -5.0)), 2)
    1.24
    """
    air = np.asarray(air_temp_c, dtype=float)
    vapor_pa = saturation_vapor_pressure_pa(dew_point_c)
    _, slope, shift = MAGNUS_WATER
    wet = np.broadcast_to(air, np.broadcast_shapes(air.shape, vapor_pa.shape)).copy()
    for _ in range(8):
        latent = LATENT_EVAPORATION_J_KG + LATENT_SLOPE_J_KG_K * wet
        psychrometer = CP_J_KG_K * np.asarray(pressure_pa) / (MOLECULAR_WEIGHT_RATIO * latent)
        saturated = saturation_vapor_pressure_pa(wet)
        error = saturated - psychrometer * (air - wet) - vapor_pa
        wet = wet - error / (saturated * slope * shift / (wet + shift) ** 2 + psychrometer)
    return np.asarray(wet)


def snow_frac(wet_bulb_c: ArrayLike) -> Array:
    """Share of precipitation that falls as snow.

    Parameters
    ----------
    wet_bulb_c : array
        Wet-bulb temperature of the air at 2 m [°C].

    Returns
    -------
    array
        Snow share, half at 0.81 °C [-].

    References
    ----------
    Wang et al. 2019, Geophys. Res. Lett. 46: sigmoid in the wet-bulb temperature.
    """
    return np.asarray(1.0 / (1.0 + 6.99e-5 * np.exp(2.0 * (np.asarray(wet_bulb_c) + 3.97))))


def snow_to_liquid_ratio(air_temp_c: ArrayLike) -> Array:
    """Depth of new snow over the depth of its water.

    Parameters
    ----------
    air_temp_c : array
        Air temperature at 2 m [°C].

    Returns
    -------
    array
        8.4 at and above freezing, rising to 14.7 in the cold [-].

    References
    ----------
    Hedstrom & Pomeroy 1998, Hydrol. Process. 12, 1611: density of fresh snow
    ``67.92 + 51.25 exp(T / 2.59)`` kg/m³, fitted at and below 0 °C.
    """
    cold = np.minimum(np.asarray(air_temp_c, dtype=float), 0.0)
    return np.asarray(1000.0 / (67.92 + 51.25 * np.exp(cold / 2.59)))


def standard_pressure_pa(elevation_m: float) -> float:
    """Pressure of the standard atmosphere (ISO 2533) at a height.

    Parameters
    ----------
    elevation_m : float
        Height above sea level [m].

    Returns
    -------
    float
        Pressure [Pa].
    """
    return float(STANDARD_PRESSURE_PA * (1.0 - 2.25577e-5 * elevation_m) ** 5.25588)


def station_pressure_pa(
    pressure_hpa: ArrayLike, standard_pa: ArrayLike = STANDARD_PRESSURE_PA
) -> Array:
    """Return station pressure, that of the standard atmosphere where unknown.

    Parameters
    ----------
    pressure_hpa : array
        Station pressure, NaN where not known [hPa].
    standard_pa : array
        Of the height; sea level without it [Pa].

    Returns
    -------
    array
        The same, known everywhere [Pa].
    """
    given = np.asarray(pressure_hpa, dtype=float) * 100.0
    return np.where(np.isnan(given), standard_pa, given)
