"""The gridded models that are read: what each file is called, and which fields of it are used.

A field is known by the codes of GRIB2 (WMO Manual on Codes, No. 306, Volume I.2, and the local
tables of NCEP, the United States' center, from number 192 on), never by a short name; the name in
the index beside a file only says which bytes to ask for. National Blend of Models (NBM) and
High-Resolution Rapid Refresh (HRRR), both over the contiguous United States.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from stormplan.numerics import floor_hour
from stormplan.weather.providers.grib_index import IndexLine

Parameter = tuple[int, int, int]

#: Product definition templates (Code table 4.0): at a moment, over an interval, and probabilities.
INSTANT, INTERVAL, INSTANT_PROBABILITY, INTERVAL_PROBABILITY = 0, 8, 5, 9
#: Types of the first fixed surface (Code table 4.5).
GROUND, ATMOSPHERE, ABOVE_GROUND = 1, 10, 103
#: Statistical processes (Code table 4.10).
AVERAGE, ACCUMULATION = 0, 1
#: Probability types (Code table 4.9).
ABOVE_UPPER_LIMIT, BETWEEN_LIMITS = 1, 2
#: Windows longer than this are not needed: shorter ones of the same file say the same.
MAX_WINDOW_H = 6


@dataclass(frozen=True)
class GridField:
    """One kind of field that is used.

    Attributes
    ----------
    name : str
        What it is called from here on.
    parameters : tuple of (int, int, int)
        Discipline, category and number, as published now and formerly [-].
    surface : (int, float)
        Type of the first fixed surface, and its height where it has one [-], [m].
    template : int
        Product definition template [-].
    process : int or None
        Statistical process of an interval [-].
    limits : (float or None, float or None) or None
        Lower and upper limit of a probability, in the unit of the parameter [-].
    scale, offset : float
        What brings the unit of the code table to ours [-].
    index_name, index_level : str
        In the index beside a file.
    index_more : str
        What the index says behind the time: the start of it.
    is_constant : bool
        Does not change in time: one file is enough.
    """

    name: str
    parameters: tuple[Parameter, ...]
    surface: tuple[int, float]
    template: int
    index_name: str
    index_level: str
    process: int | None = None
    limits: tuple[float | None, float | None] | None = None
    scale: float = 1.0
    offset: float = 0.0
    index_more: str = ""
    is_constant: bool = False

    def is_in_line(self, line: IndexLine) -> bool:
        """Return whether a line of an index is for such a field."""
        if (line.name, line.level) != (self.index_name, self.index_level):
            return False
        window = line.window_h
        if (window is not None) != (self.template in (INTERVAL, INTERVAL_PROBABILITY)):
            return False
        if window is None and not (line.time == "anl" or line.time.endswith("hour fcst")):
            return False
        return line.more.startswith(self.index_more) if self.index_more else not line.more


@dataclass(frozen=True)
class GridModel:
    """One model: its fields and its files.

    Attributes
    ----------
    key : str
        Of the source in a sites file.
    title : str
        For credit and messages.
    base_url : str
        Where its files are published.
    fields : tuple of GridField
        What is used.
    path : callable
        Gives the path of a file from its cycle and its hour.
    first_step_h : int
        First hour of a cycle that has a file [h].
    length_h : callable
        Gives the last hour of a cycle that has one [h].
    step_exists : callable
        Tells from a cycle and an hour of it whether there is a file.
    is_certain : callable
        Tells the same, where a missing file means that it is not published yet.
    """

    key: str
    title: str
    base_url: str
    fields: tuple[GridField, ...]
    path: Callable[[datetime, int], str]
    first_step_h: int
    length_h: Callable[[datetime], int]
    step_exists: Callable[[datetime, int], bool]
    is_certain: Callable[[datetime, int], bool]

    @property
    def parameters(self) -> frozenset[Parameter]:
        """Parameters of the fields that are used [-]."""
        return frozenset(one for field in self.fields for one in field.parameters)

    def steps(self, cycle: datetime, begin: datetime, until: datetime) -> list[int]:
        """Return the hours of a cycle whose files tell of a period [h].

        Parameters
        ----------
        cycle : datetime
            The run, aware UTC.
        begin, until : datetime
            The period, aware UTC.
        """
        first = max(self.first_step_h, round((begin - cycle) / timedelta(hours=1)))
        last = min(self.length_h(cycle), round((until - cycle) / timedelta(hours=1)))
        return [step for step in range(first, last + 1) if self.step_exists(cycle, step)]

    def cycles(self, now: datetime, count: int) -> Iterator[datetime]:
        """Yield the cycles that tell of the hour of a moment, newest first."""
        newest = floor_hour(now) - timedelta(hours=self.first_step_h)
        yield from (newest - timedelta(hours=hour) for hour in range(count))

    def needs(self, lines: list[IndexLine], line: IndexLine, *, is_first: bool) -> bool:
        """Return whether the message of an index line is needed.

        Parameters
        ----------
        lines : list of IndexLine
            All of the file.
        line : IndexLine
            One of them.
        is_first : bool
            Whether the file is the first of its cycle that is read.
        """
        field = next((one for one in self.fields if one.is_in_line(line)), None)
        if field is None or (field.is_constant and not is_first):
            return False
        window = line.window_h
        if window is None:
            return True
        begin, end = window
        if begin == 0 and end > 1:  # a total of the whole run serves where the hour has none
            return (end - 1, end) not in {one.window_h for one in lines if field.is_in_line(one)}
        return 0 < end - begin <= MAX_WINDOW_H


def _state(
    name: str, code: Parameter, surface: tuple[int, float], index: str, level: str,
    scale: float = 1.0, offset: float = 0.0, *, former: tuple[Parameter, ...] = (),
    is_constant: bool = False,
) -> GridField:  # fmt: skip
    return GridField(
        name, (code, *former), surface, INSTANT, index, level, scale=scale, offset=offset,
        is_constant=is_constant,
    )  # fmt: skip


def _total(name: str, code: Parameter, index: str, scale: float = 1.0) -> GridField:
    return GridField(
        name, (code,), (GROUND, 0.0), INTERVAL, index, "surface", ACCUMULATION, scale=scale
    )


def _type_chance(name: str, lower: int, upper: int) -> GridField:
    """Conditional on precipitation; categories of Code table 4.201."""
    return GridField(
        name, ((0, 1, 19),), (GROUND, 0.0), INSTANT_PROBABILITY, "PTYPE", "surface",
        limits=(lower, upper), scale=0.01, index_more=f"prob >={lower} <{upper}",
    )  # fmt: skip


AT_2M, AT_10M, SURFACE = (ABOVE_GROUND, 2.0), (ABOVE_GROUND, 10.0), (GROUND, 0.0)
L_2M, L_10M = "2 m above ground", "10 m above ground"
ZERO_CELSIUS_K = 273.15

_COMMON = (
    _state("air_temp_c", (0, 0, 0), AT_2M, "TMP", L_2M, offset=-ZERO_CELSIUS_K),
    _state("dew_point_c", (0, 0, 6), AT_2M, "DPT", L_2M, offset=-ZERO_CELSIUS_K),
    _state("visibility_m", (0, 19, 0), SURFACE, "VIS", "surface"),
    _state("sw_down_wm2", (0, 4, 7), SURFACE, "DSWRF", "surface", former=((0, 4, 192),)),
    _total("precip_mm", (0, 1, 8), "APCP"),
    _total("snowfall_cm", (0, 1, 29), "ASNOW", 100.0),
)
#: Fields of the National Blend of Models. Its cloud at the local surface types 195 to 197 is not
#: total cloud: only that at the ground is. Flat ice accretion is NCEP's local parameter 228.
NBM_FIELDS = (
    *_COMMON,
    _state("wind_10m_ms", (0, 2, 1), AT_10M, "WIND", L_10M),
    _state("wind_gust_ms", (0, 2, 22), AT_10M, "GUST", L_10M),
    _state("cloud_frac", (0, 6, 1), SURFACE, "TCDC", "surface", 0.01),
    _total("ice_accretion_mm", (0, 1, 228), "FICEAC"),
    GridField(
        "pop", ((0, 1, 8),), SURFACE, INTERVAL_PROBABILITY, "APCP", "surface", ACCUMULATION,
        limits=(None, 0.254), scale=0.01, index_more="prob >0.254",
    ),
    GridField(
        "snow_chance", ((0, 1, 29),), SURFACE, INTERVAL_PROBABILITY, "ASNOW", "surface",
        ACCUMULATION, limits=(None, 0.00254), scale=0.01, index_more="prob >0.00254",
    ),
    _type_chance("chance_rain", 1, 2),
    _type_chance("chance_snow", 5, 7),
    _type_chance("chance_freezing_rain", 3, 4),
    _type_chance("chance_sleet", 8, 9),
)  # fmt: skip
#: Fields of the High-Resolution Rapid Refresh; what falls is said by yes or no.
HRRR_FIELDS = (
    *_COMMON,
    _state("wind_x_ms", (0, 2, 2), AT_10M, "UGRD", L_10M),
    _state("wind_y_ms", (0, 2, 3), AT_10M, "VGRD", L_10M),
    _state("wind_gust_ms", (0, 2, 22), SURFACE, "GUST", "surface"),
    _state("cloud_frac", (0, 6, 1), (ATMOSPHERE, 0.0), "TCDC", "entire atmosphere", 0.01),
    _state("pressure_hpa", (0, 3, 0), SURFACE, "PRES", "surface", 0.01),
    _state("lw_down_wm2", (0, 5, 3), SURFACE, "DLWRF", "surface", former=((0, 5, 192),)),
    _state("is_rain", (0, 1, 33), SURFACE, "CRAIN", "surface", former=((0, 1, 192),)),
    _state("is_snow", (0, 1, 36), SURFACE, "CSNOW", "surface", former=((0, 1, 195),)),
    _state("is_freezing_rain", (0, 1, 34), SURFACE, "CFRZR", "surface", former=((0, 1, 193),)),
    _state("is_sleet", (0, 1, 35), SURFACE, "CICEP", "surface", former=((0, 1, 194),)),
    _state("elevation_m", (0, 3, 5), SURFACE, "HGT", "surface", is_constant=True),
)

HOURLY_UNTIL_H, THREE_HOURLY_UNTIL_H, NBM_LENGTH_H = 48, 192, 264
HOURLY_IN_ALL_VERSIONS_H = 36


def _nbm_path(cycle: datetime, step: int) -> str:
    return f"blend.{cycle:%Y%m%d}/{cycle:%H}/core/blend.t{cycle:%H}z.core.f{step:03d}.co.grib2"


def _nbm_step_exists(cycle: datetime, step: int) -> bool:
    """Hourly at first, then at the third and at last at the sixth hours of the clock in UTC."""
    if step <= HOURLY_UNTIL_H:
        return True
    return (cycle.hour + step) % (3 if step <= THREE_HOURLY_UNTIL_H else 6) == 0


def _nbm_is_certain(cycle: datetime, step: int) -> bool:
    return step <= HOURLY_IN_ALL_VERSIONS_H or (cycle.hour + step) % 3 == 0


NBM = GridModel(
    "nbm",
    "NOAA National Blend of Models",
    "https://noaa-nbm-grib2-pds.s3.amazonaws.com",
    NBM_FIELDS,
    _nbm_path,
    first_step_h=1,
    # one cycle in six runs to the end; what the others reach depends on the version
    length_h=lambda cycle: NBM_LENGTH_H if cycle.hour % 6 == 1 else HOURLY_UNTIL_H,
    step_exists=_nbm_step_exists,
    is_certain=_nbm_is_certain,
)
HRRR = GridModel(
    "hrrr",
    "NOAA High-Resolution Rapid Refresh",
    "https://noaa-hrrr-bdp-pds.s3.amazonaws.com",
    HRRR_FIELDS,
    lambda cycle, step: f"hrrr.{cycle:%Y%m%d}/conus/hrrr.t{cycle:%H}z.wrfsfcf{step:02d}.grib2",
    first_step_h=0,
    length_h=lambda cycle: 48 if cycle.hour % 6 == 0 else 18,
    step_exists=lambda cycle, step: True,  # noqa: ARG005  (one for every hour)
    is_certain=lambda cycle, step: True,  # noqa: ARG005
)
MODELS: Mapping[str, GridModel] = {model.key: model for model in (NBM, HRRR)}
