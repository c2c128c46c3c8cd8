"""Offers: what is bought by published melting figures, and what a cheap one lacks."""

import json
import re
from datetime import UTC, datetime, timedelta
from importlib.resources import files

import pytest
from helpers import browser as chromium
from typer.testing import CliRunner

from stormplan import units
from stormplan.cli.main import app
from stormplan.company import offers
from stormplan.company.catalog import Product
from stormplan.company.offers import parse_offers
from stormplan.company.practice_rules import Evidence, Practice
from stormplan.company.validators import Record
from stormplan.errors import InputError, OffersError
from stormplan.liquids import brine, offer_value
from stormplan.liquids.blend import make_liquid, mix_liquids
from stormplan.liquids.offer_value import OfferFinding, rank_offers
from stormplan.planning import plan_io
from stormplan.planning.sprayed_events import blend_needs, sprayed_events, working_temps_c
from stormplan.store.archive import Archive
from stormplan.units import UnitFormatter
from stormplan.words import offers_text

GAL, LB, TON = units.L_PER_GAL, units.KG_PER_LB, units.KG_PER_TON
F = units.f_to_c
DEMO = (files("stormplan") / "demo" / "offers.yaml").read_text(encoding="utf-8")


def ranked(text=DEMO, temps_f=(28, 20, 15), **rules):
    found = parse_offers(text)
    return rank_offers(found, [F(temp) for temp in temps_f], Practice(("company", rules)))


def liquid_of(key, ranking):
    return next(one for one in ranking.liquids if one.key == key)


def salt_of(key, ranking):
    return next(one for one in ranking.salts if one.key == key)


def kinds(value, lacks_only=False):
    return {one.kind for one in value.findings if one.is_lack or not lacks_only}


# -- water kept liquid ----------------------------------------------------------------------------


def melts(liquid, temp_f):
    """Ice that a mass of liquid melts, per mass of it."""
    net = offer_value.water_held_kg_l(liquid, F(temp_f)) - offer_value.own_water_kg_l(liquid)
    return net / (liquid.density_kg_m3(F(60)) / 1000.0)


def test_ice_melted_by_two_strengths_of_magnesium():
    # APWA Reporter, October 2001, "Getting what you have paid for": ice melted by a pound of 26 and
    # 30 % magnesium chloride at 20 °F, 1.89 and 2.33 lb, +23 %
    weak, strong = (make_liquid({"mgcl2": share}) for share in (0.26, 0.30))
    assert melts(weak, 20) == pytest.approx(1.89, abs=0.01)
    assert melts(strong, 20) == pytest.approx(2.33, abs=0.01)
    gain = [melts(strong, temp) / melts(weak, temp) - 1.0 for temp in (20, 10, 0)]
    # the same table prints +23, +32 and +43 %
    assert gain == pytest.approx([0.23, 0.32, 0.43], abs=0.04)
    # and 0.53 against 0.67 lb at 0 °F, which is +26 %: a misprint that is not to be met
    assert gain[2] > (0.67 / 0.53 - 1.0) + 0.1


@pytest.mark.parametrize(
    # Lange's Handbook of Chemistry, 15th ed., Table 5.13, NaCl: a solution of so much begins to
    # freeze at [°C] (at 5 % 0.08 K from newer measurements); whatever brine is diluted to, its salt
    # then holds so much water
    ("strength", "freezes_c"), [(0.05, -2.97), (0.08, -5.03), (0.16, -11.90), (0.20, -16.46)],
)  # fmt: skip
def test_brine_holds_the_water_of_the_handbooks_solution(strength, freezes_c):
    liquid = make_liquid({"nacl": 0.233})
    salt_kg_l = 0.233 * 1.1782 * 0.99904  # specific gravity 60/60 °F; water of 60 °F
    water = salt_kg_l * (1.0 - strength) / strength
    assert offer_value.water_held_kg_l(liquid, freezes_c) == pytest.approx(water, rel=0.035)


def test_what_products_hold_adds_up_to_the_ice_onset_of_their_blend():
    # 90/10 of 23.3 % brine and 32 % calcium chloride: ice from -23.64 and -23.86 °C on by two
    # Pitzer models (PHREEQC with Toner & Catling 2017, and with FREZCHEM's parameters)
    blended, _ = mix_liquids([(0.9, make_liquid({"nacl": 0.233})),
                              (0.1, make_liquid({"cacl2": 0.32}))])  # fmt: skip
    sums = [
        float((blended.molality / brine.freezing_curve_molality(temp_c)).sum())
        for temp_c in (-23.3, -24.2)
    ]
    assert sums[0] > 1.0 > sums[1]
    # where each part by itself holds, the parts of a blend hold together (contraction aside)
    for temp_c in (-2.0, -8.0, -15.0):
        parts = 0.9 * offer_value.water_held_kg_l(make_liquid({"nacl": 0.233}), temp_c)
        parts += 0.1 * offer_value.water_held_kg_l(make_liquid({"cacl2": 0.32}), temp_c)
        assert offer_value.water_held_kg_l(blended, temp_c) == pytest.approx(parts, rel=1e-3)


@pytest.mark.parametrize("temp_c", [0.0, 2.0, -21.2, -40.0])
def test_no_working_temperature_where_brine_does_not_work(temp_c):
    with pytest.raises(InputError, match="no working temperature"):
        offer_value.water_held_kg_l(make_liquid({"nacl": 0.233}), temp_c)


def test_chloride_of_a_hundred_gallons():
    # atomic weights (IUPAC 2021); Lange's specific gravity of 23.3 % brine, 1.1785: 139 lb
    chloride = offer_value.chloride_kg_l(make_liquid({"nacl": 0.233})) * 100 * GAL / LB
    assert chloride == pytest.approx(139, abs=0.5)


THREE = """
making_cost: 0 /gal
salt: {s: {name: salt, supplier: s, nacl: 100 %, moisture: 0 %, insolubles: 0 %, treated: false,
           price: 148.5 /ton, freight: 0 /ton}}
liquids:
  calcium: {name: calcium, supplier: s, cacl2: 32 %, odor: false, tracks_indoors: false,
            price: 1.35 /gal, freight: 0 /gal}
  magnesium: {name: magnesium, supplier: s, mgcl2: 30 %, odor: false, tracks_indoors: false,
              price: 1.45 /gal, freight: 0 /gal}
"""


@pytest.mark.parametrize("temps", [(28,), (10,), (28, 25, 20, 15, 10, 5)])
def test_home_made_brine_is_the_cheapest_water_at_every_temperature(temps):
    # at 0.17, 1.35 and 1.45 USD/gal, in lb per 100 gal of the salt that a gallon takes (2.289 lb at
    # 23.3 %, from Lange's specific gravity), a factor of 4.6 to 6.6
    found = ranked(THREE, temps)
    assert found.liquids[0].key == "s-brine"
    assert found.liquids[0].price_per_l * GAL == pytest.approx(0.17, abs=0.001)
    for other in found.liquids[1:]:
        for cost, least in zip(other.costs_per_kg, found.liquids[0].costs_per_kg, strict=True):
            assert 4.5 < cost / least < 6.7


# -- what a cheap one lacks -----------------------------------------------------------------------


def test_a_reader_who_knows_the_trade_finds_them_named():
    found = ranked()
    assert OfferFinding.STRAIGHT_CHLORIDE in kinds(liquid_of("straight-calcium", found))
    watered = kinds(liquid_of("half-and-half", found))
    assert {OfferFinding.LARGE_SHARE, OfferFinding.WEAKER_THAN_BRINE, OfferFinding.NOT_INDOORS,
            OfferFinding.NO_ASSAY, OfferFinding.NO_FREIGHT} <= watered  # fmt: skip
    assert OfferFinding.CORROSIVE in kinds(liquid_of("strong-magnesium", found))
    assert kinds(liquid_of("walk-blend", found)) == set()
    assert kinds(salt_of("quarry-rock", found), lacks_only=True) == set()
    treated = salt_of("blue-treated", found)
    assert (treated.is_usable, treated.brine_cost_per_l) == (False, None)
    assert OfferFinding.TREATED_SALT in kinds(treated)
    assert {OfferFinding.LOW_PURITY, OfferFinding.INSOLUBLES, OfferFinding.GRADATION_UNKNOWN,
            OfferFinding.NO_ASSAY} <= kinds(salt_of("bargain-rock", found))  # fmt: skip
    assert "blue-treated-brine" not in {one.key for one in found.liquids}


def test_percent_of_solids_is_not_percent_of_a_chloride():
    # APWA Reporter 2001, "Specifying the product you want": they are different products
    value = liquid_of("thirty-solids", ranked())
    assert (value.held_kg_l, value.liquid) == ((), None)
    assert OfferFinding.TOTAL_SOLIDS in kinds(value)
    assert ranked().liquids[-1].key == "thirty-solids"


def test_what_a_sheet_does_not_say_is_not_taken_as_none():
    bare = """
salt: {s: {name: salt, supplier: s, treated: false, price: 80 /ton}}
liquids: {l: {name: l, supplier: s, mgcl2: 28 %, inhibited: true, odor: false,
              tracks_indoors: false, price: 1 /gal}}
"""
    found = ranked(bare)
    salt = salt_of("s", found)
    assert (salt.brine_cost_per_l, salt.sludge_kg_l, salt.moisture_cost_per_kg) == (None,) * 3
    assert kinds(salt, lacks_only=True) == {
        OfferFinding.PURITY_UNKNOWN, OfferFinding.MOISTURE_UNKNOWN, OfferFinding.INSOLUBLES,
        OfferFinding.GRADATION_UNKNOWN, OfferFinding.NO_ASSAY, OfferFinding.NO_FREIGHT,
    }  # fmt: skip
    assert kinds(liquid_of("l", found), lacks_only=True) == {
        OfferFinding.INHIBITOR_UNTESTED, OfferFinding.NO_ASSAY, OfferFinding.NO_FREIGHT,
    }  # fmt: skip
    # nor is a tank's crystal point judged where nobody said how cold the tank gets
    unsaid = ranked(DEMO.replace("coldest_tank: 15 F", ""))
    assert OfferFinding.COLD_BLEND in kinds(liquid_of("straight-calcium", ranked()))
    assert OfferFinding.COLD_BLEND not in kinds(liquid_of("straight-calcium", unsaid))


def test_neat_magnesium_drops_crystals_before_brine_freezes():
    # Lange's Table 5.13: 30 % magnesium chloride from -16.7 °C (+2 °F) on; plain brine at -6 °F.
    # PHREEQC: 80/20 with it from -4.7 to -6.0 °C on (21 to 24 °F)
    found = ranked(DEMO.replace("coldest_tank: 15 F", "coldest_tank: 0 F"))
    value = liquid_of("strong-magnesium", found)
    assert {OfferFinding.COLD_TANK, OfferFinding.COLD_BLEND} <= kinds(value)
    assert value.neat.crystal_onset_c == pytest.approx(-16.7, abs=0.5)
    assert -6.3 < value.blended.crystal_onset_c < -4.4
    warm = liquid_of("strong-magnesium", ranked(DEMO.replace("coldest_tank: 15 F",
                                                             "coldest_tank: 40 F")))  # fmt: skip
    assert not {OfferFinding.COLD_TANK, OfferFinding.COLD_BLEND} & kinds(warm)


def test_a_finished_gallon_its_sludge_and_its_water():
    # 100 gal of 23.3 % brine take 228.9 lb of NaCl (Lange's specific gravity): 254.3 lb of 90 %
    text = """
brine_strength: 23.3 %
salt:
  a: {name: a, supplier: s, nacl: 90 %, moisture: 2 %, insolubles: 1 %, treated: false,
      price: 90 /ton, freight: 10 /ton}
  b: {name: b, supplier: s, nacl: 95 %, moisture: 0 %, insolubles: 1 %, treated: false,
      price: 90 /ton, freight: 10 /ton}
"""
    found = ranked(text)
    a, b = salt_of("a", found), salt_of("b", found)
    assert 100 * a.salt_kg_l * GAL / LB == pytest.approx(254.3, abs=0.8)
    assert 100 * a.brine_cost_per_l * GAL == pytest.approx(254.3 / 2000 * 100, rel=0.004)
    assert a.moisture_cost_per_kg * TON == pytest.approx(2.0)  # 2 % of 100 a ton
    # a Missouri contract asks for 99.0 % soluble: 1,000 gal of 95 % salt settle at most 24 lb
    assert 1000 * b.sludge_kg_l * GAL / LB == pytest.approx(24.1, abs=0.2)
    assert [one.key for one in found.salts] == ["b", "a"]


def test_wet_salt_is_judged_dry():
    # ASTM D632 asks for 95 % NaCl of dry salt: 93.5 % with 2 % of water is 95.4 %
    salt = ("salt: {a: {name: a, supplier: s, nacl: 93.5 %, moisture: %s, insolubles: 1 %%,"
            " treated: false, price: 90 /ton}}")  # fmt: skip
    wet, dry = (salt_of("a", ranked(salt.replace("%s", m).replace("%%", "%")))
                for m in ("2 %", "0 %"))  # fmt: skip
    assert OfferFinding.LOW_PURITY not in kinds(wet)
    assert OfferFinding.LOW_PURITY in kinds(dry)


@pytest.mark.parametrize(
    ("rule", "value", "offer", "kind"),
    [
        ("salt_nacl_min", 0.90, "bargain-rock", OfferFinding.LOW_PURITY),
        ("salt_insolubles_max", 0.035, "bargain-rock", OfferFinding.INSOLUBLES),
        ("inhibited_corrosion_max", 0.60, "strong-magnesium", OfferFinding.CORROSIVE),
        ("poor_concrete_magnesium", "allow", "beet-magnesium", OfferFinding.MAGNESIUM),
        ("additive_max", 0.10, "walk-blend", OfferFinding.LARGE_SHARE),
    ],
)
def test_each_rule_decides_what_is_said(rule, value, offer, kind):
    def said(**rules):
        found = ranked(**rules)
        return kinds(next(o for o in (*found.liquids, *found.salts) if o.key == offer))

    assert (kind in said()) is not (kind in said(**{rule: value}))


def test_every_finding_has_words_and_its_evidence():
    found = ranked(DEMO.replace("coldest_tank: 15 F", "coldest_tank: -10 F"))
    fmt = offers_text.OfferFormat(UnitFormatter("us"), "USD")
    seen = set()
    for values, text_of in ((found.liquids, offers_text.liquid_finding_text),
                            (found.salts, offers_text.salt_finding_text)):  # fmt: skip
        for value in values:
            if getattr(value, "offer", None) is None:
                continue
            for one in value.findings:
                assert len(text_of(one, value, fmt)) > 20
                assert isinstance(one.evidence, Evidence)
                seen.add(one.kind)
    others = ranked("salt: {s: {name: s, supplier: s, treated: false, price: 8 /ton}}")
    for one in others.salts[0].findings:
        assert len(offers_text.salt_finding_text(one, others.salts[0], fmt)) > 20
        seen.add(one.kind)
    assert set(OfferFinding) == seen


# -- the file -------------------------------------------------------------------------------------


def problems(text):
    with pytest.raises(OffersError) as error:
        parse_offers(text)
    return [str(one) for one in error.value.problems]


def test_every_problem_of_a_file_comes_at_once_with_its_line():
    text = """\
salt:
  a:
    name: rock
    suplier: s
    treated: false
    price: 80
liquids:
  b: {name: b, supplier: s, odor: false, tracks_indoors: false, price: 1 /gal}
"""
    found = problems(text)
    assert found[0] == "offers.yaml:2: salt.a: 'supplier' is missing"
    assert found[1].startswith("offers.yaml:4: salt.a: unknown key 'suplier'; did you mean 'supp")
    assert found[2].startswith("offers.yaml:6: salt.a.price: '80' has no unit; write it as")
    assert found[3].startswith("offers.yaml:8: liquids.b: no chloride is given; write nacl")
    assert problems("a: 1\na: 2\n") == ['offers.yaml:2: key "a" is given twice; keep one']
    assert problems("currency: USD\n") == [
        "offers.yaml:1: top: nothing is offered; write salt or liquids"
    ]
    salt = "salt: {a: {name: a, supplier: s, %s treated: false, price: 1 /ton}}\n"
    (too_much,) = problems(salt % "nacl: 99 %, moisture: 2 %,")
    assert "add up to 101" in too_much
    liquid = "liquids:\n  a: {name: a, supplier: s, nacl: 20 %, odor: false,\n"
    liquid += "      tracks_indoors: false, price: 1 /gal}\n"
    assert problems(salt % "" + liquid) == [
        "offers.yaml:3: liquids.a: 'a' is a salt too; give one of them another key"
    ]


def test_the_example_explains_every_key():
    models = [
        one for one in vars(offers).values()
        if isinstance(one, type) and issubclass(one, Record) and one.__module__ == offers.__name__
    ]  # fmt: skip
    keys = {field.alias or name for one in models for name, field in one.model_fields.items()}
    assert len(keys) > 30
    assert {key for key in keys if not re.search(rf"\b{key}\b", DEMO)} == set()


# -- one's own winter ------------------------------------------------------------------------------

NOON = datetime(2026, 1, 12, 12, tzinfo=UTC)


def plan_of(made_at, *events, surface_class="asphalt_lot", blend=(None, 0.0)):
    """A plan's JSON with events of one surface: hours from noon, coldest pavement, liters."""
    additive, share = blend
    treatments = [
        {
            "event": {
                "start": (NOON + timedelta(hours=start)).isoformat(),
                "end": (NOON + timedelta(hours=start + 6)).isoformat(),
                "min_pavement_temp_c": temp_c,
            },
            "visits": [
                {"action": "pre-treat", "volume_l": volume_l, "additive": additive,
                 "additive_frac": share},
                {"action": "plow", "volume_l": 0.0, "additive": None, "additive_frac": 0.0},
            ],
        }
        for start, temp_c, volume_l in events
    ]  # fmt: skip
    surface = {"key": "lot", "surface_class": surface_class, "area_m2": 1000.0}
    return {
        "made_at": (NOON + timedelta(hours=made_at)).isoformat(),
        "sites": [{"key": "a", "timezone": "America/Chicago",
                   "surfaces": [surface | {"treatments": treatments}]}],
    }  # fmt: skip


def test_an_event_counts_once_as_it_was_last_planned_before_it_began():
    plans = [
        plan_of(0, (8, -3.0, 100.0), (30, -9.0, 100.0)),
        plan_of(4, (8, -4.0, 100.0), (30, -7.0, 100.0)),
        plan_of(10, (10, -2.0, 50.0), (30, -8.0, 0.0)),  # has begun; and is not sprayed for now
    ]
    assert [one.temp_c for one in sprayed_events(plans)] == [-4.0]
    assert working_temps_c(sprayed_events(plans)) is None
    assert sprayed_events([plan_of(0, (2, 1.0, 9.0), (12, -30.0, 9.0))]) == []


def test_mild_usual_and_cold_are_told_from_a_winter():
    # linear quantiles of 0, -1 ... -10 (Hyndman & Fan 1996, type 7): -1, -5 and -9
    plans = [plan_of(30 * n, (30 * n + 2, -float(n) - 1e-9, 10.0)) for n in range(11)]
    assert working_temps_c(sprayed_events(plans)) == (-1.0, -5.0, -9.0)


BRINE = Product("brine", "salt brine", {"nacl": 0.233})
CALCIUM = Product("calcium", "calcium", {"cacl2": 0.32})


def test_what_a_winters_pretreats_were_to_hold():
    # 10.49 % NaCl begins to freeze at -7 °C (Bodnar 1993: 1.78 th - 0.0442 th² + 0.000557 th³): so
    # much water 100 L of 23.3 % brine on 1,000 m² hold there, their own off
    salt_kg = 100 * 1.1785 * 0.99904 * 0.233
    own_kg = salt_kg * 0.767 / 0.233
    (need,) = blend_needs(sprayed_events([plan_of(0, (8, -6.61, 100.0))]), "vehicle", {}, BRINE)
    assert (need.month, need.temp_c, need.treated_m2) == ("January", -7.0, 1000.0)
    water_kg = salt_kg * (1.0 - 0.1049) / 0.1049 - own_kg
    assert 1000.0 * need.water_m * 1000.0 == pytest.approx(water_kg, rel=0.02)
    # two evenings of one temperature are one case; walks are another matter
    twice = [plan_of(30 * n, (30 * n + 2, -7.0 - 0.4 * n, 100.0)) for n in range(2)]
    (both,) = blend_needs(sprayed_events(twice), "vehicle", {}, BRINE)
    assert both.treated_m2 == 2000.0
    assert both.water_m == pytest.approx(need.water_m)
    assert blend_needs(sprayed_events(twice), "pedestrian", {}, BRINE) == ()
    # midnight of New Year's Eve UTC is still December in Chicago
    eve = -(NOON - datetime(2026, 1, 1, 2, tzinfo=UTC)) / timedelta(hours=1)
    (december,) = blend_needs(sprayed_events([plan_of(eve - 3, (eve, -7.0, 9.0))]), "vehicle", {},
                              BRINE)  # fmt: skip
    assert december.month == "December"
    # calcium holds more than brine by the gallon; a product that is gone is asked about
    with_calcium = sprayed_events([plan_of(0, (8, -7.0, 100.0), blend=("calcium", 0.2))])
    (stronger,) = blend_needs(with_calcium, "vehicle", {"calcium": CALCIUM}, BRINE)
    assert stronger.water_m > need.water_m
    with pytest.raises(InputError, match="'calcium', which is no product of the sites file"):
        blend_needs(with_calcium, "vehicle", {}, BRINE)


def test_the_archive_says_at_what_temperatures_to_compare(tmp_path, demo_plan):
    text = "\n".join(line for line in DEMO.splitlines() if "working_temp" not in line)
    (tmp_path / "offers.yaml").write_text(text, encoding="utf-8")
    command = ["offers", str(tmp_path / "offers.yaml"), "--archive", str(tmp_path / "a.sqlite")]
    refused = CliRunner().invoke(app, command)
    assert isinstance(refused.exception, InputError)
    assert "--at 28F,20F" in str(refused.exception)
    made_at = datetime.now(UTC) - timedelta(days=3)
    with Archive(tmp_path / "a.sqlite") as archive:
        archive.add_plan(made_at, plan_io.plan_json(demo_plan))
    told = CliRunner().invoke(app, [*command, "--json"])
    found = json.loads(told.stdout)["working_temps_c"]
    coldest = [
        t.event.min_pavement_temp_c
        for site in demo_plan.sites for _, t in site.treatments
        if t.event is not None and any(visit.volume_l > 0.0 for visit in t.visits)
    ]  # fmt: skip
    assert min(coldest) - 0.25 <= min(found) <= max(found) <= max(coldest) + 0.25


@pytest.mark.parametrize("typed", ["40F", "28F,-30F", "28", "cold"])
def test_a_temperature_that_is_none_to_compare_at_is_refused(typed):
    refused = CliRunner().invoke(app, ["offers", "--demo", "--at", typed])
    assert isinstance(refused.exception, InputError)
    assert str(refused.exception).startswith("--at: ")


# -- as read --------------------------------------------------------------------------------------


def test_terminal_page_and_values_say_the_same(tmp_path):
    page = tmp_path / "offers.html"
    told = CliRunner().invoke(app, ["offers", "--demo", "--page", str(page)])
    assert told.exit_code == 0, told.output
    values = json.loads(CliRunner().invoke(app, ["offers", "--demo", "--json"]).stdout)
    html = page.read_text(encoding="utf-8")
    said, html_said = " ".join(told.stdout.split()), " ".join(html.split())
    for phrase in ("straight calcium chloride, no inhibitor", "mostly water",
                   "treated: refused for brine", "Invented suppliers",
                   "common practice, no source"):  # fmt: skip
        assert phrase in said
        assert phrase in html_said
    assert max(len(line) for line in told.stdout.splitlines()) <= offers_text.WIDTH
    for one in values["liquids"]:
        for cost in one["cost_per_kg_water"]:
            assert f"{100 * cost:.2f}" in said
            assert f"{100 * cost:.2f}" in html
    assert "<script" not in html
    metric = CliRunner().invoke(app, ["offers", "--demo", "--metric"]).stdout
    assert "USD/L" in metric
    assert "°F" not in metric


def test_what_a_seller_writes_is_shown_and_not_obeyed(tmp_path):
    text = DEMO.replace("inhibited walk blend", "<img src=x onerror=alert(1)>")
    (tmp_path / "o.yaml").write_text(text, encoding="utf-8")
    page = tmp_path / "o.html"
    CliRunner().invoke(app, ["offers", str(tmp_path / "o.yaml"), "--page", str(page)])
    assert "<img" not in page.read_text(encoding="utf-8")
    assert "&lt;img" in page.read_text(encoding="utf-8")


@pytest.mark.slow
@pytest.mark.skipif(chromium.CHROMIUM is None, reason="no chromium here")
def test_the_page_stays_on_the_narrowest_phone(tmp_path):
    page = tmp_path / "offers.html"
    text = DEMO.replace("inhibited walk blend", "W" * 118)
    (tmp_path / "o.yaml").write_text(text, encoding="utf-8")
    CliRunner().invoke(app, ["offers", str(tmp_path / "o.yaml"), "--page", str(page)])
    with chromium.open_browser() as tab:
        tab.open(page, width=320, height=640)
        assert tab.evaluate("document.documentElement.scrollWidth") <= 320
        assert tab.console_errors == []
        assert tab.requests == [page.as_uri()]
