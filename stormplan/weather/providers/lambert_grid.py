"""Lambert conformal grids: which point of one is nearest a place, and where its value is stored.

A conformal map is true to shape, so the nearest point on it is the nearest on earth. Values are
stored in the order of GRIB2 Flag table 3.4: rows run from either side, and every second row may run
backward.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from pyproj import Proj

from stormplan.arrays import Array, BoolArray, IntArray
from stormplan.errors import ForecastError

NEARLY_EQUAL_DEG = 1e-6
MAX_POINTS = 20_000_000  # five times the largest that is read: more is a damaged size
MAX_LENGTH_M = 1e7  # of a spacing or a radius: the same


@dataclass(frozen=True)
class LambertGrid:
    """A Lambert conformal grid, as GRIB2 Grid definition template 3.30 gives it.

    Attributes
    ----------
    n_x, n_y : int
        Points along and across the rows [-].
    first_latitude_deg, first_longitude_deg : float
        Of the point that is stored first [°].
    central_longitude_deg : float
        Meridian that runs straight up [°].
    first_parallel_deg, second_parallel_deg : float
        Where the cone cuts the sphere [°].
    true_latitude_deg : float
        Where the spacing holds [°].
    spacing_x_m, spacing_y_m : float
        Between points [m].
    radius_m : float
        Of the sphere [m].
    scanning_mode : int
        Flag table 3.4 [-].
    """

    n_x: int
    n_y: int
    first_latitude_deg: float
    first_longitude_deg: float
    central_longitude_deg: float
    first_parallel_deg: float
    second_parallel_deg: float
    true_latitude_deg: float
    spacing_x_m: float
    spacing_y_m: float
    radius_m: float
    scanning_mode: int

    def __post_init__(self) -> None:
        parallels = self.first_parallel_deg, self.second_parallel_deg
        latitudes = (*parallels, self.true_latitude_deg, self.first_latitude_deg)
        longitudes = self.first_longitude_deg, self.central_longitude_deg
        lengths = self.spacing_x_m, self.spacing_y_m, self.radius_m
        if (
            not all(abs(one) < 90.0 for one in latitudes)
            or not all(abs(one) <= 360.0 for one in longitudes)
            or not all(0.0 < one < MAX_LENGTH_M for one in lengths)
            or not (0 < self.n_x * self.n_y <= MAX_POINTS and min(self.n_x, self.n_y) > 0)
        ):
            raise ForecastError("a Lambert grid with sizes or places that cannot be is not read")
        if min(abs(self.true_latitude_deg - one) for one in parallels) > NEARLY_EQUAL_DEG:
            raise ForecastError(
                f"a Lambert grid whose spacing holds at {self.true_latitude_deg:g}°, which is no "
                "parallel of its cone, is not read"
            )
        if abs(sum(parallels)) < NEARLY_EQUAL_DEG:
            raise ForecastError("a Lambert grid without a cone is not read")

    @cached_property
    def _projection(self) -> Proj:
        return Proj(
            proj="lcc",
            lat_1=self.first_parallel_deg,
            lat_2=self.second_parallel_deg,
            lat_0=self.true_latitude_deg,
            lon_0=self.central_longitude_deg,
            R=self.radius_m,
        )

    def project(self, latitude_deg: Array, longitude_deg: Array) -> tuple[Array, Array]:
        """Return meters east and north of where central meridian and true latitude meet, (...).

        Parameters
        ----------
        latitude_deg, longitude_deg : array (...)
            Places [°].
        """
        east_m, north_m = self._projection(longitude_deg, latitude_deg)
        return np.asarray(east_m), np.asarray(north_m)

    def coordinates(self, column: Array, row: Array) -> tuple[Array, Array]:
        """Return latitude and longitude of points, west negative, (...) [°].

        Parameters
        ----------
        column, row : array (...)
            Along and across the rows, from the south-west corner [-].
        """
        west_m, south_m = self._southwest_m
        longitude, latitude = self._projection(
            west_m + self.spacing_x_m * column, south_m + self.spacing_y_m * row, inverse=True
        )
        return np.asarray(latitude), np.asarray(longitude)

    @cached_property
    def _southwest_m(self) -> tuple[float, float]:
        """Map coordinates of the south-west corner, wherever the first point is."""
        x_m, y_m = self.project(
            np.array(self.first_latitude_deg), np.array(self.first_longitude_deg)
        )
        west_m = float(x_m) - self.spacing_x_m * (self.n_x - 1) * self._runs_west
        south_m = float(y_m) - self.spacing_y_m * (self.n_y - 1) * (not self._runs_north)
        return west_m, south_m

    @property
    def _runs_west(self) -> bool:
        return bool(self.scanning_mode & 0b1000_0000)

    @property
    def _runs_north(self) -> bool:
        return bool(self.scanning_mode & 0b0100_0000)

    def nearest(
        self, latitude_deg: Array, longitude_deg: Array
    ) -> tuple[IntArray, IntArray, BoolArray]:
        """Return column and row of the nearest points, and which places are on the grid.

        Parameters
        ----------
        latitude_deg, longitude_deg : array (place,)
            Places [°].

        Returns
        -------
        column, row : array of int (place,)
            From the south-west corner; of the edge where a place is off the grid [-].
        inside : array of bool (place,)
            On the grid, or within half a spacing of its edge [-].
        """
        x_m, y_m = self.project(latitude_deg, longitude_deg)
        west_m, south_m = self._southwest_m
        column = _nearest_index((x_m - west_m) / self.spacing_x_m)
        row = _nearest_index((y_m - south_m) / self.spacing_y_m)
        inside = (column >= 0) & (column < self.n_x) & (row >= 0) & (row < self.n_y)
        return np.clip(column, 0, self.n_x - 1), np.clip(row, 0, self.n_y - 1), inside

    def storage_index(self, column: IntArray, row: IntArray) -> IntArray:
        """Return where the values of points stand in the order they are stored, (...) [-].

        Parameters
        ----------
        column, row : array of int (...)
            From the south-west corner [-].
        """
        along = self.n_x - 1 - column if self._runs_west else column
        across = row if self._runs_north else self.n_y - 1 - row
        length, width = self.n_x, self.n_y
        if self.scanning_mode & 0b0010_0000:  # points of a column stand together
            along, across, length, width = across, along, width, length
        if self.scanning_mode & 0b0001_0000:  # every second row runs the other way
            along = np.where(across % 2 == 1, length - 1 - along, along)
        return np.asarray(across * length + along)


def _nearest_index(steps: Array) -> IntArray:
    """Return the nearest whole step; -1 where the projection has no place."""
    return np.rint(np.where(np.isfinite(steps), steps, -1.0)).astype(np.int64)
