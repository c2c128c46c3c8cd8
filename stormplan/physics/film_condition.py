"""Condition of a film: ice fraction, freeze point, and its name in the trade.

Pure functions of masses, any shape, and the hourly record that the film of many columns leaves
behind. State and freezing go by the brine's own freeze point, not by 0 °C.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from enum import IntEnum
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from stormplan.arrays import Array, IntArray, RecordArray
from stormplan.compiled import compiled
from stormplan.liquids import brine
from stormplan.liquids.brine import MOLAR_MASS_G_MOL
from stormplan.physics.film import FilmState
from stormplan.physics.film_processes import FLOWS, MIN_SALT_KG_M2, N_CHLORIDES

# What counts as something, kg/m²; the thresholds of road weather practice, from memory.
MIN_WET_MM, MIN_BRINE_MM, MIN_SNOW_MM, MIN_ICE_MM, MIN_FROST_MM = 0.03, 0.005, 0.10, 0.05, 0.005
MIN_BRINE_SALT_FRAC = 0.01  # weaker than this freezes within 0.6 °C of water: call it wet
SLUSH_LIQUID_IN_FILM_FRAC = 0.3  # own choice of a name, not a safety limit
SLUSH_LIQUID_IN_SNOW_FRAC = 0.15  # liquid share from which snow is slush, own choice


class FilmCondition(IntEnum):
    """Surface condition, by its common name."""

    UNKNOWN = -1
    DRY = 0
    WET = 1
    BRINE = 2
    LOOSE_SNOW = 3
    SLUSH = 4
    FROST = 5
    ICE = 6

    @property
    def label(self) -> str:
        """Name in lower case, with spaces."""
        return self.name.lower().replace("_", " ")


def film_ice_frac(water: Array, ice: Array, salts: Array) -> Array:
    """Return mass of ice over mass of film, salt included and loose snow not.

    Parameters
    ----------
    water, ice : array (...)
        Liquid and frozen film [kg/m²].
    salts : array (4, ...)
        Each chloride [kg/m²].

    Returns
    -------
    array (...)
        0 where there is no film [-].
    """
    film = water + ice + salts.sum(axis=0)
    return np.asarray(np.where(film > 0.0, ice / np.maximum(film, 1e-300), film * 0.0))


def film_freeze_point_c(water: Array, ice: Array, salts: Array) -> Array:
    """Return the temperature at which the film, all of it melted, begins to freeze.

    Parameters
    ----------
    water, ice : array (...)
        Liquid and frozen film [kg/m²].
    salts : array (4, ...)
        Each chloride [kg/m²].

    Returns
    -------
    array (...)
        0 without salt; that of the strongest brine where salt lies dry; NaN where unknown [°C].
    """
    film = water + ice
    point = film * 0.0
    salted = salts.sum(axis=0) > 0.0
    if salted.any():
        moles = salts[:, salted] * (1000.0 / MOLAR_MASS_G_MOL[:, None])
        molality = moles / np.maximum(film[salted], 1e-9)
        # stronger than any solution is salt that lies dry: it makes the strongest brine
        strongest = np.maximum(molality.sum(axis=0) / 7.0, 1.0)
        point[salted] = brine.freeze_point_c(molality / strongest)
    return np.asarray(point)


def condition_codes(
    water: Array, ice: Array, frost: Array, snow: Array, salts: Array
) -> NDArray[np.int8]:
    """Return the condition code of a surface.

    Parameters
    ----------
    water, ice, frost, snow : array (...)
        Liquid, frozen film, the part of it that came as vapor, loose snow [kg/m²].
    salts : array (4, ...)
        Each chloride [kg/m²].

    Returns
    -------
    array of int8 (...)
        ``FilmCondition`` codes, the most hazardous that applies; UNKNOWN where masses are NaN [-].
    """
    salt = salts.sum(axis=0)
    salted = salt > MIN_SALT_KG_M2
    strong = salt > MIN_BRINE_SALT_FRAC * (water + salt)
    frozen = ice - frost
    film = np.maximum(water + ice, 1e-300)
    slushy = salted & (water / film >= SLUSH_LIQUID_IN_FILM_FRAC)
    choices = [
        (np.isnan(water + ice + snow), FilmCondition.UNKNOWN),
        ((frozen > MIN_ICE_MM) & ~slushy, FilmCondition.ICE),
        (frozen > MIN_ICE_MM, FilmCondition.SLUSH),
        ((snow > MIN_SNOW_MM) & (water > SLUSH_LIQUID_IN_SNOW_FRAC * snow), FilmCondition.SLUSH),
        (snow > MIN_SNOW_MM, FilmCondition.LOOSE_SNOW),
        ((ice > MIN_FROST_MM) & (frost >= 0.5 * ice), FilmCondition.FROST),
        ((ice > MIN_FROST_MM) & ~slushy, FilmCondition.ICE),
        (ice > MIN_FROST_MM, FilmCondition.SLUSH),
        ((water > MIN_BRINE_MM) & salted & strong, FilmCondition.BRINE),
        (water > MIN_WET_MM, FilmCondition.WET),
    ]
    return np.select(
        [condition for condition, _ in choices],
        [np.int8(state) for _, state in choices],
        np.int8(FilmCondition.DRY),
    ).astype(np.int8)


@dataclass(frozen=True)
class FilmHours:
    """Film of many columns, hour by hour: arrays ``(hour, column, member)``, kg/m² = mm of water.

    Stores are at the end of the hour, flows are sums over it; NaN once unknown, empty where a run
    was not asked for them.

    Attributes
    ----------
    water_mm, ice_mm, frost_mm, snow_mm : array
        Liquid, frozen film, the part of it that came as vapor, loose snow and sleet [mm].
    snow_depth_mm : array
        How deep the snow lies [mm].
    puddle_mm : array
        Part of the liquid that lies too low to drain [mm].
    salts_kg_m2 : array (4, hour, column, member)
        Each chloride on the surface [kg/m²].
    drained_mm, evaporated_mm, deposited_mm, plowed_mm, traffic_loss_mm : array
        Run off; given to the air; taken from it; plowed off; carried off by traffic [mm].
    salts_lost_kg_m2 : array (4, hour, column, member)
        Gone with what drained, was plowed or carried off [kg/m²].
    melted_mm : array
        Snow and ice turned liquid, negative when freezing [mm].
    """

    water_mm: Array
    ice_mm: Array
    frost_mm: Array
    snow_mm: Array
    snow_depth_mm: Array
    puddle_mm: Array
    salts_kg_m2: Array
    drained_mm: Array
    evaporated_mm: Array
    deposited_mm: Array
    plowed_mm: Array
    traffic_loss_mm: Array
    salts_lost_kg_m2: Array
    melted_mm: Array

    def hours(self, which: slice) -> FilmHours:
        """Return some of the hours."""
        return self._each(lambda values: values[..., which, :, :])

    def column(self, index: int) -> FilmHours:
        """Return one column, its axis kept."""
        return self.columns(slice(index, index + 1))

    def columns(self, which: slice | IntArray) -> FilmHours:
        """Return some of the columns."""
        if isinstance(which, slice):
            return self._each(lambda values: values[..., which, :])
        return self._each(lambda values: values.take(which, axis=-2))  # an index shuffles memory

    def _each(self, some: Callable[[Array], Array]) -> FilmHours:
        """Return some of every variable; one without members was not recorded."""
        each = {item.name: getattr(self, item.name) for item in fields(self)}
        return FilmHours(
            **{name: some(values) if values.shape[-1] else values for name, values in each.items()}
        )

    @cached_property
    def ice_frac(self) -> Array:
        """Ice over film by mass at the end of the hour [-]."""
        return film_ice_frac(self.water_mm, self.ice_mm, self.salts_kg_m2)

    @cached_property
    def freeze_point_c(self) -> Array:
        """Freeze point of the film at the end of the hour [°C]."""
        return film_freeze_point_c(self.water_mm, self.ice_mm, self.salts_kg_m2)

    @cached_property
    def condition(self) -> NDArray[np.int8]:
        """``FilmCondition`` code at the end of the hour [-]."""
        return condition_codes(
            self.water_mm, self.ice_mm, self.frost_mm, self.snow_mm, self.salts_kg_m2
        )

    @cached_property
    def first_freeze_hour(self) -> IntArray:
        """First hour with ice or frost, −1 for never, (column, member)."""
        frozen = self.ice_mm > MIN_FROST_MM
        return np.where(frozen.any(axis=0), frozen.argmax(axis=0), -1)


#: What lies there, what air and film exchange, and all else that flows, as ``FilmHours`` has them.
STORES = (
    "water_mm", "ice_mm", "frost_mm", "snow_mm", "snow_depth_mm", "puddle_mm", "salts_kg_m2",
)  # fmt: skip
VAPOR_FLOWS = ("evaporated_mm", "deposited_mm")
OTHER_FLOWS = ("drained_mm", "plowed_mm", "traffic_loss_mm", "melted_mm", "salts_lost_kg_m2")
FILM_VARIABLES = (*STORES, *VAPOR_FLOWS, *OTHER_FLOWS)
_FLOWS = len(STORES) - 1 + N_CHLORIDES
_SALTS, _SALTS_LOST = _FLOWS - N_CHLORIDES, _FLOWS + len(VAPOR_FLOWS + OTHER_FLOWS) - 1
N_ROWS = _SALTS_LOST + N_CHLORIDES
#: Each one's row in a record, or rows, in the order in which ``_record_hour`` sets them.
ROWS: dict[str, int | slice] = {
    **{name: row for row, name in enumerate(STORES[:-1])},
    "salts_kg_m2": slice(_SALTS, _FLOWS),
    **{name: _FLOWS + row for row, name in enumerate((*VAPOR_FLOWS, *OTHER_FLOWS[:-1]))},
    "salts_lost_kg_m2": slice(_SALTS_LOST, N_ROWS),
}


@compiled
def _record_hour(
    films: RecordArray,
    flows: RecordArray,
    rows: IntArray,
    columns: IntArray,
    hour: int,
    out: Array,
) -> None:
    """Store rows of the hour of some columns, (row, hour, column, member); flows begin anew.

    Zeros are left: pages of memory that nothing is written to take none.
    """
    values, members = np.zeros(N_ROWS), out.shape[3]
    for column in columns:
        for member in range(members):
            film, flow = films[column * members + member], flows[column * members + member]
            values[0], values[1], values[2] = film.water, film.ice, film.frost
            values[3], values[4] = film.snow, film.snow / film.density * 1000.0
            values[5] = film.puddle
            values[_FLOWS], values[_FLOWS + 1] = flow.evaporated, flow.deposited
            values[_FLOWS + 2], values[_FLOWS + 3] = flow.drained, flow.plowed
            values[_FLOWS + 4], values[_FLOWS + 5] = flow.traffic_loss, flow.melted
            for k in range(N_CHLORIDES):
                values[_SALTS + k], values[_SALTS_LOST + k] = film.salts[k], flow.salts[k]
                flow.salts[k] = 0.0
            flow.drained = flow.evaporated = flow.deposited = flow.plowed = 0.0
            flow.traffic_loss = flow.melted = 0.0
            for row in rows:
                if values[row] != 0.0:
                    out[row, hour, column, member] = values[row]


@compiled
def _copy_hours(
    columns: IntArray, parents: IntArray, until: IntArray, rows: IntArray, out: Array
) -> None:
    """Store what other columns have before an hour, (row, hour, column, member)."""
    for row in rows:
        for k in range(columns.size):
            for hour in range(min(until[k], out.shape[1])):
                for member in range(out.shape[3]):
                    value = out[row, hour, parents[k], member]
                    if value != 0.0:
                        out[row, hour, columns[k], member] = value


class FilmRecorder:
    """Accumulator of a film's flows and stores, hour by hour.

    Parameters
    ----------
    hours, columns, members : int
        How many there are [-].
    variables : sequence of str
        Which attributes of ``FilmHours`` are recorded; the others are empty.
    """

    def __init__(
        self, hours: int, columns: int, members: int, variables: Sequence[str] = FILM_VARIABLES
    ) -> None:
        self._variables = frozenset(variables)
        each = np.arange(N_ROWS)
        self._rows = np.hstack([each[:0], *(each[ROWS[name]] for name in variables)])
        self._out = np.zeros((N_ROWS, hours, columns, members))
        self._all = np.arange(columns)
        #: What processes add to, until their hour ends.
        self.flows = np.zeros(columns * members, dtype=FLOWS)

    def end_hour(self, hour: int, film: FilmState, columns: IntArray | None = None) -> None:
        """Store the hour of all columns, or of some."""
        columns = self._all if columns is None else columns
        _record_hour(film.records, self.flows, self._rows, columns, hour, self._out)

    def copy_hours(self, columns: IntArray, parents: IntArray, until: IntArray) -> None:
        """Store for columns what others have had before an hour."""
        columns, parents, until = map(np.ascontiguousarray, (columns, parents, until))
        _copy_hours(columns, parents, until, self._rows, self._out)

    def film_hours(self) -> FilmHours:
        """Return all hours."""
        none = np.empty((N_ROWS, 0, 0, 0))
        return FilmHours(
            **{
                name: (self._out if name in self._variables else none)[rows]
                for name, rows in ROWS.items()
            }
        )
