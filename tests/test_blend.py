"""Blends: composition by hand, onsets by two Pitzer models, and what a product's supplier says."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from thermo.electrochem import Laliberte_density

from stormplan.company.catalog import Product
from stormplan.errors import InputError
from stormplan.liquids import blend, brine
from stormplan.liquids.batch import density_kg_l

SIXTY_F_C = (60 - 32) / 1.8
BRINE = blend.make_liquid({"nacl": 0.233})
CALCIUM = blend.make_liquid({"cacl2": 0.32})
MAGNESIUM = blend.make_liquid({"mgcl2": 0.30})
INHIBITED = blend.make_liquid({"mgcl2": 0.28}, inert_frac=0.08)
ADDITIVES = {"calcium": CALCIUM, "magnesium": MAGNESIUM, "inhibited": INHIBITED}


def blended(additive, vol_pct, dilution=0.0):
    parts = [(100 - vol_pct, BRINE), (vol_pct, additive), (100 * dilution, blend.PLAIN_WATER)]
    return blend.mix_liquids(parts)


# Additive, vol %, NaCl, other, inert [wt %], kg/m3 at 60 °F, contraction [%]: mass balance with
# Laliberte 2009 densities
COMPOSITIONS = [
    ("calcium", 5, 22.01, 1.77, 0, 1183.6, 0.012), ("calcium", 10, 20.74, 3.51, 0, 1190.2, 0.023),
    ("calcium", 15, 19.48, 5.24, 0, 1196.8, 0.033), ("calcium", 20, 18.24, 6.95, 0, 1203.3, 0.042),
    ("magnesium", 5, 22.04, 1.62, 0, 1182.1, 0.014),
    ("magnesium", 10, 20.79, 3.23, 0, 1187.2, 0.026),
    ("magnesium", 15, 19.56, 4.82, 0, 1192.3, 0.037),
    ("magnesium", 20, 18.33, 6.40, 0, 1197.4, 0.046),
    ("inhibited", 5, 22.04, 1.52, 0.43, 1182.4, 0.014),
    ("inhibited", 10, 20.78, 3.02, 0.86, 1187.8, 0.027),
    ("inhibited", 15, 19.54, 4.51, 1.29, 1193.2, 0.038),
    ("inhibited", 20, 18.31, 5.99, 1.71, 1198.6, 0.048),
]  # fmt: skip


@pytest.mark.parametrize(
    ("additive", "vol_pct", "nacl", "other", "inert", "density", "contraction"), COMPOSITIONS
)
def test_composition(additive, vol_pct, nacl, other, inert, density, contraction):
    mixed, shrunk = blended(ADDITIVES[additive], vol_pct)
    assert 100 * mixed.salts_frac[0] == pytest.approx(nacl, abs=0.011)
    assert 100 * mixed.salts_frac[1:].sum() == pytest.approx(other, abs=0.011)
    assert 100 * mixed.inert_frac == pytest.approx(inert, abs=0.011)
    assert mixed.density_kg_m3(SIXTY_F_C) == pytest.approx(density, abs=0.11)
    assert 100 * shrunk == pytest.approx(contraction, abs=0.0011)


def test_ninety_ten_by_hand():
    # 900 gal of 23.3 % NaCl and 100 gal of 32 % CaCl2
    kelvin = SIXTY_F_C + 273.15
    base = 0.9 * Laliberte_density(kelvin, [0.233], ["7647-14-5"])
    added = 0.1 * Laliberte_density(kelvin, [0.32], ["10043-52-4"])
    mixed, shrunk = blended(CALCIUM, 10)
    assert mixed.mass_frac("nacl") == pytest.approx(base * 0.233 / (base + added))
    assert 100 * mixed.mass_frac("nacl") == pytest.approx(20.74, abs=0.05)
    assert 100 * mixed.mass_frac("cacl2") == pytest.approx(3.51, abs=0.03)
    assert mixed.density_kg_m3(SIXTY_F_C) / 999.014 == pytest.approx(1.1914, abs=1e-4)
    assert 1000 * (1 - shrunk) == pytest.approx(999.77, abs=0.01)


def test_ninety_ten_in_the_cold():
    # PHREEQC with two Pitzer models: ice -23.64, -23.86; hydrohalite -15.1, -14.5
    cold = blend.cold_behavior(blended(CALCIUM, 10)[0])
    assert cold.ice_onset_c == pytest.approx(-23.75, abs=0.35)
    assert cold.crystal_onset_c == pytest.approx(-15, abs=1.5)
    assert cold.first_solid_c == cold.crystal_onset_c
    assert cold.warn_below_c == pytest.approx(cold.crystal_onset_c + 5 / 1.8)


def test_warm_salting_out():
    # At 60 °F both models have 23.3 % base clear of halite with 30 vol % of calcium; 26 % base is
    # saturated with 10 vol %.
    assert np.isfinite(blend.cold_behavior(blended(CALCIUM, 30)[0]).crystal_onset_c)
    strong = blend.make_liquid({"nacl": 0.26})
    mixed, _ = blend.mix_liquids([(90, strong), (10, CALCIUM)])
    assert blend.cold_behavior(mixed).first_solid_c == np.inf


# vol %, volumes of water: ice onset in PHREEQC with the two Pitzer models [°C], within 0.08
DILUTED = [
    ("calcium", 0, 2, -5.58), ("calcium", 0, 1, -8.79), ("calcium", 0, 4, -3.26),
    ("calcium", 10, 2, -5.80), ("calcium", 10, 1, -9.26), ("calcium", 10, 8, -1.83),
    ("calcium", 20, 1, -9.75), ("calcium", 20, 4, -3.43), ("magnesium", 10, 2, -5.90),
    ("magnesium", 20, 1, -10.25), ("magnesium", 20, 3, -4.50), ("inhibited", 20, 2, -6.16),
]  # fmt: skip


@pytest.mark.parametrize(("additive", "vol_pct", "water", "expected_c"), DILUTED)
def test_after_dilution_the_additive_hardly_shows(additive, vol_pct, water, expected_c):
    mixed, _ = blended(ADDITIVES[additive], vol_pct, water)
    assert blend.cold_behavior(mixed).first_solid_c == pytest.approx(expected_c, abs=0.08)


# vol % additive: base strength [wt %] in Pitzer A, B and the temperature there [°C]
MATCHES = [
    ("calcium", 5, 22.6, -21.7), ("calcium", 10, 22.15, -22.1), ("calcium", 15, 21.65, -22.6),
    ("calcium", 20, 21.05, -23.1), ("magnesium", 5, 22.4, -21.8), ("magnesium", 10, 21.6, -22.3),
    ("magnesium", 15, 20.8, -22.9), ("magnesium", 20, 19.9, -23.5),
]  # fmt: skip


@pytest.mark.parametrize(("additive", "vol_pct", "base_pct", "expected_c"), MATCHES)
def test_base_strength_at_which_both_solids_arrive(additive, vol_pct, base_pct, expected_c):
    found = blend.matching_base_brine(ADDITIVES[additive], vol_pct / 100)
    assert found is not None
    assert 100 * found[0] == pytest.approx(base_pct, abs=0.35)
    assert found[1] == pytest.approx(expected_c, abs=0.4)


def test_no_base_matches_where_there_is_none():
    assert blend.matching_base_brine(MAGNESIUM, 1.0) is None


# ------------------------------------------------------------------------------ ice


def test_ice_in_a_ten_percent_tank():
    # PHREEQC with the two Pitzer models: 0.2830, 0.2817
    assert blend.ice_mass_frac(blend.make_liquid({"nacl": 0.10}), -10.0) == pytest.approx(
        0.282, abs=0.004
    )
    assert blend.ice_mass_frac(blend.make_liquid({"nacl": 0.10}), -6.0) == 0.0


# ------------------------------------------------------------------------------ products

WELL_BRINE = Product(
    key="well",
    name="well brine",
    chlorides={"cacl2": 0.20, "nacl": 0.08, "mgcl2": 0.03},
    density_kg_l=1.27,
    freeze_point_c=-30.0,
    max_vol_frac=0.2,
)


def test_the_suppliers_freeze_point_wins_for_the_neat_product_only():
    neat = blend.liquid_from_product(WELL_BRINE)
    assert blend.cold_behavior(neat).first_solid_c == -30.0
    assert blend.cold_behavior(neat).freeze_point_source == "supplier"
    mixed, _ = blend.mix_liquids([(90, BRINE), (10, neat)])
    assert blend.cold_behavior(mixed).freeze_point_source == "computed"
    assert (
        blend.cold_behavior(blend.mix_liquids([(0, BRINE), (1, neat)])[0]).freeze_point_source
        == "supplier"
    )


def test_the_suppliers_density_weighs():
    neat = blend.liquid_from_product(WELL_BRINE)
    assert neat.density_kg_m3(SIXTY_F_C) == pytest.approx(1270.0)
    mixed, shrunk = blend.mix_liquids([(90, BRINE), (10, neat)])
    base_kg = 0.9 * 1000 * density_kg_l(0.233)
    assert mixed.mass_frac("cacl2") == pytest.approx(127.0 * 0.20 / (127.0 + base_kg))
    assert abs(shrunk) < 0.001


def test_shares_above_the_products_limit():
    blend.check_additive_vol_frac(0.2, WELL_BRINE)
    with pytest.raises(InputError, match=r"a share of 25 % well brine .* accepted is 0 to 20 %"):
        blend.check_additive_vol_frac(0.25, WELL_BRINE)


@pytest.mark.parametrize(
    ("chlorides", "inert", "message"),
    [
        ({"nacl": 0.30}, 0.0, r"nacl of 30 % is not a solution; .* at most 26\.4 % by weight"),
        ({"cacl2": -0.1}, 0.0, r"cacl2 of -10 % is not a solution"),
        ({"cacl2": 0.3}, 0.7, r"inert solids of 70 % leave no water; accepted is 0 to below 70 %"),
    ],
)
def test_what_is_no_solution(chlorides, inert, message):
    with pytest.raises(InputError, match=message):
        blend.make_liquid(chlorides, inert)


# ------------------------------------------------------------------------------ properties


@settings(deadline=None)
@given(
    st.floats(0.05, 0.26), st.sampled_from(sorted(ADDITIVES)), st.floats(0.0, 1.0), st.floats(0, 9)
)
def test_mixing_conserves_every_part(base_frac, additive, share, water):
    base = blend.make_liquid({"nacl": base_frac})
    parts = [(1 - share, base), (share, ADDITIVES[additive]), (water, blend.PLAIN_WATER)]
    mixed, shrunk = blend.mix_liquids(parts)
    masses = [volume * part.density_kg_m3(SIXTY_F_C) for volume, part in parts]
    total = sum(masses)
    for row in range(len(brine.CHLORIDES)):
        poured = sum(m * p.salts_frac[row] for m, (_, p) in zip(masses, parts, strict=True))
        assert mixed.salts_frac[row] * total == pytest.approx(poured, rel=1e-9, abs=1e-9)
    final = total / mixed.density_kg_m3(SIXTY_F_C)
    assert final == pytest.approx((1 + water) * (1 - shrunk), rel=1e-9)
    if water == 0.0 and share <= 0.2 and base_frac >= 0.2:
        assert final == pytest.approx(1.0, rel=1e-3)  # blending volumes sum within 0.1 %


@settings(deadline=None)
@given(st.floats(0.01, 0.26), st.floats(0.0, 0.3), st.floats(0.0, 10.0), st.floats(0.0, 10.0))
def test_more_water_never_lowers_the_freeze_point(base_frac, share, water, more):
    base = blend.make_liquid({"nacl": base_frac})
    onsets = [
        blend.cold_behavior(
            blend.mix_liquids([(1 - share, base), (share, CALCIUM), (w, blend.PLAIN_WATER)])[0]
        ).ice_onset_c
        for w in (water, water + more)
    ]
    assert onsets[1] >= onsets[0] - 1e-9
