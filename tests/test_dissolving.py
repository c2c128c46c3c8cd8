"""How long a batch takes and what an off reading may be: handbook viscosities and mass balances."""

import numpy as np
import pytest

from stormplan import units
from stormplan.liquids import batch, dissolving, hydrometer
from stormplan.liquids.hydrometer import StrengthBands
from stormplan.operations import brine_guidance
from stormplan.units import UnitFormatter
from stormplan.words.mix_sheet import check_first_text

GAL, LB = units.L_PER_GAL, units.KG_PER_LB


# CRC Handbook of Chemistry and Physics, viscosity of water, from memory
@pytest.mark.parametrize(
    ("temp_c", "mpa_s"), [(0, 1.792), (10, 1.306), (20, 1.002), (25, 0.890), (30, 0.797)]
)
def test_viscosity_of_water(temp_c, mpa_s):
    assert dissolving.water_viscosity_mpa_s(temp_c) == pytest.approx(mpa_s, rel=0.003)


# CRC Handbook, diffusion of ions in water at infinite dilution, from memory: sodium 1.334 and
# chloride 2.032 at 25 °C; at 0 °C 0.627 and 1.01 (Li and Gregory 1974, Geochim. Cosmochim. Acta 38)
def test_salt_diffuses_as_the_viscosity_has_it():
    def together(sodium, chloride):
        return 2.0 * sodium * chloride / (sodium + chloride)

    measured = together(1.334, 2.032) / together(0.627, 1.01)
    cold = dissolving.time_ratio_of_water(0.0) / dissolving.time_ratio_of_water(25.0)
    assert cold == pytest.approx(measured, rel=0.08)


def test_cold_water_is_slow_and_warm_water_fast():
    assert dissolving.time_ratio_of_water(hydrometer.REFERENCE_C) == pytest.approx(1.0)
    # by hand: 1.55 over 1.12 mPa s at 40 and 60 °F, times 288.7 over 277.6 K
    assert dissolving.time_ratio_of_water(units.f_to_c(40.0)) == pytest.approx(1.43, abs=0.02)
    assert dissolving.time_ratio_of_water(units.f_to_c(90.0)) < 0.75


def test_what_is_left_to_saturation():
    # The Salometer and How to Use It: at 23.3 %, 2.289 lb a gallon; saturated, 2.649
    assert dissolving.rate_left(0.233) == pytest.approx(1 - 2.289 / 2.649, abs=0.001)
    assert dissolving.rate_left(0.0) == 1.0
    assert dissolving.rate_left(hydrometer.SALOMETER_FULL_FRAC) == pytest.approx(0.0, abs=1e-9)
    assert dissolving.rate_left(0.30) == 0.0


# Worked at 60 °F: 100 gal of 23.3 % are 90.37 gal of water (753.4 lb) and 228.9 lb of salt. With
# 20 lb on the bottom the brine is 208.9 / 962.3 = 21.71 %
def test_salt_on_the_bottom_reads_as_weak_brine():
    left = batch.undissolved_salt_kg(100 * GAL, 208.9 / 962.3, 0.233)
    assert left / LB == pytest.approx(20.0, abs=0.15)
    half = batch.undissolved_salt_kg(100 * GAL, 208.9 / 962.3, 0.233, batch.Salt(0.8))
    assert half == pytest.approx(left / 0.8)
    assert batch.undissolved_salt_kg(100 * GAL, 0.24, 0.233) == 0.0


# Hydrometer table of 23.3 % brine at 0, 30, 60 and 90 °F by two density models, 60/60 °F glass:
# 1.1916, 1.1862, 1.1782, 1.1696
@pytest.mark.parametrize(("sg", "temp_f"), [(1.1916, 0), (1.1862, 30), (1.1782, 60), (1.1696, 90)])
def test_brine_on_target_at_another_temperature(sg, temp_f):
    found = float(hydrometer.temp_of_reading_c(sg, 0.233))
    assert units.c_to_f(found) == pytest.approx(temp_f, abs=1.0)


def test_some_readings_are_of_no_temperature():
    at_c = hydrometer.temp_of_reading_c([1.21, 1.1782, 1.10], 0.233)
    assert np.isnan(at_c).tolist() == [True, False, True]


def test_what_is_free_comes_first_on_the_sheet():
    rows = brine_guidance.hydrometer_corrections(
        100 * GAL, StrengthBands(), batch.PURE_SALT, units.f_to_c(60.0)
    )
    text = check_first_text(rows, UnitFormatter("us"))
    low = [row for row in rows if row.undissolved_kg > 0]
    high = [row for row in rows if row.add_water_l > 0]
    assert [row.undissolved_kg for row in low] == sorted(
        (row.undissolved_kg for row in low), reverse=True
    )
    assert all(row.undissolved_kg == 0 for row in high)
    # the table above: 1.185 is brine on target at about 36 °F
    assert high[0].reading_sg == 1.185
    assert units.c_to_f(high[0].on_target_temp_c) == pytest.approx(36, abs=2)
    assert f"{low[-1].undissolved_kg / LB:.0f} lb of salt still on the bottom" in text
    assert "brine on target reads 1.185" in text
    assert text.index("circulate") < text.index("temperature again") < text.index("wash")


def test_without_an_off_reading_the_advice_stands_alone():
    text = check_first_text((), UnitFormatter("us"))
    assert "(" not in text
    assert "circulate on" in text
