"""What stored liquids drop, against two Pitzer models and handbook tables."""

import numpy as np
import pytest

from stormplan.liquids import brine, cold_storage


def molality(**wt_pct):
    return brine.molality(np.array([wt_pct.get(key, 0.0) / 100 for key in brine.CHLORIDES]))


# MgCl2 wt %: onset of MgCl2.12H2O in Pitzer A (Toner & Catling 2017), B (FREZCHEM), and Lange's
# Handbook of Chemistry, 15th ed., Table 5.13 [°C]
MGCL2_HYDRATE = [
    (22, -30.89, -30.07, -32.80), (23, -28.01, -27.26, -28.90), (24, -25.40, -24.62, -25.60),
    (25, -23.09, -22.26, -23.30), (26, -21.10, -20.25, -21.10), (27, -19.43, -18.62, -19.40),
    (28, -18.13, -17.37, -18.30), (29, -17.22, -16.51, -17.20), (30, -16.72, -16.05, -16.70),
]  # fmt: skip
CACL2_HYDRATE = [(31, -46.4, -45.0), (32, -38.3, -36.8), (33, -30.7, -27.3), (35, -16.7, -11.8)]


@pytest.mark.parametrize(("wt_pct", "pitzer_a_c", "pitzer_b_c", "lange_c"), MGCL2_HYDRATE)
def test_strong_magnesium_drops_its_hydrate(wt_pct, pitzer_a_c, pitzer_b_c, lange_c):
    onset_c = float(cold_storage.first_solid_c(molality(mgcl2=wt_pct)))
    assert pitzer_a_c <= onset_c <= pitzer_b_c
    assert onset_c == pytest.approx(lange_c, abs=0.75 if wt_pct >= 24 else 2.5)


@pytest.mark.parametrize(("wt_pct", "pitzer_a_c", "pitzer_b_c"), CACL2_HYDRATE)
def test_strong_calcium_drops_its_hydrate(wt_pct, pitzer_a_c, pitzer_b_c):
    assert pitzer_a_c <= float(cold_storage.first_solid_c(molality(cacl2=wt_pct))) <= pitzer_b_c


def test_neat_magnesium_freezes_out_before_straight_brine():
    assert cold_storage.first_solid_c(molality(mgcl2=30)) > cold_storage.first_solid_c(
        molality(nacl=23.3)
    )


# NaCl wt % and first solid [°C]: Lange's table at and above the eutectic (rows 24-26 from memory)
@pytest.mark.parametrize(
    ("wt_pct", "expected_f"), [(23.3, -6.0), (24, 1.4), (25, 13.3), (26, 27.9)]
)
def test_first_solid_of_strong_brine(wt_pct, expected_f):
    first_f = 32 + 1.8 * float(cold_storage.first_solid_c(molality(nacl=wt_pct)))
    assert first_f == pytest.approx(expected_f, abs=3.1)


def test_brine_at_25_percent():
    # Pitzer A, B -8.42, -8.14; line from eutectic to peritectic -9.0
    assert float(cold_storage.first_solid_c(molality(nacl=25))) == pytest.approx(-8.6, abs=1.5)


def test_weak_brine_freezes_as_ice():
    first_c = cold_storage.first_solid_c(molality(nacl=20.0))
    assert first_c == brine.ice_onset_c(molality(nacl=20.0))


def test_the_stated_spread_covers_the_models():
    # NaCl-CaCl2 20.74/3.51 %: ice -23.64, -23.86 and hydrohalite -15.1, -14.5 in Pitzer A, B
    blend = molality(nacl=20.74, cacl2=3.51)
    ice_c, crystal_c = (
        float(brine.ice_onset_c(blend)),
        float(brine.hydrohalite_saturation_temp_c(blend)),
    )
    assert all(abs(ice_c - t) <= cold_storage.onset_uncertainty_k(ice_c) for t in (-23.64, -23.86))
    assert all(
        abs(crystal_c - t) <= cold_storage.onset_uncertainty_k(crystal_c, True)
        for t in (-15.1, -14.5)
    )
    assert list(cold_storage.onset_uncertainty_k([-5.0, -15.0, -25.0, -70.0])) == [
        0.15,
        0.4,
        0.6,
        1.6,
    ]
