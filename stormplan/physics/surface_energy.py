"""Energy balance of one time step on snow, film, pavement surface and ground, coupled.

Two temperatures per column: the skin that meets sky and wind, and the pavement surface with its
film. Loose snow lies between them; without snow they are one. Compiled, column by column; the
ground's sweeps are those of ``ground``.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol, cast

import numpy as np

from stormplan.arrays import Array, RecordArray, record_dtype
from stormplan.compiled import compiled
from stormplan.physics import film_processes as processes
from stormplan.physics import pavement
from stormplan.physics.film_condition import MIN_WET_MM
from stormplan.physics.film_processes import Film, Flows
from stormplan.physics.ground import GroundWeights, eliminate_upward, substitute_downward
from stormplan.physics.pavement import SURFACE_HEAT_CAPACITY_J_M2K, WINDLESS_COEFFICIENT_WM2K
from stormplan.physics.phase_equilibrium import LATENT_FUSION_J_KG
from stormplan.physics.radiation import STEFAN_BOLTZMANN_WM2K4
from stormplan.units import ZERO_CELSIUS_K

WATER_HEAT_CAPACITY_J_KGK, ICE_HEAT_CAPACITY_J_KGK = 4186.0, 2090.0
WET_ALBEDO_RATIO = 0.7  # of the dry one (textbook, from memory)
SNOW_EMISSIVITY = 0.98  # textbook, from memory
SNOW_WINDLESS_COEFFICIENT_WM2K = (
    1.0  # windless exchange over snow (after Jordan 1991, CRREL SR 91-16)
)
FULL_SNOW_COVER_MM = 4.0  # snow water that hides the pavement

# the same functions, of numbers
convective_coefficient_wm2k: Callable[..., float] = compiled(
    cast(Callable[..., float], pavement.convective_coefficient_wm2k)
)
solve_surface_temperature: Callable[..., float] = compiled(
    cast(Callable[..., float], pavement.solve_surface_temperature)
)


class Surface(Protocol):
    """Thermal state of one column, and what the last step did: a record of ``SURFACE``.

    Attributes
    ----------
    surface_c, skin_c : float
        Pavement surface, under snow if there is any; what meets the air [°C].
    albedo, emissivity : float
        Of bare, dry pavement [-].
    traffic_wm2 : float
        Heat from traffic [W/m²].
    offset_k : float
        How much warmer film and snow find their place than the balance has it [K].
    convective_coefficient_wm2k : float
        Exchange coefficient with the air [W/(m² K)].
    evaporated, melted, top_melted : float
        Evaporated, negative for dew and frost; snow and ice turned liquid, and how much of it at
        the snow's top [kg/m²].
    unfrozen_temp_c : float
        Temperature the pavement surface would have gone to if nothing froze or melted [°C].
    restoring_wm2k : float
        Power that moves it by one degree [W/(m² K)].
    """

    surface_c: float
    skin_c: float
    albedo: float
    emissivity: float
    traffic_wm2: float
    offset_k: float
    convective_coefficient_wm2k: float
    evaporated: float
    melted: float
    top_melted: float
    unfrozen_temp_c: float
    restoring_wm2k: float


class Weather(Protocol):
    """Weather of one step on one column: a record of ``WEATHER``.

    Attributes
    ----------
    air_c, wind_ms, vapor_pressure_pa, shortwave_wm2, longwave_wm2 : float
        As in ``StepForcing``.
    pressure_pa : float
        Station pressure [Pa].
    liquid, snow, sleet : float
        What falls in the step [kg/m²].
    precip_temp_c : float
        Temperature at which it falls [°C].
    """

    air_c: float
    wind_ms: float
    vapor_pressure_pa: float
    shortwave_wm2: float
    longwave_wm2: float
    pressure_pa: float
    liquid: float
    snow: float
    sleet: float
    precip_temp_c: float


SURFACE, WEATHER = record_dtype(Surface), record_dtype(Weather)


@compiled
def uppermost_albedo(film: Film, pavement_albedo: float) -> float:
    """Return the albedo of what the sun meets [-]."""
    bare = pavement_albedo * (WET_ALBEDO_RATIO if film.water > MIN_WET_MM else 1.0)
    cover = min(film.snow / FULL_SNOW_COVER_MM, 1.0)
    return bare + cover * (film.albedo - bare)


@compiled
def uppermost_emissivity(film: Film, pavement_emissivity: float) -> float:
    """Return the emissivity of what the sky sees [-]."""
    cover = min(film.snow / FULL_SNOW_COVER_MM, 1.0)
    return pavement_emissivity + cover * (SNOW_EMISSIVITY - pavement_emissivity)


@compiled
def mark_unknown(film: Film, surface: Surface) -> None:
    """Make film and surface of a column unknown from here on."""
    processes.mark_unknown(film)
    surface.surface_c = surface.skin_c = np.nan
    surface.convective_coefficient_wm2k = surface.evaporated = np.nan
    surface.melted = surface.top_melted = np.nan
    surface.unfrozen_temp_c = surface.restoring_wm2k = np.nan


@compiled
def mark_unknown_surfaces(films: RecordArray, surfaces: RecordArray, falls: Array) -> None:
    """Make columns unknown whose past, or the hour's precipitation (column,), is not known."""
    for i in range(films.size):
        if np.isnan(falls[i] + surfaces[i].skin_c + processes.total_kg_m2(films[i])):
            mark_unknown(films[i], surfaces[i])


@compiled
def _advance_column(
    film: Film,
    surface: Surface,
    ground_slope: float,
    ground_rhs: float,
    weather: Weather,
    step_s: float,
    flows: Flows,
) -> bool:
    """Advance film, skin and surface of one column; return whether the weather is known.

    Heat into the ground is ``ground_slope · surface_c − ground_rhs`` [W/(m² K)], [W/m²].
    """
    offset_k, skin_before_c = surface.offset_k, surface.skin_c
    precip_heat_wm2k = (
        WATER_HEAT_CAPACITY_J_KGK * weather.liquid
        + ICE_HEAT_CAPACITY_J_KGK * (weather.snow + weather.sleet)
    ) / step_s
    snow_heat_capacity = 0.5 * ICE_HEAT_CAPACITY_J_KGK * film.snow
    film_heat_capacity = (
        SURFACE_HEAT_CAPACITY_J_M2K
        + WATER_HEAT_CAPACITY_J_KGK * film.water
        + ICE_HEAT_CAPACITY_J_KGK * film.ice
        + snow_heat_capacity
    )
    skin_storage_wm2k, film_storage_wm2k = snow_heat_capacity / step_s, film_heat_capacity / step_s
    emissivity = uppermost_emissivity(film, surface.emissivity)
    absorbed_wm2 = (
        (1.0 - uppermost_albedo(film, surface.albedo)) * weather.shortwave_wm2
        + emissivity * weather.longwave_wm2
        + surface.traffic_wm2
    )
    snowy = film.snow > 0.5 * FULL_SNOW_COVER_MM
    convective_wm2k = convective_coefficient_wm2k(
        weather.wind_ms, skin_before_c, weather.air_c, weather.pressure_pa,
        SNOW_WINDLESS_COEFFICIENT_WM2K if snowy else WINDLESS_COEFFICIENT_WM2K,
    )  # fmt: skip
    over_ice, on_snow, activity, available = processes.vapor_source(film, skin_before_c + offset_k)
    latent_heat = processes.latent_heat_j_kg(over_ice)
    evaporation, evaporation_slope = processes.vapor_flux(
        over_ice, activity, available, convective_wm2k, skin_before_c + offset_k,
        weather.vapor_pressure_pa, weather.pressure_pa, step_s,
    )  # fmt: skip
    processes.add_precipitation(film, weather.liquid, weather.snow, weather.sleet)

    # pavement surface, then everything below the skin, as straight lines of the skin's T
    snow_conductance = processes.snow_conductance_wm2k(film)
    below_wm2k = film_storage_wm2k + ground_slope
    total_conductance = below_wm2k + snow_conductance
    skin_coupling = snow_conductance / total_conductance
    film_rhs = film_storage_wm2k * surface.surface_c + ground_rhs
    linear_loss = convective_wm2k + precip_heat_wm2k + skin_coupling * below_wm2k
    skin_rhs = (
        convective_wm2k * weather.air_c
        + precip_heat_wm2k * weather.precip_temp_c
        + skin_coupling * film_rhs
    )
    latent_slope = latent_heat * evaporation_slope
    skin = solve_surface_temperature(
        skin_storage_wm2k, skin_before_c, absorbed_wm2, emissivity, linear_loss + latent_slope,
        skin_rhs + latent_slope * skin_before_c - latent_heat * evaporation,
        skin_before_c, pavement.NEWTON_ITERATIONS,
    )  # fmt: skip
    if np.isnan(skin):
        return False
    radiative_slope = 4.0 * STEFAN_BOLTZMANN_WM2K4 * emissivity * (skin + ZERO_CELSIUS_K) ** 3
    linearized_sum = skin_storage_wm2k + linear_loss + latent_slope + radiative_slope

    # snow melts at its top first; its skin cannot pass 0 °C while there is any
    snow_power = LATENT_FUSION_J_KG / step_s * film.snow
    top_melt = min(linearized_sum * max(skin + offset_k, 0.0), snow_power)
    skin -= top_melt / linearized_sum
    at_melting_point = 0.0 < top_melt < snow_power
    top_melted = top_melt * (step_s / LATENT_FUSION_J_KG)
    processes.melt_snow(film, top_melted)

    # then the film freezes or melts along its ice line
    skin_to_air = linearized_sum - skin_coupling * below_wm2k
    through_snow_frac = snow_conductance / (snow_conductance + skin_to_air)
    restoring_wm2k = below_wm2k + (
        snow_conductance if at_melting_point else through_snow_frac * skin_to_air
    )
    unfrozen_temp_c = film_rhs / total_conductance + skin_coupling * skin + offset_k
    kelvin_per_kg = LATENT_FUSION_J_KG / (step_s * restoring_wm2k)
    melted = processes.freeze_or_melt(
        film, unfrozen_temp_c, kelvin_per_kg, surface.surface_c + offset_k
    )
    base_melt = melted * (LATENT_FUSION_J_KG / step_s)
    if not at_melting_point:
        skin -= base_melt / restoring_wm2k * through_snow_frac

    # what the air takes is settled now, and the balance closed with it
    flux = evaporation + evaporation_slope * (skin - skin_before_c)
    evaporated = min(flux * step_s, min(available, processes.total_kg_m2(film)))
    processes.exchange_vapor(film, evaporated, over_ice, on_snow, flows)
    skin = solve_surface_temperature(
        skin_storage_wm2k, skin_before_c, absorbed_wm2, emissivity, linear_loss,
        skin_rhs - skin_coupling * base_melt - top_melt - latent_heat * (evaporated / step_s),
        skin, pavement.CLOSING_ITERATIONS,
    )  # fmt: skip
    surface.skin_c = skin
    surface.surface_c = (film_rhs - base_melt) / total_conductance + skin_coupling * skin
    flows.melted += melted + top_melted
    surface.convective_coefficient_wm2k = convective_wm2k
    surface.evaporated = evaporated
    surface.melted = melted + top_melted
    surface.top_melted = top_melted
    surface.unfrozen_temp_c = unfrozen_temp_c
    surface.restoring_wm2k = restoring_wm2k
    return True


@compiled
def advance_surfaces(
    films: RecordArray,
    surfaces: RecordArray,
    ground_c: Array,
    ground: GroundWeights,
    underside_c: Array,
    weather: RecordArray,
    step_s: float,
    flows: RecordArray,
) -> None:
    """Advance film, skin, surface and ground of every column by one step.

    Parameters
    ----------
    films, surfaces : array of FILM, array of SURFACE (column,)
        Changed in place.
    ground_c : array (layer, column)
        Ground temperatures, changed in place [°C].
    ground : GroundWeights
        Factorized for the step.
    underside_c : array (column,)
        Air under a slab [°C].
    weather : array of WEATHER (column,)
        Of the step.
    step_s : float
        Length of the step [s].
    flows : array of FLOWS (column,)
        What evaporates, settles as dew or frost, and melts is added.
    """
    reduced = eliminate_upward(ground, ground_c, underside_c)
    shared = ground.top_conductance_wm2k.size == 1
    for i in range(films.size):
        j = 0 if shared else i
        ground_slope = ground.top_conductance_wm2k[j] * (1.0 - ground.above[0, j])
        ground_rhs = ground.top_conductance_wm2k[j] * reduced[0, i]
        if np.isnan(processes.total_kg_m2(films[i])) or not _advance_column(
            films[i], surfaces[i], ground_slope, ground_rhs, weather[i], step_s, flows[i]
        ):
            mark_unknown(films[i], surfaces[i])
            processes.mark_unknown_flows(flows[i])
    substitute_downward(ground, reduced, surfaces["surface_c"].copy())
    ground_c[:] = reduced
