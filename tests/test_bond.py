"""Bond of snow to treated pavement against published fractions and independent arithmetic.

Expectations come from published findings, or from scalar arithmetic of the criterion written out
below on published freezing points of salt brine. The brine model takes no part in them but where
what is compiled is held against it.
"""

import doctest
import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from stormplan.errors import InputError
from stormplan.liquids import brine
from stormplan.physics import bond
from stormplan.physics.bond import BondParameters
from stormplan.physics.film_condition import FilmRecorder

# Wt % NaCl and freezing point [°C]: CRC Handbook of Chemistry and Physics, Concentrative
# Properties of Aqueous Solutions, from memory; Lange's Handbook of Chemistry, 15th ed., Table 5.13,
# whose points run up to 0.08 °C warm of newer work, 5 % in strength near 30 °F.
CRC = [(0, 0.0), (0.5, -0.30), (1, -0.59), (2, -1.19), (3, -1.79), (4, -2.41), (5, -3.05),
       (6, -3.70), (7, -4.38), (8, -5.08), (9, -5.81), (10, -6.56), (12, -8.18)]  # fmt: skip
LANGE = [(0, 0.0), (1, -0.58), (2, -1.13), (3, -1.72), (4, -2.35), (5, -2.97), (6, -3.63),
         (7, -4.32), (8, -5.03), (9, -5.77)]  # fmt: skip
CURVES = {"crc": (CRC, 0.015), "lange": (LANGE, 0.06)}  # with tolerance, relative

# 1 gal/1000 ft² of 23.3 % brine: 231 in³ of 2.54 cm on 92.903 m², 1177 kg/m³ at 60 °F
# (Laliberté 2009, J. Chem. Eng. Data 54, 1725).
SALT_PER_GAL_KG_M2 = 231 * 0.0254**3 / 92.90304 * 1177 * 0.233


def celsius(temp_f):
    return (temp_f - 32) / 1.8


def strength(temp_c, curve=CRC):
    """Share of salt on the ice line, straight between the points of the handbook."""
    points = sorted((frost, wt_pct) for wt_pct, frost in curve)
    return np.interp(temp_c, [p[0] for p in points], [p[1] for p in points]) / 100


def needed(temp_c, base=0.15):
    theta = -temp_c
    if theta <= 2:
        return base
    return base * (1 + 0.175 * (theta - 2) if theta <= 6 else 1.7 + 0.3 * (theta - 6))


def nacl(kg_m2):
    salt = np.asarray(kg_m2, dtype=float)
    return np.stack([salt, *[np.zeros_like(salt)] * 3])


# ------------------------------------------------------------------------------ published


def test_traffic_fits_the_lots_of_hossain_fu_and_el_hakim():
    # Hossain, Fu, El-Hakim 2022, J. Cold Reg. Eng., abstract: traffic cuts the time to bare
    # pavement by 21 % at 5 vehicles/h and by 86 % at 50; one scale fits both within 0.03.
    np.testing.assert_allclose(bond.traffic_mixing_frac([5, 50]), [0.21, 0.86], atol=0.03)


@pytest.mark.parametrize(
    ("colder_c", "warmer_c", "factor"), [(-6, -2, 1.7), (-17, -2, 5.0), (-17, -6, 3.0)]
)
def test_cold_snow_needs_the_solution_of_wahlin_and_klein_paste(colder_c, warmer_c, factor):
    # Wåhlin & Klein-Paste 2015, doi 10.3141/2482-06, abstract
    colder, warmer = bond.required_liquid_frac([colder_c, warmer_c])
    assert colder / warmer == pytest.approx(factor, rel=0.02)


# NRC Canada 11796 (Schaerer 1970), abstract: below 15 % free water traffic packs the snow, from 15
# to 30 % it stays soft and loose. NTNU 2020, doi 10.1061/(ASCE)CR.1943-5495.0000195, abstract: from
# 10 % solution it stays removable by a scraper.
@pytest.mark.parametrize(
    ("base", "liquid", "packs"),
    [(0.15, 0.13, True), (0.15, 0.17, False), (0.15, 0.29, False),
     (0.10, 0.08, True), (0.10, 0.12, False)],
)  # fmt: skip
@pytest.mark.parametrize("temp_c", [-0.59, -1.19, -1.79])  # points of the handbook
def test_trafficked_snow_packs_below_the_published_share(base, liquid, packs, temp_c):
    snow_mm = 4.0
    share = strength(temp_c) * liquid
    salt = share * snow_mm / (1 - share)
    got = bond.is_bonded(
        0.0, 0.0, [snow_mm], nacl([salt]), temp_c, 1.0, BondParameters(base_liquid_frac=base)
    )
    assert got.tolist() == [packs]


def test_salt_that_holds_a_fifth_liquid_at_three_temperatures():
    # Wåhlin, lecture slides: 12, 28, 65 g/m² hold 20 % liquid after 4 h at -1, -2, -5 °C; the
    # snowfall is not legible, but it was one and the same: what depth gives 20 % must agree.
    snow_mm = np.linspace(2, 6, 401)
    depths = []
    for grams, temp_c in [(12, -1), (28, -2), (65, -5)]:
        liquid = bond.liquid_frac(0.0, 0.0, snow_mm, nacl(grams / 1000), temp_c, 1.0)
        depths.append(np.interp(-0.20, -liquid, snow_mm))
    assert np.ptp(depths) / np.mean(depths) < 0.2


def least_rate_gal(temp_f, parameters=bond.DEFAULT):
    salt = bond.required_salt_kg_m2(parameters.texture_mm, celsius(temp_f), parameters=parameters)
    return salt / SALT_PER_GAL_KG_M2


def test_the_handbooks_rates_come_out_between_27_and_a_half_and_23_f():
    # MPCA Winter Parking Lot and Sidewalk Maintenance Manual 2015: 0.3-0.8 gal/1000 ft²;
    # FHWA-RD-95-202: liquid salt not below 23 °F (from memory).
    temps_f = np.arange(22, 30, 0.05)
    rates = least_rate_gal(temps_f)
    assert np.all(np.diff(rates) < 0)
    assert np.interp(-0.3, -rates, temps_f) == pytest.approx(27.5, abs=0.25)
    assert np.interp(-0.8, -rates, temps_f) == pytest.approx(23.0, abs=0.25)


def test_the_range_of_rates_is_what_a_road_authority_went_down_to():
    # Norwegian road authority after Wåhlin's work: 5-10 g/m² instead of 20-25 (newspaper Firda);
    # at the temperatures where handbooks spray liquid salt
    grams = 1000 * bond.required_salt_kg_m2(0.5, celsius(np.array([26.0, 25.0, 24.0, 23.0])))
    assert np.all((grams > 4.5) & (grams < 10))


# ------------------------------------------------------------------------------ worked cases

# °F, gal/1000 ft²; computed independently by scalar arithmetic and rounded: brine [kg/m²], share
# at W0, share needed, amount kept loose at half liquid, at 0.15 and at 0.10 [mm]
ROWS = [
    (30, 0.3, 0.180, 0.36, 0.15, 0.36, 1.20, 1.80),
    (30, 0.5, 0.300, 0.59, 0.15, 0.59, 2.00, 3.00),
    (30, 0.8, 0.480, 0.94, 0.15, 0.95, 3.19, 4.79),
    (27, 0.3, 0.073, 0.15, 0.17, 0.14, 0.43, 0.64),
    (27, 0.5, 0.122, 0.24, 0.17, 0.24, 0.71, 1.07),
    (27, 0.8, 0.196, 0.39, 0.17, 0.38, 1.14, 1.72),
    (23, 0.3, 0.043, 0.08, 0.23, 0.08, 0.18, 0.28),
    (23, 0.5, 0.071, 0.14, 0.23, 0.14, 0.31, 0.46),
    (23, 0.8, 0.114, 0.22, 0.23, 0.22, 0.49, 0.74),
    (20, 0.3, 0.033, 0.07, 0.28, 0.06, 0.11, 0.17),
    (20, 0.5, 0.056, 0.11, 0.28, 0.11, 0.19, 0.29),
    (20, 0.8, 0.089, 0.17, 0.28, 0.17, 0.30, 0.46),
]


@pytest.mark.parametrize(
    ("row", "curve"),
    [(row, key) for key, (points, _) in CURVES.items() for row in ROWS
     if celsius(row[0]) >= points[-1][1]],
    ids=lambda value: value if isinstance(value, str) else f"{value[0]}F-{value[1]}gal",
)  # fmt: skip
def test_liquid_and_amount_kept_loose(row, curve):
    temp_f, gal, brine, at_texture, need, half, keep_15, keep_10 = row
    points, tolerance = CURVES[curve]
    temp_c, salt = celsius(temp_f), gal * SALT_PER_GAL_KG_M2
    c = float(strength(temp_c, points))
    expected_share = min(1.0, salt / (c * (0.5 + salt)))
    got_share = bond.liquid_frac(0.0, 0.0, 5.0, nacl(salt), temp_c)
    assert bond.held_brine_kg_m2(nacl(salt), temp_c) == pytest.approx(salt / c, rel=tolerance)
    assert got_share == pytest.approx(expected_share, rel=tolerance)
    assert bond.required_liquid_frac(temp_c) == pytest.approx(needed(temp_c), rel=1e-9)
    for base, table in [(0.15, keep_15), (0.10, keep_10)]:
        keeps = salt / (c * needed(temp_c, base)) - salt
        # where the texture is not filled no amount is claimed: read W_keep with a thin texture
        thin = BondParameters(texture_mm=0.01, base_liquid_frac=base)
        got = bond.max_snow_before_bond_mm(nacl(salt), temp_c, 1.0, parameters=thin)
        assert got == pytest.approx(keeps, rel=tolerance)
        assert got == pytest.approx(table, rel=0.015, abs=0.006)
    assert bond.held_brine_kg_m2(nacl(salt), temp_c) == pytest.approx(brine, abs=6e-4)
    assert got_share == pytest.approx(at_texture, abs=6e-3)
    assert bond.required_liquid_frac(temp_c) == pytest.approx(need, abs=6e-3)
    at_half = bond.liquid_frac(0.0, 0.0, half, nacl(salt), temp_c, 1.0)
    assert at_half == pytest.approx(0.5, abs=0.04)  # the amount is rounded to 0.01 mm


# Which of 1, 2, 5 and 10 mm of snow stay loose, by traffic; None where it is a matter of rounding
ALL, NONE = (1, 2, 5, 10), ()
HOLDS = [
    (30, 0.3, ALL, (1, 2), (1,)), (30, 0.5, ALL, (1, 2, 5), None), (30, 0.8, ALL, ALL, (1, 2)),
    (27, 0.3, NONE, NONE, NONE), (27, 0.5, ALL, (1,), NONE), (27, 0.8, ALL, (1, 2), (1,)),
    (23, 0.3, NONE, NONE, NONE), (23, 0.5, NONE, NONE, NONE), (23, 0.8, None, NONE, NONE),
    (20, 0.3, NONE, NONE, NONE), (20, 0.5, NONE, NONE, NONE), (20, 0.8, NONE, NONE, NONE),
]  # fmt: skip


@pytest.mark.parametrize("row", HOLDS, ids=lambda row: f"{row[0]}F-{row[1]}gal")
def test_snow_that_should_plow_off(row):
    temp_f, gal, *by_traffic = row
    salts = nacl(gal * SALT_PER_GAL_KG_M2)
    for mixing, expected in zip((0.0, 0.2, 1.0), by_traffic, strict=True):
        if expected is None:
            continue
        snow = np.array(ALL, dtype=float)
        bonded = bond.is_bonded(0.0, 0.0, snow[None], salts[:, None], celsius(temp_f), mixing)[0]
        assert tuple(mm for mm, stuck in zip(ALL, bonded, strict=True) if not stuck) == expected
        most = bond.max_snow_before_bond_mm(salts, celsius(temp_f), mixing)
        np.testing.assert_array_equal(bonded, snow > most)


def test_a_scraping_edge_holds_what_a_plain_edge_does_not():
    edge = BondParameters(base_liquid_frac=0.10)
    for temp_f, gal in [(27, 0.3), (23, 0.8)]:
        salts = nacl(gal * SALT_PER_GAL_KG_M2)
        most = bond.max_snow_before_bond_mm(salts, celsius(temp_f), parameters=edge)
        assert math.isinf(most)


# Least rate [gal/1000 ft²] for a closed lot, computed independently with the CRC points and
# rounded to hundredths: W0 0.3, 0.5, 1.0 mm at 0.15; then 0.05, 0.10, 0.20 at 0.5 mm
LEAST = {
    30: (0.08, 0.13, 0.25, 0.04, 0.08, 0.17),
    27: (0.21, 0.35, 0.70, 0.12, 0.23, 0.47),
    25: (0.34, 0.57, 1.13, 0.19, 0.38, 0.76),
    23: (0.49, 0.82, 1.63, 0.27, 0.54, 1.10),
    20: (0.79, 1.32, 2.64, 0.43, 0.87, 1.78),
}
VARIANTS = [(0.3, 0.15), (0.5, 0.15), (1.0, 0.15), (0.5, 0.05), (0.5, 0.10), (0.5, 0.20)]


@pytest.mark.parametrize("temp_f", LEAST)
def test_least_rate_on_a_closed_lot(temp_f):
    temp_c = celsius(temp_f)
    for (texture, base), rounded in zip(VARIANTS, LEAST[temp_f], strict=True):
        part = float(strength(temp_c)) * needed(temp_c, base)
        expected = part * texture / (1 - part) / SALT_PER_GAL_KG_M2
        got = least_rate_gal(temp_f, BondParameters(texture, base))
        assert got == pytest.approx(expected, rel=0.015)
        assert got == pytest.approx(rounded, rel=0.015, abs=0.006)


@pytest.mark.parametrize(("temp_f", "grams"), [(30, 2.8), (27, 7.8), (23, 18), (20, 30)])
def test_salt_for_each_millimetre_worked_in(temp_f, grams):
    # computed independently: C phi_req / (1 - C phi_req), handbook strengths by hand
    got = 1000 * bond.required_salt_kg_m2(1.0, celsius(temp_f))
    assert got == pytest.approx(grams, rel=0.03)


def test_plow_by_amounts():
    # computed independently: 0.5 + (1.14 - 0.5)/0.195 mm, and 3.2 mm with all snow worked in
    salts = nacl(0.8 * SALT_PER_GAL_KG_M2)
    lane = bond.max_snow_before_bond_mm(salts, celsius(27), bond.traffic_mixing_frac(5))
    assert lane == pytest.approx(3.8, abs=0.08)
    assert bond.max_snow_before_bond_mm(salts, celsius(30), 1.0) == pytest.approx(3.2, abs=0.05)


def test_a_closed_lot_that_cools_after_the_snow_bonds_and_stays_bonded():
    # 27 °F, 0.5 gal/1000 ft², 5 mm: 0.242 against 0.170 needed; 23 °F: 0.141 against 0.229;
    # computed independently
    salts = nacl(np.full(4, 0.5 * SALT_PER_GAL_KG_M2))
    temps = celsius(np.array([27.0, 23.0, 27.0, 33.0]))
    liquid = bond.liquid_frac(0.0, 0.0, 5.0, salts, temps)
    np.testing.assert_allclose(liquid[:2], [0.242, 0.141], atol=0.002)
    bonded = bond.is_bonded(0.0, 0.0, 5.0, salts, temps)
    assert bonded.tolist() == [False, True, True, False]


def test_the_film_fills_the_texture_before_snow_does():
    # by hand: 0.3 mm of film in 0.5 mm of texture leaves room for 0.2 mm of snow, 0.8 mm leaves
    # none; a fifth of 5 mm worked in comes on top
    film = np.array([0.3, 0.8])
    still = bond.interface_layer_mm(film / 2, film / 2, 5.0)
    np.testing.assert_allclose(still, [0.5, 0.8])
    driven = bond.interface_layer_mm(film / 2, film / 2, 5.0, 0.2)
    np.testing.assert_allclose(driven, [0.5 + 0.2 * 4.8, 0.8 + 0.2 * 5.0])


# ------------------------------------------------------------------------------ hours


def test_bonded_snow_lets_go_at_half_liquid():
    # 1 mm worked in throughout; salt for shares of 0.05, 0.3, 0.45, 0.55, 0.3 at -1.19 °C, where
    # the handbook has 2 %
    shares = np.array([0.05, 0.3, 0.45, 0.55, 0.3])
    salts = nacl(0.02 * shares / (1 - 0.02 * shares))
    bonded = bond.is_bonded(0.0, 0.0, np.ones(5), salts, -1.19, 1.0)
    assert bonded.tolist() == [True, True, True, False, False]


def test_bond_from_before_the_first_hour_goes_on():
    salts = nacl(np.full(2, 0.02 * 0.3 / 0.994))
    for before in (False, True):
        got = bond.is_bonded(
            0.0, 0.0, np.ones((2, 3)), salts[..., None], -1.19, 1.0, bonded_before=before
        )
        np.testing.assert_array_equal(got, before)


def test_snow_once_worked_in_stays_worked_in():
    # 5 mm, a fifth of it liquid when all is worked in; when the lot closes and cools to -3.05 °C
    # (5 %) that slush has 0.2 * 2/5 = 0.08, far below what it needs, though the texture of a lot
    # that was closed all along would have 0.8
    salts = nacl(np.full(2, 0.02 * 0.2 * 5 / 0.996))
    temps = [-1.19, -3.05]
    opened = bond.is_bonded(0.0, 0.0, np.full(2, 5.0), salts, temps, [1.0, 0.0])
    closed = bond.is_bonded(0.0, 0.0, np.full(2, 5.0), salts, temps, 0.0)
    assert opened.tolist() == [False, True]
    assert closed.tolist() == [False, False]


def test_plowed_snow_ends_the_bond_and_its_slush():
    snow = np.array([5.0, 0.0, 0.3])
    salts = nacl(np.array([0.0, 0.0, 0.02 * 0.3 * 0.5]))
    bonded = bond.is_bonded(0.0, 0.0, snow, salts, -1.19, 1.0)
    assert bonded.tolist() == [True, False, False]


def test_unsalted_snow_bonds_below_freezing_and_at_it_unless_wet():
    # At 0 °C only what has melted is liquid: 0.02 of 1 mm packs, 0.2 does not (NRC 11796)
    water = np.array([[0.0, 0.02, 0.2, 0.0]])
    temps = np.array([[-3.0, 0.0, 0.0, 0.5]])
    snow = 1.0 - water
    bonded = bond.is_bonded(water, 0.0, snow, np.zeros((4, 1, 4)), temps, 1.0)
    assert bonded[0].tolist() == [True, True, False, False]


def test_unknown_counts_as_bonded():
    salts = nacl(np.full((1, 4), 0.1))
    assert not bond.is_bonded(0.0, 0.0, 1.0, salts, np.full((1, 4), -1.0)).any()
    snow = np.array([[np.nan, 1.0, 1.0, 1.0]])
    temp = np.array([[-1.0, np.nan, -1.0, -1.0]])
    salts[:, 0, 2] = np.nan
    water = np.array([[0.0, 0.0, 0.0, np.nan]])
    assert bond.is_bonded(water, 0.0, snow, salts, temp).all()


def test_nothing_lies_nothing_bonds():
    assert not bond.is_bonded(0.0, 0.0, np.zeros((3, 2)), np.zeros((4, 3, 2)), -5.0).any()
    assert bond.liquid_frac(0.0, 0.0, 0.0, np.zeros(4), -5.0) == 1.0


def test_axes_are_hour_column_member():
    shape = (6, 3, 2)
    temps = np.linspace(-1, -6, 6)[:, None, None]
    bonded = bond.is_bonded(
        np.zeros(shape), 0.0, np.full(shape, 4.0), nacl(np.full(shape, 0.005)), temps, 0.1
    )
    assert bonded.shape == shape
    assert bonded.dtype == bool
    np.testing.assert_array_equal(bonded, bonded[:, :1, :1] & np.ones(shape, dtype=bool))


def test_columns_of_a_film_bond_as_each_of_them_does_alone():
    rng = np.random.default_rng(4)
    shape = (12, 5, 3)
    water, ice, snow = (np.maximum(rng.normal(0.2, 1.0, shape), 0.0) for _ in range(3))
    salts = rng.uniform(0.0, 0.01, (4, *shape))
    temps, mixing = rng.uniform(-9.0, 0.5, (8, 3)), rng.uniform(0.0, 1.0, 8)
    recorder = FilmRecorder(*shape)
    film = replace(
        recorder.film_hours(), water_mm=water, ice_mm=ice, snow_mm=snow, salts_kg_m2=salts
    )
    places = [3, 1, 4]
    some = film.columns(np.array(places))
    assert some.salts_kg_m2.flags.c_contiguous
    needed = bond.required_liquid_frac(temps, bond.DEFAULT.base_liquid_frac)
    got = bond.is_film_bonded(some, slice(1, 3), temps, needed, mixing, bond.DEFAULT, True)
    assert got.shape == (8, 2, 3)
    for at, place in enumerate(places[1:]):
        for member in range(3):
            one = np.s_[:8, place, member]
            alone = bond.is_bonded(
                water[one], ice[one], snow[one], salts[:, :8, place, member], temps[:, member],
                mixing, bonded_before=True,
            )  # fmt: skip
            assert got[:, at, member].tolist() == alone.tolist()
    assert 0 < got.sum() < got.size


# ------------------------------------------------------------------------------ mixtures


def test_calcium_and_magnesium_hold_what_their_handbook_points_say():
    # CaCl2 20 % freezes at -18.30 °C, MgCl2 10 % at -7.83 °C (CRC from memory; Lange 15th ed.)
    for index, share, temp_c in [(1, 0.20, -18.30), (2, 0.10, -7.83)]:
        salts = np.zeros(4)
        salts[index] = 0.01
        assert bond.held_brine_kg_m2(salts, temp_c) == pytest.approx(0.01 / share, rel=0.02)


def test_a_blend_holds_as_much_as_its_parts_together():
    # the additive rule of Zdanovskii, Stokes and Robinson: held waters add
    both = bond.held_brine_kg_m2([0.004, 0.001, 0.002, 0.0], -6.0)
    parts = [
        bond.held_brine_kg_m2(np.eye(4)[i] * kg, -6.0)
        for i, kg in [(0, 0.004), (1, 0.001), (2, 0.002)]
    ]
    assert both == pytest.approx(sum(parts), rel=1e-9)


def test_salt_brine_holds_nothing_below_its_eutectic():
    # -21.1 °C, handbook; a calcium blend stays partly liquid there
    assert bond.held_brine_kg_m2(nacl(0.01), -21.5) == 0.0
    assert bond.held_brine_kg_m2([0.005, 0.005, 0.0, 0.0], -21.5) > 0.01
    assert bond.required_salt_kg_m2(0.5, -21.5) == math.inf
    assert bond.max_snow_before_bond_mm(nacl(0.01), -21.5) == 0.0


# ------------------------------------------------------------------------------ properties

TEMPS = st.lists(st.floats(-20, 1), min_size=1, max_size=8)
SALT = st.tuples(*[st.floats(0, 0.03)] * 4)
MASS = st.floats(0, 12)
SHARE = st.floats(0, 1)


def first(bonded):
    return int(np.argmax(bonded)) if bonded.any() else len(bonded)


def hours(salt, temps):
    return np.tile(np.array(salt)[:, None], (1, len(temps)))


@settings(deadline=None, max_examples=200)
@given(st.floats(-55, -1e-5), st.tuples(*[st.floats(1e-5, 0.03) | st.just(0.0)] * 4))
@example(-25.0, (0.02, 0.001, 0.0, 0.0))  # hydrohalite beside ice
def test_brine_held_is_the_water_that_the_phase_diagram_leaves_liquid(temp, salt):
    ample_kg_m2 = 1e9
    molality = 1000.0 * np.array(salt) / brine.MOLAR_MASS_G_MOL / ample_kg_m2
    water = ample_kg_m2 * float(brine.liquid_water_frac(molality, temp))
    held = bond.held_brine_kg_m2(salt, temp)
    assert water <= held * (1.0 + 1e-6)
    assert held <= (water + sum(salt)) * (1.0 + 1e-6)


@settings(deadline=None, max_examples=200)
@given(st.floats(-30, 1), SALT, MASS, MASS, MASS, SHARE)
@example(0.0, (0.0, 0.0, 0.0, 0.0), 0.2, 0.0, 0.8, 1.0)
def test_snow_bonds_at_first_where_the_share_is_less_than_is_needed(
    temp, salt, water, ice, snow, mixing
):
    liquid = bond.liquid_frac(water, ice, snow, salt, temp, mixing)
    needed = bond.required_liquid_frac(temp)
    assume(abs(liquid - needed) > 1e-9)
    bonded = bond.is_bonded([water], ice, snow, np.array(salt)[:, None], temp, mixing)
    assert bonded.tolist() == [ice + snow > 0.0 and liquid < needed]


@settings(deadline=None, max_examples=100)
@given(TEMPS, SALT, SALT, MASS, MASS, MASS, SHARE)
def test_more_salt_never_bonds_earlier(temps, salt, added, water, ice, snow, mixing):
    less, more = hours(salt, temps), hours(np.add(salt, added), temps)
    few = bond.is_bonded(water, ice, snow, less, temps, mixing)
    many = bond.is_bonded(water, ice, snow, more, temps, mixing)
    assert first(many) >= first(few)
    assert not (many & ~few).any()


@settings(deadline=None, max_examples=100)
@given(TEMPS, st.floats(0, 10), SALT, MASS, MASS, MASS)
def test_colder_never_bonds_later_in_still_snow(temps, colder_by, salt, water, ice, snow):
    salts = hours(salt, temps)
    mild = bond.is_bonded(water, ice, snow, salts, temps)
    cold = bond.is_bonded(water, ice, snow, salts, np.maximum(np.subtract(temps, colder_by), -20.5))
    assert first(cold) <= first(mild)
    assert not (mild & ~cold).any()


@settings(deadline=None, max_examples=100)
@given(TEMPS, SALT, MASS, MASS, MASS, SHARE, SHARE)
def test_more_traffic_never_holds_more(temps, salt, water, ice, snow, one, other):
    salts = hours(salt, temps)
    calm = bond.is_bonded(water, ice, snow, salts, temps, min(one, other))
    busy = bond.is_bonded(water, ice, snow, salts, temps, max(one, other))
    assert not (calm & ~busy).any()


@settings(deadline=None, max_examples=100)
@given(TEMPS, SALT, st.floats(0.01, 12), SHARE)
def test_bonded_hours_end_only_with_half_liquid_or_above_freezing(temps, salt, snow, mixing):
    salts = hours(salt, temps)
    bonded = bond.is_bonded(0.0, 0.0, snow, salts, temps, mixing)
    liquid = bond.liquid_frac(0.0, 0.0, snow, salts, temps, mixing)
    for hour in range(1, len(temps)):
        if bonded[hour - 1] and not bonded[hour]:
            assert liquid[hour] >= 0.5 or temps[hour] > 0


@settings(deadline=None, max_examples=100)
@given(st.floats(-20, -0.1), st.floats(1e-4, 0.03), SHARE, st.floats(0, 1))
@example(-2.0, 0.01, 1e-300, 0.0)
def test_snow_bonds_past_the_plow_by_amount_and_not_before(temp, salt, mixing, film):
    most = float(bond.max_snow_before_bond_mm(nacl(salt), temp, mixing, film))
    for part, expected in [(0.999, False), (1.001, True)]:
        lies = most * part
        if not (film < lies < 1e6):
            continue
        got = bond.is_bonded(film, 0.0, [lies - film], nacl([salt]), temp, mixing)
        assert got.tolist() == [expected]


@settings(deadline=None, max_examples=100)
@given(st.floats(-20, -0.1), st.floats(0.05, 5), SALT)
def test_the_least_salt_just_holds(temp, layer, proportions):
    total = sum(proportions)
    shares = np.array(proportions) / total if total > 1e-6 else np.eye(4)[0]
    least = bond.required_salt_kg_m2(layer, temp, shares)
    if np.isinf(least):  # potassium alone past its eutectic holds nothing
        assert bond.held_brine_kg_m2(shares, temp) == 0.0
        return
    need = bond.required_liquid_frac(temp)
    for factor, holds in [(1.001, True), (0.999, False)]:
        liquid = bond.liquid_frac(0.0, 0.0, layer, shares * least * factor, temp, 1.0)
        assert (liquid >= need) == holds


@given(MASS, MASS, MASS, SHARE)
def test_the_layer_lies_between_the_film_and_all_there_is(water, ice, snow, mixing):
    layer = bond.interface_layer_mm(water, ice, snow, mixing)
    total = water + ice + snow
    assert min(total, max(0.5, water + ice)) - 1e-9 <= layer <= total + 1e-9


@settings(deadline=None)
@given(st.floats(0.001, 12), SALT)
def test_a_pass_leaves_slush_of_the_same_strength(layer, salt):
    left, salts = bond.residual_after_plow(layer, salt)
    assert left == pytest.approx(min(layer, 0.3))
    np.testing.assert_allclose(salts * layer, np.array(salt) * left, rtol=1e-9, atol=1e-15)


# ------------------------------------------------------------------------------ input and docs


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: bond.traffic_mixing_frac(-1.0), "traffic -1 vehicles/h is negative"),
        (lambda: bond.interface_layer_mm(0.0, 0.0, -1.0), "snow -1 mm is negative"),
        (lambda: bond.interface_layer_mm(0.0, 0.0, 1.0, 1.2), "mixing_frac must lie between"),
        (lambda: bond.held_brine_kg_m2(np.zeros(3), -1.0), "first axis runs over nacl"),
        (lambda: bond.held_brine_kg_m2(nacl(-0.1), -1.0), "salt -0.1 kg/m² is negative"),
        (lambda: bond.required_salt_kg_m2(0.5, -1.0, [0.5, 0.0, 0.0, 0.0]), "must sum to 1"),
        (lambda: bond.is_bonded(0.0, 0.0, 1.0, np.zeros(4), -1.0), "hour as first axis"),
        (lambda: BondParameters(texture_mm=0.0), "texture_mm 0.0 must be"),
        (lambda: BondParameters(base_liquid_frac=15), "at most 1"),
        (lambda: BondParameters(residual_mm=math.nan), "residual_mm nan"),
    ],
)
def test_bad_input_is_named(call, message):
    with pytest.raises(InputError, match=re.escape(message)):
        call()


def test_examples_run():
    assert doctest.testmod(bond).failed == 0
    assert doctest.testmod(bond).attempted >= 9


PAGE = (Path(__file__).parent.parent / "docs/model/bond.md").read_text()


def test_the_page_lists_every_parameter_with_its_default():
    for name, value in vars(BondParameters()).items():
        assert re.search(rf"^\| `{name}` \| {value:g} ", PAGE, re.MULTILINE), name


def test_the_sensitivity_table_of_the_page():
    rows = re.findall(r"^\| (\d\d) \| ([\d.]+(?: \| [\d.]+){4}) \|$", PAGE, re.MULTILINE)
    assert [int(temp_f) for temp_f, _ in rows] == [30, 27, 25, 23, 20]
    for temp_f, cells in rows:
        temp_c = celsius(int(temp_f))
        for product, cell in zip((0.04, 0.05, 0.075, 0.10, 0.12), cells.split(" | "), strict=True):
            part = float(strength(temp_c)) * needed(temp_c, product / 0.5)
            expected = part * 0.5 / (1 - part) / SALT_PER_GAL_KG_M2
            assert float(cell) == pytest.approx(expected, rel=0.015, abs=0.006)


def test_the_page_promises_nothing():
    assert not re.search(r"\bmelts\b|\bbare\b(?! pavement in lots)|guarantee", PAGE)
