"""Class assumptions of the physics, each held to a published consequence.

No source gives one right value for them; each has a range in which what is published of its
consequence still comes out. A slip of a factor of two does not.
"""

import numpy as np
import pytest
from helpers.weather import ASPHALT, forecast

from stormplan.company.catalog import BUILD_UPS
from stormplan.physics.film import FilmState
from stormplan.physics.film_condition import FilmCondition, condition_codes
from stormplan.physics.film_processes import (
    FLOWS,
    SNOW_ALBEDO_DECAY_S,
    SNOW_SETTLING_S,
    add_precipitation,
    approach_frac,
    drain_and_age,
    latent_heat_j_kg,
    vapor_source,
)
from stormplan.physics.pavement import Column, Columns
from stormplan.physics.surface_energy import uppermost_albedo, uppermost_emissivity
from stormplan.physics.surface_simulation import simulate

NOTHING = np.zeros(1)


def leave(film, duration_s):
    """Leave one film to itself."""
    aging = (approach_frac(duration_s, each) for each in (SNOW_SETTLING_S, SNOW_ALBEDO_DECAY_S))
    drain_and_age(film.records[0], duration_s, *aging, np.zeros(1, FLOWS)[0])


def film(texture_mm=0.5) -> FilmState:
    return FilmState(np.full(1, texture_mm), np.full(1, 900.0), np.zeros(1))


def test_after_a_soaking_rain_a_lot_keeps_its_texture_and_a_few_mm_in_its_puddles():
    # 5-10 % of a lot is puddle, 2-3 mm deep (common practice, no source): 0.10 to 0.30 mm over it
    soaked = film()
    for _ in range(6 * 24):
        soaked.water[:] += 20.0 / 6 if soaked.water[0] < 20.0 else 0.0
        leave(soaked, 600.0)
    for _ in range(6 * 24):
        leave(soaked, 600.0)
    assert 0.10 <= soaked.water[0] - 0.5 <= 0.30


def test_snow_is_new_for_hours_and_settled_within_two_days():
    # Paterson 1994, The Physics of Glaciers, 3rd ed., Table 2.2 (from memory): new to damp new
    # snow 50-200 kg/m³, settled snow 200-300
    snow = film()
    add_precipitation(snow.records[0], 0.0, 10.0, 0.0)
    at_hour = {}
    for hour in range(1, 49):
        leave(snow, 3600.0)
        at_hour[hour] = float(snow.density[0])
    assert 50.0 <= at_hour[6] <= 150.0
    assert 200.0 <= at_hour[48] <= 300.0


def angstrom_wet_albedo(dry):
    """Albedo under a film of water, index 1.33 (Ångström 1925, Geogr. Ann. 7, 323)."""
    return dry / (1.33**2 * (1.0 - dry) + dry)


@pytest.mark.parametrize("name", ["asphalt", "concrete", "pavers"])
def test_wet_pavement_is_darker_but_no_darker_than_a_water_film_makes_it(name):
    # Ångström's is the darkest a film can make a rough surface (Lekner & Dorf 1988, Appl. Opt. 27,
    # 1278, find less); measured wet soils and pavements reflect 0.5-0.8 of the dry (Oke 1987,
    # Boundary Layer Climates, from memory)
    of_pavement = BUILD_UPS[name].albedo
    on_it = film()
    dry = uppermost_albedo(on_it.records[0], of_pavement)
    assert dry == of_pavement
    on_it.water[:] = 0.2
    wet = uppermost_albedo(on_it.records[0], of_pavement)
    assert angstrom_wet_albedo(dry) <= wet <= 0.8 * dry


def test_snow_brightens_a_pavement_it_hides_and_darkens_with_age():
    # Wiscombe & Warren 1980 (J. Atmos. Sci. 37, 2712): new snow 0.80-0.90, old 0.5-0.7
    snow = film()
    add_precipitation(snow.records[0], 0.0, 6.0, 0.0)
    assert 0.80 <= uppermost_albedo(snow.records[0], ASPHALT.albedo) <= 0.90
    # snow is nearly black in the infrared (textbook)
    assert 0.96 <= uppermost_emissivity(snow.records[0], ASPHALT.emissivity) <= 1.0
    for _ in range(24 * 10):
        leave(snow, 3600.0)
    assert 0.5 <= uppermost_albedo(snow.records[0], ASPHALT.albedo) <= 0.7
    # a third of that depth hides but part of it
    snow.snow[:] = 2.0
    assert ASPHALT.albedo + 0.1 < uppermost_albedo(snow.records[0], ASPHALT.albedo) < 0.5


def test_a_room_under_a_deck_warms_it_by_what_its_slab_lets_through():
    # steady night of polar winter, overcast: no sun. The level below is 2-5 K warmer than outside
    # (class assumption); resistances: slab 0.20 m / 1.6 W/(m K), its underside 0.10 m² K/W (ISO
    # 6946, heat flow upwards), above 3.3 W/(m² K) per m/s of wind and the surface's own glow
    enclosed, open_deck = BUILD_UPS["enclosed_deck"], BUILD_UPS["open_deck"]
    dark = forecast(
        24 * 8, latitude=75.0, air_temp_c=-10.0, dew_point_c=-12.0, wind_10m_ms=4.0, cloud_frac=1.0
    )
    columns = Columns.from_records([Column(0, enclosed), Column(0, open_deck)])
    over_room, over_air = simulate(dark, columns).surface_c[-1, :, 0]
    inside_wm2k = 1.0 / (0.20 / 1.6 + 0.10)
    outside_wm2k = 3.3 * 4.0 + 4.0 * 0.93 * 5.67e-8 * 263.0**3
    passed_on = inside_wm2k / (inside_wm2k + outside_wm2k)
    assert 2.0 * passed_on < over_room - over_air < 5.0 * passed_on


@pytest.mark.parametrize(
    ("liquid_in_mixture", "named"),
    [
        (0.05, FilmCondition.LOOSE_SNOW),
        (0.10, FilmCondition.LOOSE_SNOW),
        (0.20, FilmCondition.SLUSH),
        (0.30, FilmCondition.SLUSH),
    ],
)
def test_snow_is_slush_from_where_it_no_longer_packs(liquid_in_mixture, named):
    # NRC Canada 11796: below 15 % free water snow packs under traffic, from 15 to 30 % it stays
    # soft, above it is thrown off
    water = np.array([10.0 * liquid_in_mixture])
    snow = np.array([10.0]) - water
    code = condition_codes(water, NOTHING, NOTHING, snow, np.zeros((4, 1)))
    assert FilmCondition(int(code[0])) is named


def test_vapor_takes_the_latent_heat_of_what_it_leaves():
    # textbook, at 0 °C: evaporation 2.501, sublimation 2.834 MJ/kg
    wet, frosted = film(), film()
    wet.water[:] = frosted.ice[:] = 0.1
    over_ice = [vapor_source(one.records[0], 0.0)[0] for one in (wet, frosted)]
    assert [latent_heat_j_kg(ice) for ice in over_ice] == [
        pytest.approx(2.501e6, rel=1e-3), pytest.approx(2.834e6, rel=1e-3),
    ]  # fmt: skip
