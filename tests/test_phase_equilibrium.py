"""Freezing and melting of films against the brine model and published activities."""

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from stormplan.liquids import brine
from stormplan.physics import phase_equilibrium
from stormplan.physics.phase_equilibrium import equilibrate, equilibrium_liquid_kg_m2
from stormplan.weather.moist_air import saturation_vapor_pressure_pa

STIFF = 1e-9  # K m²/kg: nothing the film does moves the temperature


@pytest.mark.parametrize("index", range(4))
def test_activity_on_the_ice_line_is_that_of_ice(index):
    # ice and brine in equilibrium have one vapor pressure
    temp = np.linspace(-0.5, brine.EUTECTIC_C[index], 30)
    molality = brine.freezing_curve_molality(temp)[index]
    salts = np.zeros((30, 4))
    salts[:, index] = molality * brine.MOLAR_MASS_G_MOL[index] / 1000
    ratio = saturation_vapor_pressure_pa(temp, over_ice=True) / saturation_vapor_pressure_pa(temp)
    activity = [phase_equilibrium.water_activity(row, 1.0) for row in salts]
    np.testing.assert_allclose(activity, ratio, atol=0.004)


# Greenspan 1977, J. Res. NBS 81A, 89: relative humidity over saturated solutions at 20 °C
SATURATED = {"nacl": 0.755, "mgcl2": 0.331, "kcl": 0.851, "cacl2": 0.33}


@pytest.mark.parametrize("salt", SATURATED)
def test_dry_salt_takes_up_water_at_the_published_humidity(salt):
    salts = np.zeros(4)
    salts[brine.CHLORIDES.index(salt)] = 0.01
    assert phase_equilibrium.water_activity(salts, 0.0) == pytest.approx(SATURATED[salt], abs=0.035)


def test_plain_water_freezes_and_melts_in_proportion_to_the_heat_at_zero():
    free = np.array([-2.0, -2.0, 3.0, 3.0, 1.0, -1.0])
    liquid = np.array([1.0, 0.1, 0.0, 0.9, 0.5, 0.0])
    none = np.zeros(4)
    after = [equilibrate(at, 5.0, of, 1.0, none, at) for at, of in zip(free, liquid, strict=True)]
    # 5 K per kg: 2 K of cold freeze 0.4 kg, 3 K of warmth melt 0.6 kg, up to what there is
    np.testing.assert_allclose(after, [0.6, 0.0, 0.6, 1.0, 0.7, 0.0])


COMPOSITIONS = st.tuples(*[st.floats(0.0, 0.02) for _ in range(4)])


@settings(deadline=None, max_examples=60)
@given(COMPOSITIONS, st.floats(-45.0, 2.0), st.floats(0.01, 5.0))
def test_a_firmly_held_film_has_the_liquid_share_of_the_brine_model(grams, temp, total):
    assume(abs(temp) > 1e-6)  # at 0 °C itself pure water may be either
    salts = np.array(grams) * 0.1
    molality = salts * 1000 / (brine.MOLAR_MASS_G_MOL * total)
    expected = total * brine.liquid_water_frac(molality, temp)
    assert equilibrium_liquid_kg_m2(salts, total, temp) == pytest.approx(expected, abs=1e-9 * total)
    got = equilibrate(temp, STIFF, total, total, salts, temp)
    present = salts > 0
    near_step = np.abs(brine.EUTECTIC_C[present] - temp).min() < 0.02 if present.any() else False
    if not near_step and (salts.sum() == 0 or salts.sum() > 1e-9):
        np.testing.assert_allclose(got, expected, atol=2e-3 * total)


@settings(deadline=None, max_examples=60)
@given(
    st.floats(1e-4, 0.05),
    st.floats(-18.0, 3.0),
    st.floats(0.2, 30.0),
    st.floats(0.0, 1.0),
    st.floats(0.05, 4.0),
)
def test_freezing_ends_on_the_ice_line_that_its_own_heat_allows(salt, free, per_kg, share, total):
    salts, liquid, film = np.array([salt, 0.0, 0.0, 0.0]), share * total, free
    after = equilibrate(free, per_kg, liquid, total, salts, film)
    film = free - per_kg * (after - liquid)
    # to a hundred-thousandth of the film, or where a breath of salt makes it all but pure, of 1 K
    least, most = (equilibrium_liquid_kg_m2(salts, total, film + off_k) for off_k in (-1e-5, 1e-5))
    assert least - 1e-5 * total <= after <= most + 1e-5 * total


def test_a_film_waits_at_the_eutectic_until_it_is_frozen():
    after = equilibrate(-23.12, 10.0, 0.35, 0.35, np.array([0.1, 0.0, 0.0, 0.0]), -21.0)
    assert after == pytest.approx(0.35 - 0.2, abs=2e-3)  # 2 K of cold at 10 K per kg
