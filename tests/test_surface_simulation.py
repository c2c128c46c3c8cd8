"""Pavement and film together: conservation, freezing, melting, limits, what is not known."""

import numpy as np
import pytest
from helpers.weather import ASPHALT, DECK, changeable_weather, diurnal, forecast, single_column

from stormplan.company import catalog
from stormplan.company.catalog import BuildUp, Material
from stormplan.physics import film_response, pavement, surface_energy, surface_simulation
from stormplan.physics.film import Applications, FilmState, PlowPasses
from stormplan.physics.film_condition import FilmCondition
from stormplan.physics.film_processes import (
    add_precipitation,
    latent_heat_j_kg,
    vapor_source,
)
from stormplan.physics.forcing import LARGE_ENSEMBLE_MEMBERS, StepForcing
from stormplan.physics.ground import discretize, factorize
from stormplan.physics.pavement import Column, Columns
from stormplan.physics.phase_equilibrium import LATENT_FUSION_J_KG
from stormplan.physics.radiation import STEFAN_BOLTZMANN_WM2K4
from stormplan.physics.surface_simulation import Branches, CoupledSurface, empty_film

ALL = Columns.from_records([Column(0, build_up) for build_up in catalog.BUILD_UPS.values()])


def pre_treats(columns, hours, grams=10.0):
    n = len(columns)
    salts = np.zeros((4, n))
    salts[0], salts[2] = 0.9 * grams / 1000, 0.1 * grams / 1000
    return Applications(np.asarray(hours), np.arange(n), salts, np.full(n, 0.033))


def worked_storm(members=1, seed=0):
    weather = changeable_weather(members=members, seed=seed)
    n = len(ALL)
    passes = PlowPasses(np.full(n, 30), np.arange(n), np.linspace(0.5, 3.0, n))
    work = pre_treats(ALL, np.arange(n) * 3)
    return (
        weather,
        surface_simulation.simulate(weather, ALL, work, passes, traffic_loss_per_h=0.02),
        work,
    )


def test_water_and_salt_are_conserved_in_changeable_weather():
    weather, result, work = worked_storm(members=3)
    film = result.film
    on_surface = film.water_mm + film.ice_mm + film.snow_mm
    gone = (
        film.drained_mm
        + film.evaporated_mm
        - film.deposited_mm
        + film.plowed_mm
        + film.traffic_loss_mm
    )
    came = weather["precip_mm"][:, ALL.cell] + 0.0
    for row in range(len(ALL)):
        came[work.hour[row], row] += work.water_kg_m2[row]
    before = np.concatenate([np.zeros_like(on_surface[:1]), on_surface[:-1]])
    assert np.abs(on_surface - before - came + gone).max() < 1e-9
    there = film.salts_kg_m2 + film.salts_lost_kg_m2.cumsum(axis=1)
    for salt in range(4):
        for row in range(len(ALL)):
            since = there[salt, work.hour[row] :, row]
            assert np.abs(since - work.salts_kg_m2[salt, row]).max() < 1e-12
    for store in (film.water_mm, film.ice_mm, film.snow_mm, film.salts_kg_m2, film.frost_mm):
        assert store.min() >= 0.0
    assert (film.frost_mm <= film.ice_mm + 1e-15).all()


def test_energy_closes_in_every_step_of_wet_and_snowy_weather():
    rng = np.random.default_rng(3)
    n = len(ALL)
    slab = pavement.initial_slab(ALL, forecast())
    wet = CoupledSurface(slab, empty_film(ALL, 1))
    wet.film.apply(np.arange(0, n, 2), np.full((4, n // 2), 0.004), np.full(n // 2, 0.05))
    ground = slab.ground_solver(600.0)
    worst = 0.0
    for index in range(400):
        weather = StepForcing(
            *(rng.uniform(low, high, n) for low, high in
              ((-10, 6), (0, 10), (200, 800), (0, 400 * (index % 7 == 0)), (180, 340)))
        )  # fmt: skip
        falls = rng.random(n) < 0.2
        fall = tuple(rng.uniform(0, 0.5, n) * falls for _ in range(3))
        fall_c = weather.air_c - 1.0
        film = wet.film
        snow, water, ice = film.snow.copy(), film.water.copy(), film.ice.copy()
        skin, surface, deep = wet.skin_c.copy(), slab.surface_c.copy(), slab.ground_c.copy()
        # by hand: wet 0.7 of the dry, snow hides the pavement from 4 mm on, emissivity 0.98
        cover = np.minimum(snow / 4.0, 1.0)
        bare = slab.albedo * np.where(water > 0.03, 0.7, 1.0)
        albedo = (1.0 - cover) * bare + cover * film.albedo
        emissivity = (1.0 - cover) * slab.emissivity + cover * 0.98
        latent_heat = np.array(
            [
                latent_heat_j_kg(vapor_source(one, at)[0])
                for one, at in zip(film.records, skin, strict=True)
            ]
        )
        wet.step(ground, weather, np.full(n, 1e5), fall, fall_c)
        top = 0.5 * 2090.0 * snow / 600
        own = (1000.0 + 4186.0 * water + 2090.0 * ice + 0.5 * 2090.0 * snow) / 600
        stored = top * (wet.skin_c - skin) + own * (slab.surface_c - surface)
        stored += (ground.storage_wm2k * (slab.ground_c - deep)).sum(axis=0)
        melt = wet.melted * LATENT_FUSION_J_KG / 600
        sun = (1 - albedo) * weather.shortwave_wm2
        glow = emissivity * STEFAN_BOLTZMANN_WM2K4 * (wet.skin_c + 273.15) ** 4
        air = wet.convective_coefficient_wm2k * (wet.skin_c - weather.air_c)
        latent = latent_heat * wet.evaporated / 600
        rain = (4186.0 * fall[0] + 2090.0 * (fall[1] + fall[2])) / 600 * (fall_c - wet.skin_c)
        under = ground.conductance_wm2k[-1] * (
            slab.ground_c[-1] - weather.air_c - slab.underside_air_offset_k
        )
        sky = emissivity * weather.longwave_wm2
        income = sun + sky - glow - air - latent + rain - under
        gross = sun + sky + glow + np.abs(air) + np.abs(latent) + np.abs(melt) + np.abs(under)
        worst = max(worst, np.abs((stored + melt - income) / gross).max())
    assert worst < 1e-9
    assert wet.film.snow.max() > 1.0  # it was snowy


def lumped(conductance_wm2k):
    """A sink so heavy that its temperature stays, behind one conductance."""
    return discretize(np.array([0.0, 0.02]), [Material(conductance_wm2k * 0.005, 1e13)], 0.0,
               layers=2, first_m=0.02)  # fmt: skip


def test_a_film_freezes_in_the_time_its_sink_needs_to_take_the_heat():
    # Stefan with a lumped sink: 1 kg/m², 100 W/(m² K), 3 K: m Lf / (K ΔT) = 1112 s
    columns = single_column(BuildUp(ASPHALT.layers, "ground", 0.0, 0.0, 5.0))
    slab = pavement.initial_slab(columns, forecast())
    slab.ground_c = np.full((2, 1), -3.0)
    slab.surface_c = np.zeros(1)
    ground = factorize([lumped(100.0)], np.zeros(1, dtype=np.intp), 10.0)
    assert ground.top_conductance_wm2k[0] == pytest.approx(100.0)
    wet = CoupledSurface(slab, FilmState(np.full(1, 5.0), np.full(1, 900.0), np.zeros(1)))
    wet.film.water[:] = 1.0
    nothing = np.zeros(1)
    saturated = np.full(1, 610.94)
    steps = 0
    while wet.film.water[0] > 1e-4 and steps < 1000:
        weather = StepForcing(nothing, nothing, saturated, nothing, nothing)
        wet.step(ground, weather, np.full(1, 1e5), (nothing,) * 3, nothing)
        steps += 1
    assert steps * 10.0 == pytest.approx(1112.0, abs=10.0)


def test_a_film_on_a_still_cold_night_freezes_in_the_hour_stefan_gives():
    # 2.5 mm on a thin deck in still air at -4 °C under a sky as warm: m Lf = K ΔT t, with what the
    # deck and the film themselves had of cold when it came
    deck = BuildUp((("concrete", 0.01),), "open air", 0.3, 0.95, 5.0)
    hours, wetted, film_mm, cold_k, pressure_pa = 60, 48, 2.5, 4.0, 1e5
    sigma = 5.670374e-8
    weather = forecast(
        hours, air_temp_c=-cold_k, dew_point_c=-10.0, wind_10m_ms=0.0, pressure_hpa=1000.0,
        sw_down_wm2=0.0, lw_down_wm2=sigma * 269.15**4,
    )  # fmt: skip
    water = Applications(np.array([wetted]), np.array([0]), np.zeros((4, 1)), np.array([film_mm]))
    result = surface_simulation.simulate(weather, single_column(deck, sky_view_frac=1.0), water)
    # a warm plate facing up (McAdams 1954); its vapor with it (Lewis); glow; down through the deck
    # to the air below: 10 mm of 1.6 W/(m K), then 10 W/(m² K)
    heat = 1.52 * cold_k ** (1 / 3)
    air_pa = 610.94 * np.exp(17.625 * -10.0 / (-10.0 + 243.04))  # Alduchov & Eskridge 1996
    vapor = heat / 1005.0 * 0.622 / pressure_pa * (610.94 - air_pa)
    glow = 0.95 * sigma * (273.15**4 - 269.15**4)
    under = 1.0 / (0.01 / 1.6 + 1.0 / 10.0)
    watts = (heat + under) * cold_k + glow + 2.501e6 * vapor
    underside_c = under * cold_k / 10.0 - cold_k
    head_start = 2.1e6 * 0.01 * (cold_k + 0.5 * underside_c) + 4186.0 * film_mm * cold_k
    expected = (head_start + 3600.0 * watts * np.arange(1, 3)) / 0.3337e6
    ice, liquid = result.film.ice_mm[wetted:, 0, 0], result.film.water_mm[wetted:, 0, 0]
    np.testing.assert_allclose(ice[:2], expected, atol=0.02)  # 1.19 and 2.02 mm
    frozen_s = (film_mm * 0.3337e6 - head_start) / (watts + 0.3337e6 * vapor)
    assert 2.4 < frozen_s / 3600.0 < 2.6
    assert liquid[1] > 0.3
    assert liquid[2] == 0.0


@pytest.mark.parametrize(("air_c", "wind", "rain"), [(-1.0, 3.0, 1.0), (-3.0, 5.0, 2.0)])
def test_freezing_rain_freezes_as_far_as_its_heat_balance_at_zero_allows(air_c, wind, rain):
    # freezing share n = Q_loss / (P Lf) (Jones 1996, CRREL 96-2), insulated from below
    columns = single_column(BuildUp(ASPHALT.layers, "ground", 0.12, 0.95, 50.0))
    slab = pavement.initial_slab(columns, forecast())
    insulated = discretize(np.array([0.0, 0.1]), [Material(1e-6, 1e3)], 0.0)
    slab.ground_c = np.zeros((len(insulated.center_m), 1))
    slab.surface_c = np.zeros(1)
    ground = factorize([insulated], np.zeros(1, dtype=np.intp), 600.0)
    wet = CoupledSurface(slab, FilmState(np.full(1, 50.0), np.full(1, 900.0), np.zeros(1)))
    air_pa = 610.94 * np.exp(17.625 * air_c / (air_c + 243.04))
    overcast = 0.96 * STEFAN_BOLTZMANN_WM2K4 * (air_c + 273.15) ** 4
    air, speed, fall = np.full(1, air_c), np.full(1, wind), np.full(1, rain / 6)
    ice = []
    for _ in range(18):
        ice.append(wet.film.ice[0])
        weather = StepForcing(air, speed, np.full(1, air_pa), np.zeros(1), np.full(1, overcast))
        wet.step(ground, weather, np.full(1, 101325.0), (fall, fall * 0, fall * 0), air)
    heat = wet.convective_coefficient_wm2k[0]
    evaporation = heat / 1005.0 * 0.622 / 101325.0 * (610.94 - air_pa)
    longwave = 0.95 * (STEFAN_BOLTZMANN_WM2K4 * 273.15**4 - overcast)
    loss = heat * -air_c + 2.501e6 * evaporation + longwave - 4186.0 * rain / 3600 * air_c
    expected = loss / (rain / 3600 * 0.3337e6)
    assert 0.3 < expected < 0.9
    assert (wet.film.ice[0] - ice[12]) / rain == pytest.approx(expected, abs=0.01)
    assert wet.skin_c[0] == pytest.approx(0.0, abs=0.05)


def test_a_hundred_watts_melt_snow_at_the_published_rate():
    # 100 W/m² melt 1.08 mm/h
    columns = single_column(BuildUp(ASPHALT.layers, "ground", 0.0, 0.0, 5.0))
    slab = pavement.initial_slab(columns, forecast())
    insulated = discretize(np.array([0.0, 0.1]), [Material(1e-6, 1e3)], 0.0)
    slab.ground_c = np.zeros((len(insulated.center_m), 1))
    slab.surface_c = np.zeros(1)
    slab.traffic_wm2 = np.full(1, 100.0)
    wet = CoupledSurface(slab, FilmState(np.full(1, 50.0), np.full(1, 900.0), np.zeros(1)))
    add_precipitation(wet.film.records[0], 0.0, 5.0, 0.0)
    ground = factorize([insulated], np.zeros(1, dtype=np.intp), 600.0)
    nothing, saturated = np.zeros(1), np.full(1, 611.21)
    for _ in range(6):
        # as much comes from the sky as goes out to it
        glow = STEFAN_BOLTZMANN_WM2K4 * (wet.skin_c + 273.15) ** 4
        weather = StepForcing(nothing, nothing, saturated, nothing, glow)
        wet.step(ground, weather, np.full(1, 1e5), (nothing,) * 3, nothing)
    assert 5.0 - wet.film.snow[0] == pytest.approx(1.08, abs=0.01)


def test_dry_weather_leaves_dry_pavement_as_the_bare_model_has_it():
    weather = forecast(72, air_temp_c=diurnal(72, 2.0), dew_point_c=-15.0, cloud_frac=0.0)
    bare = pavement.simulate_dry(weather, ALL, (0.05,))
    whole = surface_simulation.simulate(weather, ALL, depths_m=(0.05,))
    assert (whole.film.condition == FilmCondition.DRY).all()
    assert np.abs(whole.surface_c - bare.surface_c).max() < 0.02
    assert np.abs(whole.surface_min_c - bare.surface_min_c).max() < 0.02
    assert np.abs(whole.temp_at_depth_c - bare.temp_at_depth_c).max() < 0.02


def test_snow_keeps_the_pavement_warm_and_its_own_skin_cold():
    snow = np.where(np.arange(48) < 6, 2.0, 0.0)
    cold = {"air_temp_c": -12.0, "dew_point_c": -14.0, "cloud_frac": 0.0, "latitude": 45.0}
    under = surface_simulation.simulate(
        forecast(**cold, snowfall_swe_mm=snow, precip_mm=snow), single_column()
    )
    bare = surface_simulation.simulate(forecast(**cold), single_column())
    assert (under.surface_c - bare.surface_c)[-1, 0, 0] > 2.0
    assert (under.skin_c - bare.skin_c)[-1, 0, 0] < -0.5
    assert FilmCondition(under.film.condition[-1, 0, 0]) is FilmCondition.LOOSE_SNOW
    # 12 mm of water, settled for two days: about 5 cm
    assert 48 < under.film.snow_depth_mm[-1, 0, 0] < 110


def test_snow_on_warm_ground_melts_from_below():
    warm = np.where(np.arange(36) < 24, 8.0, -1.0)
    snow = np.where((np.arange(36) >= 26) & (np.arange(36) < 30), 1.0, 0.0)
    result = surface_simulation.simulate(
        forecast(36, latitude=45.0, air_temp_c=warm, dew_point_c=warm - 2, snowfall_swe_mm=snow,
                 precip_mm=snow, cloud_frac=1.0),
        single_column(),
    )  # fmt: skip
    assert result.film.melted_mm[26:30, 0, 0].sum() > 0.5
    assert result.skin_c[28, 0, 0] < 0.3
    assert (result.surface_c[26:30, 0, 0] > -0.2).all()


def test_a_wet_evening_freezes_and_a_pre_treat_holds_it_longer():
    rain = np.where((np.arange(48) > 10) & (np.arange(48) < 14), 0.3, 0.0)
    air = np.where(np.arange(48) < 16, 3.0, 3.0 - 0.4 * (np.arange(48) - 16))
    damp = np.where(np.arange(48) < 11, air - 6, air - 1)
    weather = forecast(air_temp_c=air, dew_point_c=damp, rain_mm=rain, precip_mm=rain)
    columns = Columns.from_records([Column(0, ASPHALT)] * 2 + [Column(0, DECK)])
    after_rain = Applications(
        np.array([15]), np.array([1]), np.array([[0.006], [0], [0], [0]]), np.array([0.06])
    )
    result = surface_simulation.simulate(weather, columns, after_rain)
    plain, treated, deck = result.film.first_freeze_hour[:, 0]
    assert 16 <= plain < treated
    assert 16 <= deck < treated
    # it froze where the film's own freeze point says, not at 0 °C
    assert result.surface_min_c[treated, 1, 0] < result.film.freeze_point_c[treated, 1, 0] + 0.05
    assert result.film.freeze_point_c[treated, 1, 0] < -1.0
    assert FilmCondition(result.film.condition[plain, 0, 0]) is FilmCondition.ICE


def test_a_clear_moist_night_grows_frost_and_the_sun_takes_it():
    air = diurnal(48, -4.0, 5.0)
    result = surface_simulation.simulate(
        forecast(air_temp_c=air, dew_point_c=np.minimum(air, air.min() + 1.5), wind_10m_ms=1.5,
                 cloud_frac=0.0, latitude=42.0),
        single_column(DECK, sky_view_frac=1.0),
    )  # fmt: skip
    states = result.film.condition[:, 0, 0]
    assert (states[24:33] == FilmCondition.FROST).any()
    assert states[37] == FilmCondition.DRY
    np.testing.assert_allclose(result.film.deposited_mm[:, 0, 0].sum(), 0.05, atol=0.04)


def test_a_trial_repeats_what_the_coupled_run_did():
    weather, result, work = worked_storm()
    n = len(ALL)
    # its own holding returns the film, the untreated one's a film close to it
    passes = PlowPasses(np.full(n, 30), np.arange(n), np.linspace(0.5, 3.0, n))
    again = film_response.simulate_films(
        weather, ALL, result.boundary, np.arange(n), work, passes, traffic_loss_per_h=0.02, steps=6
    )
    for name in ("water_mm", "ice_mm", "snow_mm"):
        gap = np.abs(getattr(again, name) - getattr(result.film, name))
        assert np.quantile(gap, 0.5) < 0.05
        assert np.quantile(gap, 0.9) < 0.3
    hours = np.abs(again.first_freeze_hour - result.film.first_freeze_hour)
    assert np.median(hours) <= 1


def test_order_and_identical_members_change_nothing():
    weather = changeable_weather(36)
    records = [Column(0, b, s) for b in catalog.BUILD_UPS.values() for s in (0.9, 0.5)]
    forward = surface_simulation.simulate(weather, Columns.from_records(records))
    backward = surface_simulation.simulate(weather, Columns.from_records(records[::-1]))
    np.testing.assert_array_equal(forward.surface_c, backward.surface_c[:, ::-1])
    np.testing.assert_array_equal(forward.film.ice_mm, backward.film.ice_mm[:, ::-1])
    same = {name: np.repeat(values, 4, axis=2) for name, values in weather.values.items()}
    many = surface_simulation.simulate(
        type(weather)(weather.start, weather.cells, same), Columns.from_records(records)
    )
    assert np.ptp(many.surface_c, axis=2).max() == 0.0
    assert np.ptp(many.film.water_mm, axis=2).max() == 0.0


def test_rounding_of_the_weather_decides_nothing():
    """Air warmer by 1e-13 K: what is left of melted snow, 1e-17 mm, is no snow to evaporate."""
    weather = changeable_weather(96)
    nudged = changeable_weather(96)
    nudged.values["air_temp_c"][:] += 1e-13
    build_ups = list(catalog.BUILD_UPS.values())
    columns = Columns.from_records(
        [Column(0, build_ups[i % 8], 0.3 + 0.08 * i, 0.4 + 0.06 * i) for i in range(8)]
    )
    salted = Applications(np.arange(4) * 20, np.arange(4), np.full((4, 4), 0.005), np.full(4, 0.1))
    first, second = (surface_simulation.simulate(one, columns, salted) for one in (weather, nudged))
    np.testing.assert_allclose(second.skin_c, first.skin_c, rtol=0, atol=1e-8)
    np.testing.assert_allclose(second.film.water_mm, first.film.water_mm, rtol=0, atol=1e-8)


def test_unknown_precipitation_makes_film_and_surface_unknown_from_its_hour_on():
    snow = np.zeros(30)
    snow[20:] = np.nan
    result = surface_simulation.simulate(
        forecast(30, snowfall_swe_mm=snow, precip_mm=snow), single_column()
    )
    assert np.isfinite(result.surface_c[:20]).all()
    assert np.isnan(result.surface_c[20:]).all()
    assert (result.film.condition[20:] == FilmCondition.UNKNOWN).all()
    assert np.isnan(result.film.freeze_point_c[20:]).all()
    # silent phases do not matter in an hour without precipitation
    quiet = surface_simulation.simulate(
        forecast(30, snowfall_swe_mm=np.nan, sleet_mm=np.nan), single_column()
    )
    assert np.isfinite(quiet.surface_c).all()


def test_a_run_goes_on_from_where_another_ended():
    weather = changeable_weather(36, members=2)
    whole = surface_simulation.simulate(weather, ALL, pre_treats(ALL, np.full(len(ALL), 20)))
    past = surface_simulation.simulate(weather, ALL, end_hour=20)
    # in any order, a column twice, and with work that the hours before did not know of
    again = Columns.from_records([*ALL.records[::-1], ALL.records[0]])
    rest = surface_simulation.simulate(
        weather,
        again,
        pre_treats(again, np.zeros(len(again), int)),
        restart_from=past.restart_state,
    )
    assert past.surface_c.shape[0] == 20
    assert past.restart_state.next_hour == 20
    np.testing.assert_array_equal(rest.surface_c[:, -2::-1], whole.surface_c[20:])
    np.testing.assert_array_equal(rest.film.ice_mm[:, -2::-1], whole.film.ice_mm[20:])
    np.testing.assert_array_equal(rest.film.water_mm[:, -1], rest.film.water_mm[:, -2])
    bare = surface_simulation.simulate(
        weather,
        ALL,
        restart_from=surface_simulation.simulate(weather, ALL, end_hour=0).restart_state,
    )
    np.testing.assert_array_equal(bare.surface_c[:20], past.surface_c)


def test_branches_run_as_if_they_had_been_run_from_the_start():
    weather = changeable_weather(members=3, seed=4)
    n = len(ALL)
    hours = np.sort(np.arange(n) * 5 % 40)
    both = Columns.from_records([*ALL.records, *ALL.records])
    column = np.tile(np.arange(2 * n), 2)
    # all of them early, and a second time when the branch begins: then only the branches
    work = pre_treats(both, np.repeat(hours // 2, 2))
    more = pre_treats(ALL, hours, grams=25.0)
    work = Applications(
        np.concatenate([work.hour, more.hour]),
        np.concatenate([work.column, n + more.column]),
        np.concatenate([work.salts_kg_m2, more.salts_kg_m2], axis=1),
        np.concatenate([work.water_kg_m2, more.water_kg_m2]),
    )
    work.hour[n : 2 * n] = work.hour[:n]
    cleared = np.where(column < n, 2.0, 0.0)[: 2 * n]
    passes = PlowPasses(np.tile(np.maximum(hours, 30), 2), column[: 2 * n], cleared)
    settings = {"depths_m": (0.05,), "traffic_loss_per_h": 0.02}
    whole = surface_simulation.simulate(weather, both, work, passes, **settings)
    branched = surface_simulation.simulate(
        weather, both, work, passes, **settings, branches=Branches(np.arange(n), hours)
    )
    assert (whole.surface_c[:, :n] != whole.surface_c[:, n:]).any()
    for name in ("surface_c", "surface_min_c", "skin_c", "temp_at_depth_c"):
        np.testing.assert_array_equal(getattr(branched, name), getattr(whole, name))
    for one, other in ((branched.film, whole.film), (branched.boundary, whole.boundary)):
        for name, values in vars(other).items():
            np.testing.assert_array_equal(getattr(one, name), values, err_msg=name)


def test_the_longer_steps_of_many_members_move_little():
    weather = changeable_weather(members=LARGE_ENSEMBLE_MEMBERS)
    fewer = {
        name: values[:, :, : LARGE_ENSEMBLE_MEMBERS - 1] for name, values in weather.values.items()
    }
    few = surface_simulation.simulate(type(weather)(weather.start, weather.cells, fewer), ALL)
    many = surface_simulation.simulate(weather, ALL)
    moved = many.surface_c[:, :, :-1] - few.surface_c
    assert 0.0 < np.sqrt(np.mean(moved**2)) < 0.15
    film = [run.film.water_mm + run.film.ice_mm + run.film.snow_mm for run in (few, many)]
    assert np.abs(film[1][:, :, :-1] - film[0]).mean() < 0.05 * film[0].mean()


def test_a_column_runs_the_same_alone_and_in_any_place_among_many():
    # columns go through an hour some at a time: neither its place nor its neighbors matter
    weather = changeable_weather(members=3, seed=4)
    records = [
        Column(0, build_up, 0.3 + 0.01 * number, variant=number)
        for number in range(12)
        for build_up in catalog.BUILD_UPS.values()
    ]
    many = Columns.from_records(records)
    assert len(many) * 3 > 3 * surface_energy.COLUMNS_AT_ONCE
    work = pre_treats(many, np.arange(len(many)) % 40)
    passes = PlowPasses(np.full(len(many), 30), np.arange(len(many)), np.full(len(many), 1.0))
    together = surface_simulation.simulate(weather, many, work, passes, depths_m=(0.05,))
    for at in (0, 20, 21, 63, len(many) - 1):
        only = np.array([at])
        alone = surface_simulation.simulate(
            weather,
            Columns.from_records([records[at]]),
            Applications(
                work.hour[only], only * 0, work.salts_kg_m2[:, only], work.water_kg_m2[only]
            ),
            PlowPasses(passes.hour[only], only * 0, passes.residual_mm[only]),
            depths_m=(0.05,),
        )
        for name in ("surface_c", "surface_min_c", "skin_c"):
            assert (getattr(alone, name)[:, 0] == getattr(together, name)[:, at]).all()
        assert (alone.temp_at_depth_c[0, :, 0] == together.temp_at_depth_c[0, :, at]).all()
        for name, values in vars(alone.film.column(0)).items():
            assert (values == getattr(together.film.column(at), name)).all(), name


def test_at_no_depth_the_ground_has_the_mean_of_the_surface():
    weather = forecast(24, air_temp_c=-4.0, dew_point_c=-9.0, cloud_frac=0.0, latitude=45.0)
    result = surface_simulation.simulate(weather, single_column(), depths_m=(0.0,))
    np.testing.assert_allclose(result.temp_at_depth_c[0], result.surface_c, atol=1e-9)


def test_what_is_not_recorded_is_not_there_and_changes_nothing():
    weather = changeable_weather(30, members=2, seed=5)
    n = len(ALL)
    both = Columns.from_records([*ALL.records, *ALL.records])
    work = pre_treats(both, np.full(2 * n, 3))
    runs = [
        surface_simulation.simulate(
            weather, both, work, branches=Branches(np.arange(n), np.full(n, 9)), **some
        )
        for some in ({}, {"variables": ("surface_c", "ice_mm", "salts_kg_m2", "drained_mm")})
    ]
    whole, some = runs
    np.testing.assert_array_equal(some.surface_c, whole.surface_c)
    for name in ("ice_mm", "salts_kg_m2", "drained_mm"):
        assert getattr(whole.film, name).any()
        np.testing.assert_array_equal(getattr(some.film, name), getattr(whole.film, name))
    for of, name in (
        (some, "skin_c"),
        (some, "surface_min_c"),
        (some.boundary, "restoring_wm2k"),
        (some.film, "water_mm"),
        (some.film, "salts_lost_kg_m2"),
    ):
        assert getattr(of, name).shape[-3:] == (0, 0, 0)
    part = some.film.hours(slice(4, 9)).columns(np.array([1, 0]))
    np.testing.assert_array_equal(part.ice_mm, whole.film.ice_mm[4:9, [1, 0]])
    with pytest.raises(ValueError, match="broadcast"):  # nothing is counted as none by mistake
        some.film.ice_mm + some.film.water_mm
    with pytest.raises(KeyError, match="watr_mm"):
        surface_simulation.simulate(weather, both, variables=("watr_mm",))
