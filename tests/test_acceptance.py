"""Acceptance of loads: state contracts, handbook densities, and the traps of each."""

import copy
import math
from dataclasses import replace
from pathlib import Path

import pytest
from helpers.sites import BASE_SECTIONS, site_entry, sites_text
from typer.testing import CliRunner

from stormplan import units
from stormplan.cli.main import app
from stormplan.company.material_specs import MOISTURE_SCHEDULES
from stormplan.company.practice_rules import Practice
from stormplan.errors import InputError
from stormplan.liquids import assay
from stormplan.liquids.acceptance import (
    Check,
    Inspected,
    LiquidLoad,
    Outcome,
    SaltLoad,
    judge_liquid,
    judge_salt,
)
from stormplan.liquids.blend import make_liquid

USUAL = Practice()
CALCIUM = make_liquid({"cacl2": 0.32})
BRINE = make_liquid({"nacl": 0.233})
SEEN = Inspected(papers_good=True, looks_good=True)
C60 = units.f_to_c(60.0)


def by(**rules):
    return Practice(("company", rules))


def tanker(stated, strength, practice=USUAL, **more):
    """A load of one salt of a strength by weight, read with a float at 60 °F."""
    (chloride,) = [c for c, part in zip(("nacl", "cacl2", "mgcl2", "kcl"), stated.salts_frac,
                                        strict=True) if part > 0]  # fmt: skip
    sg = assay.reading_sg(make_liquid({chloride: strength}), C60)
    about = {"inspected": SEEN, "temp_c": C60, "sg": sg, "is_brine": stated is BRINE}
    return judge_liquid(LiquidLoad(stated, 17_000.0, **about | more), practice)


def outcome_of(judged, check):
    return {one.check: one.outcome for one in judged.findings}.get(check)


# -- salt -----------------------------------------------------------------------------------------


# Minnesota DOT, salt moisture worksheet (City of Centerville papers, p. 87): full up to 1.6 %, 5 %
# off to 2.0 %, a further 3 % for each 0.1 above 2.0 %, rejected above 2.5 %
@pytest.mark.parametrize(
    ("moisture", "pay", "outcome"),
    [
        (1.6, 1.00, Outcome.ACCEPT), (1.7, 0.95, Outcome.DEDUCT), (1.8, 0.95, Outcome.DEDUCT),
        (2.0, 0.95, Outcome.DEDUCT), (2.1, 0.92, Outcome.DEDUCT), (2.3, 0.86, Outcome.DEDUCT),
        (2.5, 0.80, Outcome.DEDUCT), (2.6, 0.00, Outcome.REJECT),
    ],
)  # fmt: skip
def test_minnesotas_moisture_schedule(moisture, pay, outcome):
    judged = judge_salt(SaltLoad(SEEN, moisture_frac=moisture / 100), USUAL)
    assert (judged.outcome, round(judged.pay_factor, 9)) == (outcome, pay)


# contracts as published on a bid site: a Massachusetts town, water above 1.5 % is excess; Missouri,
# at most 2.0 % of dry weight
def test_the_same_wet_salt_by_two_other_contracts():
    wet = SaltLoad(SEEN, moisture_frac=0.018)
    town = judge_salt(wet, by(salt_moisture_schedule="massachusetts"))
    assert (town.outcome, round(town.pay_factor, 9)) == (Outcome.DEDUCT, 1 - 0.003)
    assert judge_salt(wet, by(salt_moisture_schedule="missouri")).outcome is Outcome.ACCEPT


def test_moisture_of_dry_weight_is_more_than_of_weight_as_delivered():
    # by hand: 2.02 of 100 lb as delivered is 2.02/97.98 = 2.06 % of dry weight
    assert MOISTURE_SCHEDULES["missouri"].counted(0.0202) == pytest.approx(0.021)
    wet = SaltLoad(SEEN, moisture_frac=0.0202)
    assert judge_salt(wet, by(salt_moisture_schedule="missouri")).outcome is Outcome.REJECT
    assert judge_salt(wet, USUAL).pay_factor == pytest.approx(0.95)  # 2.0 % as delivered


# ASTM D632 type I grade 1 as quoted by the contracts above: No. 4 sieve 20 to 90 %; the town allows
# 5 points more below 3/8 in
@pytest.mark.parametrize(
    ("contract", "failing"), [("d632", ["No. 4"]), ("massachusetts", []), ("missouri", [])]
)
def test_one_gradation_by_three_contracts(contract, failing):
    sieved = SaltLoad(SEEN, passing_frac=(1.0, 0.97, 0.92, 0.55, 0.14))
    judged = judge_salt(sieved, by(salt_gradation=contract))
    rejected = [one.of for one in judged.findings if one.outcome is Outcome.REJECT]
    assert (rejected, judged.outcome is Outcome.REJECT) == (failing, bool(failing))


def test_a_sieve_analysis_that_cannot_be():
    for passing in ((1.0, 0.97, 0.92, 0.55), (0.14, 0.55, 0.92, 0.97, 1.0)):
        with pytest.raises(InputError, match=r"No\. 30|finer sieve"):
            judge_salt(SaltLoad(SEEN, passing_frac=passing), USUAL)


# D632: NaCl at least 95.0 % of dry salt, rounded to a tenth
@pytest.mark.parametrize(("nacl", "good"), [(0.95, True), (0.9495, True), (0.9494, False)])
def test_assay_of_salt(nacl, good):
    judged = judge_salt(SaltLoad(SEEN, nacl_frac=nacl), USUAL)
    assert (judged.outcome is Outcome.ACCEPT) is good
    strict = judge_salt(SaltLoad(SEEN, nacl_frac=nacl), by(salt_nacl_min=0.97))
    assert strict.outcome is Outcome.REJECT


def test_treated_salt_is_held_where_brine_is_made_of_the_pile():
    treated = SaltLoad(SEEN, is_treated=True)  # common practice, no source
    assert judge_salt(treated, USUAL).outcome is Outcome.ACCEPT
    brine_yard = SaltLoad(SEEN, is_treated=True, is_for_brine=True)
    assert judge_salt(brine_yard, USUAL).outcome is Outcome.HOLD


# -- liquids --------------------------------------------------------------------------------------


def test_pay_for_a_weak_load():
    # 32 % sold, 30 % delivered. CRC Handbook, densities at 20 °C from memory: 1.3036 and 1.2816
    judged = tanker(CALCIUM, 0.30)
    assert judged.outcome is Outcome.DEDUCT
    assert judged.pay_factor == pytest.approx(0.30 * 1.2816 / (0.32 * 1.3036), abs=0.001)
    assert judged.pay_factor == pytest.approx(0.922, abs=0.0005)


# New Hampshire DOT's liquid contract: calcium chloride 31 +/- 1 %
@pytest.mark.parametrize(("strength", "passes"), [(0.30, True), (0.32, True), (0.28, False)])
def test_new_hampshires_band(strength, passes):
    judged = tanker(make_liquid({"cacl2": 0.31}), strength)
    assert (judged.outcome is Outcome.ACCEPT) is passes


def test_a_load_is_rejected_where_it_is_another_product():
    assert tanker(CALCIUM, 0.26).outcome is Outcome.REJECT
    assert tanker(CALCIUM, 0.26).pay_factor == 0.0
    assert tanker(CALCIUM, 0.26, by(delivery_pay_min=0.7)).outcome is Outcome.DEDUCT
    assert tanker(CALCIUM, 0.30, by(delivery_strength_tolerance=0.03)).outcome is Outcome.ACCEPT


def test_doubt_of_the_instruments_counts_for_the_seller_and_is_said():
    # 1.5 points weak: beyond a point, and by less than density and float are good to
    (found,) = [one for one in tanker(CALCIUM, 0.305).findings if one.check is Check.STRENGTH]
    assert found.half_width > 0.005
    assert (found.outcome, found.is_close, found.pay_factor) == (Outcome.ACCEPT, True, 1.0)
    assert not next(one for one in tanker(CALCIUM, 0.32).findings
                    if one.check is Check.STRENGTH).is_close  # fmt: skip


def test_bought_brine_is_judged_by_the_band_it_would_be_made_to():
    # 22.5 to 23.8 % accepted, 22.0 to 24.0 % usable: our own rules; not +/- 1 % of gravity
    outcomes = {p: tanker(BRINE, p / 100).outcome for p in (21.5, 22.2, 23.3, 23.9, 25.0)}
    assert outcomes == {21.5: Outcome.REJECT, 22.2: Outcome.DEDUCT, 23.3: Outcome.ACCEPT,
                        23.9: Outcome.ACCEPT, 25.0: Outcome.REJECT}  # fmt: skip


# Lange's Handbook of Chemistry, Table 5.13: specific gravity of salt brine rises 0.008 a point, so
# one percent of it is 1.5 points; of calcium chloride 0.011, so 1.2: fit for that, not for brine
def test_one_percent_of_gravity_is_too_loose_for_brine():
    assert 100 * assay.tolerance_as_strength(CALCIUM, 0.01) == pytest.approx(1.2, abs=0.05)
    assert 100 * assay.tolerance_as_strength(BRINE, 0.01) == pytest.approx(1.5, abs=0.1)
    assert assay.tolerance_as_strength(BRINE, 0.01) > USUAL.number("delivery_strength_tolerance")


def test_solids_are_not_a_chloride():
    # APWA Reporter 2001, "Specifying the product you want": 30 % magnesium chloride and 30 % solids
    # are different products
    judged = tanker(make_liquid({"mgcl2": 0.30}), 0.30, states_solids=True)
    assert judged.outcome is Outcome.HOLD
    assert [one.of for one in judged.findings if one.check is Check.STRENGTH] == ["states solids"]


# South Dakota DOT quoting the list of qualified products: Zn 10 ppm, P 2,500 ppm
def test_trace_elements():
    assert tanker(CALCIUM, 0.32, trace_ppm={"Zn": 12.0}).outcome is Outcome.REJECT
    assert tanker(CALCIUM, 0.32, trace_ppm={"P": 2400.0, "Zn": 10.0}).outcome is Outcome.ACCEPT
    with pytest.raises(InputError, match="no limit is known of 'Xx'"):
        tanker(CALCIUM, 0.32, trace_ppm={"Xx": 1.0})


def test_the_ticket_against_gallons_and_gravity():
    # 8.34 lb x SG x gallons, the trade's own sum; 4,500 gal of SG 1.30 are 48,789 lb
    gallons, sg = 4500.0, 1.30
    pounds = 8.34 * sg * gallons

    def weighed(factor, practice=USUAL):
        seen = Inspected(True, True, factor * pounds * units.KG_PER_LB)
        load = LiquidLoad(CALCIUM, gallons * units.L_PER_GAL, inspected=seen, temp_c=C60, sg=sg)
        return judge_liquid(load, practice)

    assert outcome_of(weighed(1.0), Check.WEIGHT) is Outcome.ACCEPT
    short = weighed(0.97)
    assert outcome_of(short, Check.WEIGHT) is Outcome.DEDUCT
    assert short.volume_l / units.L_PER_GAL == pytest.approx(0.97 * gallons, rel=1e-3)
    assert outcome_of(weighed(1.03), Check.WEIGHT) is Outcome.HOLD
    assert outcome_of(weighed(0.97, by(delivery_weight_tolerance=0.05)), Check.WEIGHT) is (
        Outcome.ACCEPT
    )


# limits of settleable solids and of a No. 10 sieve: from memory
@pytest.mark.parametrize(
    ("seen", "rule", "good"),
    [
        ({"sediment_vol_frac": 0.01}, {}, True),
        ({"sediment_vol_frac": 0.02}, {}, False),
        ({"sediment_vol_frac": 0.02}, {"delivery_sediment_max": 0.03}, True),
        ({"through_sieve_frac": 0.99}, {}, True),
        ({"through_sieve_frac": 0.97}, {}, False),
        ({"through_sieve_frac": 0.97}, {"delivery_sieve_min": 0.95}, True),
    ],
)
def test_settling_and_sieve(seen, rule, good):
    judged = tanker(CALCIUM, 0.32, by(**rule), **seen)
    assert judged.outcome is (Outcome.ACCEPT if good else Outcome.HOLD)


def test_a_load_that_does_not_fit_waits():
    assert tanker(BRINE, 0.233, room_l=16_000.0).outcome is Outcome.HOLD
    assert tanker(BRINE, 0.233, room_l=17_000.0).outcome is Outcome.ACCEPT


# Lange's Handbook, Table 5.13: salt brine of 20 % freezes at -16.5 to -16.7 °C; past 23.3 % salt
# comes first, 13 °F a point
def test_what_a_load_drops_in_the_cold():
    assert tanker(BRINE, 0.20).first_solid_c == pytest.approx(-16.6, abs=0.3)
    assert tanker(BRINE, 0.24).first_solid_c > tanker(BRINE, 0.233).first_solid_c + 4.0
    assert judge_liquid(LiquidLoad(BRINE, 1.0), USUAL).first_solid_c is None
    own_figure = replace(BRINE, supplier_freeze_point_c=-18.0)
    load = LiquidLoad(own_figure, 1.0, temp_c=C60, sg=1.17)
    assert judge_liquid(load, USUAL).first_solid_c is None


def test_what_nobody_looked_at_holds_the_load_or_is_named():
    unread = judge_liquid(LiquidLoad(CALCIUM, 100.0, inspected=SEEN), USUAL)
    assert (unread.outcome, unread.not_done[0]) == (Outcome.HOLD, Check.STRENGTH)
    no_papers = tanker(CALCIUM, 0.32, inspected=Inspected(looks_good=True))
    assert (no_papers.outcome, no_papers.not_done[0]) == (Outcome.HOLD, Check.PAPERS)
    wrong = tanker(CALCIUM, 0.32, inspected=Inspected(papers_good=False, looks_good=True))
    assert wrong.outcome is Outcome.HOLD
    good = tanker(CALCIUM, 0.32)
    assert good.outcome is Outcome.ACCEPT
    assert good.not_done == (Check.SIEVE, Check.SEDIMENT, Check.WEIGHT, Check.TRACE)


# -- instruments ----------------------------------------------------------------------------------


# CRC Handbook of Chemistry and Physics, densities at 20 °C relative to water at 4 °C, from memory
@pytest.mark.parametrize(
    ("chloride", "percent", "density"),
    [("nacl", 20, 1.1478), ("cacl2", 20, 1.1775), ("cacl2", 30, 1.2816), ("mgcl2", 20, 1.1742),
     ("mgcl2", 30, 1.2754)],
)  # fmt: skip
def test_a_float_in_a_handbook_solution(chloride, percent, density):
    sg = density * 999.972 / 999.014 * (1 + 25e-6 * (20.0 - C60))  # on the 60/60 °F scale
    stated = make_liquid({chloride: percent / 100 + 0.01})
    found = assay.strength_by_float(stated, sg, 20.0)
    assert 100 * found.strength_frac == pytest.approx(percent, abs=0.15)
    assert abs(found.strength_frac - percent / 100) < found.half_width_frac


# Hydrometer table of 23.3 % brine by two density models, 60/60 °F glass: at 15 °F 1,189.0 kg/m³
# reads 1.1894, at 90 °F 1,168.0 reads 1.1696
@pytest.mark.parametrize(("temp_f", "sg", "density"), [(15, 1.1894, 1189.0), (90, 1.1696, 1168.0)])
def test_density_from_a_reading_with_the_glass_of_the_float(temp_f, sg, density):
    found = assay.density_from_reading_kg_m3(sg, units.f_to_c(temp_f))
    assert found == pytest.approx(density, abs=0.3)


def test_half_width_by_hand():
    # salt brine near 60 °F: float 0.001, density 1 kg/m³, half a kelvin at 0.00045 a kelvin;
    # 0.0081 a point
    parts = math.hypot(0.001, 1.0 / 999.014, 0.5 * 0.00045)
    found = assay.strength_by_float(BRINE, 1.178, C60)
    assert found.half_width_frac == pytest.approx(parts / 0.81, rel=0.03)


# Lange's Handbook, Table 5.13 and Bodnar 1993: salt brine of 10 % freezes at -6.56 °C, of 20 % at
# -16.46 to -16.7 °C
@pytest.mark.parametrize(("freeze_c", "percent"), [(-6.6, 10.0), (-16.6, 20.0)])
def test_a_refractometer_in_salt_brine(freeze_c, percent):
    found = assay.strength_by_freeze_point(BRINE, freeze_c)
    assert 100 * found.strength_frac == pytest.approx(percent, abs=0.2)


def test_a_refractometer_says_nothing_past_the_eutectic():
    with pytest.raises(InputError, match="one to one"):
        assay.strength_by_freeze_point(BRINE, -25.0)
    with pytest.raises(InputError, match="none of this product"):
        assay.strength_by_freeze_point(BRINE, 1.0)


def test_two_instruments_that_cannot_both_be_right():
    agreeing = tanker(BRINE, 0.22, freeze_point_c=-19.5)
    assert outcome_of(agreeing, Check.REFRACTOMETER) is Outcome.ACCEPT
    # 23.3 % by float, 17 % by refractometer: something else than salt is dissolved
    apart = tanker(BRINE, 0.233, freeze_point_c=-13.1)
    assert (apart.outcome, outcome_of(apart, Check.REFRACTOMETER)) == (
        Outcome.HOLD, Outcome.HOLD,
    )  # fmt: skip


def test_a_reading_of_something_else():
    with pytest.raises(InputError, match="not one of this product"):
        judge_liquid(LiquidLoad(CALCIUM, 100.0, sg=0.95, temp_c=C60), USUAL)
    with pytest.raises(InputError, match="needs the temperature"):
        judge_liquid(LiquidLoad(CALCIUM, 100.0, sg=1.30), USUAL)


# -- the command ----------------------------------------------------------------------------------


@pytest.fixture
def yard(tmp_path, monkeypatch):
    """A folder with a sites file: calcium chloride of 32 % in totes, an empty brine tank."""
    monkeypatch.chdir(tmp_path)
    calcium = {"name": "calcium", "cacl2": "32 %", "inhibited": True, "odor": False,
               "tracks_indoors": False, "price": "1.35 /gal"}  # fmt: skip
    north = copy.deepcopy(BASE_SECTIONS["yards"]["north"])
    north["tanks"] = {"t1": {"product": "brine", "capacity": "6000 gal", "on_hand": "0 gal"}}
    sections = {"products": {"calcium": calcium}, "yards": {"north": north}}
    Path("sites.yaml").write_text(sites_text({"a": site_entry(43.1, -89.4)}, **sections))


def run(*words):
    return CliRunner().invoke(app, list(words))


GOOD = ("--papers-good", "--look-good")


@pytest.mark.usefixtures("yard")
def test_what_came_in_makes_the_tanks_strength():
    # 1,000 gal of 23.0 % into an empty tank, then as much of 22.6 %: by mass, 22.8 %
    for sg in (1.1757, 1.1725):  # at 60 °F, the handbook's 23.0 and 22.6 %
        result = run("accept", "north", "brine", "1000gal", "--into", "t1", *GOOD, "--sg", str(sg),
                     "--temperature", "60F", "--keep")  # fmt: skip
        assert result.exit_code == 0, result.output
    assert "t1 holds 2,000 gal by the record, 22.8 %" in result.output
    listed = run("record", "list").output
    assert listed.count("delivered into t1") == 2
    assert "Accept, pay in full" in listed
    # sieve, settling, ticket and trace elements: nobody looked
    assert "by what was checked" in result.output


@pytest.mark.usefixtures("yard")
def test_a_weak_load_is_paid_by_its_chloride_and_kept_as_it_is():
    sg = assay.reading_sg(make_liquid({"cacl2": 0.30}), units.f_to_c(40.0))
    result = run("accept", "north", "calc", "275gal", *GOOD, "--sg", f"{sg:.4f}", "--temperature",
                 "40F", "--ticket", "8841", "--keep", "--sheet", "sheet.html")  # fmt: skip
    assert result.exit_code == 0, result.output
    assert "pay 92.2 % of the price" in result.output
    assert "calcium holds" in result.output
    assert "30.0 %" in result.output
    page = Path("sheet.html").read_text()
    for said in ("pay 92.2 %", "8841", "New Hampshire DOT", "30.0 % ± 0.8", "31.0 to 33.0 %"):
        assert said in page


@pytest.mark.usefixtures("yard")
def test_a_short_ticket_is_paid_once_and_kept_by_its_weight():
    # 275 gal of SG 1.3073 at 60 °F are 2,997 lb; 3 % less by the scale. 1.35 a gallon
    sg = assay.reading_sg(CALCIUM, C60)
    net = 0.97 * 275 * units.L_PER_GAL * sg * 0.999014
    read = ("--sg", f"{sg:.4f}", "--temperature", "60F", "--net", f"{net}kg")
    result = run("accept", "north", "calcium", "275gal", *GOOD, *read, "--keep")
    assert result.exit_code == 0, result.output
    assert f"USD {1.35 * 275:.0f} in full; pay USD {0.97 * 1.35 * 275:.0f}" in result.output
    assert f"{0.97 * 275:.0f} gal of calcium delivered" in result.output


@pytest.mark.usefixtures("yard")
def test_a_loose_tolerance_of_gravity_is_named():
    words = ("--sg-tolerance", "1%")
    brine = run("accept", "north", "brine", "100gal", "--into", "t1", *words)
    assert "TOO LOOSE" in brine.output
    calcium = run("accept", "north", "calcium", "100gal", *words).output
    assert "1.2 points of strength" in calcium
    assert "TOO LOOSE" not in calcium


@pytest.mark.usefixtures("yard")
def test_room_is_what_the_record_leaves():
    brine = ("brine", "4000gal", "--into", "t1", *GOOD, "--sg", "1.178", "--temperature", "60F")
    assert run("accept", "north", *brine, "--keep").exit_code == 0
    again = run("accept", "north", *brine)
    assert again.exit_code == 3
    assert "Room in the tank" in again.output
    assert "2,000 gal" in again.output


@pytest.mark.usefixtures("yard")
def test_what_is_rejected_or_held_is_not_kept():
    weak = run("accept", "north", "calcium", "275gal", *GOOD, "--sg", "1.20", "--temperature",
               "60F", "--keep")  # fmt: skip
    assert (weak.exit_code, "REJECT" in weak.output, "not kept" in weak.output) == (3, True, True)
    blank = run("accept", "north", "calcium", "275gal", "--keep", "--sheet", "blank.html")
    assert blank.exit_code == 3
    assert "NOT DONE" in blank.output
    assert Path("blank.html").read_text().count('class="blank"') >= 7
    assert not Path("briefings/archive.sqlite").exists()


@pytest.mark.usefixtures("yard")
def test_wet_salt_is_deducted_and_the_pile_grows():
    result = run("accept", "north", "salt", "20ton", *GOOD, "--moisture", "1.8%", "--nacl", "96%",
                 "--gradation", "100,97,60,35,9", "--keep")  # fmt: skip
    assert result.exit_code == 0, result.output
    assert "pay 95.0 %" in result.output
    assert "the pile holds 120,000 lb" in result.output  # 40 tons on hand


@pytest.mark.usefixtures("yard")
@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["calcium", "1gal", "--moisture", "1%"], "not found out of a liquid"),
        (["salt", "1ton", "--sg", "1.2"], "not found out of salt"),
        (["calcium", "1gal", "--salometer", "80"], "salt brine only"),
        (["brine", "1gal", "--into", "t1", "--salometer", "80", "--sg", "1.1"], "not both"),
        (["calcium", "1gal", "--trace", "Zn"], "no element with its ppm"),
        (["salt", "1ton", "--gradation", "all"], "no gradation"),
        (["beet", "1gal"], "no product 'beet'"),
        (["calcium", "1gal", "--into", "t9"], "no store"),
        (["calcium", "1gal", "--into", "t1"], "holds brine, not calcium"),
    ],
)
def test_what_the_command_cannot_read_is_said(words, said):
    result = run("accept", "north", *words)
    assert result.exit_code != 0
    assert said in str(result.exception)
