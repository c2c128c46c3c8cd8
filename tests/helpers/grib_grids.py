"""Gridded files written by ecCodes from invented hours: what the sources nbm and hrrr read.

A small Lambert grid around a place, in the form of either model. Rows are laid into the order of a
scanning mode here, by plain loops over Flag table 3.4 of the GRIB2 manual.
"""

from dataclasses import dataclass, field
from datetime import timedelta

import eccodes
import numpy as np

from helpers import service_formats

#: As the High-Resolution Rapid Refresh has it, but for its size and its first point: the sun of the
#: other forms of the storm shines on it, for their place is a point of it.
LAMBERT = {
    "shapeOfTheEarth": 6,
    "Nx": 12,
    "Ny": 9,
    "latitudeOfFirstGridPointInDegrees": 42.950924,
    "longitudeOfFirstGridPointInDegrees": 270.397604,
    "LaDInDegrees": 38.5,
    "LoVInDegrees": 262.5,
    "Latin1InDegrees": 38.5,
    "Latin2InDegrees": 38.5,
    "DxInMetres": 3000,
    "DyInMetres": 3000,
}
SHAPE = LAMBERT["Ny"], LAMBERT["Nx"]
NORTHWARD = 0b0100_0000  # rows from south to north, points from west to east
GROUND, ATMOSPHERE, AT_2M, AT_10M = (1, 0), (10, 0), (103, 2), (103, 10)


@dataclass(frozen=True)
class Field:
    """One field: what it is, its index text, when it holds, and its values, (row, column).

    ``start_h`` equals ``end_h`` for a moment; ``limits`` are those of a probability.
    """

    parameter: tuple[int, int, int]
    surface: tuple[int, int]
    index: str
    start_h: int
    end_h: int
    values: np.ndarray
    limits: tuple[float | None, float | None] | None = None
    keys: dict[str, object] = field(default_factory=dict)


def uniform(value):
    return np.full(SHAPE, float(value))


def in_scanning_order(values, mode):
    """Values in the order a scanning mode stores them; rows of ``values`` run north and east."""
    rows = values if mode & 0b0100_0000 else values[::-1]
    rows = rows[:, ::-1] if mode & 0b1000_0000 else rows
    rows = rows.T if mode & 0b0010_0000 else rows
    if mode & 0b0001_0000:
        rows = np.array([row[::-1] if at % 2 else row for at, row in enumerate(rows)])
    return rows.ravel()


def grid_keys(mode):
    """The grid under a scanning mode: its first point is another corner of the same grid."""
    if mode & 0b1100_0000 == NORTHWARD:
        return LAMBERT | {"scanningMode": mode}
    handle = eccodes.codes_new_from_message(message(uniform_field(), service_formats.START))
    column = LAMBERT["Nx"] - 1 if mode & 0b1000_0000 else 0
    row = 0 if mode & 0b0100_0000 else LAMBERT["Ny"] - 1
    index = row * LAMBERT["Nx"] + column
    corner = {
        f"{name}OfFirstGridPointInDegrees": eccodes.codes_get_array(handle, f"{name}s")[index]
        for name in ("latitude", "longitude")
    }
    eccodes.codes_release(handle)
    return LAMBERT | corner | {"scanningMode": mode}


def uniform_field():
    return Field((0, 0, 0), AT_2M, "TMP:2 m above ground", 1, 1, uniform(280.0))


def message(one, cycle, mode=NORTHWARD):
    """One field as a GRIB2 message."""
    handle = eccodes.codes_grib_new_from_samples("regular_ll_sfc_grib2")
    interval, chance = one.end_h > one.start_h, one.limits is not None
    template = {(0, 0): 0, (1, 0): 8, (0, 1): 5, (1, 1): 9}[interval, chance]
    end = cycle + timedelta(hours=one.end_h)
    of_interval = {
        f"{part}OfEndOfOverallTimeInterval": getattr(end, part)
        for part in ("year", "month", "day", "hour", "minute", "second")
    } | {"typeOfStatisticalProcessing": 1, "numberOfTimeRange": 1}
    keys = {"gridDefinitionTemplateNumber": 30} | grid_keys(mode)
    keys |= {
        "centre": "kwbc",
        "dataDate": int(f"{cycle:%Y%m%d}"),
        "dataTime": int(f"{cycle:%H%M}"),
        "discipline": one.parameter[0],
        "productDefinitionTemplateNumber": template,
        "parameterCategory": one.parameter[1],
        "parameterNumber": one.parameter[2],
        "typeOfFirstFixedSurface": one.surface[0],
        "scaleFactorOfFirstFixedSurface": 0,
        "scaledValueOfFirstFixedSurface": one.surface[1],
        "indicatorOfUnitOfTimeRange": 1,
        "forecastTime": one.start_h,
        "bitsPerValue": 24,
    }
    if interval:
        keys |= of_interval | {
            "indicatorOfUnitForTimeRange": 1, "lengthOfTimeRange": one.end_h - one.start_h,
        }  # fmt: skip
    if chance:
        keys["probabilityType"] = 1 if one.limits[0] is None else 2
        for name, limit in zip(("LowerLimit", "UpperLimit"), one.limits, strict=True):
            if limit is not None:
                keys[f"scaleFactorOf{name}"] = 5
                keys[f"scaledValueOf{name}"] = round(limit * 1e5)
    for key, value in (keys | one.keys).items():
        eccodes.codes_set(handle, key, value)
    eccodes.codes_set_values(handle, in_scanning_order(one.values, mode))
    content = eccodes.codes_get_message(handle)
    eccodes.codes_release(handle)
    return content


def file_and_index(fields, cycle, mode=NORTHWARD):
    """Return a file of several messages, and its index in the form of wgrib2."""
    content, lines = b"", []
    for number, one in enumerate(fields, 1):
        time = f"{one.end_h} hour fcst"
        if one.end_h > one.start_h:
            time = f"{one.start_h}-{one.end_h} hour acc fcst"
        name, level, more = (*one.index.split(":", 2), "")[:3]
        lines.append(f"{number}:{len(content)}:d={cycle:%Y%m%d%H}:{name}:{level}:{time}:{more}")
        content += message(one, cycle, mode)
    return content, "\n".join(lines) + "\n"


def slope(value, per_column):
    """A field that rises from column to column, and has its value at the place of the storm."""
    column, _ = place_in_grid()
    return value + per_column * (np.arange(SHAPE[1]) - column) * np.ones(SHAPE)


def place_in_grid():
    """Column and row of the storm's place, by ecCodes' own search."""
    handle = eccodes.codes_new_from_message(message(uniform_field(), service_formats.START))
    place = service_formats.LATITUDE, service_formats.LONGITUDE
    (nearest,) = eccodes.codes_grib_find_nearest(handle, *place)
    eccodes.codes_release(handle)
    row, column = divmod(nearest.index, LAMBERT["Nx"])
    return column, row


def hrrr_fields(hour):
    """The storm of ``service_formats`` at one hour of a run that begins with it."""
    _, air, dew, wind, cloud, *_ = (None, *service_formats.hour_values(hour))
    rows = [service_formats.hour_values(at) for at in range(hour)]
    kind, water = (rows[-1][4], rows[-1][5]) if rows else (None, 0.0)
    run_water = sum(row[5] for row in rows)
    run_snow_m = 0.01 * service_formats.CM_PER_MM * sum(
        row[5] for row in rows if row[4] == "snow"
    )  # fmt: skip
    states = [
        ((0, 0, 0), AT_2M, "TMP:2 m above ground", slope(air + 273.15, 0.5)),
        ((0, 0, 6), AT_2M, "DPT:2 m above ground", slope(dew + 273.15, 0.5)),
        ((0, 2, 2), AT_10M, "UGRD:10 m above ground", slope(-0.6 * wind, 1.0)),
        ((0, 2, 3), AT_10M, "VGRD:10 m above ground", uniform(0.8 * wind)),
        ((0, 6, 1), ATMOSPHERE, "TCDC:entire atmosphere", uniform(100.0 * cloud)),
        ((0, 3, 5), GROUND, "HGT:surface", slope(service_formats.ELEVATION_M, 10.0)),
        ((0, 1, 33), GROUND, "CRAIN:surface", uniform(kind == "rain")),
        ((0, 1, 36), GROUND, "CSNOW:surface", uniform(kind == "snow")),
        ((0, 1, 34), GROUND, "CFRZR:surface", uniform(kind == "freezing")),
        ((0, 1, 35), GROUND, "CICEP:surface", uniform(0.0)),
    ]
    fields = [Field(*state[:3], hour, hour, state[3]) for state in states]
    if hour:
        fields += [
            Field((0, 1, 8), GROUND, "APCP:surface", hour - 1, hour, uniform(water)),
            Field((0, 1, 8), GROUND, "APCP:surface", 0, hour, slope(run_water, 1.0)),
            Field((0, 1, 29), GROUND, "ASNOW:surface", 0, hour, uniform(run_snow_m)),
        ]
    # what is not needed: another level, another kind of statistic
    cold = Field((0, 0, 0), (100, 50000), "TMP:500 mb", hour, hour, uniform(240.0))
    return [fields[0], cold, *fields[1:], cold]


def write_hrrr(folder, cycle=service_formats.START, hours=service_formats.HOURS):
    """Write one file for each hour of a run, under the names of its publisher."""
    folder.mkdir(parents=True, exist_ok=True)
    for hour in range(hours + 1):
        content, index = file_and_index(hrrr_fields(hour), cycle)
        name = f"hrrr.t{cycle:%H}z.wrfsfcf{hour:02d}.grib2"
        (folder / name).write_bytes(content)
        (folder / f"{name}.idx").write_text(index)
