"""Downward radiation: longwave from clear and cloudy sky, shortwave under cloud.

Each is a published formula in plain numpy; where a forecast gives the radiation itself, that is
used instead. Missing in is missing out (NaN).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from stormplan.arrays import Array
from stormplan.units import ZERO_CELSIUS_K
from stormplan.weather.moist_air import saturation_vapor_pressure_pa

STEFAN_BOLTZMANN_WM2K4 = 5.670374e-8  # CODATA 2018

# Kasten & Czeplak 1980, Solar Energy 24, 177 give 0.75 with cloud as an observer sees it. Gridded
# total cloud counts thin cirrus as cover; against measured winter pavements 0.45 has no bias.
CLOUD_ATTENUATION = 0.45
CLOUD_EXPONENT = 3.4


def clear_sky_emissivity(air_temp_c: ArrayLike, dew_point_c: ArrayLike) -> Array:
    """Return the effective emissivity of a clear sky.

    Parameters
    ----------
    air_temp_c, dew_point_c : array
        At 2 m [°C].

    Returns
    -------
    array
        Emissivity referred to the air temperature [-].

    References
    ----------
    Prata 1996, Q. J. R. Meteorol. Soc. 122, 1127.
    """
    water_cm = (
        0.465
        * saturation_vapor_pressure_pa(dew_point_c)
        / (np.asarray(air_temp_c) + ZERO_CELSIUS_K)
    )
    return np.asarray(1.0 - (1.0 + water_cm) * np.exp(-np.sqrt(1.2 + 3.0 * water_cm)))


def longwave_down_wm2(
    air_temp_c: ArrayLike, dew_point_c: ArrayLike, cloud_frac: ArrayLike
) -> Array:
    """Return downward longwave radiation on an open horizontal surface.

    Parameters
    ----------
    air_temp_c, dew_point_c : array
        At 2 m [°C].
    cloud_frac : array
        Total cloud [-].

    Returns
    -------
    array
        Longwave from above [W/m²].

    References
    ----------
    Clear part Prata 1996; cloud Unsworth & Monteith 1975, Q. J. R. Meteorol. Soc. 101, 13.

    Examples
    --------
    A clear, cold sky gives back two thirds of what a surface at −20 °C gives off:

    >>> float(longwave_down_wm2(-20.0, -24.0, 0.0).round())
    159.0
    """
    cloudy = 0.84 * np.asarray(cloud_frac, dtype=float)
    emissivity = (1.0 - cloudy) * clear_sky_emissivity(air_temp_c, dew_point_c) + cloudy
    return np.asarray(
        emissivity * STEFAN_BOLTZMANN_WM2K4 * (np.asarray(air_temp_c) + ZERO_CELSIUS_K) ** 4
    )


def cloud_transmittance(cloud_frac: ArrayLike) -> Array:
    """Return the transmittance of gridded total cloud to clear-sky shortwave [-].

    References
    ----------
    Form of Kasten & Czeplak 1980, Solar Energy 24, 177; see ``CLOUD_ATTENUATION``.
    """
    return np.asarray(
        1.0 - CLOUD_ATTENUATION * np.asarray(cloud_frac, dtype=float) ** CLOUD_EXPONENT
    )


def cloud_from_transmittance(transmittance: ArrayLike) -> Array:
    """Return the total cloud of a transmittance, 0 to 1 [-]."""
    dimmed = (1.0 - np.asarray(transmittance, dtype=float)) / CLOUD_ATTENUATION
    return np.asarray(np.clip(dimmed, 0.0, 1.0) ** (1.0 / CLOUD_EXPONENT))


def diffuse_frac(clearness_index: ArrayLike) -> Array:
    """Return the diffuse fraction of shortwave from the clearness index.

    Parameters
    ----------
    clearness_index : array
        Shortwave on the horizontal over the same above the atmosphere [-].

    Returns
    -------
    array
        1 when overcast, 0.165 when very clear [-].

    References
    ----------
    Erbs, Klein & Duffie 1982, Solar Energy 28, 293.
    """
    kt = np.clip(clearness_index, 0.0, 1.0)
    middle = 0.9511 - 0.1604 * kt + 4.388 * kt**2 - 16.638 * kt**3 + 12.336 * kt**4
    return np.where(kt <= 0.22, 1.0 - 0.09 * kt, np.where(kt <= 0.80, middle, 0.165))
