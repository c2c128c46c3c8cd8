"""The film on a surface of given temperature: hold, dilution, drying, frost, salt and water."""

import math

import numpy as np
import pytest
from helpers.weather import forecast, single_column

from stormplan.errors import InputError
from stormplan.liquids import brine
from stormplan.liquids.density import density_kg_m3
from stormplan.physics import film_response
from stormplan.physics.film import Applications, FilmState, PlowPasses
from stormplan.physics.film_condition import STORES, FilmCondition, condition_codes
from stormplan.physics.film_processes import vapor_flux
from stormplan.physics.pavement import convective_coefficient_wm2k
from stormplan.physics.surface_simulation import SurfaceBoundary

FIRM_WM2K = 1e9  # nothing the film does moves the surface
L_M2_PER_GAL_KFT2 = 3.785411784 / 92.90304  # one US gallon over 1000 square feet


def holding(
    weather, surface_c, heat_wm2k=0.0, watts_per_k=FIRM_WM2K, candidates=1
) -> SurfaceBoundary:
    shape = (weather.n_hours, candidates, 1)
    surface = np.broadcast_to(np.asarray(surface_c, dtype=float).reshape(-1, 1, 1), shape)
    return SurfaceBoundary(
        surface,
        np.full(shape, watts_per_k),
        surface,
        np.full(shape, float(heat_wm2k)),
        0.0 * surface,
    )


def put_down(grams_m2, water_mm, salt="nacl", hour=0, column=0) -> Applications:
    salts = np.zeros((4, 1))
    salts[brine.CHLORIDES.index(salt)] = grams_m2 / 1000.0
    return Applications(np.array([hour]), np.array([column]), salts, np.array([water_mm]))


def film_at(surface_c, applications, hours=3, steps=6, heat_wm2k=0.0, **weather):
    weather = forecast(hours, **weather)
    held = holding(weather, surface_c, heat_wm2k)
    return film_response.simulate_films(
        weather, single_column(), held, np.zeros(1, dtype=int), applications, steps=steps
    )


# Lever rule, NaCl by weight against temperature (Bodnar 1993 / Pitzer ice line)
ICE_SHARE = [(5, -5.0, 0.362), (10, -7.5, 0.098), (10, -10.0, 0.282), (15, -15.0, 0.195)]


@pytest.mark.parametrize(("percent", "temp_c", "expected"), ICE_SHARE)
def test_ice_share_of_a_salt_film_follows_the_lever_rule(percent, temp_c, expected):
    film = film_at(temp_c, put_down(300 * percent / (100 - percent), 0.3))
    assert film.ice_frac[-1, 0, 0] == pytest.approx(expected, abs=0.003)


# g/m² of each chloride that keep 1 mm of water liquid, from the ice lines of pure salts
HOLDS = {
    -1.11: (19.0, 25.0, 21.3),
    -3.89: (66.6, 79.5, 65.3),
    -6.67: (111.8, 123.0, 99.0),
    -9.44: (153.8, 159.3, 126.4),
    -15.00: (229.1, 218.6, 170.6),
    -17.78: (262.7, 243.9, 189.3),
}


@pytest.mark.parametrize("temp_c", HOLDS)
@pytest.mark.parametrize("place", [0, 1, 2])
def test_a_film_stays_liquid_with_just_the_published_salt(temp_c, place):
    salt, grams = brine.CHLORIDES[place], HOLDS[temp_c][place]
    enough = film_at(temp_c, put_down(0.3 * grams * 1.005, 0.3, salt))
    short = film_at(temp_c, put_down(0.3 * grams * 0.98, 0.3, salt))
    assert enough.ice_frac[-1, 0, 0] < 1e-3
    assert short.ice_frac[-1, 0, 0] > 5e-3


# Total water kept liquid [mm] by 23.3 % brine, by rate [gal/1000 ft²] and pavement [°F]: lever
# rule with published strengths, which round 1.86 % at 30 °F up to 2.0 %
WATER_HELD = {
    0.3: {30: 0.164, 28: 0.084, 25: 0.049, 20: 0.030},
    0.5: {30: 0.274, 28: 0.141, 25: 0.082, 20: 0.050},
    0.8: {30: 0.438, 28: 0.225, 25: 0.131, 20: 0.080},
}
# g/m² of NaCl per mm of water on the ice line of pure salt, by pavement [°F]
GRAMS_PER_MM = {30: 19.0, 28: 38.2, 25: 66.6, 20: 111.8}


@pytest.mark.parametrize("rate", WATER_HELD)
@pytest.mark.parametrize("temp_f", [30, 28, 25, 20])
def test_freezing_drizzle_dilutes_a_pre_treat_until_it_holds_no_more(rate, temp_f):
    composition = brine.plain_brine(np.array([0.233]))
    density = density_kg_m3(composition, 15.56) / 1000.0
    pre_treat = Applications.from_liquid(
        np.zeros(1), np.zeros(1), composition, np.array([rate * L_M2_PER_GAL_KFT2]), density
    )
    drizzle = {"freezing_rain_mm": 0.004, "precip_mm": 0.004}
    film = film_at((temp_f - 32) / 1.8, pre_treat, hours=120, **drizzle)
    salt = film.salts_kg_m2[0, 0, 0, 0]
    icy = int(np.argmax(film.ice_mm[:, 0, 0] > 1e-5))
    total = (film.water_mm + film.ice_mm)[icy, 0, 0]
    assert (
        1000 * salt / GRAMS_PER_MM[temp_f]
        < total + 1e-3
        < 0.007 + salt * 1e3 / GRAMS_PER_MM[temp_f]
    )
    assert film.ice_mm[:icy].max() < 1e-5
    held = film.water_mm[-1, 0, 0]  # long after, the liquid part is still what the salt holds
    assert held == pytest.approx(1000 * salt / GRAMS_PER_MM[temp_f], rel=0.01)
    assert held == pytest.approx(WATER_HELD[rate][temp_f], rel=0.085)


def test_snow_melts_into_brine_up_to_the_ice_line_and_the_rest_lies_loose():
    # 8.94 g/m² NaCl hold 8.94 / 66.6 = 0.134 mm at 25 °F; the rest of 2 mm of snow lies loose
    snow = np.array([0, 2.0, 0, 0])
    film = film_at(-3.889, put_down(8.94, 0.029), 4, snowfall_swe_mm=snow, precip_mm=snow)
    assert film.water_mm[-1, 0, 0] == pytest.approx(0.134, abs=0.001)
    assert film.snow_mm[-1, 0, 0] == pytest.approx(2.029 - 0.134, abs=0.001)
    assert film.ice_mm[-1, 0, 0] == pytest.approx(0.0, abs=1e-6)
    assert FilmCondition(film.condition[-1, 0, 0]) is FilmCondition.LOOSE_SNOW
    assert film.freeze_point_c[-1, 0, 0] == pytest.approx(-3.889, abs=0.02)


# Hours to dry at surface and dew point [°C] and wind [m/s], neutral exchange over liquid
DRYING = [(0, -4, 2, 0.03, 1.3), (0, -4, 2, 0.1, 4.4), (0, -4, 2, 0.5, 22)]
DRYING += [(5, -2, 3, 0.1, 1.3), (5, -2, 3, 0.5, 6.7)]


def neutral(wind_ms, surface_c):
    return float(convective_coefficient_wm2k(wind_ms, surface_c, surface_c, 101325.0))


@pytest.mark.parametrize(("surface", "dew", "wind", "depth_mm", "hours"), DRYING)
def test_wet_pavement_dries_at_the_published_rate(surface, dew, wind, depth_mm, hours):
    film = film_at(
        surface, put_down(0.0, depth_mm), 26, 60, neutral(wind, surface),
        dew_point_c=dew, pressure_hpa=1013.25,
    )  # fmt: skip
    total = film.evaporated_mm[:, 0, 0]
    dried = np.argmax(total.cumsum() >= depth_mm * (1 - 1e-9))
    # the last hour is only partly needed
    time = dried + total[dried] / total[0]
    assert time == pytest.approx(hours, rel=0.10)
    assert FilmCondition(film.condition[dried, 0, 0]) is FilmCondition.DRY


# the same where water is supercooled, or brine too weak to matter
@pytest.mark.parametrize(
    ("surface", "dew", "wind", "depth_mm", "hours"), [(-3, -8, 3, 0.1, 3.0), (-3, -4, 1, 0.1, 39)]
)
def test_evaporation_below_freezing_is_over_liquid_while_it_is_liquid(
    surface, dew, wind, depth_mm, hours
):
    air = 610.94 * math.exp(17.625 * dew / (243.04 + dew))
    heat = neutral(wind, float(surface))
    flux, _ = vapor_flux(False, 1.0, 1.0, heat, float(surface), air, 101325.0, 600.0)
    assert depth_mm / (flux * 3600) == pytest.approx(hours, rel=0.10)


# Frost [g/(m² h)] by surface and dew point [°C] and wind [m/s], neutral exchange over ice
FROST = [(-2, -1, 1, 4), (-2, -1, 3, 11), (-4, -2, 1, 7), (-4, -2, 3, 20)]
FROST += [(-6, -3, 1, 9), (-6, -3, 3, 27), (-15, -13, 1, 4), (-15, -13, 3, 13)]


@pytest.mark.parametrize(("surface", "dew", "wind", "grams"), FROST)
def test_frost_grows_at_the_published_rate(surface, dew, wind, grams):
    film = film_at(
        surface, None, 2, 6, neutral(wind, surface), dew_point_c=dew, pressure_hpa=1013.25
    )
    # within 10 % of what rounds to the published figure
    assert 0.9 * (grams - 0.5) < film.ice_mm[0, 0, 0] * 1000 < 1.1 * (grams + 0.5)
    np.testing.assert_allclose(film.frost_mm, film.ice_mm)
    assert FilmCondition(film.condition[-1, 0, 0]) is (
        FilmCondition.FROST if grams > 2.5 else FilmCondition.DRY
    )


def test_a_brine_above_its_humidity_takes_water_up_and_below_it_dries():
    # saturated NaCl stands at 75 % relative humidity
    damp = film_at(2.0, put_down(20.0, 0.02), 12, 6, 10.0, dew_point_c=-0.5)  # 84 %
    arid = film_at(2.0, put_down(20.0, 0.02), 12, 6, 10.0, dew_point_c=-3.5)  # 67 %
    assert damp.water_mm[-1, 0, 0] > 0.06
    assert arid.water_mm[-1, 0, 0] == 0.0
    assert arid.salts_kg_m2[0, -1, 0, 0] == pytest.approx(0.020, abs=1e-12)


def test_plain_water_freezes_as_fast_as_its_heat_is_drawn_off():
    # lumped sink: m = K ΔT t / Lf; 100 W/(m² K), 3 K, one hour: 3.236 kg/m²
    weather = forecast(1)
    deep = FilmState(np.full(1, 20.0), np.full(1, 900.0), np.zeros(1))
    assert deep.texture_mm[0] == 20.0  # no draining in the way
    columns = single_column()
    held = holding(weather, -3.0, watts_per_k=100.0)
    film = film_response.simulate_films(
        weather, columns, held, np.zeros(1, dtype=int), put_down(0.0, 0.5), steps=360
    )
    whole = 3600 * 100 * 3 / 0.3337e6
    assert film.ice_mm[0, 0, 0] == pytest.approx(0.5, abs=1e-9)
    assert whole == pytest.approx(3.236, abs=1e-3)


def test_liquid_above_the_texture_drains_and_takes_its_salt_along():
    rain = np.array([0, 4.0, 0, 0, 0, 0])
    film = film_at(5.0, put_down(10.0, 0.04), 6, rain_mm=rain, precip_mm=rain)
    left = film.water_mm[-1, 0, 0]
    assert 0.5 < left < 0.5 + 0.07 * 3.0 + 0.01  # texture, and puddles on 7 % of it 3 mm deep
    drained, lost = film.drained_mm[:, 0, 0].sum(), film.salts_lost_kg_m2[0, :, 0, 0].sum()
    assert drained + left == pytest.approx(4.04, abs=1e-9)
    assert lost + film.salts_kg_m2[0, -1, 0, 0] == pytest.approx(0.010, abs=1e-12)
    assert 0.5 < lost / 0.010 < 0.95
    assert film.freeze_point_c[-1, 0, 0] > film.freeze_point_c[0, 0, 0] + 5.0


def test_a_plow_leaves_its_residual_and_traffic_takes_its_share():
    snow = np.array([3.0, 3.0, 0, 0])
    weather = forecast(4, snowfall_swe_mm=snow, precip_mm=snow)
    passes = PlowPasses(np.array([2]), np.array([0]), np.array([1.0]))
    which = np.zeros(2, dtype=int)
    held = holding(weather, -5.0)
    film = film_response.simulate_films(
        weather, single_column(), held, which, put_down(10.0, 0.1, column=1), passes,
        traffic_loss_per_h=np.array([0.0, 0.1]),
    )  # fmt: skip
    assert film.snow_mm[1, 0, 0] == pytest.approx(6.0)
    assert film.snow_mm[-1, 0, 0] == pytest.approx(1.0)
    assert film.plowed_mm[2, 0, 0] == pytest.approx(5.0)
    assert film.snow_mm[-1, 1, 0] == pytest.approx(film.snow_mm[1, 1, 0], abs=0.1)  # not plowed
    salt = film.salts_kg_m2[0, :, 1, 0]
    np.testing.assert_allclose(salt, 0.010 * np.exp(-0.1 * np.arange(1, 5)), rtol=1e-9)


def test_states_have_the_name_a_person_would_give_them():
    cases = {
        FilmCondition.DRY: (0.0, 0.0, 0.0, 0.0, 0.0),
        FilmCondition.WET: (0.2, 0.0, 0.0, 0.0, 0.0),
        FilmCondition.BRINE: (0.02, 0.0, 0.0, 0.0, 0.004),
        FilmCondition.LOOSE_SNOW: (0.05, 0.0, 0.0, 2.0, 0.004),
        FilmCondition.SLUSH: (0.3, 0.3, 0.0, 0.0, 0.02),
        FilmCondition.FROST: (0.0, 0.02, 0.02, 0.0, 0.0),
        FilmCondition.ICE: (0.4, 0.2, 0.0, 0.0, 0.0),
        FilmCondition.UNKNOWN: (np.nan, 0.0, 0.0, 0.0, 0.0),
    }
    for state, (water, ice, frost, snow, salt) in cases.items():
        salts = np.array([salt, 0.0, 0.0, 0.0])
        assert (
            FilmCondition(int(condition_codes(*map(np.float64, (water, ice, frost, snow)), salts)))
            is state
        )
    assert FilmCondition.LOOSE_SNOW.label == "loose snow"


@pytest.mark.parametrize(
    ("salts", "rate", "message"),
    [(0.9, 0.02, "shares by weight"), (0.2, -0.02, r"application rate -0.02 L/m² is negative")],
)
def test_impossible_applications_are_refused(salts, rate, message):
    with pytest.raises(InputError, match=message):
        Applications.from_liquid(
            np.zeros(1), np.zeros(1), np.full((4, 1), salts), np.array([rate]), np.ones(1)
        ) if salts > 0.5 else Applications.from_liquid(
            np.zeros(1),
            np.zeros(1),
            brine.plain_brine(np.array([salts])),
            np.array([rate]),
            np.ones(1),
        )


def test_films_go_on_from_what_lies_there_each_from_its_own_hour():
    rain = np.array([0, 2.0, 0.3, 0, 0, 0, 0, 0])
    snow = np.array([0, 0, 0, 1.5, 2.0, 0, 0, 0])
    weather = forecast(8, rain_mm=rain, snowfall_swe_mm=snow, precip_mm=rain + snow)
    held = holding(weather, np.linspace(2.0, -5.0, 8), heat_wm2k=10.0)
    salted = put_down(10.0, 0.1)
    both = film_response.simulate_films(
        weather, single_column(), held, np.zeros(1, dtype=int), salted
    )
    parts = np.array([2, 5])
    left = film_response.FilmStart.from_films(both, parts - 1, np.zeros(2, dtype=int))
    rest = film_response.simulate_films(
        weather, single_column(), held, np.zeros(2, dtype=int), first=parts, hours=3, start=left
    )
    for candidate, part in enumerate(parts):
        for name in ("water_mm", "ice_mm", "snow_mm", "snow_depth_mm", "salts_kg_m2"):
            whole = getattr(both, name)[..., part : part + 3, 0, 0]
            np.testing.assert_allclose(getattr(rest, name)[..., candidate, 0], whole, atol=2e-6)


def test_films_that_differ_only_later_are_one_film_until_then():
    # the reference is each film run by itself through all hours
    rain = np.array([0, 2.0, 0.3, 0, 0, 0, 0, 0])
    snow = np.array([0, 0, 0, 1.5, 2.0, 0, 0, 0])
    weather = forecast(8, rain_mm=rain, snowfall_swe_mm=snow, precip_mm=rain + snow)
    held = holding(weather, np.linspace(2.0, -5.0, 8), heat_wm2k=10.0)
    treated = [(2, 0.05), (2, 0.2), (5, 0.1), (0, 0.1)]
    applications = Applications(
        np.array([hour for hour, _ in treated]),
        np.arange(4),
        np.array([[0.02 * rate for _, rate in treated], *np.zeros((3, 4))]),
        np.array([rate for _, rate in treated]),
    )
    passes = PlowPasses(np.array([4, 4, 4, 4, 4]), np.arange(5), np.full(5, 0.5))
    spans = film_response.FilmSpans(
        begin=np.array([2, 2, 5, 0, 0]),
        end=np.array([8, 6, 8, 3, 5]),
        parent=np.array([4, 4, 4, 3, 4]),
    )
    where = np.zeros(5, dtype=int)
    alone = film_response.simulate_films(
        weather, single_column(), held, where, applications, passes
    )
    together = film_response.simulate_films(
        weather, single_column(), held, where, applications, passes, spans=spans, variables=STORES
    )
    for film, end in enumerate(spans.end):
        for name in ("water_mm", "ice_mm", "frost_mm", "snow_mm", "snow_depth_mm", "salts_kg_m2"):
            found = getattr(together, name)[..., film, 0]
            np.testing.assert_array_equal(
                found[..., :end], getattr(alone, name)[..., film, 0][..., :end]
            )
            assert not found[..., end:].any()
    assert not together.drained_mm.size  # not recorded
    assert alone.drained_mm.any()
