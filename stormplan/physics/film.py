"""Mass balance of the film on pavement: water, ice, loose snow and salts.

A mass balance per column: rain, freezing rain, sleet and snow come down; liquid above what the
texture holds drains and takes salt along; air takes water or gives it, as vapor, dew or frost;
snow and ice melt into brine along the ice line; plows and traffic carry off. How warm it is
comes from outside: from the energy balance in ``surface_simulation``, or prescribed.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field, fields

import numpy as np

from stormplan.arrays import Array, BoolArray, IntArray
from stormplan.errors import InputError
from stormplan.liquids.brine import CHLORIDES
from stormplan.physics import phase_equilibrium
from stormplan.weather.moist_air import (
    CP_J_KG_K,
    LATENT_EVAPORATION_J_KG,
    MAGNUS_ICE,
    MAGNUS_WATER,
    MOLECULAR_WEIGHT_RATIO,
)

LATENT_SUBLIMATION_J_KG = 2.835e6

# Class assumptions, our own choice: 5-10 % of a lot is puddle that never drains, a few mm deep.
PUDDLE_FRAC = 0.07
PUDDLE_DEPTH_MM = 3.0
SNOW_LIQUID_HOLDING_FRAC = (
    0.05  # of its mass as liquid, before it drips (capillary retention, textbook)
)

# Snow: conductivity Yen 1981, CRREL Report 81-10; the rest class assumptions.
NEW_SNOW_KG_M3, SETTLED_SNOW_KG_M3, SLEET_KG_M3, PACKED_SNOW_KG_M3 = 100.0, 250.0, 400.0, 400.0
SNOW_SETTLING_S = 24 * 3600.0
NEW_SNOW_ALBEDO, AGED_SNOW_ALBEDO = 0.82, 0.60  # Wiscombe & Warren 1980 range
SNOW_ALBEDO_DECAY_S = 4 * 86400.0
ALBEDO_RESET_MM = 2.0  # new snow that makes old snow white again
FULL_SNOW_COVER_MM = 4.0  # snow water that hides the pavement
MAX_SNOW_CONDUCTANCE_WM2K = 2e4  # contact, where no snow lies between skin and pavement

#: Less than this is what rounding leaves of a store that is gone: a billionth of a millimeter.
TRACE_KG_M2 = 1e-9
MIN_SALT_KG_M2 = 1e-4  # less salt than this changes nothing


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

    def of(self, columns: IntArray) -> Applications:
        """Return the applications on some columns, counted among these."""
        rows, place = _selected(self.column, columns)
        return Applications(
            self.hour[rows], place, self.salts_kg_m2[:, rows], self.water_kg_m2[rows]
        )

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


def _selected(column: IntArray, columns: IntArray) -> tuple[IntArray, IntArray]:
    """Return the rows that are on some columns, and the place of each among these."""
    place = np.full(max(column.max(initial=-1), columns.max(initial=-1)) + 1, -1, dtype=np.intp)
    place[columns] = np.arange(len(columns))
    rows = np.flatnonzero(place[column] >= 0)
    return rows, place[column[rows]]


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

    def of(self, columns: IntArray) -> PlowPasses:
        """Return the passes on some columns, counted among these."""
        rows, place = _selected(self.column, columns)
        return PlowPasses(self.hour[rows], place, self.residual_mm[rows])


@dataclass(frozen=True)
class VaporSource:
    """Material that exchanges vapor with the air on each column, flat arrays (column,).

    Attributes
    ----------
    over_ice : array of bool
        Vapor exchanges with ice or snow, else with liquid.
    on_snow : array of bool
        The uppermost thing is loose snow.
    latent_heat_j_kg : array
        Heat of evaporation or sublimation [J/kg].
    activity : array
        Vapor pressure over that of plain water or ice [-].
    available_kg_m2 : array
        What can evaporate at most [kg/m²].
    """

    over_ice: BoolArray
    on_snow: BoolArray
    latent_heat_j_kg: Array
    activity: Array
    available_kg_m2: Array

    def vapor_pressure_pa(self, temp_c: Array) -> tuple[Array, Array]:
        """Return the vapor pressure at the surface and its slope with temperature [Pa], [Pa/K]."""
        magnus_a = np.where(self.over_ice, MAGNUS_ICE[0], MAGNUS_WATER[0])
        magnus_b = np.where(self.over_ice, MAGNUS_ICE[1], MAGNUS_WATER[1])
        magnus_c = np.where(self.over_ice, MAGNUS_ICE[2], MAGNUS_WATER[2])
        denominator = temp_c + magnus_c
        pressure = self.activity * magnus_a * np.exp(magnus_b * temp_c / denominator)
        return pressure, pressure * magnus_b * magnus_c / (denominator * denominator)


@dataclass
class FilmState:
    """Stores on many columns in motion, flat arrays ``(column,)`` in kg/m², that is mm of water.

    Attributes
    ----------
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
    texture_mm, drain_s : array
        What the texture holds; time constant of draining [mm], [s].
    traffic_loss_per_h : array
        Share of liquid, ice and salt that traffic carries off in an hour [1/h].
    """

    texture_mm: Array
    drain_s: Array
    traffic_loss_per_h: Array
    water: Array = field(init=False)
    ice: Array = field(init=False)
    snow: Array = field(init=False)
    frost: Array = field(init=False)
    puddle: Array = field(init=False)
    salts: Array = field(init=False)
    density: Array = field(init=False)
    albedo: Array = field(init=False)

    def __post_init__(self) -> None:
        n = self.texture_mm.size
        self.water, self.ice, self.snow, self.frost, self.puddle = np.zeros((5, n))
        self.salts = np.zeros((len(CHLORIDES), n))
        self.density = np.full(n, NEW_SNOW_KG_M3)
        self.albedo = np.full(n, NEW_SNOW_ALBEDO)

    @property
    def total(self) -> Array:
        """Water, ice and snow [kg/m²]."""
        return np.asarray(self.water + self.ice + self.snow)

    @property
    def salted(self) -> bool:
        """Whether there is salt anywhere, or none is known: most runs are without, and cheaper."""
        return bool(self.salts.any())

    def mark_unknown(self, unknown: BoolArray) -> None:
        """Make columns unknown from here on."""
        for item in fields(self):
            getattr(self, item.name)[..., unknown] = np.nan

    def taken(self, where: IntArray) -> FilmState:
        """Return the films at some places of the flat axis."""
        some = FilmState(*(getattr(self, item.name)[where] for item in fields(self) if item.init))
        some.restore(self, where)
        return some

    def put(self, where: IntArray, films: FilmState) -> None:
        """Set the stores at some places of the flat axis to those of as many films."""
        for item in fields(self):
            if not item.init:
                getattr(self, item.name)[..., where] = getattr(films, item.name)

    def restore(self, saved: FilmState, where: IntArray) -> None:
        """Copy the stores of another film at some of its columns, (column,)."""
        for item in fields(self):
            if not item.init:
                setattr(self, item.name, getattr(saved, item.name).take(where, axis=-1))

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

    # ------------------------------------------------------------------ heat

    def snow_conductance_wm2k(self) -> Array:
        """Return the conductance from snow surface to pavement [W/(m² K)]."""
        conductance = np.full_like(self.snow, MAX_SNOW_CONDUCTANCE_WM2K)
        snowy = np.flatnonzero(self.snow != 0.0)
        if snowy.size:
            density = self.density[snowy]
            conductivity = 2.22 * (density / 1000.0) ** 1.885
            depth = np.maximum(self.snow[snowy], 1e-9) / density
            conductance[snowy] = np.minimum(conductivity / depth, MAX_SNOW_CONDUCTANCE_WM2K)
        return conductance

    def vapor_source(self, skin_c: Array) -> VaporSource:
        """Return what exchanges vapor with the air at a skin temperature [°C]."""
        on_snow = self.snow > TRACE_KG_M2
        wet = ~on_snow & (self.water > TRACE_KG_M2)
        on_ice = ~on_snow & ~wet & (self.ice > TRACE_KG_M2)
        over_ice = ~wet & (skin_c < 0.0)
        if self.salted:
            over_ice &= ~(self.salts.sum(axis=0) > MIN_SALT_KG_M2 * 0.1)
        over_ice |= on_snow | on_ice
        activity = np.ones_like(skin_c)
        if self.salted:
            activity = np.where(
                over_ice, 1.0, phase_equilibrium.water_activity(self.salts, self.water)
            )
        store = np.where(on_snow, self.snow, np.where(wet, self.water, self.ice))
        latent = np.where(over_ice, LATENT_SUBLIMATION_J_KG, LATENT_EVAPORATION_J_KG)
        return VaporSource(over_ice, on_snow, latent, activity, store)

    # ------------------------------------------------------------------ masses

    def add_precipitation(self, liquid: Array, snow: Array, sleet: Array) -> None:
        """Add precipitation, each (column,) [kg/m²]."""
        self.water = self.water + liquid
        fresh = snow + sleet
        snowing = fresh > 0.0
        if not snowing.any():
            return
        before = self.snow
        self.snow = before + fresh
        volume = before / self.density + snow / NEW_SNOW_KG_M3 + sleet / SLEET_KG_M3
        self.density = np.where(snowing, self.snow / np.maximum(volume, 1e-12), self.density)
        reset_frac = np.minimum(fresh / ALBEDO_RESET_MM, 1.0)
        bare = before <= TRACE_KG_M2
        freshened = self.albedo + reset_frac * (NEW_SNOW_ALBEDO - self.albedo)
        self.albedo = np.where(snowing & bare, NEW_SNOW_ALBEDO, freshened)

    def exchange_vapor(self, evaporated: Array, source: VaporSource) -> None:
        """Remove evaporated water, or deposit it (negative), (column,) [kg/m²]."""
        if not evaporated.any():
            return
        deposited = np.maximum(-evaporated, 0.0)
        remaining = np.maximum(evaporated, 0.0)
        from_snow = np.where(source.on_snow, np.minimum(remaining, self.snow), 0.0)
        remaining = remaining - from_snow
        from_water = np.where(
            source.over_ice & ~source.on_snow, 0.0, np.minimum(remaining, self.water)
        )
        from_ice = np.minimum(remaining - from_water, self.ice)
        frost_gain = np.where(source.over_ice & ~source.on_snow, deposited, 0.0)
        self.snow = self.snow - from_snow + np.where(source.on_snow, deposited, 0.0)
        self.water = self.water - from_water + np.where(source.over_ice, 0.0, deposited)
        self.ice = self.ice - from_ice + frost_gain
        self.frost = np.minimum(self.frost + frost_gain, self.ice)

    def melt_snow(self, melted: Array) -> None:
        """Turn snow into water, (column,) [kg/m²]."""
        self.snow = np.maximum(self.snow - melted, 0.0)
        self.water = self.water + melted

    def set_liquid(self, liquid: Array) -> None:
        """Set the liquid, (column,) [kg/m²]: the rest freezes to ice, or comes from ice and snow.

        Brine eats the ice it lies in before the snow above; plain melting takes the snow first.
        """
        if np.array_equal(liquid, self.water):
            return
        melted = np.maximum(liquid - self.water, 0.0)
        frozen = np.maximum(self.water - liquid, 0.0)
        from_ice = np.minimum(melted - np.minimum(melted, self.snow), self.ice)
        if self.salted:
            briny = self.salts.sum(axis=0) > MIN_SALT_KG_M2
            from_ice = np.where(briny, np.minimum(melted, self.ice), from_ice)
        from_snow = np.minimum(melted - from_ice, self.snow)
        self.water = self.water + from_ice + from_snow - frozen
        self.ice = self.ice - from_ice + frozen
        self.snow = self.snow - from_snow
        self.frost = np.minimum(self.frost, self.ice)

    def drain(self, duration_s: float) -> tuple[Array, Array | None]:
        """Drain liquid above what texture, puddles and snow hold.

        Parameters
        ----------
        duration_s : float
            Length of the step [s].

        Returns
        -------
        water, salts : array (column,), array (4, column) or None
            What left; None where there is no salt at all [kg/m²].
        """
        mobile_liquid = self.water - (self.texture_mm + SNOW_LIQUID_HOLDING_FRAC * self.snow)
        self.puddle = np.clip(mobile_liquid, 0.0, self.puddle)
        excess = np.maximum(mobile_liquid - self.puddle, 0.0)
        if not excess.any():
            return excess, None
        outflow = excess * -np.expm1(-duration_s / self.drain_s)
        puddle_capacity = PUDDLE_FRAC * PUDDLE_DEPTH_MM - self.puddle
        puddled = np.minimum(PUDDLE_FRAC * outflow, puddle_capacity)
        self.puddle = self.puddle + puddled
        return self.remove_fraction(
            (outflow - puddled) / np.maximum(self.water, 1e-300), with_ice=False
        )

    def remove_fraction(self, removed_frac: Array, with_ice: bool) -> tuple[Array, Array | None]:
        """Remove a fraction of the liquid with its salt, and of the ice if asked."""
        gone = removed_frac * self.water
        self.water = self.water - gone
        salts = None
        if self.salted:
            salts = removed_frac * self.salts
            self.salts = self.salts - salts
        if with_ice:
            gone = gone + removed_frac * self.ice
            self.frost = (1.0 - removed_frac) * self.frost
            self.ice = (1.0 - removed_frac) * self.ice
        return gone, salts

    def remove_by_traffic(self, duration_s: float) -> tuple[Array, Array | None]:
        """Remove film and salt by traffic; return what left, as ``drain`` does [kg/m²]."""
        return self.remove_fraction(
            -np.expm1(-self.traffic_loss_per_h * duration_s / 3600.0), with_ice=True
        )

    def age_snow(self, duration_s: float) -> None:
        """Age the snow: density rises, albedo falls."""
        settling = -np.expm1(-duration_s / SNOW_SETTLING_S)
        density_deficit = np.maximum(SETTLED_SNOW_KG_M3 - self.density, 0.0)
        self.density = self.density + settling * density_deficit
        darkening = -np.expm1(-duration_s / SNOW_ALBEDO_DECAY_S)
        self.albedo = self.albedo + darkening * (AGED_SNOW_ALBEDO - self.albedo)

    def plow(self, where: IntArray, residual_mm: Array) -> tuple[Array, Array | None]:
        """Plow snow down to a residual; the liquid it holds goes with it.

        Parameters
        ----------
        where : array of int (pass,)
            Places on the flat column axis [-].
        residual_mm : array (pass,)
            Snow left, as water [mm].

        Returns
        -------
        water, salts : array (column,), array (4, column) or None
            What left, snow included; None where there is no salt at all [kg/m²].
        """
        residual = np.full(self.snow.size, np.inf)
        np.minimum.at(residual, where, residual_mm)
        remaining = np.minimum(self.snow, residual)
        removed = self.snow - remaining
        removed_frac = removed / np.maximum(self.snow, 1e-300)
        snow_liquid = np.maximum(self.water - self.texture_mm - self.puddle, 0.0)
        gone, salts = self.remove_fraction(
            removed_frac * snow_liquid / np.maximum(self.water, 1e-300), with_ice=False
        )
        self.density = np.where(removed > 0.0, PACKED_SNOW_KG_M3, self.density)
        self.snow = remaining
        return gone + removed, salts

    def apply(self, where: IntArray, salts_kg_m2: Array, water_kg_m2: Array) -> None:
        """Add product at indices of the flat column axis, (4, index) and (index,) [kg/m²]."""
        np.add.at(self.water, where, water_kg_m2)
        for store, salt in zip(self.salts, salts_kg_m2, strict=True):
            np.add.at(store, where, salt)


def vapor_flux(
    source: VaporSource,
    convective_coefficient_wm2k: Array,
    skin_c: Array,
    air_vapor_pa: Array,
    pressure_pa: Array,
    step_s: float,
) -> tuple[Array, Array]:
    """Return evaporation linearized around a skin temperature, limited by what is available.

    Parameters
    ----------
    source : VaporSource
        What the air touches.
    convective_coefficient_wm2k : array (column,)
        Exchange coefficient for heat [W/(m² K)].
    skin_c : array (column,)
        Skin temperature [°C].
    air_vapor_pa, pressure_pa : array (column,)
        Vapor pressure of the air; station pressure [Pa].
    step_s : float
        Length of the step [s].

    Returns
    -------
    flux, slope : array (column,)
        Evaporation at ``skin_c``, negative for dew and frost; its slope [kg/(m² s)], per K.
    """
    transfer = convective_coefficient_wm2k * (MOLECULAR_WEIGHT_RATIO / CP_J_KG_K) / pressure_pa
    surface_pa, vapor_slope = source.vapor_pressure_pa(skin_c)
    flux = transfer * (surface_pa - air_vapor_pa)
    max_flux = source.available_kg_m2 / step_s
    limited = flux >= max_flux
    return np.where(limited, max_flux, flux), np.where(limited, 0.0, transfer * vapor_slope)
