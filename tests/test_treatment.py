"""Decisions against published practice: each case names the publication it comes from."""

from dataclasses import replace
from datetime import timedelta
from types import SimpleNamespace

import numpy as np
import pytest
from helpers.one_surface import LOT, F, effects_by_rule, plan_surface, snow_series, treatments_at
from helpers.published_tables import NOON, between_hours, forecast_cell
from helpers.sites import BASE_SECTIONS, parse_sites, site_entry

from stormplan import units
from stormplan.events.hazards import Hazard
from stormplan.planning.planner import SiteForecasts, make_plan
from stormplan.record.surface_history import ObservedCondition, SurfaceHistory
from stormplan.treatment import pretreatment
from stormplan.treatment.candidates import Dose, DoseResult
from stormplan.treatment.products import Stock
from stormplan.treatment.records import Action, Visit
from stormplan.treatment.solid_visits import least_sufficient

CALCIUM = BASE_SECTIONS["products"]["calcium"]
SMELLY = {
    "name": "beet magnesium",
    "mgcl2": "20 %",
    "inert": "10 %",
    "inhibited": True,
    "odor": True,
    "tracks_indoors": True,
    "price": "0.80 /gal",
}


def yard(**stock):
    return {"yards": {"north": BASE_SECTIONS["yards"]["north"] | {"stock": stock}}}


def rate_gal_kft2(treatment):
    return treatment.rate_l_m2 / units.L_M2_PER_GAL_KFT2


def test_light_snow_on_a_dry_lot():
    # MPCA Winter Parking Lot and Sidewalk Maintenance Manual (2015): 0.3-0.8 gal/1000 ft2 before
    # light or moderate snow. NHDES 2018: best 1-2 h before precipitation, up to 24 h
    only = treatments_at(28, **snow_series())[0]
    assert only.action is Action.PRETREAT
    assert 0.3 - 1e-9 <= rate_gal_kft2(only) <= 0.8 + 1e-9
    assert only.volume_l == pytest.approx(only.rate_l_m2 * 20_000 * units.M2_PER_FT2)
    assert (only.event.start - only.best_start).total_seconds() == 2 * 3600
    assert (only.event.start - only.earliest_start).total_seconds() <= 24 * 3600
    assert (only.event.start - only.latest_start).total_seconds() >= 3600


def test_an_area_and_a_rate_make_the_manuals_ten_gallons():
    # MPCA 2015, worked example: 20,000 ft2 at 0.5 gal/1000 ft2 is about 10 gal
    fixed = dict.fromkeys(("pretreat_rate_min", "pretreat_rate_light_snow_max"), "0.5 gal/1000 ft2")
    only = treatments_at(28, company_overrides={"policy": fixed}, **snow_series())[0]
    assert only.volume_l / units.L_PER_GAL == pytest.approx(10.0)


def actions(treatment):
    return [visit.action for visit in treatment.visits]


def test_a_pretreat_before_a_long_storm_lasts_to_the_plow_and_says_what_follows():
    # Waterloo lot tests (Hossain, Fu, Olesen): bonding not prevented in long or intense events.
    # MPCA 2015: plow, then treat what is left
    long = treatments_at(25, **snow_series(start=12, end=24, inches_an_hour=0.4))[0]
    assert long.action is Action.PRETREAT
    assert long.event.start < long.hold_target < long.event.end
    passes = [visit for visit in long.follow_up if visit.plow]
    # 4.8 in against a trigger of 2 in: two passes in the storm and one at its end
    assert len(passes) == 3
    assert long.hold_target == passes[0].at
    assert passes[-1].at == long.event.end
    assert passes[-1].action in (Action.POST_TREAT, Action.SALT)
    # traffic works snow into the brine (FHWA-RD-95-202: traffic compacts and bonds). Lever rule on
    # Lange's ice line: 0.8 gal/1000 ft2 keeps 0.13 mm of water liquid at 25 °F, and 1 mm falls in
    # the first hour. Nothing that practice allows holds there: the least, and the reader is told
    storm = snow_series(start=12, end=24, inches_an_hour=0.4)
    busy = treatments_at(25, site_overrides={"open_hours": "18:00-12:00"}, **storm)[0]
    assert busy.event.start <= busy.holds_until < busy.hold_target
    assert effects_by_rule(busy)["hold_confidence"] == "warns"
    assert [visit.at for visit in busy.visits if visit.plow] == [
        visit.at for visit in long.visits if visit.plow
    ]


def test_heavy_snow_is_sprayed_and_plowed_unless_policy_keeps_to_the_lot_manual():
    # FHWA-RD-95-202 Table 10 (from memory) allows liquid before moderate or heavy snow and plows
    # soon; MPCA 2015 prints no row for heavy snow on lots: that is the other choice
    heavy = snow_series(inches_an_hour=1.5)
    road = treatments_at(28, **heavy)[0]
    assert road.event.hazard is Hazard.HEAVY_SNOW
    assert road.action is Action.PRETREAT
    refuse = {"policy": {"heavy_snow_pretreat": "refuse"}}
    lot = treatments_at(28, company_overrides=refuse, **heavy)[0]
    assert lot.action is Action.SALT
    assert effects_by_rule(lot)["heavy_snow_pretreat"] == "refuses"
    # 9 in against a trigger of 2 in: every 2 h in the storm and once at its end, sprayed or not
    for course in (road, lot):
        assert [visit.at for visit in course.visits if visit.plow] == [
            NOON + timedelta(hours=hour) for hour in (14, 16, 18)
        ]


def test_freezing_rain_refuses_liquid_and_offers_the_published_solid():
    # NHDES 2018: not advised before freezing rain. FHWA-RD-95-202 Table 12 (from memory):
    # 20-32 °F prewetted 75-250 lb per lane-mile. The two lot charts disagree: both are shown
    only = treatments_at(29, freezing_rain_mm=between_hours(12, 18, 0.5), pop=0.9)[0]
    assert only.action is Action.SALT
    assert effects_by_rule(only)["freezing_rain"] == "refuses"
    assert not any(visit.action.is_liquid for visit in only.visits)
    assert only.solid.low_kg_m2 / units.KG_M2_PER_LB_LANE_MILE == pytest.approx(75)
    assert only.solid.high_kg_m2 / units.KG_M2_PER_LB_LANE_MILE == pytest.approx(250)
    # MPCA (from memory): 25-30 °F 1.5-2.0 lb/1000 ft2; DuPage workgroup: 5 lb/1000 ft2
    assert 1.5 <= only.solid.lot_rate_kg_m2 / units.KG_M2_PER_LB_KFT2 <= 2.0
    assert only.solid.second_lot_rate_kg_m2 / units.KG_M2_PER_LB_KFT2 == pytest.approx(5)
    # what goes down lies in the road table's range: a lane-mile is 63,360 ft2
    for visit in only.visits:
        if visit.action is Action.SALT:
            pounds = visit.solid_rate_kg_m2 / units.KG_M2_PER_LB_KFT2
            assert 75 / 63.36 - 1e-6 <= pounds <= 250 / 63.36 + 1e-6


def test_sleet_is_for_solids():
    # FHWA-RD-95-202 Table 13 (from memory): solids only, 28-32 °F 125-325 lb per lane-mile
    only = treatments_at(30, sleet_mm=between_hours(12, 18, 0.5), pop=0.9)[0]
    assert only.action is Action.SALT
    assert effects_by_rule(only)["sleet"] == "refuses"
    assert not any(visit.action.is_liquid for visit in only.visits)
    assert only.solid.high_kg_m2 / units.KG_M2_PER_LB_LANE_MILE == pytest.approx(325)


def test_a_storm_that_begins_as_rain_washes_a_pretreat_off():
    # TxDOT Snow and Ice Control Operations Manual (2017), s. 5: none when it starts as rain
    front = {"air_temp_c": {0: 4.0, 14: 3.0, 15: -3.0}, "dew_point_c": {0: 2.0, 15: -5.0}}
    plan = plan_surface(rain_mm=between_hours(10, 15, 1.0), **front, **snow_series(15, 21, 0.5))
    decided = plan.sites[0].surfaces[0].treatments
    assert all(one.action is not Action.PRETREAT for one in decided)
    refusals = {rule for one in decided for rule in effects_by_rule(one)}
    assert refusals & {
        "max_rain_before_onset",
        "max_rain_probability",
        "dry_surface",
        "standing_water",
    }
    # MPCA 2015: snow is plowed, and what is left treated, whatever fell before
    assert any(visit.plow for one in decided for visit in one.visits)


def test_pavement_floors():
    # FHWA-RD-95-202 Table 8 (from memory): liquid not advisable below 23 °F
    doubtful = treatments_at(22, **snow_series())[0]
    assert doubtful.action is Action.PRETREAT
    assert effects_by_rule(doubtful)["liquid_warn_below"] == "warns"
    # NCHRP Report 526 Table A-5 (from memory): no liquid below 20 °F; FHWA Table 8: 15-20 °F
    # prewetted 200 lb per lane-mile
    cold = treatments_at(17, **snow_series())[0]
    assert cold.action is Action.SALT
    assert effects_by_rule(cold)["liquid_stop_below"] == "refuses"
    assert cold.solid.low_kg_m2 / units.KG_M2_PER_LB_LANE_MILE == pytest.approx(200)
    # MPCA: salt is not worth spreading below 15 °F; FHWA: abrasives
    bitter = treatments_at(8, **snow_series())[0]
    assert [(visit.action, visit.plow) for visit in bitter.visits if visit.action.is_work] == [
        (Action.SAND, True)
    ]
    assert bitter.solid is None
    assert bitter.chloride_kg == 0.0
    # Minnesota handbook, lot table: 4-5 lb/1000 ft2 of sand
    pounds = bitter.visits[0].sand_kg / units.KG_PER_LB
    assert 4 * 20 <= pounds <= 5 * 20


def test_condensation_above_freezing_needs_nothing():
    # NCHRP Report 526, p. 6: above 32 °F and below the dew point is condensation
    (only,) = treatments_at(42, dew_point_c=np.full(72, 0.5), pop=0.0)  # by more than it may be off
    assert only.action is Action.NOTHING


def frosty(pavement_f, **more):
    calm = {"air_temp_c": {0: 6.0, 6: 2.0, 12: 0.0, 20: 6.0}, "wind_10m_ms": 1.5}
    dew = {0: 0.0, 6: 0.0, 12: -0.8, 20: 1.0}
    sky = {0: 0.0, 20: 0.9}
    return treatments_at(pavement_f, dew_point_c=dew, cloud_frac=sky, **calm, **more)


def test_frost_takes_the_least_that_holds_the_night():
    # MPCA (from memory): 0.3-0.6 gal/1000 ft2 before frost
    only = frosty(26)[0]
    assert only.event.hazard is Hazard.FROST
    assert only.action is Action.PRETREAT
    assert 0.3 - 1e-9 <= rate_gal_kft2(only) <= 0.6 + 1e-9
    if only.holds_until is None:
        assert only.hold_target == only.event.end


@pytest.mark.parametrize(
    ("surface", "pavement_f", "share"),
    [
        # common practice, no source: 95/5; 80/20 on walks, beside buildings and on structures
        (LOT, 26, 0.05),
        (LOT | {"beside_building": True}, 26, 0.20),
        ({"class": "concrete_walk", "area": "2000 ft2"}, 26, 0.20),
        ({"class": "open_deck", "area": "2000 ft2"}, 26, 0.20),
    ],
)
def test_the_blend_ladder(surface, pavement_f, share):
    only = treatments_at(pavement_f, surface, **snow_series())[0]
    assert only.additive == "calcium"
    assert only.additive_frac == pytest.approx(share)
    assert only.additive_l + only.brine_l == pytest.approx(only.volume_l)


def test_the_cold_rung_of_the_ladder():
    # common practice, no source: 90/10 below 15 °F; the floor for liquid is lowered to reach it
    only = treatments_at(
        14, company_overrides={"policy": {"liquid_stop_below": "10 F"}}, **snow_series()
    )[0]
    assert only.additive_frac == pytest.approx(0.10)


def test_a_smelling_additive_stays_off_walks():
    # common practice, no source: nothing that smells or tracks indoors on entries and walks
    smelly = {"products": {"beet": SMELLY}} | yard(beet="500 gal")
    walk = treatments_at(
        26, {"class": "concrete_walk", "area": "2000 ft2"}, smelly, **snow_series()
    )[0]
    assert walk.additive is None
    assert effects_by_rule(walk)["indoors"] == "refuses"
    assert effects_by_rule(walk)["no_additive"] == "warns"
    assert treatments_at(26, LOT, smelly, **snow_series())[0].additive == "beet"


def test_the_cheapest_admissible_additive_wins_and_an_empty_tote_is_no_stock():
    both = {"products": {"beet": SMELLY, "calcium": CALCIUM}}
    full = both | yard(beet="500 gal", calcium="500 gal")
    assert treatments_at(26, LOT, full, **snow_series())[0].additive == "beet"
    out = treatments_at(26, LOT, both | yard(beet="0 gal", calcium="500 gal"), **snow_series())[0]
    assert out.additive == "calcium"
    assert effects_by_rule(out)["stock"] == "refuses"


def test_a_watered_additive_does_not_win_by_its_price_a_gallon():
    # 10 % MgCl2 freezes near -7.7 °C and 20 % near -27 °C (CRC Handbook, concentrative properties,
    # from memory): at 20 °F the thin one is all but used up by its own water, whatever it costs
    thin = SMELLY | {
        "name": "thin magnesium",
        "mgcl2": "10 %",
        "inert": "5 %",
        "price": "0.40 /gal",
    }
    both = {"products": {"beet": SMELLY, "a_thin": thin}} | yard(beet="500 gal", a_thin="500 gal")
    assert treatments_at(26, LOT, both, **snow_series())[0].additive == "beet"
    as_strong = both["products"] | {"a_thin": thin | {"mgcl2": "20 %", "inert": "10 %"}}
    cheap = treatments_at(26, LOT, both | {"products": as_strong}, **snow_series())[0]
    assert cheap.additive == "a_thin"


def test_no_magnesium_on_poor_concrete():
    # ACI 201.2R Table 2.1 as quoted: magnesium chloride attacks concrete, slowly
    both = {"products": {"beet": SMELLY, "calcium": CALCIUM}}
    full = both | yard(beet="500 gal", calcium="500 gal")
    slab = {"class": "concrete_lot", "area": "8000 ft2", "poor_concrete": True}
    only = treatments_at(26, slab, full, **snow_series())[0]
    assert only.additive == "calcium"
    assert effects_by_rule(only)["poor_concrete_magnesium"] == "refuses"


def test_straight_chloride_comes_with_a_refreeze_warning():
    # common practice, no source
    straight = {
        "name": "well brine",
        "cacl2": "20 %",
        "nacl": "5 %",
        "odor": False,
        "tracks_indoors": False,
    }
    stocked = {"products": {"well": straight}} | yard(well="500 gal")
    only = treatments_at(26, LOT, stocked, **snow_series())[0]
    assert any("flash-freeze" in caution for caution in only.cautions)


def assert_plowed_and_sanded(treatment):
    """No chloride of any kind: the blade and grip are what is left."""
    assert set(actions(treatment)) <= {Action.PLOW, Action.SAND, Action.INSPECT}
    assert any(visit.plow for visit in treatment.visits)
    assert treatment.chloride_kg == 0.0
    for visit in treatment.visits:
        assert len(visit.reasons) == len(set(visit.reasons)), "each reason once"


def test_new_concrete_gets_no_salt_unless_the_owner_overrides():
    # ACI 302 as quoted in the trade: no de-icer before one winter has passed
    slab = {"class": "concrete_lot", "area": "8000 ft2", "new_concrete_until": "2026-09-01"}
    only = treatments_at(28, slab, **snow_series())[0]
    assert_plowed_and_sanded(only)
    assert effects_by_rule(only)["new_concrete"] == "refuses"
    owner = slab | {"policy": {"new_concrete": "allow"}}
    assert treatments_at(28, owner, **snow_series())[0].action is Action.PRETREAT
    old = slab | {"new_concrete_until": "2026-01-12"}
    assert treatments_at(28, old, **snow_series())[0].action is Action.PRETREAT


def test_no_chlorides_where_the_owner_says_none():
    # FAA AC 150/5200-30 (from memory): no chlorides on airfield movement areas
    only = treatments_at(28, LOT | {"no_chlorides": True}, **snow_series())[0]
    assert_plowed_and_sanded(only)
    assert effects_by_rule(only)["no_chlorides"] == "refuses"


@pytest.mark.parametrize(
    ("weather", "rule"),
    [
        # weak source: 15 mph (6.7 m/s) is a common limit; no manual read prints a number
        ({"wind_10m_ms": 8.0}, "max_wind"),
        # WisDOT FAQ: residue catches blowing dry snow and makes ice where none was
        ({"blowing_snow": between_hours(6, 18, 1.0), "wind_10m_ms": 6.0}, "blowing_snow"),
    ],
)
def test_wind_and_blowing_snow_stop_spraying_and_nothing_else(weather, rule):
    # common practice, no source: wind stops the sprayer; plow, shovel and spreader go out
    storm = snow_series(inches_an_hour=0.5)
    calm = treatments_at(28, **storm)[0]
    only = treatments_at(28, **storm, **weather)[0]
    assert calm.action is Action.PRETREAT
    assert effects_by_rule(only)[rule] == "refuses"
    assert only.action is Action.SALT
    assert Action.PRETREAT not in actions(only)
    assert [visit.at for visit in only.visits if visit.plow] == [
        visit.at for visit in calm.visits if visit.plow
    ]
    # MPCA (from memory): 25-30 °F, prewetted 1.25 lb/1000 ft2 after the plow
    assert only.visits[0].solid_rate_kg_m2 / units.KG_M2_PER_LB_KFT2 == pytest.approx(1.25)


def test_spraying_waits_for_the_wind_to_drop():
    late = treatments_at(28, wind_10m_ms={0: 8.0, 8: 3.0}, **snow_series())[0]
    assert late.action is Action.PRETREAT
    assert (late.earliest_start - NOON).total_seconds() == 8 * 3600


def test_a_small_chance_waits_and_says_when_to_look_again():
    only = treatments_at(28, **snow_series(pop=0.2))[0]
    assert only.action is Action.WAIT
    assert only.visits == ()
    assert NOON < only.recheck_at < only.event.start
    assert treatments_at(28, **snow_series(pop=0.3))[0].action is Action.PRETREAT


def test_snow_that_has_begun_is_plowed_before_anything_goes_down():
    # MPCA 2015: plow first, then treat what is left; a pre-treat must dry before it snows
    only = treatments_at(28, **snow_series(start=0, end=6))[0]
    assert effects_by_rule(only)["lead_min"] == "refuses"
    first = only.visits[0]
    assert first.plow
    assert first.action in (Action.POST_TREAT, Action.SALT)
    assert first.at == only.event.end  # 1.2 in against a trigger of 2 in: one pass when it stops


def test_half_rate_after_a_dry_autumn():
    # Minnesota Snow and Ice Control Field Handbook (from memory): half rate on the first use
    fixed = dict.fromkeys(("pretreat_rate_min", "pretreat_rate_light_snow_max"), "0.5 gal/1000 ft2")
    rates = [
        treatments_at(26, LOT, {"policy": fixed}, treated_at=at, **snow_series())[0]
        for at in (NOON - timedelta(days=72), NOON - timedelta(days=7), None)
    ]
    assert [rate_gal_kft2(one) for one in rates] == pytest.approx([0.25, 0.5, 0.5])


@pytest.mark.parametrize(
    ("days_ago", "lowest", "highest"), [(None, 0.3, 0.6), (7, 0.3, 0.6), (72, 0.15, 0.3)]
)
def test_rates_before_frost_are_the_manuals_whole_or_halved(days_ago, lowest, highest):
    # MPCA Winter Parking Lot and Sidewalk Maintenance Manual (from memory): 0.3-0.6 gal/1000 ft2
    # before frost; half of it on the first use after a dry spell (Minnesota handbook, from memory)
    sites = parse_sites({"a": site_entry(43.1, -89.4)})
    case = SimpleNamespace(
        practice=sites.practice(),
        last_treated_at=None if days_ago is None else NOON - timedelta(days=days_ago),
        now=NOON,
    )
    rates, _ = pretreatment.rates_l_m2(case, SimpleNamespace(hazard=Hazard.FROST))
    gallons = [rate / units.parse("1 gal/1000 ft2", "liquid rate") for rate in rates]
    assert gallons[0] == pytest.approx(lowest)
    assert gallons[-1] == pytest.approx(highest)
    assert gallons == sorted(gallons)


def test_a_visit_that_says_nothing_of_an_amount_puts_nothing_down():
    visit = Visit(action=Action.INSPECT, at=NOON, text="look")
    amounts = ("rate_l_m2", "volume_l", "solid_rate_kg_m2", "solid_kg", "prewet_l", "chloride_kg")
    assert [getattr(visit, name) for name in amounts] == [0.0] * 6
    assert visit.additive_frac == 0.0


def test_lots_are_sprayed_outside_opening_hours_where_there_is_a_choice():
    # snow at midnight local (hour 12): the best lead, 10 PM, is busy; 11 PM is not
    only = treatments_at(28, site_overrides={"open_hours": "07:00-23:00"}, **snow_series())[0]
    assert only.best_start.hour == (23 + 6) % 24


def test_melt_water_off_a_pile_refreezes_at_night():
    # Ontario documentation article 2021 and risk-management practice: piles draining across a walk
    thaw = {"air_temp_c": {0: 4.0, 5: 1.0, 8: -4.0, 18: 3.0}, "cloud_frac": {0: 0.3, 5: 0.0}}
    surface = {"class": "concrete_walk", "area": "2000 ft2", "snow_pile": True}
    with_pile = plan_surface(surface, dew_point_c=-12.0, **thaw).sites[0].surfaces[0].treatments
    event = with_pile[0].event
    assert event.hazard is Hazard.REFREEZE
    assert event.from_pile
    assert with_pile[0].action is Action.SALT
    # before the water off the pile freezes, at the latest when it does
    assert with_pile[0].visits[0].at <= event.start
    dry = plan_surface(surface | {"snow_pile": False}, dew_point_c=-12.0, **thaw)
    assert dry.sites[0].surfaces[0].treatments[0].action is Action.NOTHING


def test_rain_that_freezes_on_the_ground_is_a_refreeze():
    # TxDOT (2017), s. 5: liquid is questionable whenever rain precedes the freeze
    front = {"air_temp_c": {0: 3.0, 6: 1.0, 8: -5.0}, "dew_point_c": {0: 2.0, 8: -6.0}}
    found = plan_surface(
        rain_mm=between_hours(0, 6, 1.5), pop=0.9, cloud_frac={0: 1.0, 8: 0.2}, **front
    )
    decided = [t for t in found.sites[0].surfaces[0].treatments if t.event]
    refreezes = [t for t in decided if t.event.hazard is Hazard.REFREEZE]
    likeliest = max(refreezes, key=lambda treatment: treatment.event.probability)
    assert likeliest.event.probability > 0.5
    assert likeliest.action is Action.SALT
    assert all(t.action is not Action.PRETREAT for t in decided)
    # no visit for an event that is over by then
    for one in decided:
        assert all(visit.at <= one.event.end + timedelta(hours=12) for visit in one.visits)
        assert all(visit.at < one.event.end for visit in one.visits if visit.action is Action.SALT)


def test_every_reason_names_its_source_and_standing():
    for decided in (
        *treatments_at(22, **snow_series()),
        *treatments_at(29, freezing_rain_mm=between_hours(9, 12, 1), pop=1),
    ):
        assert decided.reasons
        for reason in decided.reasons:
            assert reason.source
            assert reason.evidence


def test_melt_is_never_promised():
    for decided in treatments_at(28, **snow_series(inches_an_hour=0.7)):
        said = [decided.text, *decided.cautions, *(visit.text for visit in decided.visits)]
        told = " ".join(said).lower().replace("does not melt", "")
        assert "melt" not in told


def test_cost_and_chloride_add_up():
    # atomic weights: chloride is 60.7 % of NaCl and 63.9 % of CaCl2. Brine 23.3 % at SG 1.178
    # (Lange), calcium 32 % at SG 1.306 (handbook)
    only = treatments_at(26, **snow_series())[0]
    assert [visit.action for visit in only.visits] == [Action.PRETREAT, Action.POST_TREAT]
    brine_l = sum(visit.brine_l for visit in only.visits)
    additive_l = sum(visit.additive_l for visit in only.visits)
    chloride_kg = brine_l * 1.177 * 0.233 * 0.607 + additive_l * 1.306 * 0.32 * 0.639
    assert only.chloride_kg == pytest.approx(chloride_kg, rel=0.01)
    assert only.cost is None  # the salt has no price here
    priced = {"yards": {"north": BASE_SECTIONS["yards"]["north"] | {
        "salt": BASE_SECTIONS["yards"]["north"]["salt"] | {"price": "96 /ton"}}}}  # fmt: skip
    cost = treatments_at(26, LOT, priced, **snow_series())[0].cost
    # 96 % salt at 96 a ton: 100 a ton of NaCl, 2.289 lb a gallon: 0.114 a gallon; calcium 1.35
    expected = brine_l / units.L_PER_GAL * 2.289 / 2000 * 100 + additive_l / units.L_PER_GAL * 1.35
    assert cost == pytest.approx(expected, rel=0.01)


def test_where_it_is_as_cold_as_wanted():
    assert treatments_at(26, **snow_series())[0].event.min_pavement_temp_c == pytest.approx(
        F(26), abs=0.3
    )


def test_a_pretreat_that_is_still_there_is_looked_at_and_not_repeated():
    # MPCA 2015: look for residue and reduce; common practice: no new brine on old that serves
    twice = np.zeros(72)
    twice[10:12] = twice[32:34] = 0.3
    plan = plan_surface(
        air_temp_c=-2.0, dew_point_c=-7.0, snowfall_swe_mm=twice, snowfall_cm=twice,
        pop=np.where(twice > 0, 0.8, 0.1),
    )  # fmt: skip
    visits = [visit for _, t in plan.sites[0].treatments for visit in t.visits]
    at_second_snow = [v for v in visits if v.at > NOON + timedelta(hours=12)]
    assert visits[0].action is Action.PRETREAT
    # the truck leaves on the five minutes
    early = NOON + timedelta(hours=8) - visits[0].at
    assert timedelta(0) <= early < timedelta(minutes=5)
    assert [(v.action, v.at) for v in at_second_snow] == [
        (Action.INSPECT, NOON + timedelta(hours=32))
    ]


def plan_with_history(fell_before_cm, observed=None):
    """Snow two days ago, or none, and half a centimeter an hour from 12 to 18 hours from now."""
    depth = np.zeros(120)
    depth[2:8] = fell_before_cm / 6
    depth[60:66] = 0.5
    cell = forecast_cell(
        hours=120, start=NOON - timedelta(hours=48), air_temp_c=-6.0, dew_point_c=-10.0,
        snowfall_swe_mm=depth, snowfall_cm=depth, pop=np.where(depth > 0, 0.9, 0.1),
    )  # fmt: skip
    history = {} if observed is None else {("a", "here"): SurfaceHistory((observed,))}
    sites = parse_sites({"a": site_entry(43.1, -89.4, {"here": LOT})})
    plan = make_plan(sites, {"a": SiteForecasts(cell)}, NOON, histories=history)
    return [visit for _, treatment in plan.sites[0].treatments for visit in treatment.visits]


def test_snow_of_two_days_ago_has_been_cleared():
    # common practice, no source: lots are plowed within hours of the trigger and after the storm
    def told(visits):
        return [(v.action, v.at, v.plow) for v in visits if v.action.is_work]

    assert told(plan_with_history(5.1)) == told(plan_with_history(0.0))
    assert plan_with_history(5.1)[0].action is Action.PRETREAT


@pytest.mark.parametrize("fell_before_cm", [0.0, 5.1])
def test_what_somebody_saw_overrules_what_the_past_hours_left(fell_before_cm):
    # common practice, no source: 2.4 in lies there, past a 2-in trigger: the plow goes now, and no
    # brine on snow (NHDES 2018: on a dry surface)
    lying = plan_with_history(
        fell_before_cm, ObservedCondition(NOON, snow_mm=6.0, snow_depth_cm=6.0)
    )
    assert lying[0].plow
    assert lying[0].at == NOON
    assert all(visit.action is not Action.PRETREAT for visit in lying)
    # 1 in lies there, under the trigger, and another comes: the pass comes with the two together
    half = plan_with_history(
        fell_before_cm, ObservedCondition(NOON, snow_mm=4.0, snow_depth_cm=4.0)
    )
    bare = plan_with_history(fell_before_cm, ObservedCondition(NOON))
    assert bare[0].action is Action.PRETREAT
    assert min(v.at for v in half if v.plow) < min(v.at for v in bare if v.plow)
    # NCHRP Report 526, Table A-5 (from memory): no liquid on bonded ice, solids at once
    ice = plan_with_history(fell_before_cm, ObservedCondition(NOON, ice_mm=1.0, is_bonded=True))
    assert ice[0].action is Action.SALT
    assert ice[0].at == NOON
    assert not any(visit.action.is_liquid for visit in ice)


def result(rate, failure_hour, start=5):
    dose = Dose(start, "calcium", 0.05, rate)
    return DoseResult((dose,), failure_hour, 1.0, b"", (9, 9), 1.0, rate)


@pytest.mark.parametrize(
    ("steps_up", "rate"), [(0, 0.3), (1, 0.45), (2, 0.5), (9, 0.5)]
)  # fmt: skip
def test_a_rate_is_stepped_up_among_those_that_hold(steps_up, rate):
    # by hand: the least that holds, then the next that does as well, never one that does worse
    tried = [
        result(0.3, None), result(0.35, 11), result(0.4, 11), result(0.45, None), result(0.5, None),
        result(0.3, None, start=1),
    ]  # fmt: skip
    chosen = pretreatment.select(tried, [("calcium", 0.05)], 5, steps_up, 0.1)
    assert (chosen.doses[0].hour, chosen.doses[0].rate_l_m2) == (5, rate)


def test_where_nothing_holds_the_least_that_lasts_longest_is_taken():
    tried = [result(0.3, 10), result(0.4, 12), result(0.5, 13), result(0.6, 13)]
    chosen = pretreatment.select(tried, [("calcium", 0.05)], 5, 0, 0.1)
    assert chosen.doses[0].rate_l_m2 == 0.5


def test_where_nothing_holds_more_goes_down_as_far_as_it_buys_time():
    # by hand: all are lost at 13 in too many members; 0.5 lasts a tenth of the time longer than
    # 0.3 on average, 0.6 hardly longer than 0.5
    tried = [
        replace(result(rate, 13), held_time_frac=held)
        for rate, held in ((0.3, 0.40), (0.4, 0.45), (0.5, 0.51), (0.6, 0.55))
    ]
    chosen = pretreatment.select(tried, [("calcium", 0.05)], 5, 0, 0.1)
    assert chosen.doses[0].rate_l_m2 == 0.5


def test_the_least_that_keeps_service_is_taken_and_more_only_where_it_buys_time():
    # the least chloride that keeps the level of service, else the most that still buys time
    def timed(rate, failure_hour, held_time_frac):
        return replace(result(rate, failure_hour), held_time_frac=held_time_frac)

    holds = [timed(0.3, 10, 0.5), timed(0.4, None, 1.0), timed(0.5, None, 1.0)]
    assert least_sufficient(holds, 10, 1.0) is holds[1]
    fails = [timed(0.3, 4, 0.4), timed(0.4, 6, 0.6), timed(0.5, 6, 0.65)]
    assert least_sufficient(fails, 10, 1.0) is fails[1]


def test_a_cost_is_known_where_every_price_of_what_goes_down_is():
    priced = Stock({}, {}, brine_price_per_l=0.05, salt_price_per_kg=0.1)
    assert priced.cost(None, 0.0, 100.0, 20.0) == pytest.approx(100 * 0.05 + 20 * 0.1)
    no_salt_price = Stock({}, {}, brine_price_per_l=0.05)
    assert no_salt_price.cost(None, 0.0, 100.0, 0.0) == pytest.approx(5.0)
    assert no_salt_price.cost(None, 0.0, 100.0, 20.0) is None
    assert Stock({}, {}, salt_price_per_kg=0.1).cost(None, 0.0, 100.0, 0.0) is None
