"""What to buy for a winter: blends of an offers file, their checks, the ladder beside them."""

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from importlib.resources import files

import pytest
from helpers import browser as chromium
from typer.testing import CliRunner

from stormplan import units
from stormplan.cli.main import app
from stormplan.company.catalog import SURFACE_CLASSES
from stormplan.company.offers import parse_offers
from stormplan.company.practice_rules import Practice
from stormplan.errors import InputError, OffersError
from stormplan.operations import least_cost_blend
from stormplan.operations.blend_purchase import BlendCheck, plan_purchase
from stormplan.planning import plan_io
from stormplan.store.archive import Archive
from stormplan.units import UnitFormatter
from stormplan.words import purchase_text

GAL, KFT2 = units.L_PER_GAL, units.L_M2_PER_GAL_KFT2
DEMO = (files("stormplan") / "demo" / "offers.yaml").read_text(encoding="utf-8")

OFFERS = """
making_cost: 0 /gal
%s
salt: {own: {name: salt, supplier: s, nacl: 100 %%, moisture: 0 %%, insolubles: 0 %%,
             treated: false, price: 148.53 /ton, freight: 0 /ton, assay: 2026-09-01,
             passing: {"No. 8": 30 %%}}}
liquids:
  calcium: {name: calcium, supplier: s, cacl2: 32 %%, odor: false, tracks_indoors: false,
            price: 1.35 /gal, freight: 0 /gal %s}
  magnesium: {name: magnesium, supplier: s, mgcl2: 30 %%, inhibited: true, odor: true,
              tracks_indoors: false, price: 1.45 /gal, freight: 0 /gal}
needs:
  surface: %s
  min_rate: 0.3 gal/1000 ft2
  max_rate: 0.8 gal/1000 ft2
  %s
  cases: [%s]
"""
CASE = "{{month: January, temperature: {} F, water: {} mm, area: 100000 ft2, passes: {}}}"


def bought(*cases, surface="vehicle", more="", calcium="", top="", left_out=(), **rules):
    text = OFFERS % (top, calcium, surface, more, ", ".join(CASE.format(*one) for one in cases))
    return plan_purchase(parse_offers(text), Practice(("company", rules)), left_out)


def checks(purchase, case=0):
    return {(one.check, one.product) for one in purchase.cases[case].findings}


def test_the_case_that_takes_all_three_and_each_pass_costs_as_much():
    # worked beforehand with another solver: 0.04 mm at 15 °F, 44.68 USD: 55 gal of brine at 0.17, 9
    # of calcium at 1.35 and 16 of magnesium at 1.45 USD
    once = bought((15, 0.04, 1))
    assert once.cost == pytest.approx(44.68, abs=0.02)
    gallons = {key: volume / GAL for key, volume in once.cases[0].volumes_l.items()}
    assert gallons == pytest.approx(
        {"own-brine": 55.0, "calcium": 9.0, "magnesium": 16.0}, abs=0.06
    )
    assert once.cases[0].rate_l_m2 == pytest.approx(0.8 * KFT2)
    seven = bought((15, 0.04, 7))
    assert seven.cost == pytest.approx(7 * once.cost)
    assert seven.cases[0].ceiling_value_per_l == pytest.approx(once.cases[0].ceiling_value_per_l)


def test_what_the_program_does_not_know_is_checked():
    # policy: liquid stops at 20 °F, at most 20 % additive in any blend (each alone is within it)
    found = bought((15, 0.04, 1), surface="pedestrian", more="poor_concrete: true",
                   top="coldest_tank: 15 F")  # fmt: skip
    assert checks(found) == {
        (BlendCheck.CRYSTALS, None), (BlendCheck.TOO_COLD, None),
        (BlendCheck.TOO_MUCH_ADDITIVE, None), (BlendCheck.STRAIGHT_CHLORIDE, "calcium"),
        (BlendCheck.INDOORS, "magnesium"),
    }  # fmt: skip
    lot = bought((15, 0.04, 1), more="poor_concrete: true", liquid_stop_below=units.f_to_c(10))
    assert checks(lot) == {
        (BlendCheck.TOO_MUCH_ADDITIVE, None), (BlendCheck.STRAIGHT_CHLORIDE, "calcium"),
        (BlendCheck.MAGNESIUM, "magnesium"),
    }  # fmt: skip
    allowed = bought((15, 0.04, 1), more="poor_concrete: true", poor_concrete_magnesium="allow")
    assert (BlendCheck.MAGNESIUM, "magnesium") not in checks(allowed)
    assert checks(bought((28, 0.12, 1), top="coldest_tank: 15 F")) == set()


def test_the_ladder_stands_beside_it_and_is_not_mixed_into_it():
    # contractors' ladder, common practice: 95/5, 90/10 below 15 °F, 80/20 on walks. Water held at
    # 25 °F by molality on the ice line of two Pitzer models, worked beforehand: 15.58 kg/gal of
    # brine, 22.19 of magnesium; their own water off
    usual, cold, walk = (bought((25, 0.105, 1)), bought((14, 0.03, 1)),
                         bought((25, 0.05, 1), surface="pedestrian"))  # fmt: skip
    ladders = [one.cases[0].ladder for one in (usual, cold, walk)]
    assert [one.additive_frac for one in ladders] == [0.05, 0.10, 0.20]
    # magnesium is inhibited, calcium straight; on walks magnesium smells
    assert [one.additive for one in ladders] == ["magnesium", "magnesium", "calcium"]
    own_kg_gal = 0.95 * 0.767 * 1.1785 * 3.7818 + 0.05 * 0.70 * 1.279 * 3.7818  # Lange's SG
    net = 0.95 * 15.58 + 0.05 * 22.19 - own_kg_gal
    gallons = 0.105 * 100_000 * 0.09290304 / net
    assert ladders[0].volume_l / GAL == pytest.approx(gallons, rel=0.005)
    assert ladders[0].cost == pytest.approx(gallons * (0.95 * 0.17 + 0.05 * 1.45), rel=0.005)
    assert ladders[0].is_over_ceiling is bool(gallons > 80.0)
    assert bought((25, 0.12, 1)).cases[0].ladder.is_over_ceiling
    assert usual.cost < ladders[0].cost


def test_stock_budget_and_what_is_left_out():
    # of the 9 gal of calcium that 0.04 mm at 15 °F takes (worked above) only 2 are to be had
    short = bought((15, 0.04, 1), calcium=", most_to_be_had: 2 gal")
    assert {str(one.kind) for one in short.clash.limits} == {
        "water to hold", "highest rate", "most in a blend", "most to be had",
    }  # fmt: skip
    fmt = UnitFormatter("us")
    offers = parse_offers(
        OFFERS % ("", ", most_to_be_had: 2 gal", "vehicle", "", CASE.format(15, 0.04, 1))
    )
    said = [purchase_text.limit_text(one, short, offers, fmt) for one in short.clash.limits]
    assert "at most 2 gal calcium to be had" in said
    assert any(text.startswith("at most 0.80 gal/1000 ft²: January, 15 °F") for text in said)
    none = bought((25, 0.105, 1), left_out=["calcium", "magnesium"])
    assert none.clash is not None
    with pytest.raises(InputError, match="--without: no product 'sand'; accepted: own-brine"):
        bought((25, 0.105, 1), left_out=["sand"])
    with pytest.raises(InputError, match="no brine among the offers"):
        bought((25, 0.105, 1), left_out=["own-brine"])
    # 30 gal at the lowest rate carry 42 lb of chloride (atomic weights, Lange's specific gravity)
    poor = bought((28, 0.01, 1), more="chloride_budget: 20 lb")
    assert {str(one.kind) for one in poor.clash.limits} == {"lowest rate", "chloride budget"}


def test_own_brine_is_made_of_the_cheapest_salt_that_lacks_nothing():
    offers = parse_offers(DEMO)
    keys = [one.key for one in plan_purchase(offers, Practice()).products]
    assert "quarry-rock-brine" in keys  # bargain-rock is cheaper, and impure
    assert "bargain-rock-brine" not in keys
    assert "thirty-solids" not in keys  # nobody knows what it holds
    told = parse_offers(DEMO.replace("# brine_of: quarry-rock", "brine_of: bargain-rock"))
    assert "bargain-rock-brine" in [one.key for one in plan_purchase(told, Practice()).products]
    refused = DEMO.replace("# brine_of: quarry-rock", "brine_of: blue-treated")
    with pytest.raises(InputError, match="no brine is made of 'blue-treated'"):
        plan_purchase(parse_offers(refused), Practice())
    with pytest.raises(
        OffersError,
        match=r"offers.yaml:\d+: needs.brine_of: no salt 'quarry'; did you mean 'quarry-rock",
    ):
        parse_offers(DEMO.replace("# brine_of: quarry-rock", "brine_of: quarry"))


def test_whole_totes_and_the_sums_of_months():
    text = DEMO.replace("price: 1.22 /gal\n    freight: 0.09 /gal",
                        "price: 1.22 /gal\n    freight: 0.09 /gal\n    lot: 275 gal")  # fmt: skip
    found = plan_purchase(parse_offers(text), Practice(), ["straight-calcium"])
    sprayed = {}
    for case in found.cases:
        for key, volume in case.volumes_l.items():
            sprayed[key] = sprayed.get(key, 0.0) + volume
    assert found.bought_l["strong-magnesium"] / GAL == pytest.approx(275.0)
    assert sprayed["strong-magnesium"] / GAL < 275.0
    assert found.bought_l["quarry-rock-brine"] == pytest.approx(sprayed["quarry-rock-brine"])
    prices = {one.key: one.price_per_l for one in found.products}
    assert found.cost == pytest.approx(
        sum(volume * prices[key] for key, volume in found.bought_l.items())
    )
    # by the gallon the tote's rest is not paid for
    assert plan_purchase(parse_offers(DEMO), Practice()).cost < found.cost


def test_rates_are_those_of_the_policy_where_the_file_has_none():
    text = "\n".join(line for line in DEMO.splitlines()
                     if "min_rate" not in line and "max_rate" not in line)  # fmt: skip
    lower = Practice(
        ("company", {"pretreat_rate_max": 0.7 * KFT2, "pretreat_rate_min": 0.5 * KFT2})
    )
    found = plan_purchase(parse_offers(text), lower)
    assert (found.min_rate_l_m2 / KFT2, found.max_rate_l_m2 / KFT2) == pytest.approx((0.5, 0.7))
    assert min(one.rate_l_m2 for one in found.cases) / KFT2 == pytest.approx(0.5)
    wrong = DEMO.replace("min_rate: 0.3", "min_rate: 0.9")
    with pytest.raises(InputError, match="min_rate is above max_rate"):
        plan_purchase(parse_offers(wrong), Practice())


# -- as read --------------------------------------------------------------------------------------


def test_terminal_page_and_values_say_the_same(tmp_path):
    page = tmp_path / "buy.html"
    told = CliRunner().invoke(app, ["least-cost", "--demo", "--page", str(page)])
    assert told.exit_code == 0, told.output
    values = json.loads(CliRunner().invoke(app, ["least-cost", "--demo", "--json"]).stdout)
    said, html = " ".join(told.stdout.split()), " ".join(page.read_text(encoding="utf-8").split())
    cost, ceiling = f"USD {values['cost']:,.2f}", f"USD {values['ceiling_cost']:,.2f}"
    for phrase in (cost, ceiling, "practice ladder", "the highest rate binds", "Invented supp"):
        assert phrase in said
        assert phrase in html
    assert max(len(line) for line in told.stdout.splitlines()) <= 88
    assert "<script" not in html


def test_a_clash_is_told_and_ends_with_its_exit_code(tmp_path):
    text = DEMO.replace("water: 0.05 mm", "water: 0.5 mm")
    (tmp_path / "o.yaml").write_text(text, encoding="utf-8")
    page = tmp_path / "buy.html"
    command = ["least-cost", str(tmp_path / "o.yaml"), "--page", str(page)]
    told = CliRunner().invoke(app, command)
    assert told.exit_code == 3
    said = " ".join(told.stdout.split())
    assert "No blend does it" in said
    assert "at most 0.80 gal/1000 ft²: February, 21 °F, 0.5 mm of water" in said
    assert "cannot be met together" in page.read_text(encoding="utf-8")
    values = json.loads(CliRunner().invoke(app, [*command, "--json"]).stdout)
    assert {"limit": "water to hold", "case": 3, "product": None} in values["clash"]


def test_needs_without_cases_are_what_ones_own_plans_were_to_hold(tmp_path, demo_plan):
    text = DEMO[: DEMO.index("  cases:")]
    (tmp_path / "o.yaml").write_text(text, encoding="utf-8")
    (tmp_path / "sites.yaml").write_text(
        (files("stormplan") / "demo" / "sites.yaml").read_text(encoding="utf-8"), encoding="utf-8"
    )
    with Archive(tmp_path / "a.sqlite") as archive:
        archive.add_plan(datetime.now(UTC) - timedelta(days=3), plan_io.plan_json(demo_plan))
    command = ["least-cost", str(tmp_path / "o.yaml"), "--archive", str(tmp_path / "a.sqlite")]
    refused = CliRunner().invoke(app, command)
    assert "needs the sites file" in str(refused.exception)
    command += ["--sites", str(tmp_path / "sites.yaml"), "--json"]
    found = json.loads(CliRunner().invoke(app, command).stdout)
    planned_l = sum(
        visit.volume_l
        for site in demo_plan.sites for surface, t in site.treatments
        if SURFACE_CLASSES[surface.surface_class].use == "vehicle"
        for visit in t.visits if visit.action == "pre-treat"
    )  # fmt: skip
    asked_l = sum(sum(case["volumes_l"].values()) for case in found["cases"])
    # mass balance: the plans' blends have additive, which holds more a gallon, so that as much
    # water takes more gallons of brine
    assert planned_l <= asked_l < 1.3 * planned_l
    assert {case["month"] for case in found["cases"]} == {"January"}


def test_every_check_and_limit_has_words():
    found = bought((15, 0.04, 1), surface="pedestrian", more="poor_concrete: true",
                   top="coldest_tank: 15 F")  # fmt: skip
    names = {one.key: one.name for one in found.products}
    for one in found.cases[0].findings:
        for check in BlendCheck:
            text = purchase_text.finding_text(replace(one, check=check), names, UnitFormatter("us"))
            assert len(text) > 30


def test_without_the_solver_the_extra_is_named(monkeypatch):
    monkeypatch.setattr(least_cost_blend, "is_available", lambda: False)
    with pytest.raises(InputError, match=r"pip install 'stormplan\[buying\]'"):
        bought((25, 0.1, 1))


@pytest.mark.slow
@pytest.mark.skipif(chromium.CHROMIUM is None, reason="no chromium here")
def test_the_page_stays_on_the_narrowest_phone(tmp_path):
    text = DEMO.replace("washed rock salt", "W" * 118)
    (tmp_path / "o.yaml").write_text(text, encoding="utf-8")
    page = tmp_path / "buy.html"
    CliRunner().invoke(app, ["least-cost", str(tmp_path / "o.yaml"), "--page", str(page)])
    with chromium.open_browser() as tab:
        tab.open(page, width=320, height=640)
        assert tab.evaluate("document.documentElement.scrollWidth") <= 320
        assert tab.console_errors == []
