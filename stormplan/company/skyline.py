"""The skyline that walls make around a surface: how high they stand, and how much sky is left."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

#: Azimuths of a skyline: every 5°, clockwise from north.
AZIMUTH_STEPS = 72
BEARING_DEG = {"N": 0, "NE": 45, "E": 90, "SE": 135, "S": 180, "SW": 225, "W": 270, "NW": 315}


@dataclass(frozen=True)
class WallGeometry:
    """A long straight wall: the bearing in which it stands [°], its distance and height [m]."""

    bearing_deg: float
    distance_m: float
    height_m: float

    def elevation_deg(self, azimuth_deg: float) -> float:
        """Return the height of its top above the horizon in a direction [°]."""
        toward = math.cos(math.radians(azimuth_deg - self.bearing_deg))
        if toward <= 1e-9:
            return 0.0
        return math.degrees(math.atan(self.height_m * toward / self.distance_m))


def horizon_deg(walls: Sequence[WallGeometry]) -> tuple[float, ...]:
    """Return the skyline of walls in equal steps of azimuth, clockwise from north.

    Parameters
    ----------
    walls : sequence of WallGeometry
        Each taken as longer than it matters.

    Returns
    -------
    tuple of float
        Height of the highest wall in each direction; empty without walls [°].

    Examples
    --------
    >>> south = horizon_deg([WallGeometry(180.0, 10.0, 10.0)])
    >>> round(south[36]), south[0]  # due south and due north
    (45, 0.0)
    """
    if not walls:
        return ()
    azimuths = (360.0 * step / AZIMUTH_STEPS for step in range(AZIMUTH_STEPS))
    return tuple(max(wall.elevation_deg(azimuth) for wall in walls) for azimuth in azimuths)


def sky_view_frac(skyline_deg: Sequence[float]) -> float:
    """Return the part of the sky that a flat surface sees over a skyline.

    Parameters
    ----------
    skyline_deg : sequence of float
        Height of the skyline in equal steps of azimuth [°].

    Returns
    -------
    float
        Weighted by the cosine to the vertical, as radiation counts it [-].

    Notes
    -----
    ``1 - mean(sin² h)`` over azimuth (Oke, Boundary Layer Climates, from memory).

    Examples
    --------
    A long wall at the foot of which the surface lies takes half of the sky:

    >>> round(sky_view_frac(horizon_deg([WallGeometry(180.0, 0.001, 10.0)])), 2)
    0.5
    """
    if not skyline_deg:
        return 1.0
    hidden = [math.sin(math.radians(height)) ** 2 for height in skyline_deg]
    return 1.0 - sum(hidden) / len(hidden)
