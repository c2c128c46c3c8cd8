"""Decisions against published practice: each case names the publication it comes from."""

from datetime import date, time
from zoneinfo import ZoneInfo

import pytest
from tables import NOON, cell, hourly, spell

from stormplan import event, handbook, treatment, units
from stormplan.catalog import Product
from stormplan.event import Thresholds
from stormplan.forecast import stack
from stormplan.sites import Surface
from stormplan.treatment import Action, Bench

F = units.f_to_c
ZONE = ZoneInfo("America/Chicago")
BRINE = Product("brine", "salt brine", {"nacl": 0.233})
CALCIUM = Product("calcium", "calcium", {"cacl2": 0.32}, inhibited=True, price_per_l=0.4)
SMELLY = Product(
    "beet", "beet", {"mgcl2": 0.2}, 0.1, smells=True, tracks_indoors=True, price_per_l=0.2
)
STOCKED = Bench({p.key: p for p in (BRINE, CALCIUM)}, {"brine": 5000.0, "calcium": 1000.0})


def surface(kind="asphalt_lot", area="20000 ft2", **more) -> Surface:
    return Surface.model_validate({"class": kind, "area": area, **more})


def decide(surface_c, on=None, bench=STOCKED, hours=72, open_hours=None, policy=None, **series):
    forecast = stack([cell(hours=hours, **series)], NOON, hours)
    practice = handbook.Practice(("company", policy or {}))
    seen = event.outlook(forecast, 0, hourly(surface_c, hours)[:, None], Thresholds.of(practice))
    return treatment.decide(on or surface(), seen, practice, bench, NOON, ZONE, open_hours)


def snow(start=12, end=18, inches_an_hour=0.2, pop=0.8):
    amount = spell(start, end, 2.54 * inches_an_hour)
    return {"snow_we_mm": amount, "snow_depth_cm": amount, "pop": pop}


def rules(decided):
    return {reason.rule: reason.effect for reason in decided.reasons}


def test_light_snow_on_a_dry_lot_takes_the_published_rate():
    # MPCA Winter Parking Lot and Sidewalk Maintenance Manual (2015), worked example: 20,000 ft2
    # before light snow at 0.5 gal/1000 ft2 is 10 gal
    (only,) = decide(F(28), **snow())
    assert only.action is Action.PRETREAT
    assert only.volume_l / units.L_PER_GAL == pytest.approx(10.0)
    # the same manual: 0.3-0.8 gal/1000 ft2; NHDES 2018: 0.5-0.75
    assert 0.5 <= only.rate_l_m2 / units.L_M2_PER_GAL_KFT2 <= 0.75
    # NHDES 2018: best 1-2 h before precipitation, up to 24 h
    assert (only.event.start - only.best_start).total_seconds() == 2 * 3600
    assert (only.event.start - only.earliest).total_seconds() <= 24 * 3600
    assert (only.event.start - only.latest).total_seconds() >= 3600


@pytest.mark.parametrize("inches_an_hour", [0.2, 0.7])
def test_no_rate_leaves_the_published_range(inches_an_hour):
    # MPCA 2015: 0.3-0.8 gal/1000 ft2 before light or moderate snow
    (only,) = decide(F(26), **snow(inches_an_hour=inches_an_hour))
    assert 0.3 <= only.rate_l_m2 / units.L_M2_PER_GAL_KFT2 <= 0.8


def test_heavy_snow_has_no_published_lot_rate():
    # MPCA 2015 prints no row for heavy snow
    (only,) = decide(F(28), **snow(inches_an_hour=1.5))
    assert only.action is Action.SOLIDS
    assert rules(only)["heavy_snow_pretreat"] == "refuses"
    (allowed,) = decide(F(28), policy={"heavy_snow_pretreat": "allow"}, **snow(inches_an_hour=1.5))
    assert allowed.action is Action.PRETREAT


def test_freezing_rain_refuses_liquid_and_offers_the_published_solid():
    # NHDES 2018: not advised before freezing rain. FHWA-RD-95-202 Table 12 (from memory):
    # 20-32 °F prewetted 75-250 lb per lane-mile
    (only,) = decide(F(30), frz_rain_mm=spell(12, 18, 0.5), pop=0.9)
    assert only.action is Action.SOLIDS
    assert rules(only)["freezing_rain"] == "refuses"
    assert only.solid.low_kg_m2 / units.KG_M2_PER_LB_LANE_MILE == pytest.approx(75)
    assert only.solid.high_kg_m2 / units.KG_M2_PER_LB_LANE_MILE == pytest.approx(250)


def test_sleet_is_for_solids():
    # FHWA-RD-95-202 Table 13 (from memory): solids only, 28-32 °F 125-325 lb per lane-mile
    (only,) = decide(F(30), sleet_mm=spell(12, 18, 0.5), pop=0.9)
    assert only.action is Action.SOLIDS
    assert only.solid.high_kg_m2 / units.KG_M2_PER_LB_LANE_MILE == pytest.approx(325)


def test_a_storm_that_begins_as_rain_washes_a_pretreat_off():
    # TxDOT Snow and Ice Control Operations Manual (2017), s. 5: none when it starts as rain
    (only,) = decide(
        {0: F(36), 12: F(30)},
        rain_mm=spell(6, 12, 1.0),
        air_temp_c={0: F(36), 12: F(29)},
        **snow(),
    )
    assert only.action is Action.SOLIDS
    assert rules(only)["rain_washes_off"] == "refuses"


def test_pavement_floors():
    # FHWA-RD-95-202 Table 8 (from memory): liquid not advisable below 23 °F
    (doubtful,) = decide(F(22), **snow())
    assert doubtful.action is Action.PRETREAT
    assert rules(doubtful)["liquid_warn_below"] == "warns"
    # NCHRP Report 526 Table A-5 (from memory): no liquid below 20 °F; FHWA Table 8: 15-20 °F
    # prewetted 200 lb per lane-mile
    (cold,) = decide(F(17), **snow())
    assert cold.action is Action.SOLIDS
    assert rules(cold)["liquid_stop_below"] == "refuses"
    assert cold.solid.low_kg_m2 / units.KG_M2_PER_LB_LANE_MILE == pytest.approx(200)
    # MPCA: salt is not worth spreading below 15 °F; FHWA: abrasives
    (bitter,) = decide(F(8), **snow())
    assert bitter.action is Action.PLOW
    assert bitter.solid is None


def test_condensation_above_freezing_needs_nothing():
    # NCHRP Report 526, p. 6: above 32 °F and below the dew point is condensation
    (only,) = decide(F(34), dew_point_c=F(35), air_temp_c=F(37))
    assert only.action is Action.NOTHING


def test_frost_takes_the_frost_rate_the_day_before():
    # MPCA (from memory): 0.3-0.6 gal/1000 ft2 before frost
    (only,) = decide(
        {0: F(40), 14: F(29), 20: F(40)}, dew_point_c=F(31), air_temp_c=F(33), cloud_frac=0.0
    )
    assert only.event.hazard is event.Hazard.FROST
    assert only.action is Action.PRETREAT
    assert 0.3 <= only.rate_l_m2 / units.L_M2_PER_GAL_KFT2 <= 0.6


@pytest.mark.parametrize(
    ("kind", "more", "pavement_f", "share"),
    [
        # common practice, no source: 95/5; 90/10 below 15 °F; 80/20 on walks, entries,
        # beside buildings and on structures
        ("asphalt_lot", {}, 26, 0.05),
        ("asphalt_lot", {"beside_building": True}, 26, 0.20),
        ("concrete_walk", {}, 26, 0.20),
        ("open_deck", {}, 26, 0.20),
    ],
)
def test_the_blend_ladder(kind, more, pavement_f, share):
    (only,) = decide(F(pavement_f), on=surface(kind, **more), **snow())
    assert only.additive == "calcium"
    assert only.additive_share == pytest.approx(share)
    assert only.additive_l + only.brine_l == pytest.approx(only.volume_l)


def test_the_cold_rung_of_the_ladder():
    # common practice, no source; the floor for liquid is lowered so that the rung is reached
    (only,) = decide(F(14), policy={"liquid_stop_below": F(10)}, **snow())
    assert only.additive_share == pytest.approx(0.10)


def test_a_smelling_additive_stays_off_walks():
    # common practice, no source: nothing that smells or tracks indoors on entries and walks
    smelly = Bench({p.key: p for p in (BRINE, SMELLY)}, {"brine": 5000.0, "beet": 1000.0})
    (walk,) = decide(F(26), on=surface("concrete_walk"), bench=smelly, **snow())
    assert walk.additive is None
    assert rules(walk)["no_additive"] == "warns"
    (lot,) = decide(F(26), bench=smelly, **snow())
    assert lot.additive == "beet"


def test_the_cheapest_admissible_additive_wins_and_an_empty_tote_is_no_stock():
    both = {p.key: p for p in (BRINE, CALCIUM, SMELLY)}
    (lot,) = decide(F(26), bench=Bench(both, {"calcium": 10.0, "beet": 10.0}), **snow())
    assert lot.additive == "beet"
    (lot,) = decide(F(26), bench=Bench(both, {"calcium": 10.0, "beet": 0.0}), **snow())
    assert lot.additive == "calcium"


def test_straight_chloride_comes_with_a_refreeze_warning():
    # common practice, no source
    straight = Product("well", "well brine", {"cacl2": 0.2, "nacl": 0.05}, price_per_l=0.1)
    (lot,) = decide(
        F(26), bench=Bench({"brine": BRINE, "well": straight}, {"well": 900.0}), **snow()
    )
    assert any("flash-freeze" in caution for caution in lot.cautions)


def test_new_concrete_gets_no_salt_unless_the_owner_overrides():
    # ACI 302 as quoted in the trade: no de-icer before one winter has passed
    slab = surface("concrete_lot", new_concrete_until=date(2026, 9, 1))
    (only,) = decide(F(28), on=slab, **snow())
    assert only.action is Action.PLOW
    assert rules(only)["new_concrete"] == "refuses"
    (owner,) = decide(F(28), on=slab, policy={"new_concrete": "allow"}, **snow())
    assert owner.action is Action.PRETREAT
    old = surface("concrete_lot", new_concrete_until=date(2026, 1, 12))
    assert decide(F(28), on=old, **snow())[0].action is Action.PRETREAT


def test_no_chlorides_where_the_owner_says_none():
    # FAA AC 150/5200-30 (from memory): no chlorides on airfield movement areas
    (only,) = decide(F(28), on=surface(no_chlorides=True), **snow())
    assert only.action is Action.PLOW


def test_wind_holds():
    # weak source: 15 mph (6.7 m/s) is a common limit; no manual read prints a number
    (only,) = decide(F(28), wind_10m_ms=8.0, **snow())
    assert only.action is Action.HOLD
    assert rules(only)["wind_hold"] == "refuses"
    calm_late = {0: 8.0, 8: 3.0}
    (late,) = decide(F(28), wind_10m_ms=calm_late, **snow())
    assert late.action is Action.PRETREAT
    assert (late.earliest - NOON).total_seconds() == 8 * 3600


def test_a_small_chance_holds_and_says_when_to_look_again():
    (only,) = decide(F(28), **snow(pop=0.2))
    assert only.action is Action.HOLD
    assert NOON < only.look_again < only.event.start
    assert decide(F(28), **snow(pop=0.3))[0].action is Action.PRETREAT


def test_too_late_to_pretreat():
    (only,) = decide(F(28), **snow(start=0, end=6))
    assert only.action is Action.SOLIDS
    assert rules(only)["lead_shortest"] == "refuses"


def test_half_rate_after_a_dry_autumn():
    # Minnesota Snow and Ice Control Field Handbook (from memory): half rate on the first use
    (first,) = decide(F(28), on=surface(last_treated=date(2025, 11, 1)), **snow())
    (usual,) = decide(F(28), on=surface(last_treated=date(2026, 1, 5)), **snow())
    assert first.rate_l_m2 == pytest.approx(usual.rate_l_m2 / 2)


def test_lots_are_sprayed_outside_opening_hours_where_there_is_a_choice():
    busy = (time(7), time(23))
    # snow at midnight local (hour 12): the best lead, 10 PM, is busy; 11 PM is not
    (only,) = decide(F(28), open_hours=busy, **snow())
    assert only.best_start.astimezone(ZONE).hour == 23


def test_every_reason_names_its_source_and_standing():
    for decided in (*decide(F(22), **snow()), *decide(F(30), frz_rain_mm=spell(9, 12, 1), pop=1)):
        assert decided.reasons
        for reason in decided.reasons:
            assert reason.source
            assert reason.standing


def test_melt_is_never_promised():
    for decided in decide(F(28), **snow(inches_an_hour=0.7)):
        assert "melt" not in decided.says.lower()
