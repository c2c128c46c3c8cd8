"""Batches and corrections: mass balances, handbook arithmetic, and what the trade gets wrong."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from thermo.electrochem import Laliberte_density

from stormplan.errors import InputError
from stormplan.liquids import batch
from stormplan.liquids.batch import Salt
from stormplan.units import KG_PER_LB, L_PER_GAL

WATER_KG_L = 0.999014  # at 60 °F, Kell 1975
ROAD_SALT = Salt(purity_frac=0.95, moisture_frac=0.01, insolubles_frac=0.03)


def density_kg_l(strength_frac):
    kelvin = (60 - 32) / 1.8 + 273.15
    return Laliberte_density(kelvin, [strength_frac], ["7647-14-5"]) / 1000


def gal(liters):
    return liters / L_PER_GAL


def lb(kg):
    return kg / KG_PER_LB


# wt %, SG 60/60, lb NaCl per gallon of brine, gallons of water per gallon of brine, lb NaCl per
# gallon of water: mass balance on Laliberte 2009 densities; SG within 0.001 of Lange Table 5.13
BRINE_TABLE = [
    (5, 1.0360, 0.432, 0.9842, 0.439), (10, 1.0733, 0.895, 0.9660, 0.926),
    (15, 1.1118, 1.390, 0.9450, 1.471), (18, 1.1354, 1.704, 0.9310, 1.830),
    (20, 1.1514, 1.920, 0.9211, 2.084), (21, 1.1595, 2.030, 0.9160, 2.216),
    (22, 1.1676, 2.142, 0.9107, 2.352), (23, 1.1757, 2.255, 0.9053, 2.490),
    (23.3, 1.1782, 2.289, 0.9037, 2.533), (24, 1.1839, 2.369, 0.8998, 2.633),
    (25, 1.1921, 2.485, 0.8941, 2.779), (26, 1.2004, 2.602, 0.8883, 2.929),
]  # fmt: skip


@pytest.mark.parametrize(("wt_pct", "sg", "lb_gal", "water", "lb_gal_water"), BRINE_TABLE)
def test_salt_per_gallon(wt_pct, sg, lb_gal, water, lb_gal_water):
    made = batch.make_batch(L_PER_GAL, wt_pct / 100)
    assert made.sg_60f == pytest.approx(sg, abs=6e-5)
    assert lb(made.nacl_kg) == pytest.approx(lb_gal, abs=6e-4)
    assert gal(made.water_l) == pytest.approx(water, abs=6e-5)
    assert lb(made.nacl_kg_l_water * L_PER_GAL) == pytest.approx(lb_gal_water, abs=1.1e-3)


def test_a_hundred_gallons_of_full_strength():
    made = batch.make_batch(100 * L_PER_GAL, 0.233)
    assert lb(made.salt_kg) / 100 == pytest.approx(2.289, abs=0.006)  # mass balance, SG 1.179
    assert gal(made.water_l) == pytest.approx(90.37, abs=0.15)
    assert lb(made.nacl_kg_l_water) * L_PER_GAL == pytest.approx(2.533, abs=0.008)


def test_purity_divides():
    # 228.9 / 0.90: 11.1 % more salt, not 10 %
    made = batch.make_batch(100 * L_PER_GAL, 0.233, Salt(purity_frac=0.90))
    pure = batch.make_batch(100 * L_PER_GAL, 0.233)
    assert lb(made.salt_kg) == pytest.approx(254.3, abs=0.8)
    assert made.salt_kg / pure.salt_kg == pytest.approx(1 / 0.9)
    assert made.water_l == pytest.approx(pure.water_l)


def test_road_salt_batch():
    # Mass balance by hand: 228.87 / 0.95; 753.4 lb of water less 2.41 lb moisture; 3 % sludge
    made = batch.make_batch(100 * L_PER_GAL, 0.233, ROAD_SALT)
    assert lb(made.salt_kg) == pytest.approx(240.9, abs=0.3)
    assert gal(made.water_l) == pytest.approx(90.1, abs=0.05)
    assert lb(made.sludge_kg) == pytest.approx(7.2, abs=0.05)


def test_a_thousand_gallons_at_95_percent():
    # Published practice arithmetic: 2,290 lb NaCl, 2,411 lb salt, 904 gal water
    made = batch.make_batch(1000 * L_PER_GAL, 0.233, Salt(purity_frac=0.95))
    assert lb(made.nacl_kg) == pytest.approx(2290, rel=0.01)
    assert lb(made.salt_kg) == pytest.approx(2411, rel=0.01)
    assert gal(made.water_l) == pytest.approx(904, rel=0.01)


# lb NaCl per gallon of WATER against wt %: w = s / (s + 8.337)
@pytest.mark.parametrize(
    ("lb_gal_water", "wt_pct", "tolerance"),
    [(2.28, 21.47, 0.03), (2.5, 23.1, 0.2), (2.6, 23.8, 0.1)],
)
def test_pounds_per_gallon_of_water(lb_gal_water, wt_pct, tolerance):
    strength = batch.strength_from_kg_l_water(lb_gal_water * KG_PER_LB / L_PER_GAL)
    assert 100 * strength == pytest.approx(wt_pct, abs=tolerance)


def test_a_lane_mile_of_salt():
    # Iowa DOT: 50 gal per lane-mile carry 110 lb; 114.5 by mass balance
    made = batch.make_batch(50 * L_PER_GAL, 0.233)
    assert lb(made.nacl_kg) == pytest.approx(114.5, rel=0.01)
    assert lb(made.nacl_kg) == pytest.approx(110, rel=0.05)


def test_a_fresh_batch_cools():
    # Heat of solution 2.0 kJ/mol (range 1.7-2.3) over 3.3 kJ/(kg K): 2.4 K, 2 to 2.8
    assert batch.make_batch(1000.0, 0.233).cooling_k == pytest.approx(2.4, abs=0.1)


# ------------------------------------------------------------------------------ corrections


def test_too_strong_takes_water():
    found = batch.correct_tank(1000 * L_PER_GAL, 0.25, 0.233)
    assert gal(found.add_water_l) == pytest.approx(87.0, abs=0.7)
    assert gal(found.final_l) == pytest.approx(1085.7, abs=0.3)
    assert found.add_salt_kg == 0.0


# from wt %, salt, lb to add per 1000 gal, final gallons: mass balance
@pytest.mark.parametrize(
    ("wt_pct", "salt", "expected_lb", "final_gal"),
    [(20, Salt(), 413, 1019.3), (20, Salt(0.95, 0.01), 436, None), (21.5, Salt(), 228, None)],
)
def test_too_weak_takes_salt(wt_pct, salt, expected_lb, final_gal):
    found = batch.correct_tank(1000 * L_PER_GAL, wt_pct / 100, 0.233, salt)
    assert lb(found.add_salt_kg) == pytest.approx(expected_lb, abs=1.0)
    assert found.add_water_l == 0.0
    if final_gal:
        assert gal(found.final_l) == pytest.approx(final_gal, abs=0.2)


strengths = st.floats(0.02, 0.26)
salts = st.builds(Salt, st.floats(0.85, 0.96), st.floats(0.0, 0.02), st.floats(0.0, 0.02))


@settings(deadline=None)
@given(st.floats(1.0, 1e6), strengths, salts)
def test_making_conserves_mass(volume_l, strength, salt):
    made = batch.make_batch(volume_l, strength, salt)
    finished_kg = volume_l * density_kg_l(strength)
    nacl_kg = made.salt_kg * salt.purity_frac
    water_kg = made.water_l * WATER_KG_L + made.salt_kg * salt.moisture_frac
    assert nacl_kg == pytest.approx(finished_kg * strength, rel=1e-9)
    assert nacl_kg + water_kg == pytest.approx(finished_kg, rel=1e-7)  # water to 6 digits


@settings(deadline=None)
@given(st.floats(10.0, 1e6), strengths, strengths, salts, st.floats(1.0, 1.5))
def test_correcting_conserves_mass(volume_l, strength, target, salt, headroom):
    capacity_l = volume_l * headroom
    found = batch.correct_tank(volume_l, strength, target, salt, capacity_l)
    kept_kg = (volume_l - found.draw_off_l) * density_kg_l(strength)
    salt_kg = found.add_salt_kg
    final_kg = found.final_l * density_kg_l(target)
    nacl_kg = kept_kg * strength + salt_kg * salt.purity_frac
    water_kg = (
        kept_kg * (1 - strength)
        + found.add_water_l * batch.WATER_KG_L
        + salt_kg * salt.moisture_frac
    )
    assert nacl_kg == pytest.approx(final_kg * target, rel=1e-9)
    assert water_kg == pytest.approx(final_kg * (1 - target), rel=1e-9)
    assert found.final_l <= capacity_l * (1 + 1e-12)
    assert min(found.draw_off_l, found.add_water_l, found.add_salt_kg) >= 0.0


@settings(deadline=None)
@given(st.floats(10.0, 1e4), strengths, strengths, salts)
def test_topping_up_conserves_mass(volume_l, strength, target, salt):
    final_l = 30 * volume_l
    found = batch.top_up_tank(volume_l, strength, final_l, target, salt)
    held_kg = volume_l * density_kg_l(strength)
    final_kg = final_l * density_kg_l(target)
    nacl_kg = held_kg * strength + found.add_salt_kg * salt.purity_frac
    water_kg = (
        held_kg * (1 - strength)
        + found.add_water_l * batch.WATER_KG_L
        + found.add_salt_kg * salt.moisture_frac
    )
    assert nacl_kg == pytest.approx(final_kg * target, rel=1e-9)
    assert water_kg == pytest.approx(final_kg * (1 - target), rel=1e-9)


def test_a_full_tank_is_drawn_off_first():
    # 1000 gal at 25 % would grow to 1085.7: keep 1050 / 1085.7 of it
    found = batch.correct_tank(1000 * L_PER_GAL, 0.25, 0.233, capacity_l=1050 * L_PER_GAL)
    assert gal(found.final_l) == pytest.approx(1050)
    assert gal(found.draw_off_l) == pytest.approx(1000 * (1 - 1050 / 1085.7), abs=0.1)


def test_a_tank_at_target_takes_nothing():
    found = batch.correct_tank(1000.0, 0.233, 0.233)
    assert (found.add_water_l, found.add_salt_kg, found.draw_off_l) == (0.0, 0.0, 0.0)


def test_cautions():
    assert batch.cautions(0.233, Salt(0.94)) == ("low purity",)
    assert batch.cautions(0.24, ROAD_SALT, is_treated=True) == ("over strength", "treated salt")
    assert batch.cautions(0.22, Salt()) == ("pure salt assumed",)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: Salt(1.01), r"a salt purity of 101 % is not usable; accepted is 50 to 100 %"),
        (lambda: Salt(0.95, -0.01), r"moisture of -1 % is not usable; accepted is 0 to below 50"),
        (lambda: Salt(0.98, 0.02, 0.02), r"add up to 102 %; accepted is at most 100 %"),
        (lambda: batch.make_batch(-1.0, 0.233), r"a batch of -0 gal \(-1 L\) is not usable"),
        (
            lambda: batch.make_batch(1.0, 0.30),
            r"a target of 30 % is not usable; accepted is 1 to 26\.4",
        ),
        (lambda: batch.correct_tank(1.0, 0.3, 0.2), r"a tank strength of 30 % is not usable"),
        (
            lambda: batch.correct_tank(3785.0, 0.2, 0.233, capacity_l=3000.0),
            r"the tank content of 1,000 gal \(3,785 L\) does not fit .* at most 793 gal \(3,000 L",
        ),
        (
            lambda: batch.top_up_tank(1000.0, 0.26, 1010.0, 0.2),
            r"264 gal \(1,000 L\) at 26 % already hold more salt than 267 gal",
        ),
        (
            lambda: batch.top_up_tank(1000.0, 0.10, 1010.0, 0.233),
            r"already hold more water than .* leave the final volume out",
        ),
    ],
)
def test_what_cannot_be_made(call, message):
    with pytest.raises(InputError, match=message):
        call()
