"""Densities against the reference library of the same model, other models, and tables."""

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from hypothesis import given, settings
from hypothesis import strategies as st
from thermo.electrochem import Laliberte_density

from stormplan.liquids import brine, density

CAS = {"nacl": "7647-14-5", "cacl2": "10043-52-4", "mgcl2": "7786-30-3", "kcl": "7447-40-7"}
SIXTY_F_C = (60 - 32) / 1.8


def single(chloride, wt_pct, temp_c):
    shares = np.array([wt_pct / 100 * (key == chloride) for key in brine.CHLORIDES])
    return float(density.density_kg_m3(shares, temp_c))


@pytest.mark.parametrize("chloride", brine.CHLORIDES)
@pytest.mark.parametrize("wt_pct", [0.5, 5, 12, 20, 24])
@pytest.mark.parametrize("temp_c", [-15, 0, SIXTY_F_C, 30])
def test_coefficients_are_those_of_the_reference_library(chloride, wt_pct, temp_c):
    expected = Laliberte_density(temp_c + 273.15, [wt_pct / 100], [CAS[chloride]])
    assert single(chloride, wt_pct, temp_c) == pytest.approx(expected, rel=1e-9)


@settings(deadline=None)
@given(st.tuples(*[st.floats(0.001, 0.08)] * 4), st.floats(-20, 40))
def test_mixtures_are_those_of_the_reference_library(shares, temp_c):
    expected = Laliberte_density(temp_c + 273.15, list(shares), list(CAS.values()))
    assert float(density.density_kg_m3(shares, temp_c)) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("temp_c", [0.1, 4, 10, SIXTY_F_C, 25, 40])
def test_water(temp_c):
    expected = PropsSI("D", "T", temp_c + 273.15, "P", 101325, "Water")
    assert float(density.water_density_kg_m3(temp_c)) == pytest.approx(expected, abs=0.05)


# NaCl solutions by a Gibbs equation of state (SeaFreeze), kg/m3: °C, then by wt %
SEAFREEZE_WT_PCT = (5, 10, 15, 20, 23.3, 26)
SEAFREEZE = [
    (-20, None, None, None, None, 1193.0, 1216.3),
    (-15, None, None, None, 1163.3, 1190.9, 1214.1),
    (-10, None, None, 1120.0, 1161.3, 1188.7, 1211.8),
    (-5, None, 1077.9, 1118.3, 1159.3, 1186.4, 1209.4),
    (0, 1038.1, 1076.7, 1116.6, 1157.3, 1184.2, 1206.9),
    (5, 1037.4, 1075.4, 1114.7, 1155.1, 1181.8, 1204.5),
    (10, 1036.5, 1073.9, 1112.8, 1152.9, 1179.5, 1202.0),
    (SIXTY_F_C, 1035.2, 1072.1, 1110.6, 1150.3, 1176.7, 1199.1),
    (20, 1034.0, 1070.6, 1108.7, 1148.2, 1174.5, 1196.8),
    (25, 1032.5, 1068.7, 1106.6, 1145.7, 1171.9, 1194.1),
    (30, 1030.8, 1066.7, 1104.3, 1143.2, 1169.3, 1191.4),
]


@pytest.mark.parametrize(
    ("temp_c", "wt_pct", "expected"),
    [
        (row[0], wt_pct, value)
        for row in SEAFREEZE
        for wt_pct, value in zip(SEAFREEZE_WT_PCT, row[1:], strict=True)
        if value is not None
    ],
)
def test_salt_brine_weighs_what_the_equation_of_state_says(temp_c, wt_pct, expected):
    found = single("nacl", wt_pct, temp_c)
    spread = float(density.density_uncertainty_kg_m3(brine.plain_brine(wt_pct / 100), temp_c))
    assert found == pytest.approx(expected, abs=1.15 if temp_c >= 0 else 2.15)
    assert found == pytest.approx(expected, abs=spread + 0.15)


@pytest.mark.parametrize("wt_pct", [5, 10, 15, 20, 23])
@pytest.mark.parametrize("temp_c", [0, 10, 20, 30])
def test_salt_brine_agrees_with_coolprop(wt_pct, temp_c):
    expected = PropsSI("D", "T", temp_c + 273.15, "P", 101325, f"INCOMP::MNA[{wt_pct / 100}]")
    assert single("nacl", wt_pct, temp_c) == pytest.approx(expected, abs=1.2)


@pytest.mark.parametrize("wt_pct", [5, 10, 15, 20, 25, 30])
@pytest.mark.parametrize("temp_c", [0, 10, 20, 30])
def test_calcium_agrees_with_coolprop(wt_pct, temp_c):
    # CoolProp runs 2-5 kg/m3 heavy at 10-20 %, where Laliberte follows the handbook.
    expected = PropsSI("D", "T", temp_c + 273.15, "P", 101325, f"INCOMP::MCA[{wt_pct / 100}]")
    assert single("cacl2", wt_pct, temp_c) == pytest.approx(expected, abs=5.0)


# Lange's Handbook of Chemistry, 15th ed., Table 5.13: wt %, specific gravity at 59 °F
LANGE_NACL_SG = [
    (1, 1.007), (2, 1.014), (3, 1.021), (4, 1.028), (5, 1.036), (6, 1.043), (7, 1.051), (8, 1.059),
    (9, 1.067), (15, 1.112), (16, 1.119), (17, 1.127), (18, 1.135), (19, 1.143), (20, 1.152),
    (21, 1.159), (22, 1.168), (23, 1.176), (23.3, 1.179), (24, 1.184), (25, 1.193), (26, 1.201),
]  # fmt: skip
# The same, MgCl2, specific gravity at 60 °F
LANGE_MGCL2_SG = [(5, 1.043), (8, 1.069), (10, 1.086), (12, 1.105), (15, 1.132), (16, 1.142),
                  (18, 1.161), (20, 1.180), (21, 1.190), (22, 1.200), (23, 1.210), (25, 1.230),
                  (27, 1.251), (28, 1.262), (30, 1.283)]  # fmt: skip


@pytest.mark.parametrize(("wt_pct", "sg"), LANGE_NACL_SG)
def test_salt_brine_agrees_with_the_handbook(wt_pct, sg):
    found = single("nacl", wt_pct, 15.0) / float(density.water_density_kg_m3(15.0))
    assert found == pytest.approx(sg, abs=0.0016)


@pytest.mark.parametrize(("wt_pct", "sg"), LANGE_MGCL2_SG)
def test_magnesium_agrees_with_the_handbook(wt_pct, sg):
    found = single("mgcl2", wt_pct, SIXTY_F_C) / float(density.water_density_kg_m3(SIXTY_F_C))
    assert found == pytest.approx(sg, rel=0.005)


def test_full_strength_brine_at_60_f():
    # SeaFreeze 1176.7, PHREEQC 1177.3, Lange SG 1.179 at 15 °C
    assert single("nacl", 23.3, SIXTY_F_C) == pytest.approx(1177, abs=1)


def test_inert_solids_weigh():
    # 10 % at 1300 kg/m3 in a liquid of 1276 kg/m3 (30 % MgCl2), by volume
    shares = np.array([0.0, 0.0, 0.27, 0.0])
    expected = 1 / (0.9 / single("mgcl2", 30, SIXTY_F_C) + 0.1 / 1300)
    assert float(density.density_kg_m3(shares, SIXTY_F_C, 0.1)) == pytest.approx(expected)
