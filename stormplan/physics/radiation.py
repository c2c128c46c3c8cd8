"""What the sky sends down: longwave from clear and cloudy air, shortwave under cloud.

Each is a published formula in plain numpy; where a forecast gives the radiation itself, that is
used instead. Missing in is missing out (NaN).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stormplan.units import KELVIN
from stormplan.weather.moist_air import saturation_pa

Array = NDArray[np.float64]

STEFAN_BOLTZMANN_WM2K4 = 5.670374e-8  # CODATA 2018

# Kasten & Czeplak 1980, Solar Energy 24, 177 give 0.75 with cloud as an observer sees it. Gridded
# total cloud counts thin cirrus as cover; against measured winter pavements 0.45 has no bias.
CLOUD_DIMMING = 0.45
CLOUD_POWER = 3.4


def clear_sky_emissivity(air_temp_c: ArrayLike, dew_point_c: ArrayLike) -> Array:
    """Effective emissivity of a cloudless sky.

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
    water_cm = 0.465 * saturation_pa(dew_point_c) / (np.asarray(air_temp_c) + KELVIN)
    return np.asarray(1.0 - (1.0 + water_cm) * np.exp(-np.sqrt(1.2 + 3.0 * water_cm)))


def longwave_down_wm2(
    air_temp_c: ArrayLike, dew_point_c: ArrayLike, cloud_frac: ArrayLike
) -> Array:
    """Longwave radiation from the sky on an open horizontal surface.

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
    """
    cloudy = 0.84 * np.asarray(cloud_frac, dtype=float)
    emissivity = (1.0 - cloudy) * clear_sky_emissivity(air_temp_c, dew_point_c) + cloudy
    return np.asarray(emissivity * STEFAN_BOLTZMANN_WM2K4 * (np.asarray(air_temp_c) + KELVIN) ** 4)


def cloud_transmission(cloud_frac: ArrayLike) -> Array:
    """Share of clear-sky shortwave that gets through gridded total cloud [-].

    References
    ----------
    Form of Kasten & Czeplak 1980, Solar Energy 24, 177; see ``CLOUD_DIMMING``.
    """
    return np.asarray(1.0 - CLOUD_DIMMING * np.asarray(cloud_frac, dtype=float) ** CLOUD_POWER)


def cloud_from_transmission(transmission: ArrayLike) -> Array:
    """Total cloud that would let this share of clear-sky shortwave through, 0 to 1 [-]."""
    dimmed = (1.0 - np.asarray(transmission, dtype=float)) / CLOUD_DIMMING
    return np.asarray(np.clip(dimmed, 0.0, 1.0) ** (1.0 / CLOUD_POWER))


def diffuse_share(clearness: ArrayLike) -> Array:
    """Share of shortwave that comes from the sky and not straight from the sun.

    Parameters
    ----------
    clearness : array
        Shortwave on the horizontal over the same above the atmosphere [-].

    Returns
    -------
    array
        1 when overcast, 0.165 when very clear [-].

    References
    ----------
    Erbs, Klein & Duffie 1982, Solar Energy 28, 293.
    """
    kt = np.clip(clearness, 0.0, 1.0)
    middle = 0.9511 - 0.1604 * kt + 4.388 * kt**2 - 16.638 * kt**3 + 12.336 * kt**4
    return np.where(kt <= 0.22, 1.0 - 0.09 * kt, np.where(kt <= 0.80, middle, 0.165))
