"""Surface temperatures: closed forms, conservation, limits, and what is not known."""

import functools
import math
from datetime import UTC, datetime

import helpers.weather
import numpy as np
import pytest
from helpers.weather import ASPHALT, DECK, diurnal, forecast, single_column
from scipy.optimize import brentq

from stormplan.company import catalog
from stormplan.errors import InputError
from stormplan.physics import ground, pavement, surface_energy
from stormplan.physics.forcing import CellForcing, Forcing, StepForcing
from stormplan.physics.pavement import (
    Column,
    Columns,
    convective_coefficient_wm2k,
    solve_surface_temperature,
)
from stormplan.physics.radiation import STEFAN_BOLTZMANN_WM2K4


def still_step(air_c, longwave, wind=3.0, sun=0.0, n=1) -> StepForcing:
    return StepForcing(*(np.full(n, value) for value in (air_c, wind, 400.0, sun, longwave)))


def test_nothing_moves_in_isothermal_equilibrium():
    slab = pavement.initial_slab(single_column(DECK), forecast())
    slab.ground_c[:] = slab.surface_c[:] = -3.0
    ground = slab.ground_solver(600.0)
    black = STEFAN_BOLTZMANN_WM2K4 * 270.15**4
    for _ in range(100):
        slab.step(ground, still_step(-3.0, black), np.array([1e5]))
    assert np.abs(slab.ground_c + 3.0).max() < 1e-11
    assert np.abs(slab.surface_c + 3.0).max() < 1e-11


@pytest.mark.parametrize("emissivity", [0.7, 0.95, 1.0])
def test_without_wind_and_ground_the_surface_goes_to_the_sky_temperature(emissivity):
    surface = np.array([5.0])
    for _ in range(200):
        surface = solve_surface_temperature(1.0, surface, emissivity * 200.0, emissivity, 0.0, 0.0)
    expected = (200.0 / STEFAN_BOLTZMANN_WM2K4) ** 0.25 - 273.15
    assert surface[0] == pytest.approx(expected, abs=1e-9)


def test_energy_closes_in_every_step_of_changeable_weather():
    rng = np.random.default_rng(1)
    columns = Columns.from_records([Column(0, b) for b in catalog.BUILD_UPS.values()])
    slab = pavement.initial_slab(columns, forecast())
    ground = slab.ground_solver(600.0)
    n = len(columns)
    for _ in range(300):
        weather = StepForcing(
            rng.uniform(-20, 10, n),
            rng.uniform(0, 12, n),
            np.full(n, 300.0),
            rng.uniform(0, 500, n),
            rng.uniform(150, 350, n),
        )
        before, deep = slab.surface_c.copy(), slab.ground_c.copy()
        heat = convective_coefficient_wm2k(weather.wind_ms, before, weather.air_c, 1e5)
        slab.step(ground, weather, np.full(n, 1e5))
        after = slab.surface_c
        stored = pavement.SURFACE_HEAT_CAPACITY_J_M2K * (after - before) / 600.0 + (
            ground.storage_wm2k * (slab.ground_c - deep)
        ).sum(axis=0)
        glow = slab.emissivity * STEFAN_BOLTZMANN_WM2K4 * (after + 273.15) ** 4
        sun = (1 - slab.albedo) * weather.shortwave_wm2
        sky = slab.emissivity * weather.longwave_wm2
        under = ground.conductance_wm2k[-1] * (
            slab.ground_c[-1] - weather.air_c - slab.underside_air_offset_k
        )
        wind = heat * (after - weather.air_c)
        closing = stored - (sun + sky - glow - wind - under)
        gross = np.abs(stored) + sun + sky + glow + np.abs(wind) + np.abs(under)
        assert np.abs(closing / gross).max() < 1e-9


def test_exchange_has_the_published_limits():
    pressure = 101325.0
    neutral = convective_coefficient_wm2k(5.0, 0.0, 0.0, pressure)
    assert neutral == pytest.approx(3.3 * 5.0, rel=0.02)  # neutral 3.3 W/(m² K) per m/s
    assert convective_coefficient_wm2k(0.0, 12.0, -15.0, pressure) == pytest.approx(
        1.52 * 27.0 ** (1 / 3)
    )
    assert convective_coefficient_wm2k(0.0, -10.0, 0.0, pressure) == 2.0
    around = convective_coefficient_wm2k(3.0, np.array([-1e-9, 0.0, 1e-9]), 0.0, pressure)
    assert np.ptp(around) < 1e-2
    # Louis: stable air at Ri = 0.5 leaves (1 + 4.7 · 0.5)^-2 of the neutral exchange, Ri of wind
    # and air at 10 m; there the air's difference from the surface is 9.903 / 8.294 of that at 2 m
    colder = 0.5 * 273.15 * 3.0**2 / (9.81 * 10.0 * math.log(10 / 5e-4) / math.log(2 / 5e-4))
    stable = convective_coefficient_wm2k(3.0, -colder, 0.0, pressure, windless_wm2k=0.0)
    assert stable / convective_coefficient_wm2k(3.0, 0.0, 0.0, pressure) == pytest.approx(3.35**-2)


def dyer_exchange_ratio(wind_ms, air_minus_surface_k):
    """Exchange over the neutral one by the flux-profile relations of Dyer 1974.

    Boundary-Layer Meteorol. 7, 363 (integrals: Paulson 1970, J. Appl. Meteorol. 9, 857): wind at
    10 m and air at 2 m, each at its own height, solved for the Obukhov length. Stable air that has
    no steady flux raises a ValueError.
    """

    def integrals(zeta):
        if zeta >= 0.0:
            return -5.0 * zeta, -5.0 * zeta
        x = (1.0 - 16.0 * zeta) ** 0.25
        heat = 2.0 * math.log((1.0 + x * x) / 2.0)
        return (
            2.0 * math.log((1.0 + x) / 2.0) + 0.5 * heat - 2.0 * math.atan(x) + math.pi / 2.0,
            heat,
        )

    neutral_wind, neutral_heat = math.log(10.0 / 5e-3), math.log(2.0 / 5e-4)

    def profile_sums(per_m):
        wind = neutral_wind - integrals(10.0 * per_m)[0] + integrals(5e-3 * per_m)[0]
        heat = neutral_heat - integrals(2.0 * per_m)[1] + integrals(5e-4 * per_m)[1]
        return wind, heat

    def imbalance(per_m):  # 1/L = k g θ* / (T u*²)
        wind, heat = profile_sums(per_m)
        return per_m - 9.81 / 273.15 * air_minus_surface_k / heat * wind**2 / wind_ms**2

    to = 0.1 if air_minus_surface_k > 0.0 else -20.0
    wind, heat = profile_sums(brentq(imbalance, 0.0, to))
    return neutral_wind * neutral_heat / (wind * heat)


def exchange_ratio(wind_ms, air_minus_surface_k):
    """The model's exchange over its neutral one, its floor left out."""
    found = convective_coefficient_wm2k(wind_ms, -air_minus_surface_k, 0.0, 1e5, 0.0)
    return found / convective_coefficient_wm2k(wind_ms, 0.0, 0.0, 1e5, 0.0)


def test_the_compiled_cube_root_is_that_of_the_c_library():
    cubed = np.geomspace(1.0, 1e7, 2001)  # coefficients from 1 to 215 W/(m² K)
    roots = [surface_energy.cube_root(float(one)) for one in cubed]
    np.testing.assert_allclose(roots, np.cbrt(cubed), rtol=4e-15)


@pytest.mark.parametrize(
    ("wind_ms", "air_minus_surface_k"),
    [(3, 1), (4, 1), (4, 2), (6, 1), (6, 3), (6, 5), (8, 1), (8, 5), (8, 8)],
)
def test_stable_air_damps_the_exchange_as_flux_profiles_measured_over_plains(
    wind_ms, air_minus_surface_k
):
    # Louis' functions are to run below those of the plains by up to a tenth of the neutral value;
    # with a Richardson number of mixed heights they were 0.1-0.5 below
    published = dyer_exchange_ratio(wind_ms, air_minus_surface_k)
    assert published - 0.1 < exchange_ratio(wind_ms, air_minus_surface_k) < published


@pytest.mark.parametrize("wind_ms", [3, 4, 6, 8])
@pytest.mark.parametrize("surface_minus_air_k", [1, 3, 8, 15])
def test_unstable_air_enhances_the_exchange_by_up_to_half_more_than_flux_profiles(
    wind_ms, surface_minus_air_k
):
    # Dyer's plains are bare of kerbs and cars and of gusts: the model is above them, 1.0-1.5
    published = dyer_exchange_ratio(wind_ms, -surface_minus_air_k)
    assert 1.0 < exchange_ratio(wind_ms, -surface_minus_air_k) / published < 1.5


def test_a_winter_leaves_the_deep_ground_as_a_column_of_ten_meters(monkeypatch):
    monkeypatch.setattr(helpers.weather, "START", datetime(2025, 11, 1, 6, tzinfo=UTC))
    hours = 24 * 151  # until April, air of the climate at 45° north with days and fronts on it
    time_d = np.arange(hours) / 24.0
    climate = ground.typical_climate(45.0, 200.0)
    season = np.array([climate.air_c(305.0 + each) for each in time_d])
    air = season + 4.0 * np.sin(2 * np.pi * (time_d - 0.4)) + 5.0 * np.sin(2 * np.pi * time_d / 9)
    weather = forecast(hours, latitude=45.0, air_temp_c=air, dew_point_c=air - 4.0)
    depths_m = (0.1, 0.5, 1.0, 1.5, 1.95)

    def followed():
        return pavement.simulate_dry(weather, single_column(), depths_m).temp_at_depth_c[:, :, 0, 0]

    shallow = followed()
    monkeypatch.setattr(ground, "GROUND_DEPTH_M", 10.0)
    monkeypatch.setattr(
        pavement, "layer_grid", functools.partial(ground.layer_grid, layers=40, first_m=0.004)
    )
    difference = np.abs(shallow - followed())
    # 5 m: 0.2 K at most; a column of 2 m was 4 K too cold by the end, 7 K off at its bottom
    assert difference.max() < 0.5


def test_what_hides_the_sky_reflects_a_fifth_of_the_sun():
    # textbook walls and trees: 0.2; at sky view 0 only that is left of an overcast's sun
    sky = CellForcing.from_forecast(forecast(24, sw_down_wm2=200.0))
    hidden, half, opened = (
        next(Forcing(sky, np.zeros(1, dtype=np.intp), np.full(1, view), np.ones(1),
                     np.full((1, 36), 90.0)).steps_of_hour(12)).shortwave_wm2[0]
        for view in (0.0, 0.5, 1.0)
    )  # fmt: skip
    profile = next(
        Forcing(sky, np.zeros(1, dtype=np.intp), np.ones(1), np.ones(1)).steps_of_hour(12)
    ).shortwave_wm2[0]  # nothing hidden: all the sun
    assert hidden == pytest.approx(0.2 * profile)
    assert half == pytest.approx(0.5 * (hidden + opened))


def test_clear_night_cools_below_the_air_and_a_deck_falls_first_in_a_front():
    hours = 60
    front = np.where(np.arange(hours) < 30, 6.0, -4.0)
    result = pavement.simulate_dry(
        forecast(hours, air_temp_c=front, dew_point_c=front - 4, cloud_frac=0.0),
        Columns.from_records([Column(0, ASPHALT), Column(0, DECK)]),
    ).surface_c[:, :, 0]
    assert (result[18:25, 0] < 6.0 - 0.5).all()  # 18 to 01 local, clear: below the air
    frozen = [int(np.argmax(result[30:, column] < 0.0)) for column in (0, 1)]
    assert frozen[1] <= frozen[0]
    assert result[40, 1] < result[40, 0]


@pytest.mark.parametrize(
    "warmer",
    [{"air_temp_c": -1.0}, {"cloud_frac": 0.8}, {"dew_point_c": -3.0}],
    ids=["air", "cloud", "moisture"],
)
def test_at_night_warmer_air_cloud_and_moisture_never_cool(warmer):
    dark = {"hours": 60, "latitude": 80.0}  # polar night
    base = pavement.simulate_dry(forecast(**dark), single_column()).surface_c
    assert (
        pavement.simulate_dry(forecast(**dark, **warmer), single_column()).surface_c >= base
    ).all()


def test_obstructed_sky_warms_the_night():
    dark = forecast(60, latitude=80.0)
    rise = pavement.simulate_dry(dark, single_column(sky_view_frac=0.6)).surface_c
    rise = rise - pavement.simulate_dry(dark, single_column(sky_view_frac=0.9)).surface_c
    assert (rise > 0).all()


def test_column_order_blocks_and_identical_members_change_nothing():
    weather = forecast(30, air_temp_c=diurnal(30))
    records = [Column(0, b, svf) for b in catalog.BUILD_UPS.values() for svf in (0.9, 0.5)]
    together = pavement.simulate_dry(weather, Columns.from_records(records)).surface_c
    mixed = pavement.simulate_dry(weather, Columns.from_records(records[::-1])).surface_c
    np.testing.assert_array_equal(together, mixed[:, ::-1])
    first = pavement.simulate_dry(weather, Columns.from_records(records[:3])).surface_c
    np.testing.assert_allclose(together[:, :3], first, atol=1e-11)
    members = forecast(30, members=5, air_temp_c=diurnal(30))
    spread = pavement.simulate_dry(members, Columns.from_records(records)).surface_c
    assert np.ptp(spread, axis=2).max() == 0.0
    np.testing.assert_allclose(spread[:, :, 0], together[:, :, 0], atol=1e-11)


def test_more_columns_than_a_block_are_the_same_columns():
    weather = forecast(3)
    few = [Column(0, ASPHALT, 0.9), Column(0, DECK, 0.5), Column(0, ASPHALT, 0.4)]
    many = pavement.simulate_dry(weather, Columns.from_records(few * 4000), (0.05,))
    alone = pavement.simulate_dry(weather, Columns.from_records(few), (0.05,))
    np.testing.assert_allclose(many.surface_c[:, -3:], alone.surface_c, atol=1e-11)
    np.testing.assert_allclose(many.temp_at_depth_c[:, :, -3:], alone.temp_at_depth_c, atol=1e-11)


def test_unknown_weather_makes_unknown_temperatures_from_its_hour_on():
    air = diurnal(40)
    air[25:] = np.nan
    result = pavement.simulate_dry(forecast(40, air_temp_c=air), single_column())
    assert np.isfinite(result.surface_c[:25]).all()
    assert np.isnan(result.surface_c[25:]).all()
    cloud = np.full(40, 0.5)
    cloud[10:] = np.nan
    assert np.isnan(
        pavement.simulate_dry(forecast(40, cloud_frac=cloud), single_column()).surface_c[10:]
    ).all()
    given = {"lw_down_wm2": 250.0, "sw_down_wm2": 0.0}
    known = pavement.simulate_dry(forecast(40, cloud_frac=np.nan, **given), single_column())
    assert np.isfinite(known.surface_c).all()


def test_given_radiation_is_used_and_modeled_radiation_is_said():
    sun = np.zeros(48)
    sun[10:16] = 300.0
    result = pavement.simulate_dry(forecast(sw_down_wm2=sun, cloud_frac=0.0), single_column())
    assert not result.radiation.sw_modeled.any()
    assert result.radiation.lw_modeled.all()
    darker = pavement.simulate_dry(forecast(sw_down_wm2=0.0, cloud_frac=0.0), single_column())
    assert (result.surface_c - darker.surface_c).max() > 3.0
    modeled = pavement.simulate_dry(forecast(cloud_frac=0.0), single_column())
    assert modeled.radiation.sw_modeled.all()
    assert modeled.radiation.sw_down_wm2.max() == pytest.approx(450, abs=60)  # 42°N in January


def test_the_steps_of_an_hour_keep_its_shortwave():
    sun = np.zeros(24)
    sun[7:17] = [20, 120, 250, 330, 380, 370, 300, 200, 90, 10]
    sky = CellForcing.from_forecast(forecast(24, sw_down_wm2=sun))
    forcing = Forcing(sky, np.zeros(1, dtype=np.intp), np.ones(1), np.ones(1))
    for hour in range(24):
        mean = np.mean([step.shortwave_wm2[0] for step in forcing.steps_of_hour(hour)])
        assert mean == pytest.approx(sun[hour], abs=1e-9)


def test_a_skyline_takes_the_beam_and_only_while_the_sun_is_behind_it():
    clear = forecast(48, cloud_frac=0.0)
    south = tuple(60.0 if 120 <= 10 * k <= 240 else 0.0 for k in range(36))
    opened = pavement.simulate_dry(clear, single_column()).surface_c
    shaded = pavement.simulate_dry(clear, single_column(horizon_deg=south)).surface_c
    noon, night = 36, 24
    assert (opened - shaded)[noon, 0, 0] > 3.0
    assert 0.0 < (opened - shaded)[night, 0, 0] < 1.8  # what the day left


def test_depths_run_from_the_surface_to_slow_ground():
    weather = forecast(72, air_temp_c=diurnal(72), cloud_frac=0.0)
    result = pavement.simulate_dry(weather, single_column(), (0.0, 0.016, 0.05, 0.5))
    np.testing.assert_allclose(result.temp_at_depth_c[0], result.surface_c, atol=1e-9)
    swing = np.ptp(result.temp_at_depth_c[:, 24:], axis=1)[:, 0, 0]
    assert (np.diff(swing) < 0).all()
    assert (result.surface_min_c <= result.surface_c + 1e-12).all()


@pytest.mark.parametrize(
    ("records", "message"),
    [
        ([], "no pavement columns to run"),
        ([Column(0, ASPHALT, sky_view_frac=1.2)], "sky view 1.2 is not a share from 0 to 1"),
        ([Column(0, ASPHALT, wind_factor=-1.0)], "wind factor -1.0 is negative"),
    ],
)
def test_unusable_columns_are_refused(records, message):
    with pytest.raises(InputError, match=message):
        Columns.from_records(records)


def test_a_depth_above_the_surface_is_refused():
    with pytest.raises(InputError, match=r"depth -0.1 m is above the surface"):
        pavement.simulate_dry(forecast(), single_column(), (-0.1,))
