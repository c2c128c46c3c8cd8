"""Energy balance of one time step on snow, film, pavement surface and ground, coupled.

Two temperatures per column: the skin that meets sky and wind, and the pavement surface with its
film. Loose snow lies between them; without snow they are one. Compiled, some columns at a
time through the steps of an hour; the ground's sweeps are those of ``ground``.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from typing import NamedTuple, Protocol, cast

import numpy as np

from stormplan.arrays import Array, RecordArray, record_dtype
from stormplan.compiled import compiled
from stormplan.physics import film_processes as processes
from stormplan.physics import pavement
from stormplan.physics.film_condition import MIN_WET_MM
from stormplan.physics.film_processes import Film
from stormplan.physics.ground import (
    GroundWeights,
    add_columns,
    columns_of,
    eliminate_upward,
    put_columns,
    substitute_downward,
    weights_of,
)
from stormplan.physics.hour_weather import (
    STEP_WEATHER,
    HourWeather,
    Places,
    set_step_weather,
)
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
#: Columns that go through an hour together: with their ground they stay near the processor.
COLUMNS_AT_ONCE = 64

# the same functions, of numbers
convective_coefficient_cubed: Callable[..., float] = compiled(
    cast(Callable[..., float], pavement.convective_coefficient_cubed)
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


class HourlyMeans(NamedTuple):
    """Hourly means of surface and film's boundary: arrays ``(hour, column · member)``.

    Attributes
    ----------
    surface_c, surface_min_c, skin_c : array
        Pavement surface, its lowest, and what the air meets; night offset included [°C].
    unfrozen_temp_c, restoring_wm2k, convective_coefficient_wm2k, top_melt_mm : array
        As in ``SurfaceBoundary``.
    """

    surface_c: Array
    surface_min_c: Array
    skin_c: Array
    unfrozen_temp_c: Array
    restoring_wm2k: Array
    convective_coefficient_wm2k: Array
    top_melt_mm: Array

    @classmethod
    def empty(cls, hours: int, size: int, fields: Collection[str] | None = None) -> HourlyMeans:
        """Return room for so many hours of so many columns, members counted.

        Where only some ``fields`` are wanted, the others are (0, 0).
        """
        shapes = (
            (hours, size) if fields is None or name in fields else (0, 0) for name in cls._fields
        )
        return cls(*map(np.empty, shapes))


SURFACE = record_dtype(Surface)


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


class Balance(Protocol):
    """Terms of the heat balance of one column over a step: a record of ``BALANCE``.

    Everything below the skin is a straight line of the skin's temperature.

    Attributes
    ----------
    skin_before_c, skin_c : float
        Skin at the start of the step and, as far as it is solved, at its end; NaN where the
        weather is not known [°C].
    convective_wm2k : float
        Exchange coefficient with the air [W/(m² K)].
    over_ice, on_snow : bool
        As ``film_processes.vapor_source`` has them.
    available, evaporation, evaporation_slope : float
        What can evaporate at most [kg/m²]; evaporation at the skin's temperature before, and what
        one degree adds [kg/(m² s)].
    storage_wm2k, emissivity, absorbed_wm2 : float
        Heat capacity of the skin over the step; of what the sky sees [-]; radiation and traffic.
    linear_loss_wm2k, rhs_wm2 : float
        What is linear in the skin's temperature, evaporation excluded.
    film_rhs_wm2, below_wm2k, snow_conductance_wm2k : float
        Of the pavement surface with its film: what it holds and gets, what holds it from below, and
        what ties it to the skin.
    """

    skin_before_c: float
    skin_c: float
    convective_wm2k: float
    over_ice: bool
    on_snow: bool
    available: float
    evaporation: float
    evaporation_slope: float
    storage_wm2k: float
    emissivity: float
    absorbed_wm2: float
    linear_loss_wm2k: float
    rhs_wm2: float
    film_rhs_wm2: float
    below_wm2k: float
    snow_conductance_wm2k: float


BALANCE = record_dtype(Balance)


# A step goes through the columns once for each of its stages: a processor works on several columns
# at once where each of them asks for few operations, and waits for each where they are one chain.


@compiled
def cube_root(value: float) -> float:
    """Return the cube root of a number from 1 to 10 million, to rounding.

    By Halley's method: ``np.cbrt`` asks the C library for one number after the other, which took a
    seventh of a step.
    """
    fourth_root = np.sqrt(np.sqrt(value))
    root = 0.7 * fourth_root * np.sqrt(fourth_root)  # within a factor of 1.45
    for _ in range(3):
        cubed = root * root * root
        root = root * (cubed + 2.0 * value) / (2.0 * cubed + value)
    return float(root)


@compiled
def _exchange_with_air(
    films: RecordArray,
    surfaces: RecordArray,
    weather: RecordArray,
    balance: RecordArray,
    step_s: float,
) -> None:
    """Set what wind and vapor do to the skin."""
    for k in range(films.size):
        skin_c, air, terms = surfaces[k].skin_c, weather[k], balance[k]
        snowy = films[k].snow > 0.5 * FULL_SNOW_COVER_MM
        terms.skin_before_c = skin_c
        windless_wm2k = SNOW_WINDLESS_COEFFICIENT_WM2K if snowy else WINDLESS_COEFFICIENT_WM2K
        cubed = convective_coefficient_cubed(air.wind_ms, skin_c, air.air_c, air.pressure_pa)
        terms.convective_wm2k = cube_root(np.maximum(cubed, windless_wm2k**3))
    for k in range(films.size):
        air, terms = weather[k], balance[k]
        skin_c = surfaces[k].skin_c + surfaces[k].offset_k
        over_ice, on_snow, activity, available = processes.vapor_source(films[k], skin_c)
        terms.over_ice, terms.on_snow = over_ice, on_snow
        terms.available = available
        terms.evaporation, terms.evaporation_slope = processes.vapor_flux(
            over_ice, activity, available, terms.convective_wm2k, skin_c,
            air.vapor_pressure_pa, air.pressure_pa, step_s,
        )  # fmt: skip


@compiled
def _set_balance(
    films: RecordArray,
    surfaces: RecordArray,
    ground: GroundWeights,
    reduced_c: Array,
    weather: RecordArray,
    balance: RecordArray,
    step_s: float,
) -> None:
    """Let precipitation fall, and set the terms of the balance.

    ``reduced_c`` (layer, column) is the ground as ``eliminate_upward`` leaves it: heat into it is a
    straight line of the surface's temperature.
    """
    for k in range(films.size):
        film, surface, air, terms = films[k], surfaces[k], weather[k], balance[k]
        precip_heat_wm2k = (
            WATER_HEAT_CAPACITY_J_KGK * air.liquid
            + ICE_HEAT_CAPACITY_J_KGK * (air.snow + air.sleet)
        ) / step_s
        snow_heat_capacity = 0.5 * ICE_HEAT_CAPACITY_J_KGK * film.snow
        film_heat_capacity = (
            SURFACE_HEAT_CAPACITY_J_M2K
            + WATER_HEAT_CAPACITY_J_KGK * film.water
            + ICE_HEAT_CAPACITY_J_KGK * film.ice
            + snow_heat_capacity
        )
        emissivity = uppermost_emissivity(film, surface.emissivity)
        terms.emissivity = emissivity
        terms.absorbed_wm2 = (
            (1.0 - uppermost_albedo(film, surface.albedo)) * air.shortwave_wm2
            + emissivity * air.longwave_wm2
            + surface.traffic_wm2
        )
        processes.add_precipitation(film, air.liquid, air.snow, air.sleet)
        film_storage_wm2k = film_heat_capacity / step_s
        convective_wm2k = terms.convective_wm2k
        snow_conductance = processes.snow_conductance_wm2k(film)
        top_wm2k = ground.top_conductance_wm2k[k]
        below_wm2k = film_storage_wm2k + top_wm2k * (1.0 - ground.above[0, k])
        skin_coupling = snow_conductance / (below_wm2k + snow_conductance)
        film_rhs = film_storage_wm2k * surface.surface_c + top_wm2k * reduced_c[0, k]
        terms.storage_wm2k = snow_heat_capacity / step_s
        terms.snow_conductance_wm2k, terms.below_wm2k = snow_conductance, below_wm2k
        terms.film_rhs_wm2 = film_rhs
        terms.linear_loss_wm2k = convective_wm2k + precip_heat_wm2k + skin_coupling * below_wm2k
        terms.rhs_wm2 = (
            convective_wm2k * air.air_c
            + precip_heat_wm2k * air.precip_temp_c
            + skin_coupling * film_rhs
        )


@compiled
def _solve_skin(balance: RecordArray) -> None:
    """Set the skin's temperature as it would be if nothing froze or melted."""
    for k in range(balance.size):
        terms = balance[k]
        before_c = terms.skin_before_c
        latent_heat = processes.latent_heat_j_kg(terms.over_ice)
        latent_slope = latent_heat * terms.evaporation_slope
        terms.skin_c = solve_surface_temperature(
            terms.storage_wm2k, before_c, terms.absorbed_wm2, terms.emissivity,
            terms.linear_loss_wm2k + latent_slope,
            terms.rhs_wm2 + latent_slope * before_c - latent_heat * terms.evaporation,
            before_c, pavement.NEWTON_ITERATIONS,
        )  # fmt: skip


@compiled
def _change_phase(
    films: RecordArray,
    surfaces: RecordArray,
    balance: RecordArray,
    step_s: float,
    flows: RecordArray,
) -> None:
    """Melt and freeze snow and film, and settle what the air takes.

    Leaves ``balance`` as the skin and the pavement surface find it once that is done.
    """
    for k in range(films.size):
        film, surface, terms = films[k], surfaces[k], balance[k]
        if np.isnan(terms.skin_c + processes.total_kg_m2(film)):
            terms.skin_c = np.nan
            continue
        latent_heat = processes.latent_heat_j_kg(terms.over_ice)
        latent_slope = latent_heat * terms.evaporation_slope
        offset_k, skin = surface.offset_k, terms.skin_c
        snow_conductance, below_wm2k = terms.snow_conductance_wm2k, terms.below_wm2k
        total_conductance = below_wm2k + snow_conductance
        skin_coupling = snow_conductance / total_conductance
        radiative_slope = (
            4.0 * STEFAN_BOLTZMANN_WM2K4 * terms.emissivity * (skin + ZERO_CELSIUS_K) ** 3
        )
        linearized_sum = (
            terms.storage_wm2k + terms.linear_loss_wm2k + latent_slope + radiative_slope
        )

        # snow melts at its top first; its skin cannot pass 0 °C while there is any
        snow_power = LATENT_FUSION_J_KG / step_s * film.snow
        top_melt = min(linearized_sum * max(skin + offset_k, 0.0), snow_power)
        at_melting_point = 0.0 < top_melt < snow_power
        top_melted = top_melt * (step_s / LATENT_FUSION_J_KG)
        if top_melt > 0.0:
            skin -= top_melt / linearized_sum
            processes.melt_snow(film, top_melted)

        # then the film freezes or melts along its ice line
        skin_to_air = linearized_sum - skin_coupling * below_wm2k
        through_snow_frac = snow_conductance / (snow_conductance + skin_to_air)
        restoring_wm2k = below_wm2k + (
            snow_conductance if at_melting_point else through_snow_frac * skin_to_air
        )
        unfrozen_temp_c = terms.film_rhs_wm2 / total_conductance + skin_coupling * skin + offset_k
        melted = 0.0
        if processes.total_kg_m2(film) > 0.0:
            kelvin_per_kg = LATENT_FUSION_J_KG / (step_s * restoring_wm2k)
            melted = processes.freeze_or_melt(
                film, unfrozen_temp_c, kelvin_per_kg, surface.surface_c + offset_k
            )
        base_melt = melted * (LATENT_FUSION_J_KG / step_s)
        if melted != 0.0 and not at_melting_point:
            skin -= base_melt / restoring_wm2k * through_snow_frac

        # what the air takes is settled now
        flux = terms.evaporation + terms.evaporation_slope * (skin - terms.skin_before_c)
        evaporated = min(flux * step_s, min(terms.available, processes.total_kg_m2(film)))
        processes.exchange_vapor(film, evaporated, terms.over_ice, terms.on_snow, flows[k])
        terms.skin_c = skin
        terms.rhs_wm2 += -skin_coupling * base_melt - top_melt - latent_heat * (evaporated / step_s)
        terms.film_rhs_wm2 -= base_melt
        flows[k].melted += melted + top_melted
        surface.convective_coefficient_wm2k = terms.convective_wm2k
        surface.evaporated = evaporated
        surface.melted = melted + top_melted
        surface.top_melted = top_melted
        surface.unfrozen_temp_c = unfrozen_temp_c
        surface.restoring_wm2k = restoring_wm2k


@compiled
def _close_balance(balance: RecordArray) -> None:
    """Set the skin's temperature with all that froze, melted and went into the air."""
    for k in range(balance.size):
        terms = balance[k]
        terms.skin_c = solve_surface_temperature(
            terms.storage_wm2k, terms.skin_before_c, terms.absorbed_wm2,
            terms.emissivity, terms.linear_loss_wm2k, terms.rhs_wm2,
            terms.skin_c, pavement.CLOSING_ITERATIONS,
        )  # fmt: skip


@compiled
def _end_step(
    films: RecordArray,
    surfaces: RecordArray,
    balance: RecordArray,
    step_s: float,
    flows: RecordArray,
) -> None:
    """Set skin and pavement surface at the end of the step; what can drain drains."""
    settled = processes.approach_frac(step_s, processes.SNOW_SETTLING_S)
    darkened = processes.approach_frac(step_s, processes.SNOW_ALBEDO_DECAY_S)
    for k in range(films.size):
        film, surface, terms = films[k], surfaces[k], balance[k]
        if np.isnan(terms.skin_c):
            mark_unknown(film, surface)
            processes.mark_unknown_flows(flows[k])
            continue
        snow_conductance = terms.snow_conductance_wm2k
        total_conductance = terms.below_wm2k + snow_conductance
        skin_coupling = snow_conductance / total_conductance
        surface.skin_c = terms.skin_c
        surface.surface_c = terms.film_rhs_wm2 / total_conductance + skin_coupling * terms.skin_c
        processes.drain_and_age(film, step_s, settled, darkened, flows[k])


@compiled
def _advance_films(
    films: RecordArray,
    surfaces: RecordArray,
    ground: GroundWeights,
    reduced_c: Array,
    weather: RecordArray,
    balance: RecordArray,
    step_s: float,
    flows: RecordArray,
) -> None:
    """Advance film, skin and surface of some columns by one step over a ground that answers."""
    _exchange_with_air(films, surfaces, weather, balance, step_s)
    _set_balance(films, surfaces, ground, reduced_c, weather, balance, step_s)
    _solve_skin(balance)
    _change_phase(films, surfaces, balance, step_s, flows)
    _close_balance(balance)
    _end_step(films, surfaces, balance, step_s, flows)


class HourlySums(Protocol):
    """Sums of an hour's steps on one column, for ``HourlyMeans``: a record of ``SUMS``."""

    surface_c: float
    surface_min_c: float
    skin_c: float
    unfrozen_temp_c: float
    restoring_wm2k: float
    convective_coefficient_wm2k: float
    top_melt: float


SUMS = record_dtype(HourlySums)


@compiled
def _begin_hour(films: RecordArray, surfaces: RecordArray, sums: RecordArray) -> None:
    """Start the hour's sums by the trapezoidal rule; what is not known stays unknown."""
    for k in range(surfaces.size):
        surface, total = surfaces[k], sums[k]
        if np.isnan(surface.skin_c + processes.total_kg_m2(films[k])):
            mark_unknown(films[k], surface)
        total.surface_c, total.skin_c = 0.5 * surface.surface_c, 0.5 * surface.skin_c
        total.surface_min_c = surface.surface_c
        total.unfrozen_temp_c = total.restoring_wm2k = 0.0
        total.convective_coefficient_wm2k = total.top_melt = 0.0


@compiled
def _add_step(surfaces: RecordArray, sums: RecordArray) -> None:
    """Add the state after a step."""
    for k in range(surfaces.size):
        surface, total = surfaces[k], sums[k]
        total.surface_c += surface.surface_c
        total.skin_c += surface.skin_c
        if surface.surface_c < total.surface_min_c or np.isnan(surface.surface_c):
            total.surface_min_c = surface.surface_c
        total.unfrozen_temp_c += surface.unfrozen_temp_c
        total.restoring_wm2k += surface.restoring_wm2k
        total.convective_coefficient_wm2k += surface.convective_coefficient_wm2k
        total.top_melt += surface.top_melted


@compiled
def _end_hour(
    surfaces: RecordArray, sums: RecordArray, steps: int, means: HourlyMeans, hour: int, begin: int
) -> None:
    """Set the means of the hour in ``means``, night offset included, of those that have room."""
    for k in range(surfaces.size):
        i, surface, total = begin + k, surfaces[k], sums[k]
        offset_k = surface.offset_k
        if means.surface_c.size:
            surface_c = (total.surface_c - 0.5 * surface.surface_c) / steps
            means.surface_c[hour, i] = surface_c + offset_k
        if means.surface_min_c.size:
            means.surface_min_c[hour, i] = total.surface_min_c + offset_k
        if means.skin_c.size:
            skin_c = (total.skin_c - 0.5 * surface.skin_c) / steps
            means.skin_c[hour, i] = skin_c + offset_k
        if means.unfrozen_temp_c.size:
            means.unfrozen_temp_c[hour, i] = total.unfrozen_temp_c / steps
        if means.restoring_wm2k.size:
            means.restoring_wm2k[hour, i] = total.restoring_wm2k / steps
        if means.convective_coefficient_wm2k.size:
            coefficient_wm2k = total.convective_coefficient_wm2k / steps
            means.convective_coefficient_wm2k[hour, i] = coefficient_wm2k
        if means.top_melt_mm.size:
            means.top_melt_mm[hour, i] = total.top_melt


@compiled
def advance_surfaces(
    films: RecordArray,
    surfaces: RecordArray,
    ground_c: Array,
    ground: GroundWeights,
    places: Places,
    weather: HourWeather,
    step_s: float,
    flows: RecordArray,
    means: HourlyMeans,
    hour: int,
    count: int,
    ground_mean_c: Array,
) -> None:
    """Advance film, skin, surface and ground of the first columns through one hour.

    Parameters
    ----------
    films, surfaces : array of FILM, array of SURFACE (column,)
        Changed in place.
    ground_c : array (layer, column)
        Ground temperatures, changed in place [°C].
    ground : GroundWeights
        Factorized for the step.
    places : Places
        What every column sees of the weather.
    weather : HourWeather
        Of the hour; it has the number of steps.
    step_s : float
        Length of the step [s].
    flows : array of FLOWS (column,)
        What evaporates, settles as dew or frost, melts, drains and is carried off is added.
    means : HourlyMeans
        Where the means of the hour are put.
    hour : int
        Its place in ``means`` [-].
    count : int
        How many columns go on [-].
    ground_mean_c : array (layer, column) or (0, 0)
        Where the ground's means of the hour are put, if wanted [°C].
    """
    steps = weather.sun_profile.shape[0]
    for begin in range(0, count, COLUMNS_AT_ONCE):
        end = min(begin + COLUMNS_AT_ONCE, count)
        some, tops, flow = films[begin:end], surfaces[begin:end], flows[begin:end]
        own = weights_of(ground, begin, end)
        layer_c = columns_of(ground_c, begin, end)
        sum_c = np.zeros(layer_c.shape)
        below_c, surface_c = np.empty(end - begin), np.empty(end - begin)
        balance, sums = np.empty(end - begin, BALANCE), np.empty(end - begin, SUMS)
        on_columns = np.empty((steps, end - begin), STEP_WEATHER)
        set_step_weather(on_columns, weather, places, begin)
        _begin_hour(some, tops, sums)
        add_columns(sum_c, layer_c, 0.5)
        for step in range(steps):
            for k in range(end - begin):
                below_c[k] = on_columns[step, k].underside_air_c
            eliminate_upward(own, layer_c, below_c)
            _advance_films(some, tops, own, layer_c, on_columns[step], balance, step_s, flow)
            for k in range(end - begin):
                surface_c[k] = tops[k].surface_c
            substitute_downward(own, layer_c, surface_c)
            _add_step(tops, sums)
            if ground_mean_c.size:
                add_columns(sum_c, layer_c, 1.0)
        _end_hour(tops, sums, steps, means, hour, begin)
        put_columns(ground_c, begin, layer_c, 1.0)
        if ground_mean_c.size:
            add_columns(sum_c, layer_c, -0.5)
            put_columns(ground_mean_c, begin, sum_c, 1.0 / steps)
