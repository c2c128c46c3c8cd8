"""How the time a batch takes goes with water, strength and grain; no rate of its own.

Nobody has published how fast rock salt dissolves in a brine maker by gradation or temperature. What
is known is what carries it: grains in stirred water lose salt through the layer around them, as
fast as it diffuses there and in proportion to what the brine still lacks to saturation (Noyes and
Whitney 1897, from memory; of rock salt, Advances in Materials Science and Engineering, 4967913).
Ratios follow from that, and that fine grains go first; the time itself is the mixer's own.
"""

from __future__ import annotations

from stormplan.liquids.batch import density_kg_l
from stormplan.liquids.hydrometer import REFERENCE_C, SALOMETER_FULL_FRAC
from stormplan.units import ZERO_CELSIUS_K

# Water, relative to 20 °C: Korson, Drost-Hansen & Millero 1969, J. Phys. Chem. 73, 34, eq. 5.
KORSON = (1.1709, 0.001827, 89.93)
VISCOSITY_20C_MPA_S = 1.0020


def water_viscosity_mpa_s(temp_c: float) -> float:
    """Return the viscosity of water at a temperature from 0 to 100 °C [mPa s].

    Examples
    --------
    >>> round(water_viscosity_mpa_s(25.0), 3)
    0.89
    """
    a, b, c = KORSON
    exponent = (a * (20.0 - temp_c) - b * (temp_c - 20.0) ** 2) / (temp_c + c)
    return float(VISCOSITY_20C_MPA_S * 10.0**exponent)


def time_ratio_of_water(water_c: float) -> float:
    """Return how much longer salt takes in water of a temperature than of 60 °F [-].

    Parameters
    ----------
    water_c : float
        Of the water [°C].

    Returns
    -------
    float
        By diffusion, which goes with absolute temperature over viscosity (Stokes and Einstein).
    """

    def diffusion(temp_c: float) -> float:
        return (temp_c + ZERO_CELSIUS_K) / water_viscosity_mpa_s(temp_c)

    return diffusion(REFERENCE_C) / diffusion(water_c)


def rate_left(strength_frac: float) -> float:
    """Return how fast salt still dissolves in brine of a strength, against fresh water [-].

    Examples
    --------
    The last of a batch of 23.3 % goes at about a seventh of the speed of the first:

    >>> round(rate_left(0.233), 2)
    0.14
    """
    dissolved, saturated = (
        frac * density_kg_l(frac) for frac in (strength_frac, SALOMETER_FULL_FRAC)
    )
    return max(1.0 - dissolved / saturated, 0.0)
