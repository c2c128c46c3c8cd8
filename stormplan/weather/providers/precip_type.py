"""Precipitation type and timing: totals of water, snow and ice disaggregated to hours.

A source gives totals for blocks of hours, and words for what falls in each hour. ``split`` spreads
a total over its block where the words say it falls; ``phases`` tells rain, snow, freezing rain
and sleet apart from the words, corrected by temperature. Sums over a block stay what the source
said.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from stormplan.arrays import Array, BoolArray
from stormplan.weather.forecast import TYPE_CHANCES
from stormplan.weather.precip_by_temperature import (
    FREEZING_RAIN,
    MAX_FREEZING_RAIN_TEMP_C,
    RAIN,
    SLEET,
    SNOW,
    SNOW_UNLIKELY_ABOVE_C,
    AirState,
    correct_by_temperature,
)
from stormplan.weather.providers.intervals import (
    HourAxis,
    Notes,
    TimeBlock,
    format_utc,
    hours_of_blocks,
)

#: Words of the National Weather Service's weather layer that mean something falls; None: the word
#: names no phase (thunder comes with rain and with snow).
PRECIP_WEATHER: Mapping[str, int | None] = {
    "rain": RAIN,
    "rain_showers": RAIN,
    "drizzle": RAIN,
    "hail": RAIN,
    "thunderstorms": None,
    "snow": SNOW,
    "snow_showers": SNOW,
    "ice_crystals": SNOW,
    "freezing_rain": FREEZING_RAIN,
    "freezing_drizzle": FREEZING_RAIN,
    "sleet": SLEET,
}
#: Words of the same layer that bring no water to the ground worth splitting.
NON_PRECIP_WEATHER = frozenset(
    {"blowing_snow", "blowing_dust", "blowing_sand", "fog", "freezing_fog", "freezing_spray"}
    | {"frost", "haze", "ice_fog", "smoke", "volcanic_ash", "water_spouts"}
)
# How hard it falls, relative; our choice: light is one, steps of about three as in the
# observers' classes of rain rate (2.5 and 7.6 mm/h, Federal Meteorological Handbook No. 1).
INTENSITY_WEIGHT: Mapping[str, float] = {
    "very_light": 0.5,
    "light": 1.0,
    "moderate": 3.0,
    "heavy": 6.0,
}
# Middle of the probability each word stands for, from memory; area words as their equivalents.
COVERAGE_PROBABILITY: Mapping[str, float] = {
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
DEFAULT_COVERAGE_PROBABILITY = 0.65
MIN_POP = 0.01  # a block with water and "0 %" still falls where the words say so

SNOW_IMPOSSIBLE_ABOVE_C = 5.0  # no snow lies above this air temperature: our own choice, generous
MIN_SNOW_TO_LIQUID_RATIO, MAX_SNOW_TO_LIQUID_RATIO = (
    3.0,
    30.0,
)  # depth of new snow to its water; outside: worth a word


@dataclass(frozen=True)
class PrecipWords:
    """Precipitation the source's words state, by hour.

    Attributes
    ----------
    known : array of bool (hour,)
        Whether the source says anything about the hour.
    weight : array (hour,)
        Weight of the hour: 0 dry, else intensity times coverage [-].
    types : array of bool (hour, phase)
        Phases named, in the order of ``PHASES``.
    intensity : array (hour,)
        Highest intensity named, light is 1; 0 where nothing falls [-].
    type_chances : array (hour, phase)
        Chance that the words give to each phase; 0 where it is not named [-].
    """

    known: BoolArray
    weight: Array
    types: BoolArray
    intensity: Array | None = None
    type_chances: Array | None = None

    def variables(self) -> dict[str, Array]:
        """Return them as variables of a forecast, NaN where the source says nothing, (hour,)."""
        intensity = self.weight if self.intensity is None else self.intensity
        found = {"words_intensity": np.where(self.known, intensity, np.nan)}
        if self.type_chances is not None:
            for index, name in enumerate(TYPE_CHANCES):
                found[name] = np.where(self.known, self.type_chances[:, index], np.nan)
        return found

    @property
    def chance(self) -> Array:
        """Chance that the words give to precipitation; NaN where they say nothing [-]."""
        if self.type_chances is None:
            return np.full(self.weight.shape, np.nan)
        return np.where(self.known, self.type_chances.max(axis=1), np.nan)


@dataclass(frozen=True)
class HourlyTotals:
    """A layer of totals brought to hours, and which hours are a guess at the timing.

    Attributes
    ----------
    amount : array (hour,)
        Part of each hour, NaN where the layer says nothing [unit of the layer].
    timing_unknown : array of bool (hour,)
        Nothing in the words says that, or in which hours, it falls.
    disaggregated : array of bool (hour,)
        Part of a total for more than the hour.
    """

    amount: Array
    timing_unknown: BoolArray
    disaggregated: BoolArray


def disaggregate(
    name: str,
    blocks: Sequence[TimeBlock[float]],
    axis: HourAxis,
    weights: Sequence[Array],
    highest: float,
    notes: Notes,
) -> HourlyTotals:
    """Spread the total of each block over its hours.

    Parameters
    ----------
    name : str
        The layer, for the notes.
    blocks : sequence of TimeBlock
        Totals, NaN where unknown [unit of the layer].
    axis : HourAxis
        Hours to fill.
    weights : sequence of array (hour,)
        Tried in turn: the first with any weight in the block decides [-].
    highest : float
        A total above this for each of its hours is dropped [unit of the layer per hour].
    notes : Notes
        Told of what was dropped or spread evenly.

    Returns
    -------
    HourlyTotals
        Sums over the hours of a block equal its total.
    """
    amount = np.zeros(axis.n_hours)
    covered, timing_unknown, disaggregated = (np.zeros(axis.n_hours, dtype=bool) for _ in range(3))
    for block, block_hours in hours_of_blocks(name, blocks, axis, notes):
        total, hours = block.value, block_hours.hours
        if total > highest * block_hours.hour_fracs.sum():
            notes.add(
                f"{name}: more than can fall, dropped", f"{total:g} at {format_utc(block.start)}"
            )
            total = np.nan
        candidates = [np.nan_to_num(weight[hours]) * block_hours.hour_fracs for weight in weights]
        weight = next((one for one in candidates if one.sum() > 0.0), block_hours.hour_fracs)
        part = total * weight / weight.sum()
        if (part > highest * block_hours.hour_fracs).any():  # too much for the hours the words name
            weight = block_hours.hour_fracs
            part = total * weight / weight.sum()
        if total > 0.0 and weight is block_hours.hour_fracs:
            timing_unknown[hours] = True
            if hours.size > 1:
                notes.add(
                    f"{name}: nothing says in which hours it falls, spread evenly",
                    f"{total:g} in {block_hours.hour_fracs.sum():g} h from "
                    f"{format_utc(block.start)}",
                )
        amount[hours] += part
        covered[hours] = True
        disaggregated[hours] |= hours.size > 1
    amount[~covered] = np.nan
    return HourlyTotals(amount, timing_unknown, disaggregated & (amount > 0.0))


def type_fracs_from_words(words: PrecipWords, air: AirState) -> tuple[Array, BoolArray]:
    """Share of each phase in what falls, from what is named.

    Parameters
    ----------
    words : PrecipWords
        What the source says falls.
    air : AirState
        Temperature, wet bulb and ice accretion of each hour [°C, °C, mm].

    Returns
    -------
    shares : array (hour, phase)
        Sum to one; NaN where neither words nor temperature tell [-].
    guessed : array of bool (hour,)
        Decided or corrected by temperature.

    Notes
    -----
    Several named phases share equally; then temperature corrects, as in ``correct_by_temperature``.
    """
    count = words.types.sum(axis=1)
    return correct_by_temperature(words.types / np.maximum(count, 1)[:, None], air)


def check_consistency(
    values: Mapping[str, Array],
    totals: Mapping[str, Sequence[TimeBlock[float]]],
    words: PrecipWords,
    axis: HourAxis,
    notes: Notes,
) -> None:
    """Note amounts inconsistent with each other, the words or the temperature; change nothing.

    Parameters
    ----------
    values : mapping of array (hour,)
        Hourly amounts and temperature, by their names in the forecast record [-].
    totals : mapping of sequence of TimeBlock
        The blocks they were split from, under the same names.
    words : PrecipWords
        What the source says falls.
    axis : HourAxis
        The hours of the arrays.
    notes : Notes
        Told of each kind of doubt.
    """
    temp, water = values["air_temp_c"], values["precip_mm"]
    unnamed_water = (water > 0.0) & words.known & (words.weight == 0.0)
    if unnamed_water.any():
        notes.add(f"water in {unnamed_water.sum()} h in which the words say nothing falls")
    warm_snow = (values["snowfall_cm"] > 0.0) & (temp > SNOW_UNLIKELY_ABOVE_C)
    if warm_snow.any():
        notes.add(
            f"snow forecast to lie in {warm_snow.sum()} h with air above "
            f"{SNOW_UNLIKELY_ABOVE_C:g} °C",
            f"up to {temp[warm_snow].max():.1f} °C",
            is_contradiction=bool(temp[warm_snow].max() > SNOW_IMPOSSIBLE_ABOVE_C),
        )
    warm_ice = (values["ice_accretion_mm"] > 0.0) & (temp > MAX_FREEZING_RAIN_TEMP_C)
    if warm_ice.any():
        notes.add(
            f"ice forecast to grow in {warm_ice.sum()} h with air above freezing",
            is_contradiction=bool((temp[warm_ice] > SNOW_UNLIKELY_ABOVE_C).any()),
        )
    for block in totals["snowfall_cm"]:
        _check_snow(block, values, axis, notes)
    for block in totals["ice_accretion_mm"]:
        fallen = float(water[_hour_slice(block, axis)].sum())
        if block.value > fallen + 1e-9:
            said = _describe_block(block, "mm ice", fallen)
            notes.add("more ice than water to make it", said, is_contradiction=True)


def _hour_slice(block: TimeBlock[float], axis: HourAxis) -> slice:
    return slice(
        max(axis.hour_index(block.start), 0),
        max(axis.hour_index(block.end), axis.hour_index(block.start) + 1),
    )


def _describe_block(block: TimeBlock[float], what: str, water_mm: float) -> str:
    return f"{block.value:g} {what} from {water_mm:.3g} mm water, {format_utc(block.start)}"


def _check_snow(
    block: TimeBlock[float], values: Mapping[str, Array], axis: HourAxis, notes: Notes
) -> None:
    hours = _hour_slice(block, axis)
    snow_mm = float(values["snowfall_swe_mm"][hours].sum())
    if np.isnan(snow_mm) or np.isnan(block.value):
        return
    depth_mm = 10.0 * block.value
    if depth_mm > 0.0 and snow_mm == 0.0:
        notes.add(
            "snow forecast without snow water; the depth is kept",
            _describe_block(block, "cm", snow_mm),
        )
    elif depth_mm == 0.0 and snow_mm > 0.0:
        notes.add(
            "snow water forecast that does not lie; kept as water",
            _describe_block(block, "cm", snow_mm),
        )
    elif (
        snow_mm > 0.0
        and not MIN_SNOW_TO_LIQUID_RATIO <= depth_mm / snow_mm <= MAX_SNOW_TO_LIQUID_RATIO
    ):
        notes.add(
            f"snow depth outside {MIN_SNOW_TO_LIQUID_RATIO:g} to {MAX_SNOW_TO_LIQUID_RATIO:g} "
            "times its water; depth is kept",
            _describe_block(block, "cm", snow_mm),
        )
