"""Processes of the film on one column: what comes down, freezes, drains, dries and is carried off.

Compiled functions of one record of ``FILM``, changed in place; those that end in ``_films`` go
through an array of them. Masses are kg/m², that is mm of water.
"""

from __future__ import annotations

from typing import NamedTuple, Protocol

import numpy as np

from stormplan.arrays import Array, IntArray, RecordArray, record_dtype
from stormplan.compiled import compiled
from stormplan.liquids.brine import CHLORIDES
from stormplan.physics.phase_equilibrium import (
    LATENT_FUSION_J_KG,
    equilibrate,
    water_activity,
)
from stormplan.weather.moist_air import (
    CP_J_KG_K,
    LATENT_EVAPORATION_J_KG,
    MAGNUS_ICE,
    MAGNUS_WATER,
    MOLECULAR_WEIGHT_RATIO,
)

LATENT_SUBLIMATION_J_KG = 2.835e6  # at 0 °C (textbook, from memory)

# Class assumptions, our own choice: 5-10 % of a lot is puddle that never drains, a few mm deep.
PUDDLE_FRAC = 0.07
PUDDLE_DEPTH_MM = 3.0
SNOW_LIQUID_HOLDING_FRAC = (
    0.05  # of its mass as liquid, before it drips (capillary retention, textbook)
)

# Snow: conductivity Yen 1981, CRREL Report 81-10; the rest class assumptions.
NEW_SNOW_KG_M3, SETTLED_SNOW_KG_M3, SLEET_KG_M3 = 100.0, 250.0, 400.0
PACKED_SNOW_KG_M3 = 400.0  # what a plow leaves
SNOW_SETTLING_S = 24 * 3600.0
NEW_SNOW_ALBEDO, AGED_SNOW_ALBEDO = 0.82, 0.60  # Wiscombe & Warren 1980 range
SNOW_ALBEDO_DECAY_S = 4 * 86400.0
ALBEDO_RESET_MM = 2.0  # new snow that makes old snow white again
MAX_SNOW_CONDUCTANCE_WM2K = 2e4  # contact, where no snow lies between skin and pavement

#: Less than this is what rounding leaves of a store that is gone: a billionth of a millimeter.
TRACE_KG_M2 = 1e-9
MIN_SALT_KG_M2 = 1e-4  # less salt than this changes nothing


N_CHLORIDES = len(CHLORIDES)


class Film(Protocol):
    """Film on one column: a record of ``FILM``.

    Attributes
    ----------
    water, ice, snow : float
        Liquid, frozen film, and loose snow or sleet [kg/m²].
    frost, puddle : float
        Part of the ice that came as vapor; of the liquid that lies too low to drain [kg/m²].
    salts : array (4,)
        Each chloride, in the order of ``CHLORIDES`` [kg/m²].
    density, albedo : float
        Of the snow [kg/m³], [-].
    texture_mm, drain_s : float
        What the texture holds; time constant of draining [mm], [s].
    traffic_loss_per_h : float
        Share of liquid, ice and salt that traffic carries off in an hour [1/h].
    """

    water: float
    ice: float
    snow: float
    frost: float
    puddle: float
    salts: Array
    density: float
    albedo: float
    texture_mm: float
    drain_s: float
    traffic_loss_per_h: float


class Flows(Protocol):
    """Flows of one film summed over an hour: a record of ``FLOWS`` [kg/m²].

    Attributes
    ----------
    drained, evaporated, deposited, plowed, traffic_loss : float
        Run off; given to the air; taken from it; plowed off; carried off by traffic.
    melted : float
        Snow and ice turned liquid, negative when freezing.
    salts : array (4,)
        Each chloride gone with what drained, was plowed or carried off.
    """

    drained: float
    evaporated: float
    deposited: float
    plowed: float
    traffic_loss: float
    melted: float
    salts: Array


FILM, FLOWS = record_dtype(Film, N_CHLORIDES), record_dtype(Flows, N_CHLORIDES)


@compiled
def total_kg_m2(film: Film) -> float:
    """Return water, ice and snow of a film [kg/m²]."""
    return film.water + film.ice + film.snow


@compiled
def total_salt_kg_m2(film: Film) -> float:
    """Return all chlorides of a film [kg/m²]."""
    salt = 0.0
    for k in range(N_CHLORIDES):
        salt += film.salts[k]
    return salt


@compiled
def mark_unknown(film: Film) -> None:
    """Make a film unknown from here on."""
    film.water = film.ice = film.snow = film.frost = film.puddle = np.nan
    film.density = film.albedo = np.nan
    film.texture_mm = film.drain_s = film.traffic_loss_per_h = np.nan
    for k in range(N_CHLORIDES):
        film.salts[k] = np.nan


@compiled
def mark_unknown_flows(flows: Flows) -> None:
    """Make a film's flows of the hour unknown."""
    flows.drained = flows.evaporated = flows.deposited = flows.plowed = np.nan
    flows.traffic_loss = flows.melted = np.nan
    for k in range(N_CHLORIDES):
        flows.salts[k] = np.nan


# ----------------------------------------------------------------------------------- vapor


@compiled
def vapor_source(film: Film, skin_c: float) -> tuple[bool, bool, float, float]:
    """Return what exchanges vapor with the air on a column at a skin temperature [°C].

    Returns
    -------
    over_ice, on_snow : bool
        Vapor exchanges with ice or snow, else with liquid; the uppermost thing is loose snow.
    activity : float
        Vapor pressure over that of plain water or ice [-].
    available_kg_m2 : float
        What can evaporate at most [kg/m²].
    """
    if film.snow > TRACE_KG_M2:
        return True, True, 1.0, film.snow
    if film.water > TRACE_KG_M2:
        return False, False, water_activity(film.salts, film.water), film.water
    salted = total_salt_kg_m2(film) > MIN_SALT_KG_M2 * 0.1
    if film.ice > TRACE_KG_M2 or (skin_c < 0.0 and not salted):
        return True, False, 1.0, film.ice
    return False, False, water_activity(film.salts, film.water), film.ice


@compiled
def latent_heat_j_kg(over_ice: bool) -> float:
    """Return the heat of sublimation or evaporation [J/kg]."""
    return LATENT_SUBLIMATION_J_KG if over_ice else LATENT_EVAPORATION_J_KG


@compiled
def vapor_flux(
    over_ice: bool,
    activity: float,
    available_kg_m2: float,
    convective_coefficient_wm2k: float,
    skin_c: float,
    air_vapor_pa: float,
    pressure_pa: float,
    step_s: float,
) -> tuple[float, float]:
    """Return evaporation linearized around a skin temperature, limited by what is available.

    Parameters
    ----------
    over_ice : bool
        Vapor exchanges with ice or snow, else with liquid.
    activity : float
        Vapor pressure over that of plain water or ice [-].
    available_kg_m2 : float
        What can evaporate at most [kg/m²].
    convective_coefficient_wm2k : float
        Exchange coefficient for heat [W/(m² K)].
    skin_c : float
        Skin temperature [°C].
    air_vapor_pa, pressure_pa : float
        Vapor pressure of the air; station pressure [Pa].
    step_s : float
        Length of the step [s].

    Returns
    -------
    flux, slope : float
        Evaporation at ``skin_c``, negative for dew and frost; its slope [kg/(m² s)], per K.
    """
    magnus_a, magnus_b, magnus_c = MAGNUS_ICE if over_ice else MAGNUS_WATER
    denominator = skin_c + magnus_c
    surface_pa = activity * magnus_a * np.exp(magnus_b * skin_c / denominator)
    vapor_slope = surface_pa * magnus_b * magnus_c / (denominator * denominator)
    transfer = convective_coefficient_wm2k * (MOLECULAR_WEIGHT_RATIO / CP_J_KG_K) / pressure_pa
    flux = transfer * (surface_pa - air_vapor_pa)
    max_flux = available_kg_m2 / step_s
    if flux >= max_flux:
        return max_flux, 0.0
    return flux, transfer * vapor_slope


@compiled
def exchange_vapor(
    film: Film, evaporated: float, over_ice: bool, on_snow: bool, flows: Flows
) -> None:
    """Remove evaporated water, or deposit it (negative), where the vapor exchanges [kg/m²]."""
    if evaporated < 0.0:
        deposited = -evaporated
        flows.deposited += deposited
        if on_snow:
            film.snow += deposited
        elif over_ice:
            film.ice += deposited
            film.frost += deposited
        else:
            film.water += deposited
        return
    flows.evaporated += evaporated
    remaining = evaporated
    if on_snow:
        from_snow = min(remaining, film.snow)
        film.snow -= from_snow
        remaining -= from_snow
    if on_snow or not over_ice:
        from_water = min(remaining, film.water)
        film.water -= from_water
        remaining -= from_water
    film.ice -= min(remaining, film.ice)
    film.frost = min(film.frost, film.ice)


# ----------------------------------------------------------------------------------- masses


@compiled
def add_precipitation(film: Film, liquid: float, snow: float, sleet: float) -> None:
    """Add precipitation to a column [kg/m²]."""
    film.water += liquid
    fresh = snow + sleet
    if fresh <= 0.0:
        return
    before = film.snow
    volume = before / film.density + snow / NEW_SNOW_KG_M3 + sleet / SLEET_KG_M3
    film.snow = before + fresh
    film.density = film.snow / max(volume, 1e-12)
    if before <= TRACE_KG_M2:
        film.albedo = NEW_SNOW_ALBEDO
    else:
        reset_frac = min(fresh / ALBEDO_RESET_MM, 1.0)
        film.albedo += reset_frac * (NEW_SNOW_ALBEDO - film.albedo)


@compiled
def melt_snow(film: Film, melted: float) -> None:
    """Turn snow of a column into water [kg/m²]."""
    film.snow = max(film.snow - melted, 0.0)
    film.water += melted


@compiled
def set_liquid(film: Film, liquid: float) -> None:
    """Set the liquid of a column [kg/m²]: the rest freezes to ice, or comes from ice and snow.

    Brine eats the ice it lies in before the snow above; plain melting takes the snow first.
    """
    if liquid < film.water:
        frozen = film.water - liquid
        film.water -= frozen
        film.ice += frozen
        return
    melted = liquid - film.water
    if total_salt_kg_m2(film) > MIN_SALT_KG_M2:
        from_ice = min(melted, film.ice)
    else:
        from_ice = min(melted - min(melted, film.snow), film.ice)
    from_snow = min(melted - from_ice, film.snow)
    film.water += from_ice + from_snow
    film.ice -= from_ice
    film.snow -= from_snow
    film.frost = min(film.frost, film.ice)


@compiled
def freeze_or_melt(
    film: Film, unfrozen_temp_c: float, kelvin_per_kg: float, film_c: float
) -> float:
    """Bring a column's film to its freezing curve; return what melted, negative when freezing.

    Parameters
    ----------
    film : Film
        Changed in place.
    unfrozen_temp_c, kelvin_per_kg, film_c : float
        As ``phase_equilibrium.equilibrate`` has them [°C], [K m²/kg], [°C].

    Returns
    -------
    float
        Water after less water before [kg/m²].
    """
    before = film.water
    liquid = equilibrate(
        unfrozen_temp_c, kelvin_per_kg, before, total_kg_m2(film), film.salts, film_c
    )
    set_liquid(film, liquid)
    return film.water - before


@compiled
def remove_liquid_frac(film: Film, removed_frac: float, flows: Flows) -> float:
    """Remove a fraction of a column's liquid with its salt; return the water gone [kg/m²]."""
    gone = removed_frac * film.water
    film.water -= gone
    for k in range(N_CHLORIDES):
        salt = removed_frac * film.salts[k]
        film.salts[k] -= salt
        flows.salts[k] += salt
    return gone


@compiled
def drain(film: Film, duration_s: float, flows: Flows) -> None:
    """Drain liquid of a column above what texture, puddles and snow hold."""
    mobile = film.water - (film.texture_mm + SNOW_LIQUID_HOLDING_FRAC * film.snow)
    film.puddle = min(max(mobile, 0.0), film.puddle)
    excess = max(mobile - film.puddle, 0.0)
    if excess == 0.0:
        return
    outflow = excess * -np.expm1(-duration_s / film.drain_s)
    puddled = min(PUDDLE_FRAC * outflow, PUDDLE_FRAC * PUDDLE_DEPTH_MM - film.puddle)
    film.puddle += puddled
    flows.drained += remove_liquid_frac(film, (outflow - puddled) / film.water, flows)


@compiled
def remove_by_traffic(film: Film, duration_s: float, flows: Flows) -> None:
    """Remove film and salt of a column by traffic."""
    if film.traffic_loss_per_h <= 0.0:
        return
    removed_frac = -np.expm1(-film.traffic_loss_per_h * duration_s / 3600.0)
    gone = remove_liquid_frac(film, removed_frac, flows) + removed_frac * film.ice
    film.frost *= 1.0 - removed_frac
    film.ice *= 1.0 - removed_frac
    flows.traffic_loss += gone


@compiled
def plow_films(films: RecordArray, where: IntArray, residual_mm: Array, flows: RecordArray) -> None:
    """Plow films at places (pass,) down to a residual (pass,) [mm]; flows get what left."""
    for k in range(where.size):
        film, flow = films[where[k]], flows[where[k]]
        removed = film.snow - residual_mm[k]
        if not removed > 0.0:
            continue
        snow_liquid = max(film.water - film.texture_mm - film.puddle, 0.0)
        liquid_frac = removed / film.snow * snow_liquid / max(film.water, 1e-300)
        flow.plowed += removed + remove_liquid_frac(film, liquid_frac, flow)
        film.snow, film.density = residual_mm[k], PACKED_SNOW_KG_M3


@compiled
def approach_frac(duration_s: float, time_constant_s: float) -> float:
    """Return how much of the way to its end a slow decay goes in a step [-]."""
    return float(-np.expm1(-duration_s / time_constant_s))


@compiled
def age_snow(film: Film, settled_frac: float, darkened_frac: float) -> None:
    """Age the snow: density rises, albedo falls, by these parts of what is left."""
    film.density += settled_frac * max(SETTLED_SNOW_KG_M3 - film.density, 0.0)
    film.albedo += darkened_frac * (AGED_SNOW_ALBEDO - film.albedo)


@compiled
def snow_conductance_wm2k(film: Film) -> float:
    """Return the conductance from snow surface to pavement of a column [W/(m² K)]."""
    if film.snow == 0.0:
        return MAX_SNOW_CONDUCTANCE_WM2K
    conductivity = 2.22 * (film.density / 1000.0) ** 1.885
    depth_m = max(film.snow, 1e-9) / film.density
    return float(min(conductivity / depth_m, MAX_SNOW_CONDUCTANCE_WM2K))


@compiled
def drain_and_age(
    film: Film, duration_s: float, settled_frac: float, darkened_frac: float, flows: Flows
) -> None:
    """Drain a film, let traffic carry off and snow settle, over one step; see ``age_snow``."""
    drain(film, duration_s, flows)
    remove_by_traffic(film, duration_s, flows)
    age_snow(film, settled_frac, darkened_frac)


class FilmForcing(NamedTuple):
    """What goes on around films whose places are known.

    Attributes
    ----------
    first_hour, cell, column : array of int (film,)
        Hour in which each film begins; its place on the cell and on the column axis [-].
    liquid_mm, snow_mm, sleet_mm : array (hour, cell, member)
        What falls in the hour [mm].
    vapor_pressure_pa, pressure_pa : array (hour, cell, member)
        Vapor pressure of the air; station pressure [Pa].
    unfrozen_temp_c, restoring_wm2k, skin_c, convective_coefficient_wm2k, top_melt_mm : array
        As in ``SurfaceBoundary``, (hour, column, member).
    """

    first_hour: IntArray
    cell: IntArray
    column: IntArray
    liquid_mm: Array
    snow_mm: Array
    sleet_mm: Array
    vapor_pressure_pa: Array
    pressure_pa: Array
    unfrozen_temp_c: Array
    restoring_wm2k: Array
    skin_c: Array
    convective_coefficient_wm2k: Array
    top_melt_mm: Array


@compiled
def advance_films(
    films: RecordArray,
    film_c: Array,
    which: IntArray,
    forcing: FilmForcing,
    hour: int,
    steps: int,
    flows: RecordArray,
) -> None:
    """Advance some films by one hour in places whose boundary conditions are known.

    Parameters
    ----------
    films : array of FILM (film · member,)
        Changed in place.
    film_c : array (film · member,)
        Temperature of each, changed in place [°C].
    which : array of int (some,)
        Which films go on.
    forcing : FilmForcing
        What goes on around all of them; its last hour goes on for ever.
    hour : int
        Counted from each film's first [-].
    steps : int
        Time steps in the hour [-].
    flows : array of FLOWS (film · member,)
        What flows is added.
    """
    duration_s = 3600.0 / steps
    settled = approach_frac(duration_s, SNOW_SETTLING_S)
    darkened = approach_frac(duration_s, SNOW_ALBEDO_DECAY_S)
    last, members = forcing.skin_c.shape[0] - 1, forcing.skin_c.shape[2]
    for each in which:
        at, cell = min(forcing.first_hour[each] + hour, last), forcing.cell[each]
        column = forcing.column[each]
        for member in range(members):
            film, flow = films[each * members + member], flows[each * members + member]
            liquid = forcing.liquid_mm[at, cell, member] / steps
            snow = forcing.snow_mm[at, cell, member] / steps
            sleet = forcing.sleet_mm[at, cell, member] / steps
            unfrozen_temp_c = forcing.unfrozen_temp_c[at, column, member]
            if np.isnan(liquid + snow + sleet + unfrozen_temp_c + total_kg_m2(film)):
                mark_unknown(film)
                mark_unknown_flows(flow)
                continue
            air_pa = forcing.vapor_pressure_pa[at, cell, member]
            pressure_pa = forcing.pressure_pa[at, cell, member]
            skin_c = forcing.skin_c[at, column, member]
            convective = forcing.convective_coefficient_wm2k[at, column, member]
            top_melt = forcing.top_melt_mm[at, column, member] / steps
            restoring_wm2k = forcing.restoring_wm2k[at, column, member]
            kelvin_per_kg = LATENT_FUSION_J_KG / (duration_s * restoring_wm2k)
            temp_c = film_c[each * members + member]
            for _ in range(steps):
                over_ice, on_snow, activity, available = vapor_source(film, skin_c)
                flux, _slope = vapor_flux(
                    over_ice, activity, available, convective, skin_c, air_pa, pressure_pa,
                    duration_s,
                )  # fmt: skip
                add_precipitation(film, liquid, snow, sleet)
                top_melted = min(top_melt, film.snow)
                melt_snow(film, top_melted)
                melted = freeze_or_melt(film, unfrozen_temp_c, kelvin_per_kg, temp_c)
                flow.melted += top_melted + melted
                temp_c = unfrozen_temp_c - kelvin_per_kg * melted
                evaporated = min(flux * duration_s, min(available, total_kg_m2(film)))
                exchange_vapor(film, evaporated, over_ice, on_snow, flow)
                drain_and_age(film, duration_s, settled, darkened, flow)
            film_c[each * members + member] = temp_c
