"""What a GRIB2 field says at some places: read by ecCodes, the open library of ECMWF.

Which field it is, which hours it is for, and its values at the nearest points; where those stand is
worked out once for each grid. A missing value is NaN, by bitmap or by the packing's own code.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from threading import Lock
from typing import Any

import numpy as np

from stormplan.arrays import Array, BoolArray, IntArray
from stormplan.errors import ForecastError, InputError
from stormplan.weather.providers.grib_messages import GribField
from stormplan.weather.providers.grid_models import (
    ABOVE_UPPER_LIMIT,
    BETWEEN_LIMITS,
    INTERVAL,
    INTERVAL_PROBABILITY,
    GridField,
)
from stormplan.weather.providers.lambert_grid import LambertGrid
from stormplan.weather.providers.quality_control import UNEXPECTED_FORM_ERRORS

LAMBERT = 30  # Grid definition template (Code table 3.1)
#: What packings without bitmap write for a missing value where they do not say another.
MISSING_CODE = 9999.0
MISSING_MARK = -1e30  # what ecCodes is told to give for one
#: Hours in a unit of time (Code table 4.4): hour, day, 3 h, 6 h, 12 h.
HOURS_IN_UNIT = {1: 1, 2: 24, 10: 3, 11: 6, 12: 12}
LIMIT_TOLERANCE = 1e-6

_lock = Lock()  # the library is not made for several threads


def load_eccodes() -> Any:
    """Return the library.

    Raises
    ------
    InputError
        It is not installed.
    """
    try:
        import eccodes  # type: ignore[import-untyped]
    except (ImportError, RuntimeError) as error:
        raise InputError(
            "the sources nbm and hrrr need ecCodes: pip install 'stormplan[grids]', or leave them "
            f"out of weather.sources ({error})"
        ) from error
    return eccodes


@dataclass(frozen=True)
class FieldValues:
    """A field at some places.

    Attributes
    ----------
    name : str
        Of the ``GridField``.
    start_h, end_h : int
        From the reference time; equal for a moment [h].
    values : array (place,)
        NaN where missing, and off the grid [unit of the name].
    """

    name: str
    start_h: int
    end_h: int
    values: Array


@dataclass(frozen=True)
class NearestPoints:
    """The nearest points of a grid.

    Attributes
    ----------
    column, row : array of int (place,)
        From the south-west corner [-].
    storage : array of int (place,)
        Where their values stand [-].
    n_stored : int
        Points of the grid [-].
    inside : array of bool (place,)
        On the grid [-].
    latitude_deg, longitude_deg : array (place,)
        Of the points [°].
    """

    column: IntArray
    row: IntArray
    storage: IntArray
    n_stored: int
    inside: BoolArray
    latitude_deg: Array
    longitude_deg: Array


@dataclass
class PointReader:
    """Reads fields at the same places; the look-up is done once for each grid.

    Attributes
    ----------
    latitude_deg, longitude_deg : array (place,)
        The places [°].
    fields : sequence of GridField
        What is read.
    """

    latitude_deg: Array
    longitude_deg: Array
    fields: Sequence[GridField]
    _points: dict[bytes, NearestPoints] = field(default_factory=dict)

    def read(self, message: GribField) -> FieldValues | None:
        """Read one field; None where it is none of those that are used.

        Raises
        ------
        ForecastError
            It cannot be read, with the reason.
        """
        eccodes = load_eccodes()
        try:
            with _lock, _opened(eccodes, message.message) as handle:
                return self._read(eccodes, handle, message)
        except (eccodes.CodesInternalError, *UNEXPECTED_FORM_ERRORS) as error:
            raise ForecastError(f"field {message.parameter}: {error}") from error

    def nearest(self, message: GribField) -> NearestPoints:
        """Return the nearest points of the grid of a field.

        Raises
        ------
        ForecastError
            A grid that is not read.
        """
        eccodes = load_eccodes()
        with _lock, _opened(eccodes, message.message) as handle:
            return self._nearest(eccodes, handle, message.grid)

    def _read(self, eccodes: Any, handle: Any, message: GribField) -> FieldValues | None:
        known = _identify(eccodes, handle, message.parameter, self.fields)
        if known is None:
            return None
        start_h, end_h = _hours(eccodes, handle, message.cycle)
        if known.process is not None and end_h == start_h:
            return None  # the total of no time at all, as at the start of a run
        points = self._nearest(eccodes, handle, message.grid)
        sizes = {_number(eccodes, handle, key) for key in ("numberOfDataPoints", "numberOfPoints")}
        if (
            sizes != {points.n_stored}
            or _number(eccodes, handle, "numberOfValues") > points.n_stored
        ):
            # asked for before the values are: a damaged size would fill the memory
            raise ForecastError(
                f"field {message.parameter}: not as many values as its grid has points"
            )
        eccodes.codes_set(handle, "missingValue", MISSING_MARK)
        stored = eccodes.codes_get_values(handle)
        values = stored[points.storage]
        missing = (values <= MISSING_MARK) | ~points.inside
        if _number(eccodes, handle, "missingValueManagementUsed"):
            missing |= values == MISSING_CODE
        values = np.where(missing, np.nan, values) * known.scale + known.offset
        return FieldValues(known.name, start_h, end_h, values)

    def _nearest(self, eccodes: Any, handle: Any, grid: bytes) -> NearestPoints:
        if grid not in self._points:
            lambert = _lambert_grid(eccodes, handle)
            column, row, inside = lambert.nearest(self.latitude_deg, self.longitude_deg)
            north, east = lambert.coordinates(column.astype(float), row.astype(float))
            storage = lambert.storage_index(column, row)
            n_stored = lambert.n_x * lambert.n_y
            self._points[grid] = NearestPoints(column, row, storage, n_stored, inside, north, east)
        return self._points[grid]


@contextmanager
def _opened(eccodes: Any, message: bytes) -> Iterator[Any]:
    handle = eccodes.codes_new_from_message(message)
    try:
        yield handle
    finally:
        eccodes.codes_release(handle)


def _number(eccodes: Any, handle: Any, key: str) -> int:
    """Return a whole number of a message; 0 where it has none of the name."""
    if not eccodes.codes_is_defined(handle, key) or eccodes.codes_is_missing(handle, key):
        return 0
    return int(eccodes.codes_get(handle, key, int))


def _scaled(eccodes: Any, handle: Any, of: str) -> float:
    """Return a scaled value of a message; 0 where it has none."""
    value = _number(eccodes, handle, f"scaledValueOf{of}")
    return float(value * 10.0 ** -_number(eccodes, handle, f"scaleFactorOf{of}"))


def _identify(
    eccodes: Any,
    handle: Any,
    parameter: tuple[int, int, int],
    fields: Iterable[GridField],
) -> GridField | None:
    """Return which of the fields a message holds."""
    template = _number(eccodes, handle, "productDefinitionTemplateNumber")
    surface = _number(eccodes, handle, "typeOfFirstFixedSurface")
    height = _scaled(eccodes, handle, "FirstFixedSurface")
    for one in fields:
        if parameter not in one.parameters or template != one.template:
            continue
        if surface != one.surface[0] or (one.surface[1] and height != one.surface[1]):
            continue
        if template in (INTERVAL, INTERVAL_PROBABILITY) and (
            _number(eccodes, handle, "numberOfTimeRange") != 1
            or _number(eccodes, handle, "typeOfStatisticalProcessing") != one.process
        ):
            continue
        if one.limits is None or _has_limits(eccodes, handle, one.limits):
            return one
    return None


def _has_limits(eccodes: Any, handle: Any, limits: tuple[float | None, float | None]) -> bool:
    lower, upper = limits
    kind = ABOVE_UPPER_LIMIT if lower is None else BETWEEN_LIMITS
    if _number(eccodes, handle, "probabilityType") != kind:
        return False
    pairs = ((lower, "LowerLimit"), (upper, "UpperLimit"))
    return all(
        limit is None or abs(_scaled(eccodes, handle, of) - limit) < LIMIT_TOLERANCE
        for limit, of in pairs
    )


def _hours(eccodes: Any, handle: Any, cycle: datetime) -> tuple[int, int]:
    """Return first and last hour of a field, from the reference time [h].

    Raises
    ------
    ForecastError
        Not on whole hours, or an end that is no date.
    """
    unit = HOURS_IN_UNIT.get(_number(eccodes, handle, "indicatorOfUnitOfTimeRange"))
    if unit is None:
        raise ForecastError("a time that is not in hours or days")
    start_h = unit * _number(eccodes, handle, "forecastTime")
    template = _number(eccodes, handle, "productDefinitionTemplateNumber")
    if template not in (INTERVAL, INTERVAL_PROBABILITY):
        return start_h, start_h
    parts = ("year", "month", "day", "hour", "minute", "second")
    end = [_number(eccodes, handle, f"{part}OfEndOfOverallTimeInterval") for part in parts]
    try:
        length = datetime(*end, tzinfo=UTC) - cycle  # type: ignore[arg-type,misc]
    except ValueError as error:
        raise ForecastError(f"an interval whose end is no date ({error})") from error
    end_h, rest = divmod(length, timedelta(hours=1))
    if rest or end_h < start_h:
        raise ForecastError("an interval that does not end on a later whole hour")
    return start_h, end_h


def _lambert_grid(eccodes: Any, handle: Any) -> LambertGrid:
    template = _number(eccodes, handle, "gridDefinitionTemplateNumber")
    if template != LAMBERT:
        raise ForecastError(
            f"a grid of definition template {template} is not read; accepted: {LAMBERT} (Lambert "
            "conformal), as over the contiguous United States"
        )

    def degrees(key: str) -> float:
        return float(eccodes.codes_get(handle, f"{key}InDegrees", float))

    def meters(key: str) -> float:
        return float(eccodes.codes_get(handle, key, float))

    return LambertGrid(
        n_x=_number(eccodes, handle, "Nx"),
        n_y=_number(eccodes, handle, "Ny"),
        first_latitude_deg=degrees("latitudeOfFirstGridPoint"),
        first_longitude_deg=degrees("longitudeOfFirstGridPoint"),
        central_longitude_deg=degrees("LoV"),
        first_parallel_deg=degrees("Latin1"),
        second_parallel_deg=degrees("Latin2"),
        true_latitude_deg=degrees("LaD"),
        spacing_x_m=meters("DxInMetres"),
        spacing_y_m=meters("DyInMetres"),
        radius_m=meters("radius"),
        scanning_mode=_number(eccodes, handle, "scanningMode"),
    )
