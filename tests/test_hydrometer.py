"""Hydrometer readings against hand tables, handbook cases and reference densities."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from thermo.electrochem import Laliberte_density

from stormplan.errors import InputError
from stormplan.liquids import hydrometer
from stormplan.liquids.hydrometer import StrengthBands
from stormplan.units import f_to_c

NACL = "7647-14-5"


def reading(wt_pct, temp_f):
    return float(hydrometer.reading_sg(wt_pct / 100, f_to_c(temp_f)))


def strength(sg, temp_f):
    return 100 * float(hydrometer.strength_from_reading(sg, f_to_c(temp_f)))


@pytest.mark.parametrize("wt_pct", [5, 15, 20, 23.3, 26])
@pytest.mark.parametrize("temp_f", [0, 15, 30, 45, 60, 75, 90])
def test_reading_from_the_reference_librarys_density(wt_pct, temp_f):
    # Soda glass grows 25e-6 per kelvin; water weighs 999.014 kg/m3 at 60 °F (Kell 1975).
    temp_c = (temp_f - 32) / 1.8
    density = Laliberte_density(temp_c + 273.15, [wt_pct / 100], [NACL])
    expected = density * (1 + 25e-6 * (temp_c - 15.5556)) / 999.014
    assert reading(wt_pct, temp_f) == pytest.approx(expected, abs=1e-6)


def test_cold_brine_reads_high():
    # 23.3 % at 15 °F: Laliberte 1.1894, SeaFreeze 1.1889; a 60 °F table then gives 24.67 or 24.64
    cold = reading(23.3, 15)
    assert cold == pytest.approx(1.1894, abs=0.0012)
    assert strength(cold, 60) == pytest.approx(24.67, abs=0.15)


# True strength by reading and °F, worked from the density model above with a separate solver [wt %]
READ_AT_F = (0, 15, 30, 45, 60, 75, 90)
STRENGTHS = [
    (1.140, None, 17.58, 17.81, 18.16, 18.58, 19.05, 19.56),
    (1.150, None, 18.75, 19.01, 19.38, 19.82, 20.31, 20.83),
    (1.160, None, 19.91, 20.21, 20.60, 21.07, 21.57, 22.09),
    (1.165, None, 20.49, 20.80, 21.21, 21.68, 22.19, 22.72),
    (1.170, 20.90, 21.07, 21.40, 21.82, 22.30, 22.81, 23.35),
    (1.175, 21.46, 21.65, 21.99, 22.42, 22.91, 23.43, 23.98),
    (1.178, 21.79, 21.99, 22.34, 22.78, 23.28, 23.81, 24.35),
    (1.180, 22.02, 22.22, 22.58, 23.02, 23.52, 24.05, 24.60),
    (1.185, 22.57, 22.79, 23.16, 23.62, 24.13, 24.67, 25.22),
    (1.190, 23.12, 23.36, 23.75, 24.22, 24.74, 25.28, 25.84),
    (1.195, 23.67, 23.93, 24.33, 24.82, 25.35, 25.90, 26.45),
]


@pytest.mark.parametrize("row", STRENGTHS, ids=lambda row: f"{row[0]:.3f}")
def test_strength_by_reading_and_temperature(row):
    for temp_f, expected in zip(READ_AT_F, row[1:], strict=True):
        found = hydrometer.interpret_reading(row[0], f_to_c(temp_f))
        if expected is None:
            assert "freezing" in found.doubts
        else:
            assert found.doubts == ()
            assert 100 * found.strength_frac == pytest.approx(expected, abs=0.011)


@pytest.mark.parametrize("sg", [1.120, 1.140, 1.160, 1.178, 1.190, 1.200])
def test_sixty_degree_conversion(sg):
    # Quadratic fitted to 60 °F densities between 15 and 26 %, good to 0.002
    expected = -178.3283 + 220.0493 * sg - 41.51560 * sg**2
    assert strength(sg, 60) == pytest.approx(expected, abs=0.004)


# Handbook arithmetic: salometer 85 at 60 °F is 22.4 %; Lange: SG 1.176 at 59 °F is 23.0 %
def test_salometer_case():
    sg = float(hydrometer.sg_from_salometer(85))
    found = hydrometer.interpret_reading(sg, f_to_c(60))
    assert 100 * found.strength_frac == pytest.approx(22.4, abs=0.2)
    assert 32 + 1.8 * found.freeze_point_c == pytest.approx(-3.7, abs=1.0)


def test_handbook_reading():
    assert strength(1.176, 59) == pytest.approx(23.0, abs=0.1)


@pytest.mark.parametrize(("temp_f", "degrees"), [(0, 94.5), (30, 92.0), (60, 88.3), (90, 84.3)])
def test_salometer_in_brine_off_temperature(temp_f, degrees):
    # A salometer in 23.3 % brine; 1.15 degrees per 10 °F below 60, 1.3 above
    sg = float(hydrometer.sg_from_salometer(degrees))
    assert strength(sg, temp_f) == pytest.approx(23.3, abs=0.03)


def test_salometer_is_percent_of_saturation():
    # "The Salometer and How to Use It": 100 degrees are 26.395 %
    assert float(hydrometer.salometer_deg(0.233)) == pytest.approx(88.3, abs=0.05)


@settings(deadline=None)
@given(st.floats(0.0, 0.26), st.floats(-25.0, 40.0))
def test_reading_and_strength_round_trip(strength_frac, temp_c):
    sg = hydrometer.reading_sg(strength_frac, temp_c)
    back = hydrometer.strength_from_reading(sg, temp_c)
    assert float(back) == pytest.approx(strength_frac, abs=1e-6)
    assert float(hydrometer.reading_sg(back, temp_c)) == pytest.approx(float(sg), abs=1e-6)


def test_arrays_agree_with_scalars():
    sgs, temps = np.meshgrid(np.linspace(1.01, 1.19, 12), np.linspace(-20, 30, 9))
    together = hydrometer.strength_from_reading(sgs, temps)
    for at in np.ndindex(sgs.shape):
        assert together[at] == pytest.approx(
            float(hydrometer.strength_from_reading(sgs[at], temps[at])), abs=1e-9
        )


# ------------------------------------------------------------------------------ trust and verdict


@pytest.mark.parametrize(
    ("sg", "temp_f", "doubt"),
    [(1.140, 0, "freezing"), (1.210, 15, "crystals"), (1.230, 60, "beyond saturation")],
)
def test_readings_not_to_trust(sg, temp_f, doubt):
    assert doubt in hydrometer.interpret_reading(sg, f_to_c(temp_f)).doubts


def test_a_blend_or_treated_salt_is_not_judged():
    # 90/10 with 32 % CaCl2 weighs 1.1914 at 60 °F and would pass for 24.9 % NaCl.
    assert strength(1.1914, 60) == pytest.approx(24.9, abs=0.05)
    found = hydrometer.interpret_reading(1.1914, f_to_c(60), is_blend=True, is_treated_salt=True)
    assert found.doubts == ("blend", "treated salt")


@pytest.mark.parametrize(
    ("wt_pct", "verdict"),
    [(21.9, "reject"), (22.0, "warn"), (22.4, "warn"), (22.5, "accept"), (23.3, "accept"),
     (23.8, "accept"), (23.9, "warn"), (24.0, "warn"), (24.1, "reject")],
)  # fmt: skip
def test_bands(wt_pct, verdict):
    assert StrengthBands().verdict(wt_pct / 100) == verdict


@pytest.mark.parametrize("temp_f", [15, 60, 85])
def test_a_reading_on_the_edge_is_inside(temp_f):
    sg = float(hydrometer.reading_sg(0.225, f_to_c(temp_f)))
    assert hydrometer.interpret_reading(sg, f_to_c(temp_f)).verdict == "accept"


@pytest.mark.parametrize(
    ("sg", "temp_c", "message"),
    [
        (0.98, 10.0, r"a reading of 0\.98 is below water; .* reads 1\.001 \(water\) to about"),
        (1.40, 10.0, r"a reading of 1\.4 is above any salt brine; .* \(saturated\)"),
        (1.178, 90.0, r"a brine temperature of 90 °C is outside .* accepted is -30 to 50 °C"),
    ],
)
def test_impossible_readings(sg, temp_c, message):
    with pytest.raises(InputError, match=message):
        hydrometer.interpret_reading(sg, temp_c)


def test_bands_must_nest():
    with pytest.raises(InputError, match=r"22\.5-23\.8, 22\.6-24 %\) do not nest; the target"):
        StrengthBands(usable_frac=(0.226, 0.24))
