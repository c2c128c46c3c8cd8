"""The mix sheet as the shed reads it: sums that add up on paper, dry salt, tanks mended first.

No handbook has a mix sheet; the sums are done here from what is printed.
"""

import copy
import re

import pytest
from helpers.published_tables import NOON
from helpers.sites import BASE_SECTIONS, site_entry
from test_plan import SNOW, planned

from stormplan import units
from stormplan.words import mix_sheet
from stormplan.words.dry_material import count_lifts

ICE = {"air_temp_c": -4.0, "dew_point_c": -5.0, "freezing_rain_mm": 0.4, "pop": 0.9}


def number(text):
    return float(re.match(r"[\d,.]+", text)[0].replace(",", ""))


def yards(**changes):
    return {"north": copy.deepcopy(BASE_SECTIONS["yards"]["north"]) | changes}


def tank(salometer, on_hand="300 gal"):
    """A brine tank by a salometer reading at 60 °F: 100° is saturated (ASTM E100 scale)."""
    reading = {"salometer": salometer, "temperature": "60 F", "taken_at": "2026-01-11"}
    held = {"product": "brine", "capacity": "6000 gal", "on_hand": on_hand, "heel": "50 gal"}
    return {"t1": held | {"reading": reading}}


def sheets(plan):
    return mix_sheet.mix_sheet_views(plan)


def test_the_brine_adds_up_on_paper(demo_plan):
    for plan in (demo_plan, planned(), planned(yards=yards(tanks=tank(88, "30 gal")))):
        for sheet in sheets(plan):
            total = 0.0
            for sign, _, value, is_result in sheet.ledger:
                if is_result:
                    assert number(value) == pytest.approx(max(total, 0.0))
                    total = number(value)
                else:
                    total += -number(value) if sign == "−" else number(value)


def test_what_is_spread_dry_adds_up_and_is_what_the_plan_spreads(demo_plan):
    sheet, yard = sheets(demo_plan)[0], demo_plan.yards[0]
    spread = sheet.spread
    assert spread.more == ""
    for row in spread.rows:
        passes = row.when.count(",") + row.when.count(";") + 1
        assert number(row.total) == passes * number(row.each)
    salt = [number(row.total) for row in spread.rows if row.material == "salt"]
    (told,) = [number(weight) for material, weight, _ in spread.totals if material == "salt"]
    assert told == sum(salt)
    planned_lb = yard.spread_salt_kg / units.KG_PER_LB
    assert planned_lb <= told <= planned_lb + len(salt) * 3  # each pass is weighed up to a pound
    assert number(spread.prewet) == pytest.approx(yard.prewet_l / units.L_PER_GAL, abs=0.1)


@pytest.mark.parametrize(
    ("pounds", "size", "name", "words"),
    [
        (510, 50, "bag", "10 bags + 10 lb"),
        (50, 50, "bag", "1 bag"),
        (36, 50, "bag", ""),
        (1000, 1500, "bucket", "2/3 bucket"),
        (2500, 1500, "bucket", "1 2/3 buckets"),
        (1500, 1500, "bucket", "1 bucket"),
        (1700, 1500, "bucket", "1 bucket + 200 lb"),
        (2980, 1500, "bucket", "2 buckets"),
        (178, 1500, "bucket", ""),
    ],
)
def test_salt_is_counted_as_it_is_lifted(pounds, size, name, words):
    us = units.UnitFormatter("us")
    assert count_lifts(pounds * units.KG_PER_LB, size * units.KG_PER_LB, name, us) == words


def test_walks_are_salted_from_bags_and_lots_from_the_bucket():
    salt = BASE_SECTIONS["yards"]["north"]["salt"] | {"bucket": "300 lb"}
    area = {"lot": {"class": "asphalt_lot", "area": "80000 ft2"}}
    area["walk"] = {"class": "concrete_walk", "area": "80000 ft2"}
    plan = planned({"a": site_entry(43.1, -89.4, area)}, ICE, yards=yards(salt=salt))
    lifted = {row.place.split(", ")[1]: row.lifts for row in sheets(plan)[0].spread.rows}
    assert "bucket" in lifted["asphalt lot"]
    assert "bag" in lifted["walk"]  # of 50 lb, where nobody said


def test_a_weak_tank_is_mended_before_new_brine_is_made():
    fresh = planned(yards=yards(tanks=tank(88, "0 gal"))).yards[0]
    plan = planned(yards=yards(tanks=tank(70)))
    (yard,), (sheet,) = plan.yards, sheets(plan)
    assert yard.tanks[0].status == "too weak"
    (correction,) = yard.tank_corrections
    assert correction.is_first
    # mass balance: what the tank ends with, less the heel that no pump reaches
    heel_l = units.parse("50 gal", "volume")
    assert correction.gained_l == pytest.approx(correction.final_l - heel_l)
    assert yard.brine_needed_l == pytest.approx(fresh.brine_needed_l)
    left = max(yard.brine_needed_l - correction.gained_l, 0.0)
    assert yard.brine_to_make_l == pytest.approx(left)
    assert yard.brine_to_make_l < fresh.brine_to_make_l
    assert yard.salt_kg >= correction.add_salt_kg > 0.0
    assert "salt; mix, read again" in sheet.first_corrections[0]
    assert sheet.hydrometer_targets  # to read it by
    page = mix_sheet.render_html(plan)
    assert page.index("Mend what is in the tank") < page.index("Blend and load")


def test_a_weak_tank_that_is_not_needed_waits():
    plan = planned(yards=yards(tanks=tank(70) | {"t2": tank(88, "3000 gal")["t1"]}))
    (yard,), (sheet,) = plan.yards, sheets(plan)
    assert (yard.brine_to_make_l, yard.brine_mended_l) == (0.0, 0.0)
    assert (sheet.first_corrections, len(sheet.tank_corrections)) == ((), 1)


def test_a_yard_of_another_zone_reads_its_own_hours():
    site = site_entry(44.1, -103.2) | {"timezone": "America/Denver"}
    (sheet,) = sheets(planned({"a": site}))
    assert sheet.first_load_at.endswith("MST")  # IANA: America/Denver in January
    assert NOON.strftime("%b") in sheet.first_load_at
    (usual,) = sheets(planned(weather=SNOW))
    assert usual.first_load_at.endswith("CST")
