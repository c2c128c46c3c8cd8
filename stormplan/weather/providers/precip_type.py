"""What falls, and when: totals of water, snow and ice brought down to hours and phases.

A source gives totals for blocks of hours, and words for what falls in each hour. ``split`` spreads
a total over its block where the words say it falls; ``phases`` tells rain, snow, freezing rain
and sleet apart from the words, corrected by temperature. Sums over a block stay what the source
said.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stormplan.weather import moist_air
from stormplan.weather.forecast import PHASES, Mark, Marks
from stormplan.weather.providers.intervals import Array, Block, HourAxis, Notes, owned, spell
from stormplan.weather.providers.quality_control import flag

RAIN, SNOW, FREEZING, SLEET = range(4)

#: Words of the National Weather Service's weather layer that mean something falls; None: the word
#: names no phase (thunder comes with rain and with snow).
FALLING: Mapping[str, int | None] = {
    "rain": RAIN,
    "rain_showers": RAIN,
    "drizzle": RAIN,
    "hail": RAIN,
    "thunderstorms": None,
    "snow": SNOW,
    "snow_showers": SNOW,
    "ice_crystals": SNOW,
    "freezing_rain": FREEZING,
    "freezing_drizzle": FREEZING,
    "sleet": SLEET,
}
#: Words of the same layer that bring no water to the ground worth splitting.
NOT_FALLING = frozenset(
    {"blowing_snow", "blowing_dust", "blowing_sand", "fog", "freezing_fog", "freezing_spray"}
    | {"frost", "haze", "ice_fog", "smoke", "volcanic_ash", "water_spouts"}
)
# How hard it falls, relative; our choice: light is one, steps of about three as in the
# observers' classes of rain rate (2.5 and 7.6 mm/h, Federal Meteorological Handbook No. 1).
INTENSITY: Mapping[str, float] = {"very_light": 0.5, "light": 1.0, "moderate": 3.0, "heavy": 6.0}
# Middle of the probability each word stands for, from memory; area words as their equivalents.
COVERAGE: Mapping[str, float] = {
    "slight_chance": 0.2,
    "isolated": 0.2,
    "patchy": 0.2,
    "chance": 0.4,
    "scattered": 0.4,
    "areas": 0.4,
    "likely": 0.65,
    "numerous": 0.65,
    "definite": 0.9,
    "widespread": 0.9,
}
UNSAID_COVERAGE = 0.65
LEAST_POP = 0.01  # a block with water and "0 %" still falls where the words say so

SNOW_BELOW_C = 2.0  # common practice, no source
NO_SNOW_ABOVE_C = 5.0  # no snow lies above this air temperature: our own choice, generous
FREEZING_BELOW_C = 0.6  # freezing, and the rounding of a forecast in whole °F
ROUNDING_DC = 0.28  # half a degree Fahrenheit: colder than this below 0 °C is surely freezing
RATIO_LOW, RATIO_HIGH = 3.0, 30.0  # depth of new snow to its water; outside: worth a word


@dataclass(frozen=True)
class Words:
    """What the source says falls, by hour.

    Attributes
    ----------
    known : array of bool (hour,)
        Whether the source says anything about the hour [-].
    falls : array (hour,)
        Weight of the hour: 0 dry, else intensity times coverage [-].
    named : array of bool (hour, phase)
        Phases named, in the order of ``PHASES`` [-].
    """

    known: NDArray[np.bool_]
    falls: Array
    named: NDArray[np.bool_]


@dataclass(frozen=True)
class Totals:
    """A layer of totals brought to hours, and which hours are a guess at the timing.

    Attributes
    ----------
    amount : array (hour,)
        Part of each hour, NaN where the layer says nothing [unit of the layer].
    even : array of bool (hour,)
        Nothing in the words says that, or in which hours, it falls [-].
    shared : array of bool (hour,)
        Part of a total for more than the hour [-].
    """

    amount: Array
    even: NDArray[np.bool_]
    shared: NDArray[np.bool_]


def split(
    name: str,
    blocks: Sequence[Block[float]],
    axis: HourAxis,
    weights: Sequence[Array],
    highest: float,
    notes: Notes,
) -> Totals:
    """Spread the total of each block over its hours.

    Parameters
    ----------
    name : str
        The layer, for the notes [-].
    blocks : sequence of Block
        Totals, NaN where unknown [unit of the layer].
    axis : HourAxis
        Hours to fill [-].
    weights : sequence of array (hour,)
        Tried in turn: the first with any weight in the block decides [-].
    highest : float
        A total above this for each of its hours is dropped [unit of the layer per hour].
    notes : Notes
        Told of what was dropped or spread evenly [-].

    Returns
    -------
    Totals
        Sums over the hours of a block equal its total.
    """
    amount = np.zeros(axis.hours)
    covered, even, shared = (np.zeros(axis.hours, dtype=bool) for _ in range(3))
    for block, own in owned(name, blocks, axis, notes):
        total, hours = block.value, own.hours
        if total > highest * own.part.sum():
            notes.add(f"{name}: more than can fall, dropped", f"{total:g} at {spell(block.start)}")
            total = np.nan
        candidates = [np.nan_to_num(weight[hours]) * own.part for weight in weights]
        weight = next((one for one in candidates if one.sum() > 0.0), own.part)
        part = total * weight / weight.sum()
        if (part > highest * own.part).any():  # too much for the hours the words name
            weight = own.part
            part = total * weight / weight.sum()
        if total > 0.0 and weight is own.part:
            even[hours] = True
            if hours.size > 1:
                notes.add(
                    f"{name}: nothing says in which hours it falls, spread evenly",
                    f"{total:g} in {own.part.sum():g} h from {spell(block.start)}",
                )
        amount[hours] += part
        covered[hours] = True
        shared[hours] |= hours.size > 1
    amount[~covered] = np.nan
    return Totals(amount, even, shared & (amount > 0.0))


@dataclass(frozen=True)
class Air:
    """What decides the phase, by hour.

    Attributes
    ----------
    temp_c, wet_bulb_c : array (hour,)
        Air temperature and wet bulb at 2 m [°C].
    ice_mm : array (hour,)
        Ice accretion of the block the hour is in, NaN where the source says nothing [mm].
    """

    temp_c: Array
    wet_bulb_c: Array
    ice_mm: Array


def _temperature_alone(state: Air) -> Array:
    """Shares (hour, phase) where no phase is named: rain or snow by the wet bulb, or ice."""
    snow = moist_air.snow_share(state.wet_bulb_c)
    snow = np.where(state.temp_c < -ROUNDING_DC, 1.0, snow)
    shares = np.zeros((snow.size, len(PHASES)))
    icy = (state.ice_mm > 0.0) & (state.temp_c <= FREEZING_BELOW_C)
    shares[:, RAIN] = np.where(icy, 0.0, 1.0 - snow)
    shares[:, SNOW] = np.where(icy, 0.0, snow)
    shares[:, FREEZING] = icy
    return shares


def phases(words: Words, state: Air) -> tuple[Array, NDArray[np.bool_]]:
    """Share of each phase in what falls, from what is named.

    Parameters
    ----------
    words : Words
        What the source says falls [-].
    state : Air
        Temperature, wet bulb and ice accretion of each hour [°C, °C, mm].

    Returns
    -------
    shares : array (hour, phase)
        Sum to one; NaN where neither words nor temperature tell [-].
    guessed : array of bool (hour,)
        Decided or corrected by temperature [-].

    Notes
    -----
    Several named phases share equally; then temperature corrects, as in ``corrected``.
    """
    count = words.named.sum(axis=1)
    return corrected(words.named / np.maximum(count, 1)[:, None], state)


def corrected(shares: Array, state: Air) -> tuple[Array, NDArray[np.bool_]]:
    """Correct the shares a source gives by temperature, and fill in where it gives none.

    Parameters
    ----------
    shares : array (hour, phase)
        Sum to one, or to zero where the source does not tell [-].
    state : Air
        Temperature, wet bulb and ice accretion of each hour [°C, °C, mm].

    Returns
    -------
    shares : array (hour, phase)
        Sum to one; NaN where neither source nor temperature tell [-].
    guessed : array of bool (hour,)
        Decided or corrected by temperature [-].

    Notes
    -----
    No snow where it is too warm for it (it becomes rain), no freezing rain above 0.6 °C, and rain
    alone below freezing is freezing rain. Rain together with snow below freezing is snow where
    the source says that no ice accretes, else freezing rain, because that is the error that hurts
    less.
    """
    temp = state.temp_c
    unnamed = shares.sum(axis=1) == 0.0
    shares = shares.copy()
    guessed = np.zeros(temp.size, dtype=bool)

    def move(source: int, target: int, where: NDArray[np.bool_]) -> None:
        moved = where & (shares[:, source] > 0.0)
        shares[moved, target] += shares[moved, source]
        shares[moved, source] = 0.0
        guessed[moved] = True

    snow_melts = (temp > SNOW_BELOW_C) & ~(moist_air.snow_share(state.wet_bulb_c) > 0.5)
    move(SNOW, RAIN, snow_melts)
    move(FREEZING, RAIN, temp > FREEZING_BELOW_C)
    cold = temp < -ROUNDING_DC
    move(RAIN, SNOW, cold & (shares[:, SNOW] > 0.0) & (state.ice_mm == 0.0))
    move(RAIN, FREEZING, cold)
    shares[unnamed] = _temperature_alone(state)[unnamed]
    return shares, guessed | unnamed


def shared_out(
    values: dict[str, Array],
    marks: dict[str, Marks],
    water: Array,
    shares: Array,
    guessed: NDArray[np.bool_],
) -> None:
    """Give each phase its share of the water, with the marks of the water.

    Parameters
    ----------
    values, marks : dict
        Filled under the names of ``PHASES`` [mm].
    water : array (hour,) or (hour, member)
        Water of all phases [mm].
    shares : array (hour, phase) or (hour, member, phase)
        As from ``corrected`` [-].
    guessed : array of bool, like water
        Decided or corrected by temperature [-].
    """
    # where nothing falls nothing is shared: shares may be unknown there
    by_phase = np.where(water[..., None] > 0.0, water[..., None] * shares, water[..., None])
    for column, name in enumerate(PHASES):
        values[name] = by_phase[..., column]
        marks[name] = marks["precip_mm"].copy()
        flag(marks, name, guessed & (water > 0.0), Mark.GUESSED_PHASE)


def doubt(
    values: Mapping[str, Array],
    totals: Mapping[str, Sequence[Block[float]]],
    words: Words,
    axis: HourAxis,
    notes: Notes,
) -> None:
    """Note amounts that do not fit each other, the words or the temperature; change nothing.

    Parameters
    ----------
    values : mapping of array (hour,)
        Hourly amounts and temperature, by their names in the forecast record [-].
    totals : mapping of sequence of Block
        The blocks they were split from, under the same names [-].
    words : Words
        What the source says falls [-].
    axis : HourAxis
        The hours of the arrays [-].
    notes : Notes
        Told of each kind of doubt [-].
    """
    temp, water = values["air_temp_c"], values["precip_mm"]
    unsaid = (water > 0.0) & words.known & (words.falls == 0.0)
    if unsaid.any():
        notes.add(f"water in {unsaid.sum()} h in which the words say nothing falls")
    warm_snow = (values["snow_depth_cm"] > 0.0) & (temp > SNOW_BELOW_C)
    if warm_snow.any():
        notes.add(
            f"snow forecast to lie in {warm_snow.sum()} h with air above {SNOW_BELOW_C:g} °C",
            f"up to {temp[warm_snow].max():.1f} °C",
            impossible=bool(temp[warm_snow].max() > NO_SNOW_ABOVE_C),
        )
    warm_ice = (values["ice_accr_mm"] > 0.0) & (temp > FREEZING_BELOW_C)
    if warm_ice.any():
        notes.add(
            f"ice forecast to grow in {warm_ice.sum()} h with air above freezing",
            impossible=bool((temp[warm_ice] > SNOW_BELOW_C).any()),
        )
    for block in totals["snow_depth_cm"]:
        _doubt_snow(block, values, axis, notes)
    for block in totals["ice_accr_mm"]:
        fallen = float(water[_hours(block, axis)].sum())
        if block.value > fallen + 1e-9:
            said = _said(block, "mm ice", fallen)
            notes.add("more ice than water to make it", said, impossible=True)


def _hours(block: Block[float], axis: HourAxis) -> slice:
    return slice(
        max(axis.hour(block.start), 0), max(axis.hour(block.end), axis.hour(block.start) + 1)
    )


def _said(block: Block[float], what: str, water_mm: float) -> str:
    return f"{block.value:g} {what} from {water_mm:.3g} mm water, {spell(block.start)}"


def _doubt_snow(
    block: Block[float], values: Mapping[str, Array], axis: HourAxis, notes: Notes
) -> None:
    hours = _hours(block, axis)
    snow_mm = float(values["snow_we_mm"][hours].sum())
    if np.isnan(snow_mm) or np.isnan(block.value):
        return
    depth_mm = 10.0 * block.value
    if depth_mm > 0.0 and snow_mm == 0.0:
        notes.add(
            "snow forecast without snow water; the depth is kept", _said(block, "cm", snow_mm)
        )
    elif depth_mm == 0.0 and snow_mm > 0.0:
        notes.add(
            "snow water forecast that does not lie; kept as water", _said(block, "cm", snow_mm)
        )
    elif snow_mm > 0.0 and not RATIO_LOW <= depth_mm / snow_mm <= RATIO_HIGH:
        notes.add(
            f"snow depth outside {RATIO_LOW:g} to {RATIO_HIGH:g} times its water; depth is kept",
            _said(block, "cm", snow_mm),
        )
