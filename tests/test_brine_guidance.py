"""What the shed lead is told beside the volumes, against mass balances done here and tables."""

import pytest

from stormplan import units
from stormplan.company.catalog import Product
from stormplan.liquids import batch
from stormplan.liquids.hydrometer import StrengthBands
from stormplan.operations import brine_guidance

# Lange's Handbook of Chemistry, 15th ed., Table 5.13: NaCl by weight -> specific gravity at 59 °F
LANGE_SG = {0.20: 1.1514, 0.25: 1.1923}

SALT = batch.Salt(0.96, 0.015, 0.01)
CALCIUM = Product("calcium", "calcium 32 %", {"cacl2": 0.32}, max_vol_frac=0.2)
SIXTY_C = units.f_to_c(60.0)


def test_corrections_bring_the_batch_to_target_by_mass():
    for row in brine_guidance.hydrometer_corrections(1000.0, StrengthBands(), SALT, SIXTY_C):
        brine_kg = 1000.0 * row.reading_sg * 0.99904  # water at 60 °F, kg/L
        nacl_kg = brine_kg * row.strength_frac + row.add_salt_kg * 0.96
        solution_kg = brine_kg + row.add_water_l * 0.99904 + row.add_salt_kg * (0.96 + 0.015)
        assert nacl_kg / solution_kg == pytest.approx(0.233, abs=2e-4)
        assert (row.add_salt_kg > 0.0) == (row.strength_frac < 0.233)
        assert (row.add_water_l > 0.0) == (row.strength_frac > 0.233)


def test_readings_mean_what_the_handbook_says():
    rows = brine_guidance.hydrometer_corrections(1000.0, StrengthBands(), SALT, SIXTY_C)
    for strength, sg in LANGE_SG.items():
        nearest = min(rows, key=lambda row: abs(row.reading_sg - sg))
        slope = (0.25 - 0.20) / (LANGE_SG[0.25] - LANGE_SG[0.20])
        expected = strength + slope * (nearest.reading_sg - sg)
        assert nearest.strength_frac == pytest.approx(expected, abs=0.003)


def test_a_full_mixer_is_drawn_off_before_water_goes_in():
    rows = brine_guidance.hydrometer_corrections(1000.0, StrengthBands(), SALT, SIXTY_C, 1000.0)
    too_strong = [row for row in rows if row.add_water_l > 0.0]
    assert too_strong
    assert all(row.draw_off_l > 0.0 for row in too_strong)


def test_a_fresh_batch_reads_higher_because_salt_cools_it():
    fresh, settled, reference = brine_guidance.hydrometer_targets(StrengthBands(), 10.0)
    assert fresh.temp_c < settled.temp_c == 10.0
    assert fresh.reading_sg > settled.reading_sg > reference.reading_sg
    assert reference.reading_sg == pytest.approx(1.178, abs=0.002)  # Lange, 23.3 % interpolated
    for row in (fresh, settled, reference):
        assert row.accept_sg[0] < row.reading_sg < row.accept_sg[1]


@pytest.mark.parametrize(
    ("coldest_air_c", "blends", "place", "why"),
    [
        (5.0, 1, brine_guidance.BlendLocation.TANK, brine_guidance.BlendReason.WARM_ENOUGH),
        (5.0, 2, brine_guidance.BlendLocation.LOAD_OUT, brine_guidance.BlendReason.SEVERAL_BLENDS),
        (-25.0, 1, brine_guidance.BlendLocation.LOAD_OUT, brine_guidance.BlendReason.DROPS_SALT),
        (
            None,
            1,
            brine_guidance.BlendLocation.LOAD_OUT,
            brine_guidance.BlendReason.TEMPERATURE_UNKNOWN,
        ),
    ],
)
def test_where_a_blend_is_put_together(coldest_air_c, blends, place, why):
    found = brine_guidance.blend_location(0.2, CALCIUM, 0.233, coldest_air_c, blends)
    assert (found.location, found.reason) == (place, why)
    assert found.chlorides == ("cacl2",)
    assert found.crystals_before_ice
    assert found.min_tank_temp_c > found.first_solid_c
    assert found.matching_base_frac < 0.233  # a weaker base stores better
