"""Ice lines, mixtures and crystals against published models, tables and field figures.

Two Pitzer models of cold brines stand behind most rows: A, Toner & Catling 2017 (J. Chem. Eng.
Data 62, 995), and B, Marion's FREZCHEM (Marion & Kargel 2008), both run with PHREEQC 3.
"""

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from stormplan.liquids import brine

EUTECTIC_WT_PCT = {"nacl": 23.1, "cacl2": 30.5, "mgcl2": 21.2, "kcl": 19.6}  # Pitzer A, B


def molality(**wt_pct):
    shares = [np.asarray(wt_pct.get(key, 0.0), dtype=float) / 100 for key in brine.CHLORIDES]
    return brine.molality(np.array(shares), wt_pct.get("inert", 0.0) / 100)


def ice_c(**wt_pct):
    return float(brine.ice_onset_c(molality(**wt_pct)))


# wt %, Pitzer A, Pitzer B [°C]
NACL_ICE = [
    (1, -0.59, -0.60), (2, -1.19, -1.20), (3, -1.79, -1.81), (4, -2.41, -2.43), (5, -3.05, -3.08),
    (6, -3.71, -3.74), (8, -5.10, -5.14), (10, -6.61, -6.65), (12, -8.25, -8.28),
    (14, -10.05, -10.07), (16, -12.04, -12.05), (18, -14.25, -14.24), (20, -16.71, -16.69),
    (21, -18.06, -18.03), (22, -19.49, -19.47), (23, -21.00, -21.00), (23.3, -21.48, -21.48),
]  # fmt: skip
CACL2_ICE = [
    (1, -0.43, -0.44), (2, -0.88, -0.90), (5, -2.43, -2.43), (8, -4.35, -4.31), (10, -5.89, -5.81),
    (12, -7.71, -7.58), (14, -9.85, -9.63), (16, -12.38, -12.03), (18, -15.37, -14.83),
    (20, -18.89, -18.09), (22, -23.04, -21.90), (24, -27.92, -26.36), (26, -33.63, -31.65),
    (28, -40.34, -37.98), (29, -44.12, -41.67), (30, -48.23, -45.79),
]  # fmt: skip
MGCL2_ICE = [
    (1, -0.51, -0.51), (2, -1.06, -1.05), (3, -1.65, -1.63), (5, -3.00, -2.98), (8, -5.61, -5.59),
    (10, -7.85, -7.83), (12, -10.58, -10.57), (14, -13.91, -13.91), (15, -15.84, -15.84),
    (16, -17.96, -17.96), (18, -22.86, -22.85), (20, -28.81, -28.73), (21, -32.26, -32.11),
]  # fmt: skip
KCL_ICE = [
    (2, -0.92, -0.92), (5, -2.32, -2.32), (10, -4.83, -4.84), (15, -7.68, -7.69),
    (19, -10.30, -10.29),
]  # fmt: skip


@pytest.mark.parametrize(
    ("chloride", "wt_pct", "pitzer_a_c", "pitzer_b_c"),
    [
        (chloride, *row)
        for chloride, rows in [
            ("nacl", NACL_ICE), ("cacl2", CACL2_ICE), ("mgcl2", MGCL2_ICE), ("kcl", KCL_ICE),
        ]
        for row in rows
    ],
)  # fmt: skip
def test_ice_lines_run_between_two_pitzer_models(chloride, wt_pct, pitzer_a_c, pitzer_b_c):
    # 0.03 is what the fit leaves besides the models' own disagreement.
    low, high = sorted((pitzer_a_c, pitzer_b_c))
    assert low - 0.03 <= ice_c(**{chloride: wt_pct}) <= high + 0.03


# Gibbs equation of state of NaCl solutions against ice Ih (SeaFreeze), water at 0 °C: wt %, °C
SEAFREEZE = [
    (1, -0.59), (2, -1.19), (3, -1.79), (4, -2.41), (5, -3.04), (6, -3.70), (8, -5.10),
    (10, -6.57), (12, -8.22), (14, -10.05), (16, -12.03), (18, -14.15), (20, -16.60),
    (21, -17.96), (22, -19.40), (23, -20.94), (23.3, -21.41),
]  # fmt: skip


@pytest.mark.parametrize(("wt_pct", "expected_c"), SEAFREEZE)
def test_salt_brine_freezes_where_the_equation_of_state_says(wt_pct, expected_c):
    assert ice_c(nacl=wt_pct) == pytest.approx(expected_c, abs=0.15)


@pytest.mark.parametrize("depression_k", np.arange(0.5, 21.01, 0.5))
def test_salt_brine_agrees_with_bodnars_cubic(depression_k):
    # Bodnar 1993, Geochim. Cosmochim. Acta 57, 683: strength from depression, not the reverse.
    wt_pct = 1.78 * depression_k - 0.0442 * depression_k**2 + 0.000557 * depression_k**3
    assert ice_c(nacl=wt_pct) == pytest.approx(-depression_k, abs=0.1)


@pytest.mark.parametrize("wt_pct", np.arange(1.0, 23.01, 1.0))
def test_salt_brine_agrees_with_coolprop(wt_pct):
    # CoolProp's fit (after Melinder) ends at 23 %; it runs up to half a degree warm there.
    expected_c = PropsSI("T_FREEZE", "T", 300, "P", 101325, f"INCOMP::MNA[{wt_pct / 100}]") - 273.15
    assert ice_c(nacl=wt_pct) == pytest.approx(expected_c, abs=0.1 if wt_pct < 12 else 0.5)


@pytest.mark.parametrize("wt_pct", np.arange(1.0, 30.01, 1.0))
def test_calcium_agrees_with_coolprop(wt_pct):
    expected_c = PropsSI("T_FREEZE", "T", 300, "P", 101325, f"INCOMP::MCA[{wt_pct / 100}]") - 273.15
    # The published spread: 0.15 °C to 14 %, 0.5 at 20, 1 at 24-26, 1.5 at 30.
    spread = np.interp(wt_pct, [14, 20, 25, 30], [0.17, 0.5, 1.0, 1.5])
    assert ice_c(cacl2=wt_pct) == pytest.approx(expected_c, abs=spread)


# Lange's Handbook of Chemistry, 15th ed., Table 5.13: wt %, freezing point [°F]
LANGE_NACL = [
    (1, 31.0), (2, 30.0), (3, 28.9), (4, 27.8), (5, 26.7), (6, 25.5), (7, 24.2), (8, 22.9),
    (9, 21.6), (15, 12.4), (16, 10.6), (17, 8.7), (18, 6.7), (19, 4.6), (20, 2.4), (21, 0.0),
    (22, -2.5), (23, -5.2), (23.3, -6.0),
]  # fmt: skip
LANGE_MGCL2 = [(5, -3.11), (8, -5.67), (10, -7.83), (12, -10.50), (14, -13.70), (15, -15.60),
               (16, -17.60), (18, -22.10), (20, -27.40), (21, -30.60)]  # fmt: skip


@pytest.mark.parametrize(("wt_pct", "expected_f"), LANGE_NACL)
def test_salt_brine_agrees_with_the_handbook(wt_pct, expected_f):
    freezes_f = 32 + 1.8 * float(brine.freeze_point_c(molality(nacl=wt_pct)))
    # The handbook runs 0.25-0.35 °C warm of newer work from 15 % up.
    assert freezes_f == pytest.approx(expected_f, abs=0.35 if wt_pct < 15 else 0.85)


@pytest.mark.parametrize(("wt_pct", "expected_c"), LANGE_MGCL2)
def test_magnesium_agrees_with_the_handbook(wt_pct, expected_c):
    # 0.3 °C to 16 %; beyond it the handbook runs up to 1.6 °C warm of both Pitzer models.
    assert ice_c(mgcl2=wt_pct) == pytest.approx(expected_c, abs=0.37 if wt_pct <= 16 else 1.6)


# wt % and °C of first ice, tolerance: means of the sources named
SINGLE_CASES = [
    ("nacl", 10, -6.61, 0.1),  # Bodnar 1993 -6.61, Pitzer A, B -6.61, -6.65, SeaFreeze -6.57
    ("nacl", 20, -16.65, 0.25),  # Bodnar and Pitzer -16.7, SeaFreeze -16.60, Lange -16.46
    ("cacl2", 20, -18.4, 0.6),  # CoolProp -18.26, Pitzer A, B -18.89, -18.09
    ("mgcl2", 15, -15.8, 0.3),  # Pitzer A, B -15.84, Lange -15.6
]


@pytest.mark.parametrize(("chloride", "wt_pct", "expected_c", "tolerance"), SINGLE_CASES)
def test_first_ice_of_one_chloride(chloride, wt_pct, expected_c, tolerance):
    assert ice_c(**{chloride: wt_pct}) == pytest.approx(expected_c, abs=tolerance)


# FHWA-RD-95-202 Appendix A: wt % and °F of the eutectic; tolerance [°F]
FHWA_EUTECTICS = [("nacl", 23.3, -5.8, 0.3), ("mgcl2", 21.6, -28.0, 1.0), ("cacl2", 29.8, -60, 1.0)]


@pytest.mark.parametrize(("chloride", "wt_pct", "expected_f", "tolerance_f"), FHWA_EUTECTICS)
def test_eutectics(chloride, wt_pct, expected_f, tolerance_f):
    # a brine stronger than the eutectic has its first ice there
    for strength in (wt_pct + 1, wt_pct + 3):
        freezes_c = float(brine.freeze_point_c(molality(**{chloride: strength})))
        assert 32 + 1.8 * freezes_c == pytest.approx(expected_f, abs=tolerance_f)


def test_full_strength_brine_freezes_at_the_eutectic():
    # Lange -21.1; Pitzer A, B -21.14, -21.18
    assert float(brine.freeze_point_c(molality(nacl=23.3))) == pytest.approx(-21.1, abs=0.3)


# wt % against hydrohalite onset, Pitzer A and B [°C]
HYDROHALITE = [
    (23.3, -19.72, -19.81), (23.5, -18.39, -18.38), (24, -15.05, -14.90), (24.5, -11.73, -11.51),
    (25, -8.42, -8.14), (25.5, -5.13, -4.78), (26, -1.86, -1.38),
]  # fmt: skip


@pytest.mark.parametrize(("wt_pct", "pitzer_a_c", "pitzer_b_c"), HYDROHALITE)
def test_over_strength_brine_drops_salt(wt_pct, pitzer_a_c, pitzer_b_c):
    onset_c = float(brine.hydrohalite_saturation_temp_c(molality(nacl=wt_pct)))
    assert onset_c == pytest.approx((pitzer_a_c + pitzer_b_c) / 2, abs=1.5)
    assert onset_c <= max(pitzer_a_c, pitzer_b_c)  # it errs cold, hence the warning's margin


@pytest.mark.parametrize("wt_pct", [26.3, 26.395, 27, 30])
def test_saturated_brine_drops_salt_at_any_temperature(wt_pct):
    # Halite solubility at 60 °F: 26.2-26.4 % (Pitzer A, B; salometer definition 26.395)
    assert brine.hydrohalite_saturation_temp_c(molality(nacl=wt_pct)) == np.inf


# ------------------------------------------------------------------------------ mixtures

# 23.3 % brine and additive by volume: composition [wt %], ice onset and hydrohalite onset [°C],
# each Pitzer A and B
BLENDS = [
    ("cacl2", 22.01, 1.77, (-22.53, -22.64), (-17.3, -17.0)),
    ("cacl2", 20.74, 3.51, (-23.64, -23.86), (-15.1, -14.5)),
    ("cacl2", 19.48, 5.24, (-24.79, -25.12), (-13.1, -12.4)),
    ("cacl2", 18.24, 6.95, (-26.00, -26.44), (-11.2, -10.5)),
    ("mgcl2", 22.04, 1.62, (-22.99, -23.08), (-15.8, -15.4)),
    ("mgcl2", 20.79, 3.23, (-24.61, -24.80), (-12.3, -11.5)),
    ("mgcl2", 19.56, 4.82, (-26.36, -26.64), (-9.0, -8.0)),
    ("mgcl2", 18.33, 6.40, (-28.24, -28.62), (-6.0, -4.7)),
]
BLENDS_KCL = [  # NaCl, KCl [wt %], hydrohalite onset in Pitzer A and B [°C]
    (24, 2, -8.55, -8.35), (23, 3, -12.05, -11.97), (22, 4, -15.65, -15.75), (21, 6, -16.05, -16.3),
]  # fmt: skip
BESIDE_CRYSTALS = [-21.5, -22.0, -22.5, -23.1, -21.6, -22.1, -22.7, -23.5]  # Pitzer A/B, °C


@pytest.mark.parametrize(("additive", "nacl", "other", "ice_onsets_c", "_"), BLENDS)
def test_ice_onset_of_blends(additive, nacl, other, ice_onsets_c, _):
    onset_c = ice_c(nacl=nacl, **{additive: other})
    assert onset_c == pytest.approx(np.mean(ice_onsets_c), abs=0.35)
    assert min(ice_onsets_c) - 0.15 <= onset_c <= max(ice_onsets_c) + 0.15


@pytest.mark.parametrize(("additive", "nacl", "other", "_", "crystal_onsets_c"), BLENDS)
def test_crystal_onset_of_blends(additive, nacl, other, _, crystal_onsets_c):
    onset_c = float(brine.hydrohalite_saturation_temp_c(molality(nacl=nacl, **{additive: other})))
    assert onset_c == pytest.approx(np.mean(crystal_onsets_c), abs=1.5)
    assert onset_c <= max(crystal_onsets_c)


@pytest.mark.parametrize(("nacl", "kcl", "pitzer_a_c", "pitzer_b_c"), BLENDS_KCL)
def test_potassium_salts_out_too(nacl, kcl, pitzer_a_c, pitzer_b_c):
    onset_c = float(brine.hydrohalite_saturation_temp_c(molality(nacl=nacl, kcl=kcl)))
    assert onset_c == pytest.approx((pitzer_a_c + pitzer_b_c) / 2, abs=1.5)
    assert onset_c <= max(pitzer_a_c, pitzer_b_c)


@pytest.mark.parametrize(
    ("additive", "nacl", "other", "expected_c"),
    [(*blend[:3], onset) for blend, onset in zip(BLENDS, BESIDE_CRYSTALS, strict=True)],
)
def test_ice_beside_crystals(additive, nacl, other, expected_c):
    found_c = float(brine.freeze_point_c(molality(nacl=nacl, **{additive: other})))
    assert found_c == pytest.approx(expected_c, abs=0.5)


def test_inert_solids_get_no_freeze_point_credit():
    # Same salt on the same water: inert solids change the weights, not the freezing.
    assert ice_c(nacl=9.0, inert=10.0) == pytest.approx(ice_c(nacl=10.0), abs=1e-9)


# ------------------------------------------------------------------------------ films


# NaCl wt %, temperature [°C], ice by mass of the film: PHREEQC with models A, B (10 % at -10 °C:
# 0.2830, 0.2817), lever rule on Bodnar's cubic for the rest
FILM_ICE = [(10, -10.0, 0.2823, 0.004), (5, -5.0, 0.364, 0.004), (10, -7.5, 0.098, 0.004),
            (15, -15.0, 0.195, 0.004)]  # fmt: skip


@pytest.mark.parametrize(("wt_pct", "temp_c", "expected", "tolerance"), FILM_ICE)
def test_ice_in_a_film(wt_pct, temp_c, expected, tolerance):
    frozen = 1.0 - brine.liquid_water_frac(molality(nacl=wt_pct), temp_c)
    assert float(frozen) * (1 - wt_pct / 100) == pytest.approx(expected, abs=tolerance)


def test_a_plain_salt_film_is_solid_below_its_eutectic():
    unfrozen = brine.liquid_water_frac(molality(nacl=15.0), [-21.0, -21.3])
    assert unfrozen[0] > 0.5
    assert unfrozen[1] == 0.0


# FHWA-RD-95-202 App. A has the eutectics at -33 °C (MgCl2) and -51 °C (CaCl2); KCl -10.7 (Pitzer A)
@pytest.mark.parametrize(
    ("chloride", "liquid_c", "solid_c"),
    [("mgcl2", -32.9, -33.5), ("cacl2", -50.5, -51.5), ("kcl", -10.5, -10.9)],
)
def test_other_films_are_solid_below_theirs(chloride, liquid_c, solid_c):
    unfrozen = brine.liquid_water_frac(molality(**{chloride: 10.0}), [liquid_c, solid_c])
    assert unfrozen[0] > 0.2
    assert unfrozen[1] == 0.0


def test_a_trace_of_calcium_does_not_thaw_a_salt_film():
    # Below the eutectic hydrohalite takes the salt out; only the calcium's own water stays.
    unfrozen = brine.liquid_water_frac(molality(nacl=20.0, cacl2=0.1), -25.0)
    assert 0.0 < unfrozen < 0.02


# NaCl, other [wt %], °C: liquid share of the water beside ice and hydrohalite, Pitzer A and B
COLD_FILMS = [
    ("cacl2", 10, 2, -15.0, 0.603, 0.602), ("cacl2", 10, 2, -21.5, 0.458, 0.460),
    ("cacl2", 10, 2, -25.0, 0.147, 0.146), ("cacl2", 10, 2, -30.0, 0.092, 0.090),
    ("cacl2", 10, 2, -38.0, 0.068, 0.066), ("cacl2", 7, 1.2, -25.0, 0.085, 0.084),
    ("cacl2", 20, 4, -25.0, 0.341, 0.337), ("mgcl2", 10, 2, -15.0, 0.631, 0.632),
    ("mgcl2", 10, 2, -25.0, 0.182, 0.188), ("mgcl2", 7, 1.2, -30.0, 0.067, 0.068),
    ("kcl", 10, 2, -15.0, 0.560, 0.561),
]  # fmt: skip


@pytest.mark.parametrize(("other", "nacl", "wt_pct", "temp_c", "in_a", "in_b"), COLD_FILMS)
def test_liquid_left_beside_ice_and_hydrohalite(other, nacl, wt_pct, temp_c, in_a, in_b):
    found = float(brine.liquid_water_frac(molality(nacl=nacl, **{other: wt_pct}), temp_c))
    # Below the eutectic the rule errs towards less liquid.
    assert min(in_a, in_b) - 0.03 <= found <= max(in_a, in_b) + 0.005


def test_salt_to_hold_a_millimetre_of_water_liquid():
    # -5 °C: Bodnar 7.865 % gives 85.4 g/m2, Pitzer A, B 85.3, 84.7
    grams_m2 = brine.freezing_curve_molality(-5.0)[0] * 58.443
    assert grams_m2 == pytest.approx(85.1, abs=1.0)


# MPCA winter parking lot and sidewalk manual: pavement [°F], lb of ice melted per lb of NaCl
MPCA_MELT = [(30, 46.3), (25, 14.4), (20, 8.6), (15, 6.3), (10, 4.9), (5, 4.1), (0, 3.7)]


@pytest.mark.parametrize(("temp_f", "expected"), MPCA_MELT)
def test_melt_capacity_of_salt(temp_f, expected):
    # At 30 °F the manual's 46.3 means 2.11 % on the ice line; CoolProp, SeaFreeze and both Pitzer
    # models have 1.86 % there, hence 52.6 lb. Half a degree either way is a quarter of it.
    grams = brine.freezing_curve_molality((temp_f - 32) / 1.8)[0] * 58.443
    assert 1000 / grams == pytest.approx(expected, rel=0.14 if temp_f == 30 else 0.07)


def test_salt_melts_over_five_times_as_much_at_30_as_at_20():
    # Wisconsin DOT: "over five times"
    m0 = brine.freezing_curve_molality([(20 - 32) / 1.8, (30 - 32) / 1.8])[0]
    assert m0[0] / m0[1] > 5


# °F and grams per m2 to hold 1 mm of water: NaCl, CaCl2, MgCl2, from w on Pitzer A/B's ice lines
HOLD = [(28, 38.2, 48.4, 40.5), (20, 111.8, 123.0, 99.0), (10, 192.9, 190.7, 149.9),
        (0, 262.7, 243.9, 189.3)]  # fmt: skip


@pytest.mark.parametrize(("temp_f", "nacl", "cacl2", "mgcl2"), HOLD)
def test_salt_to_hold_water_by_temperature(temp_f, nacl, cacl2, mgcl2):
    grams = brine.freezing_curve_molality((temp_f - 32) / 1.8) * brine.MOLAR_MASS_G_MOL
    assert grams[:3] == pytest.approx([nacl, cacl2, mgcl2], rel=0.005)


def test_chloride_by_mass_follows_from_atomic_weights():
    # IUPAC 2021, abridged standard atomic weights
    sodium, calcium, magnesium, potassium, chlorine = 22.990, 40.078, 24.305, 39.098, 35.45
    parts = [
        chlorine / (sodium + chlorine),
        2 * chlorine / (calcium + 2 * chlorine),
        2 * chlorine / (magnesium + 2 * chlorine),
        chlorine / (potassium + chlorine),
    ]
    assert brine.CHLORIDES == ("nacl", "cacl2", "mgcl2", "kcl")
    np.testing.assert_allclose(brine.CHLORIDE_MASS_FRAC, parts, atol=1e-4)


def test_a_dried_pre_treat_keeps_little_water_liquid():
    # 0.8 gal/1000 ft2 of 23.3 % (2.29 lb/gal) at 30 °F keeps about 0.44 mm; that figure rests on
    # the handbook's ice line, which runs 7 % strong at 30 °F. Half an inch of new snow is 1.27 mm.
    salt_g_m2 = 0.8 * 2.29 * 453.59237 / (1000 * 0.09290304)
    water_mm = salt_g_m2 / (brine.freezing_curve_molality((30 - 32) / 1.8)[0] * 58.443)
    assert water_mm == pytest.approx(0.44, rel=0.08)
    assert water_mm < 1.27


def test_diluted_salt_at_25f():
    # Lever rule: 3 % at 25 °F is 0.47 brine, 0.53 ice
    frozen = 0.97 * (1.0 - float(brine.liquid_water_frac(molality(nacl=3.0), (25 - 32) / 1.8)))
    assert frozen == pytest.approx(0.53, abs=0.03)


# ------------------------------------------------------------------------------ shapes and edges


def test_plain_water():
    water = np.zeros(4)
    assert brine.freeze_point_c(water) == 0.0
    assert list(brine.liquid_water_frac(water, [1.0, 0.0, -0.1])) == [1.0, 1.0, 0.0]


def test_missing_in_is_missing_out():
    holed = np.array([[1.0, np.nan], [0.1, 0.1], [0.0, 0.0], [0.0, 0.0]])
    for answer in (
        brine.ice_onset_c(holed),
        brine.freeze_point_c(holed),
        brine.hydrohalite_saturation_temp_c(holed),
        brine.liquid_water_frac(holed, -5.0),
    ):
        assert np.isfinite(answer[0])
        assert np.isnan(answer[1])


def test_molality_broadcasts_against_hours():
    films = np.ones((4, 3, 1))
    assert brine.liquid_water_frac(films, np.zeros((3, 5)) - 5.0).shape == (3, 5)
    assert brine.liquid_water_frac(np.ones(4), np.zeros((7, 2)) - 5.0).shape == (7, 2)
    assert brine.freeze_point_c(films).shape == (3, 1)


def test_a_solution_drier_than_dry_stays_finite():
    assert brine.freeze_point_c(np.array([1e9, 0.0, 0.0, 0.0])) == pytest.approx(-21.12)
    assert np.isfinite(brine.freeze_point_c(np.full(4, 1e9)))


def test_arrays_agree_with_scalars():
    rng = np.random.default_rng(23)
    m = rng.uniform(0, 1, (4, 2000)) ** 3 * np.array([[6.0], [4.0], [4.0], [2.0]])
    temps = rng.uniform(-50, 1, 2000)
    for function in (brine.ice_onset_c, brine.freeze_point_c, brine.hydrohalite_saturation_temp_c):
        together = function(m)
        alone = [float(function(m[:, i])) for i in range(0, 2000, 10)]
        assert together[::10] == pytest.approx(alone, abs=1e-9)
    together = brine.liquid_water_frac(m, temps)
    alone = [float(brine.liquid_water_frac(m[:, i], temps[i])) for i in range(2000)]
    assert together == pytest.approx(alone, abs=1e-9)


@pytest.mark.parametrize("chloride", brine.CHLORIDES)
def test_ice_line_and_ice_onset_undo_each_other(chloride):
    last = brine.FREEZING_CURVE[chloride][1]
    temps = -np.linspace(0.0, last, 500)
    m = np.zeros((4, 500))
    row = brine.CHLORIDES.index(chloride)
    m[row] = brine.freezing_curve_molality(temps)[row]
    assert brine.ice_onset_c(m) == pytest.approx(temps, abs=1e-9)


# ------------------------------------------------------------------------------ properties

shares = st.tuples(*[st.floats(0.0, 0.12)] * 4)


@settings(deadline=None)
@given(st.sampled_from(brine.CHLORIDES), st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_freezing_falls_with_strength_up_to_the_eutectic(chloride, one, other):
    weak, strong = sorted((one, other))
    limit = EUTECTIC_WT_PCT[chloride]
    weak_c, strong_c = (
        float(brine.freeze_point_c(molality(**{chloride: share * limit})))
        for share in (weak, strong)
    )
    assert strong_c <= weak_c + 1e-9  # the last digits are the solver's
    if strong - weak > 1e-6:
        assert strong_c < weak_c or strong_c in brine.EUTECTIC_C


@settings(deadline=None)
@given(shares, st.floats(0.0, 20.0))
def test_dilution_never_lowers_the_freeze_point(salts, water):
    m = brine.molality(np.array(salts))
    assert brine.ice_onset_c(m / (1.0 + water)) >= brine.ice_onset_c(m) - 1e-9
    assert brine.freeze_point_c(m / (1.0 + water)) >= brine.freeze_point_c(m) - 1e-9


@settings(deadline=None)
@given(shares, st.floats(-60.0, 0.0), st.floats(0.0, 10.0))
@example((0.03125, 0.0625, 0.0, 0.0), -2.2250738585072014e-308, 0.0)  # overflowed
def test_less_is_liquid_when_colder(salts, temp_c, colder_k):
    m = brine.molality(np.array(salts))
    warm, cold = brine.liquid_water_frac(m, [temp_c, temp_c - colder_k])
    assert 0.0 <= cold <= warm + 1e-12 <= 1.0 + 1e-12


@settings(deadline=None)
@given(shares)
def test_freeze_point_is_where_ice_begins(salts):
    m = brine.molality(np.array(salts))
    freezes_c = float(brine.freeze_point_c(m))
    assume(-59.0 < freezes_c < -0.01)
    above, below = brine.liquid_water_frac(m, [freezes_c + 1e-6, freezes_c - 1e-6])
    assert above > 1.0 - 1e-9
    assert below < 1.0


@settings(deadline=None)
@given(shares)
def test_composition_round_trips(salts):
    assert brine.salts_frac(brine.molality(np.array(salts))) == pytest.approx(salts, abs=1e-12)
