"""Mass balance of the film on pavement: water, ice, loose snow and salts.

A mass balance per column: rain, freezing rain, sleet and snow come down; liquid above what the
texture holds drains and takes salt along; air takes water or gives it, as vapor, dew or frost;
snow and ice melt into brine along the ice line; plows and traffic carry off. How warm it is
comes from outside: from the energy balance in ``surface_simulation``, or prescribed.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np

from stormplan.arrays import Array, IntArray, RecordArray, RecordField
from stormplan.errors import InputError
from stormplan.physics.film_processes import (
    FILM,
    NEW_SNOW_ALBEDO,
    NEW_SNOW_KG_M3,
    plow_films,
)

#: What a place does to its film, whatever lies there.
PLACE_FIELDS = ("texture_mm", "drain_s", "traffic_loss_per_h")


@dataclass(frozen=True)
class Applications:
    """Product applications, one row each; build with ``from_liquid`` or directly.

    Attributes
    ----------
    hour, column : array of int (application,)
        When, at the start of the hour, and where [-].
    salts_kg_m2 : array (4, application)
        Each chloride put down [kg/m²].
    water_kg_m2 : array (application,)
        Water put down with it [kg/m²].
    """

    hour: IntArray
    column: IntArray
    salts_kg_m2: Array
    water_kg_m2: Array

    @classmethod
    def from_liquid(
        cls,
        hour: IntArray,
        column: IntArray,
        salts_frac: Array,
        rate_l_m2: Array,
        density_kg_l: Array,
        inert_frac: Array | float = 0.0,
    ) -> Applications:
        """Return applications of liquids given by rate and composition.

        Parameters
        ----------
        hour, column : array of int (application,)
            When and where [-].
        salts_frac : array (4, application)
            Mass share of each chloride in the product [-].
        rate_l_m2 : array (application,)
            Application rate [L/m²].
        density_kg_l : array (application,)
            Of the product [kg/L].
        inert_frac : array (application,)
            Mass share of other solids [-].

        Returns
        -------
        Applications
            The same by mass.

        Raises
        ------
        InputError
            More solids than product, or a negative rate.
        """
        salts = np.asarray(salts_frac, dtype=float)
        water = 1.0 - salts.sum(axis=0) - inert_frac
        if np.any(water < 0.0) or np.any(salts < 0.0):
            raise InputError("a product's shares by weight must be positive and sum to at most 1")
        if np.any(np.asarray(rate_l_m2) < 0.0):
            raise InputError(f"application rate {np.min(rate_l_m2)} L/m² is negative")
        mass = np.asarray(rate_l_m2) * density_kg_l
        return cls(
            np.asarray(hour, dtype=np.intp),
            np.asarray(column, dtype=np.intp),
            salts * mass,
            water * mass,
        )


@dataclass(frozen=True)
class PlowPasses:
    """Plow, shovel or broom passes, one row each.

    Attributes
    ----------
    hour, column : array of int (pass,)
        When, at the start of the hour, and where [-].
    residual_mm : array (pass,)
        Snow left behind, as water: 1-3 behind a blade, 0.5 behind a broom [mm].
    """

    hour: IntArray
    column: IntArray
    residual_mm: Array

    @classmethod
    def from_rows(cls, rows: Sequence[tuple[int, int, float]]) -> PlowPasses | None:
        """Return passes given as hour, column and snow left behind as water [mm]; None for none."""
        if not rows:
            return None
        hours, places, residual_mm = zip(*rows, strict=True)
        return cls(
            np.array(hours, dtype=np.intp),
            np.array(places, dtype=np.intp),
            np.array(residual_mm, dtype=float),
        )


class FilmState:
    """Films on many columns in motion; the stores in kg/m², that is mm of water.

    Every attribute but ``records`` is a view of it, ``(column,)``.

    Parameters
    ----------
    texture_mm, drain_s : array (column,)
        What the texture holds; time constant of draining [mm], [s].
    traffic_loss_per_h : array (column,)
        Share of liquid, ice and salt that traffic carries off in an hour [1/h].

    Attributes
    ----------
    records : array of FILM (column,)
        What compiled processes take and change.
    water, ice, snow : array
        Liquid, frozen film, and loose snow or sleet [kg/m²].
    frost : array
        Part of the ice that came as vapor [kg/m²].
    salts : array (4, column)
        Each chloride, in the order of ``CHLORIDES`` [kg/m²].
    density, albedo : array
        Of the snow [kg/m³], [-].
    puddle : array
        Liquid that lies too low to drain [kg/m²].
    """

    water, ice, snow, frost, puddle = (
        RecordField(),
        RecordField(),
        RecordField(),
        RecordField(),
        RecordField(),
    )
    salts, density, albedo = RecordField(), RecordField(), RecordField()
    texture_mm, drain_s, traffic_loss_per_h = RecordField(), RecordField(), RecordField()

    def __init__(self, texture_mm: Array, drain_s: Array, traffic_loss_per_h: Array) -> None:
        self.records = np.zeros(texture_mm.size, dtype=FILM)
        self.density, self.albedo = NEW_SNOW_KG_M3, NEW_SNOW_ALBEDO
        self.texture_mm, self.drain_s = texture_mm, drain_s
        self.traffic_loss_per_h = traffic_loss_per_h

    @property
    def total(self) -> Array:
        """Water, ice and snow [kg/m²]."""
        return np.asarray(self.water + self.ice + self.snow)

    def restore(self, saved: FilmState, where: IntArray) -> None:
        """Copy the stores of another film at some of its columns, (column,)."""
        places = {name: getattr(self, name).copy() for name in PLACE_FIELDS}
        self.records = saved.records[where]
        for name, values in places.items():
            setattr(self, name, values)

    def observe(
        self,
        flat: IntArray,
        water: float,
        ice: float,
        snow: float,
        depth_m: float,
        at_least: Collection[str] = (),
    ) -> None:
        """Set what was seen on places of the flat axis [kg/m²], [m]; what salt is there stays.

        Of the stores in ``at_least`` as much as is there already stays.
        """
        for name, value in (("water", water), ("ice", ice), ("snow", snow)):
            store = getattr(self, name)
            store[flat] = np.maximum(store[flat], value) if name in at_least else value
        for store in (self.frost, self.puddle):
            store[flat] = 0.0
        if depth_m > 0.0 and snow > 0.0:
            self.density[flat] = snow / depth_m

    def plow(self, where: IntArray, residual_mm: Array, flows: RecordArray) -> None:
        """Plow snow down to a residual; the liquid it holds goes with it.

        Parameters
        ----------
        where : array of int (pass,)
            Places on the flat column axis [-].
        residual_mm : array (pass,)
            Snow left, as water [mm].
        flows : array of FLOWS (column,)
            What left is added.
        """
        plow_films(self.records, where, residual_mm, flows)

    def apply(self, where: IntArray, salts_kg_m2: Array, water_kg_m2: Array) -> None:
        """Add product at indices of the flat column axis, (4, index) and (index,) [kg/m²]."""
        np.add.at(self.water, where, water_kg_m2)
        for store, salt in zip(self.salts, salts_kg_m2, strict=True):
            np.add.at(store, where, salt)
