"""A yard that buys its brine: what to order, by when, and into which tank.

No handbook plans a purchase; the sums are done here. The strength at two temperatures is from the
handbook cited beside it.
"""

import copy
from datetime import timedelta

import pytest
from helpers.published_tables import NOON
from helpers.sites import BASE_SECTIONS, parse_sites, site_entry, sites_text
from test_new_sites import ANSWERS, run
from test_plan import planned

from stormplan import units
from stormplan.company import sites_file
from stormplan.errors import SitesError
from stormplan.liquids.hydrometer import StrengthBands
from stormplan.operations import brine_guidance
from stormplan.words import mix_sheet


def yards(**changes):
    """The usual yard without its mixer."""
    yard = copy.deepcopy(BASE_SECTIONS["yards"]["north"])
    del yard["mixer"]
    return {"north": yard | changes}


def test_nothing_is_made_and_as_much_is_bought():
    makes, buys = planned().yards[0], planned(yards=yards()).yards[0]
    assert (buys.batches, buys.brine_to_make_l, buys.salt_kg, buys.production_h) == ((), 0, 0, 0)
    assert buys.hydrometer_corrections == ()
    bought = buys.brine_purchase
    assert bought.volume_l == pytest.approx(makes.brine_to_make_l)
    assert sum(one.volume_l for one in bought.deliveries) == pytest.approx(bought.volume_l)
    # the hour of the last batch of a yard that makes it: policy brine_ready_before
    last = makes.batches[-1]
    hours = last.volume_l / units.parse("2000 gal/h", "pumping rate")
    assert abs(bought.due_at - (last.start + timedelta(hours=hours))) <= timedelta(minutes=5)
    assert makes.brine_purchase is None


def test_the_emptiest_tank_is_filled_first_and_what_has_no_room_is_named():
    tanks = {
        "small": {"product": "brine", "capacity": "30 gal", "on_hand": "25 gal"},
        "large": {"product": "brine", "capacity": "20 gal", "on_hand": "0 gal"},
    }
    yard = planned(yards=yards(tanks=tanks)).yards[0]
    gallons = {one.tank: one.volume_l / units.L_PER_GAL for one in yard.brine_purchase.deliveries}
    assert gallons["large"] == pytest.approx(20.0)
    assert gallons["small"] == pytest.approx(5.0)
    needed = yard.brine_needed_l / units.L_PER_GAL  # nobody read the tanks: nothing in them counts
    assert gallons[None] == pytest.approx(needed - 25.0)
    assert "room in the brine tanks" in yard.shortages


@pytest.mark.parametrize(("ahead", "is_late"), [("2 h", False), ("48 h", True)])
def test_an_order_too_late_to_arrive_is_a_shortage_with_its_gallons(ahead, is_late):
    plan = planned(yards=yards(brine_supply={"order_ahead": ahead}))
    (yard,) = plan.yards
    bought = yard.brine_purchase
    assert bought.due_at - bought.order_by == timedelta(hours=units.parse(ahead, "duration"))
    assert bought.is_late is is_late is (bought.order_by < NOON)
    (sheet,) = mix_sheet.mix_sheet_views(plan)
    (short,) = [line for line in sheet.shortages if "in time" in line] or [""]
    assert short.endswith("gal of brine in time for the first load") is is_late
    assert ("at once" in sheet.purchase[0]) is is_late
    assert "23.3 % salt by weight" in sheet.purchase[0]
    assert "to make" not in " ".join(label for _, label, _, _ in sheet.ledger)


def test_delivered_brine_is_read_cold():
    cold, mild, reference = brine_guidance.delivery_targets(StrengthBands())
    # Lange's Handbook of Chemistry, 15th ed., Table 5.13, 59 °F, 23.3 % interpolated
    assert reference.reading_sg == pytest.approx(1.178, abs=0.002)
    assert (units.c_to_f(cold.temp_c), units.c_to_f(mild.temp_c)) == pytest.approx(
        (20.0, 40.0), abs=0.1
    )
    assert cold.reading_sg > mild.reading_sg > reference.reading_sg  # it shrinks as it cools


@pytest.mark.parametrize(
    ("salometer", "says", "mends"),
    [(70.0, "too weak: do not spray; ask the supplier", 0), (98.0, "too strong: correct it", 1)],
)
def test_a_tank_is_mended_with_water_only_where_no_salt_can_be_dissolved(salometer, says, mends):
    tank = {
        "product": "brine",
        "capacity": "600 gal",
        "on_hand": "300 gal",
        "reading": {"salometer": salometer, "temperature": "60 F", "taken_at": "2026-01-11"},
    }
    plan = planned(yards=yards(tanks={"t1": tank}))
    (sheet,) = mix_sheet.mix_sheet_views(plan)
    assert says in sheet.tanks[0][-1]
    assert len(sheet.first_corrections) == mends


def cost(**more):
    return planned(**more).yards[0].cost


def test_bought_brine_costs_what_it_costs():
    salt = BASE_SECTIONS["yards"]["north"]["salt"] | {"price": "90 /ton"}
    priced = yards(brine_supply={"price": "0.60 /gal"}, salt=salt)
    dearer = yards(brine_supply={"price": "1.60 /gal"}, salt=salt)
    done = [item for site in planned(yards=priced).sites for _, item in site.treatments]
    brine_l = sum(item.brine_l + sum(each.brine_l for each in item.follow_up) for item in done)
    sprayed = brine_l / units.L_PER_GAL
    assert cost(yards=dearer) - cost(yards=priced) == pytest.approx(sprayed)  # a dollar a gallon
    assert cost(yards=yards(salt=salt)) is None  # unknown is not nothing


def test_a_yard_makes_its_brine_or_buys_it():
    both = BASE_SECTIONS["yards"]["north"] | {"brine_supply": {"order_ahead": "24 h"}}
    with pytest.raises(SitesError, match="give mixer where the yard makes its brine"):
        parse_sites({"a": site_entry(43.1, -89.4)}, yards={"north": both})
    without = sites_text({"a": site_entry(43.1, -89.4)}, yards=yards())
    assert sites_file.parse_sites(without).yards["north"].mixer is None


def test_init_asks_a_company_that_buys_its_brine_for_no_mixer(tmp_path):
    place = ANSWERS.index("geo:43.12,-89.41")
    lines = [*ANSWERS[: place + 3], "none", "36 h", *ANSWERS[place + 5 :]]
    done = run("init", folder=tmp_path, lines=lines)
    assert done.returncode == 0, done.stderr
    assert "Largest batch" not in done.stdout
    (yard,) = sites_file.load_sites(tmp_path / "sites.yaml").yards.values()
    assert (yard.mixer, yard.brine_supply.order_ahead_h) == (None, 36.0)
