"""Conduction against the closed forms of Carslaw & Jaeger, Conduction of Heat in Solids."""

import math

import numpy as np
import pytest

from stormplan.company.catalog import BUILD_UPS, BuildUp, Material
from stormplan.errors import InputError
from stormplan.physics import ground

UNIFORM = Material(1.5, 2.0e6)
ONE = np.zeros(1, dtype=np.intp)
HOUR = 3600.0


def uniform(depth=2.0, below=0.0, **how):
    return ground.discretize(np.array([0.0, depth]), [UNIFORM], below, **how)


def drive(grid, surface_of, duration_s, step_s, start_c=0.0, below_c=0.0):
    """March a ground whose surface temperature is prescribed; yields (time, profile)."""
    engine = ground.factorize([grid], ONE, step_s)
    temp = np.full((len(grid.center_m), 1), start_c)
    for index in range(round(duration_s / step_s)):
        time = (index + 1) * step_s
        reduced = engine.forward_elimination(temp, np.array([below_c]))
        temp = engine.back_substitution(reduced, np.array([surface_of(time)]))
        yield time, temp[:, 0]


@pytest.mark.parametrize(
    ("step_s", "amplitude_tol", "lag_tol"), [(600, 0.005, 0.011), (3600, 0.022, 0.16)]
)
def test_daily_wave_fades_and_lags_as_the_closed_form(step_s, amplitude_tol, lag_tol):
    omega = 2 * math.pi / 86400
    reach = math.sqrt(2 * 1.5 / 2.0e6 / omega)
    assert reach == pytest.approx(0.1436, abs=1e-4)
    grid = uniform()
    rows = [
        (time, profile.copy())
        for time, profile in drive(grid, lambda t: math.sin(omega * t), 20 * 86400, step_s)
        if time > 19 * 86400
    ]
    times = np.array([time for time, _ in rows])
    profiles = np.array([profile for _, profile in rows])
    wave = 2 * np.mean(profiles * np.exp(-1j * omega * times)[:, None], axis=0)
    shallow = grid.center_m < 0.3
    z = grid.center_m[shallow] / reach
    response = wave[shallow] / -1j  # of sin(ωt)
    assert np.abs(np.abs(response) - np.exp(-z)).max() < amplitude_tol
    assert np.abs(np.angle(response * np.exp(1j * z))).max() < lag_tol


def _step_change_error(step_s, **how):
    grid = uniform(**how)
    *_, (time, profile) = drive(grid, lambda _: 10.0, 6 * HOUR, step_s)
    spread = 2 * math.sqrt(1.5 / 2.0e6 * time)
    exact = np.array([10 * math.erfc(z / spread) for z in grid.center_m])
    return np.abs(profile - exact).max()


def test_step_change_follows_the_error_function_and_converges_in_first_order():
    assert _step_change_error(600) < 0.04  # on the grid in use
    fine_grid = {"layers": 30, "first_m": 0.004}
    coarse, fine = (_step_change_error(step_s, **fine_grid) for step_s in (600, 300))
    assert fine < 0.02
    assert coarse / fine == pytest.approx(2.0, abs=0.1)


def test_steady_slab_over_air_conducts_as_resistances_in_series():
    grid = uniform(0.2, below=10.0)
    engine = ground.factorize([grid], ONE, 1e9)  # so long a step is the steady state
    temp = np.zeros((len(grid.center_m), 1))
    for _ in range(4):
        reduced = engine.forward_elimination(temp, np.array([-5.0]))
        slope, pull = engine.linear_response(reduced)
        heat = slope * 10.0 - pull
        temp = engine.back_substitution(reduced, np.array([10.0]))
    assert heat[0] == pytest.approx(15.0 / (0.2 / 1.5 + 1 / 10.0), rel=1e-6)
    np.testing.assert_allclose(temp[:, 0], 10.0 - heat[0] * grid.center_m / 1.5, atol=1e-5)


def test_constant_loss_cools_the_surface_with_the_root_of_time():
    # half space: dT = 2 F sqrt(t / (π k C)); 100 W/m² for 3 h, k 1.3, C 2e6 gives 7.3 K
    material = Material(1.3, 2.0e6)
    grid = ground.discretize(np.array([0.0, 2.0]), [material], 0.0, layers=40, first_m=0.002)
    engine = ground.factorize([grid], ONE, 60.0)
    temp = np.zeros((40, 1))
    for _ in range(180):
        reduced = engine.forward_elimination(temp, np.zeros(1))
        slope, pull = engine.linear_response(reduced)
        surface = (pull - 100.0) / slope
        temp = engine.back_substitution(reduced, surface)
    exact = 2 * 100 * math.sqrt(3 * HOUR / (math.pi * 1.3 * 2.0e6))
    assert exact == pytest.approx(7.3, abs=0.05)
    assert -surface[0] == pytest.approx(exact, rel=0.01)


@pytest.mark.parametrize("name", BUILD_UPS)
def test_layers_hold_all_the_heat_and_resistance_of_the_build_up(name):
    build_up = BUILD_UPS[name]
    grid = ground.layer_grid(build_up)
    assert len(grid.center_m) == ground.LAYER_COUNT
    assert grid.edges_m[1] <= 0.0081
    if build_up.underside == "ground":
        assert grid.edges_m[-1] == pytest.approx(5.0)
        assert grid.conductance_wm2k[-1] == 0.0
    else:  # 20 cm of concrete: 1.6 W/(m K), 2.1 MJ/(m³ K), 10 W/(m² K) below
        assert grid.heat_capacity_j_m2k.sum() == pytest.approx(0.2 * 2.1e6)
        assert (1 / grid.conductance_wm2k).sum() == pytest.approx(0.2 / 1.6 + 1 / 10.0)


def test_an_unknown_material_is_refused_with_the_known_ones():
    odd = BuildUp((("marble", 0.1),), "ground", 0.3, 0.9, 0.3)
    with pytest.raises(InputError, match="no such pavement material: 'marble'; accepted: dense_a"):
        ground.layer_grid(odd)


# 1991-2020 normals: annual mean and half range of monthly means [°C], from memory
NORMALS = {(29.5, 240): (20.9, 9.4), (40.7, 10): (12.9, 12.0), (45.0, 250): (8.0, 16.2)}
NORMALS |= {(43.7, 110): (9.4, 13.0), (39.7, 1650): (10.4, 12.0), (35.2, 2100): (8.1, 10.5)}


@pytest.mark.parametrize("place", NORMALS)
def test_climate_is_within_a_few_degrees_of_normals(place):
    climate = ground.typical_climate(*place)
    mean, swing = NORMALS[place]
    assert climate.annual_mean_c == pytest.approx(mean, abs=3.0)
    assert climate.amplitude_k == pytest.approx(swing, abs=3.0)
    assert climate.air_c(200) > climate.air_c(17)


def test_start_profile_is_recent_air_above_and_annual_wave_below():
    depth = np.array([[0.0], [10.0]])
    climate = ground.Climate(10.0, 12.0, 200.0, 3.0)
    profile = ground.initial_profile(depth, [climate], 17.0, np.array([[-20.0, 0.0]]))
    np.testing.assert_allclose(profile[0, 0], [-17.0, 3.0], atol=1e-9)
    np.testing.assert_allclose(profile[1, 0], 13.0, atol=0.3)


@pytest.mark.parametrize("count", [1, 2, 300])
def test_a_step_is_the_dense_solve_of_its_tridiagonal_system(count):
    """By numpy.linalg.solve, column by column."""
    grids = [ground.layer_grid(BUILD_UPS[name]) for name in ("asphalt", "open_deck")]
    of_column = np.arange(count) % 2
    rng = np.random.default_rng(1)
    before = rng.uniform(-20.0, 20.0, (ground.LAYER_COUNT, count))
    surface, below, step_s = rng.uniform(-20.0, 20.0, count), -5.0, 600.0
    engine = ground.factorize(grids, of_column, step_s)
    reduced = engine.forward_elimination(before, np.full(count, below))
    slope, pull = engine.linear_response(reduced)
    after = engine.back_substitution(reduced, surface)
    for column in range(count):
        grid = grids[of_column[column]]
        storage, between = grid.heat_capacity_j_m2k / step_s, grid.conductance_wm2k
        matrix = np.diag(storage + between[:-1] + between[1:])
        matrix -= np.diag(between[1:-1], 1) + np.diag(between[1:-1], -1)
        right = storage * before[:, column]
        right[0] += between[0] * surface[column]
        right[-1] += between[-1] * below
        exact = np.linalg.solve(matrix, right)
        np.testing.assert_allclose(after[:, column], exact, rtol=0, atol=1e-11)
        heat = between[0] * (surface[column] - exact[0])
        assert slope[column] * surface[column] - pull[column] == pytest.approx(heat, abs=1e-8)
