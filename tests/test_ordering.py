"""Ordering: textbook cases to their digits, the worked case of lots, and what a plan says."""

import copy
import re
from datetime import timedelta
from math import sqrt
from statistics import NormalDist

import numpy as np
import pytest
from helpers.published_tables import NOON, between_hours, forecast_cell
from helpers.rule_effects import snow
from helpers.sites import BASE_SECTIONS, parse_sites, site_entry
from test_plan import SNOW
from typer.testing import CliRunner

from stormplan import units
from stormplan.cli.main import app
from stormplan.errors import SitesError
from stormplan.events.hazards import Hazard
from stormplan.operations.demand_futures import (
    Futures,
    planned_uses,
    product_futures,
    salt_futures,
)
from stormplan.operations.ordering import (
    OrderTerms,
    choose_lots,
    demand_quantile,
    lot_options,
    order_advice,
)
from stormplan.planning import plan_io
from stormplan.planning.planner import SiteForecasts, make_plan
from stormplan.record.daily_use import daily_product_l, daily_salt_kg, windows_of_season
from stormplan.record.entries import (
    Application,
    BatchMade,
    Delivery,
    LoadDrawn,
    LoadReturned,
    Loss,
)
from stormplan.record.sprayer_positions import sprayer_positions
from stormplan.record.stock_ledger import stock_book
from stormplan.record.surface_history import surface_histories
from stormplan.treatment.records import Action
from stormplan.words import briefing, mix_sheet, order_text
from stormplan.words.formatting import plan_format

HOUR = timedelta(hours=1)
DRY = {"air_temp_c": 12.0, "dew_point_c": 0.0}


def normal_demand(mean, sd, count=400_000):
    """A normal demand as futures that count alike: the middles of equal chances."""
    level = (np.arange(count) + 0.5) / count
    inverse = NormalDist(mean, sd).inv_cdf
    return np.array([inverse(one) for one in level])


def expected_cost(demand, level, over, short):
    """By the definition: what is left over and what is short, each at its cost."""
    return (
        over * np.maximum(level - demand, 0).mean() + short * np.maximum(demand - level, 0).mean()
    )


# -- textbooks ------------------------------------------------------------------------------------


# Snyder and Shen, Fundamentals of Supply Chain Theory, 2nd ed. 2019, Example 4.3, to the digits
# that stockpyl's documentation prints: holding 0.18, short 0.70, N(50, 8); and its first page:
# 2, 18, N(120, 10)
@pytest.mark.parametrize(
    ("over", "short", "mean", "sd", "level", "cost"),
    [(0.18, 0.70, 50, 8, 56.60395592743389, 1.9976051931766445),
     (2, 18, 120, 10, 132.815515655446, 35.09966638649737)],
)  # fmt: skip
def test_newsvendor(over, short, mean, sd, level, cost):
    demand = normal_demand(mean, sd)
    terms = OrderTerms(0.0, 1.0, price=1.0, emergency_price=1.0 + short, carrying_share=over)
    assert terms.critical_ratio == pytest.approx(short / (short + over))
    found = demand_quantile(demand, terms.critical_ratio)
    assert found == pytest.approx(level, abs=1e-3)
    assert expected_cost(demand, found, over, short) == pytest.approx(cost, abs=1e-4)


# NewsvendorModel.jl, README, after Wikipedia's numerical example: cost 5, price 7, N(50, 20): order
# 39, critical fractile 0.29, expected leftover 3.62, profit 52.687735385066865. Demand below zero
# is none; lost sales are printed as 14.62, the mean less sales, though the mean is then 50.04
def test_newsvendor_in_whole_units():
    demand = np.maximum(normal_demand(50, 20), 0.0)
    terms = OrderTerms(0.0, 1.0, price=5.0, emergency_price=7.0, carrying_share=1.0)
    assert terms.critical_ratio == pytest.approx(0.29, abs=0.005)
    best = choose_lots(lot_options(np.zeros(demand.size), demand, 0.0, terms), 0.29)
    assert best.lots == 39
    assert np.maximum(39 - demand, 0).mean() == pytest.approx(3.62, abs=0.005)
    assert np.maximum(demand - 39, 0).mean() == pytest.approx(14.62 + 0.04, abs=0.005)
    # the same as a profit: everything sold at 7, less lots and what is bought at once
    assert 7 * demand.mean() - best.expected_cost == pytest.approx(52.687735385066865, abs=1e-3)


# stockpyl's discrete newsvendor, and by hand: 0.3 x 400 + 0.2 x 300 + 0.2 x 200 + 4 x 0.1 x 400
def test_discrete_newsvendor():
    demand = np.repeat([0.0, 100.0, 200.0, 400.0, 800.0], [3, 2, 2, 2, 1])
    terms = OrderTerms(0.0, 100.0, price=1.0, emergency_price=5.0, carrying_share=1.0)
    level = demand_quantile(demand, terms.critical_ratio)
    assert (terms.critical_ratio, level) == (0.8, 400.0)
    assert expected_cost(demand, level, 1.0, 4.0) == pytest.approx(380.0)
    # in lots the mean is paid for besides: 220 at 1
    best = choose_lots(lot_options(np.zeros(10), demand, 0.0, terms), 0.8)
    assert (best.lots, best.expected_cost) == (4, pytest.approx(380.0 + 220.0))


# SCperf's manual: service 0.9, 2,500 a period, sd 500, 6 periods: 16,569.57. inventorize's manual:
# 50 a day, sd 5, 6 days, 0.90: 315.70; with a lead time that is off by 2 days: 429.11
@pytest.mark.parametrize(
    ("mean", "sd", "point", "within"),
    [(6 * 2500, 500 * sqrt(6), 16_569.57, 0.02), (6 * 50, 5 * sqrt(6), 315.70, 0.005),
     (6 * 50, sqrt(6 * 5**2 + 50**2 * 2**2), 429.11, 0.01)],
)  # fmt: skip
def test_reorder_points(mean, sd, point, within):
    future = Futures(np.array([1.0]), normal_demand(mean, sd)[:, None])
    advice = advised(future, on_hand=0.0, terms=OrderTerms(24.0, mean), usual_share=0.9)
    assert advice.reorder_point == pytest.approx(point, abs=within)


# -- lots -----------------------------------------------------------------------------------------

#: Worked twice, by enumeration and by a program that is not ours: 150 gal on hand; 0, 120, 260, 410
#: or 760 gal by 0.3, 0.2, 0.2, 0.2, 0.1; 1.35 a gallon, 0.15 to carry, 3.10 at once.
DEMAND_GAL = np.repeat([0.0, 120.0, 260.0, 410.0, 760.0], [3, 2, 2, 2, 1])
TOTES = OrderTerms(48.0, 275.0, price=1.35, emergency_price=3.10, carrying_share=0.15 / 1.35)


def advised(futures, on_hand, terms, usual_share=0.8, until_h=216.0, known_h=72.0):
    return order_advice(
        "north", "calcium", "calcium", "L", futures, on_hand, terms, usual_share, NOON,
        NOON + known_h * HOUR, NOON + until_h * HOUR, 0,
    )  # fmt: skip


def test_lots_are_enumerated():
    options = lot_options(np.zeros(10), DEMAND_GAL, 150.0, TOTES)
    costs = [one.expected_cost for one in options]
    assert costs == pytest.approx([357.3, 205.7, 194.7, 224.6], abs=0.05)
    assert choose_lots(options, TOTES.critical_ratio).lots == 2
    # the quantile alone asks for the largest demand: 760 - 150 gal are three totes
    assert TOTES.critical_ratio == pytest.approx(0.92, abs=0.002)
    assert demand_quantile(DEMAND_GAL, TOTES.critical_ratio) == 760.0
    assert [one.short_share for one in options] == pytest.approx([0.5, 0.1, 0.1, 0.0])


def test_a_fourth_tote_is_not_weighed_as_nothing_asks_for_it():
    # 0.15 x 275 gal more than three: the fourth only costs its keeping
    options = lot_options(np.zeros(10), DEMAND_GAL, 150.0, TOTES)
    assert len(options) == 4
    assert options[3].expected_cost + 0.15 * 275 == pytest.approx(265.8, abs=0.1)


def test_room_and_no_prices():
    cramped = OrderTerms(48.0, 275.0, 1, 1.35, 3.10, 0.15 / 1.35)
    options = lot_options(np.zeros(10), DEMAND_GAL, 150.0, cramped)
    assert choose_lots(options, 0.92).lots == 1
    unpriced = lot_options(np.zeros(10), DEMAND_GAL, 150.0, OrderTerms(48.0, 275.0))
    assert [one.expected_cost for one in unpriced] == [None] * 4
    assert choose_lots(unpriced, 0.8).lots == 1  # nine of ten get by
    assert choose_lots(unpriced, 0.95).lots == 3
    assert choose_lots(lot_options(np.zeros(10), DEMAND_GAL, 150.0, OrderTerms(0, 275.0, 2)),
                       0.95).lots == 1  # fmt: skip


def test_what_is_used_before_the_lots_are_there_they_do_not_cover():
    late = lot_options(DEMAND_GAL, np.zeros(10), 150.0, TOTES)
    assert len(late) == 1
    assert late[0].expected_cost == pytest.approx(357.3, abs=0.05)
    # by hand, half of the demand before and half after: with two totes nothing is short after;
    # before, 55 gal in two futures of ten and 230 in one; left are 700, 580, 440, 345 and 170
    half = lot_options(0.5 * DEMAND_GAL, 0.5 * DEMAND_GAL, 150.0, TOTES)
    short = 0.2 * 55 + 0.1 * 230
    left = 0.3 * 700 + 0.2 * 580 + 0.2 * 440 + 0.2 * 345 + 0.1 * 170
    cost = 550 * 1.35 + 3.10 * short - 1.20 * left
    assert half[2].expected_cost == pytest.approx(cost)
    assert half[2].short_share == pytest.approx(0.3)


# -- when -----------------------------------------------------------------------------------------


def storm(hours, amounts):
    return Futures(np.array(hours, dtype=float), np.array(amounts, dtype=float))


def test_by_when_and_how_many_run_out():
    # three of ten futures use 300 at 60 h, and the others 100: 200 on hand
    two = storm([20, 60], [[50, 250]] * 3 + [[50, 50]] * 7)
    advice = advised(two, 200.0, TOTES)
    assert (advice.lots, advice.short_share) == (1, pytest.approx(0.3))
    assert advice.runs_out_at == NOON + 60 * HOUR
    assert advice.order_by == NOON + 12 * HOUR
    assert (advice.late_share, advice.arrives_at) == (0.0, NOON + 48 * HOUR)


def test_what_comes_too_late_is_told_from_what_comes_in_time():
    early = storm([20, 60], [[250, 0]] * 2 + [[0, 250]] * 2 + [[0, 0]] * 6)
    advice = advised(early, 200.0, TOTES)
    assert (advice.short_share, advice.late_share) == (pytest.approx(0.4), pytest.approx(0.2))
    assert advice.order_by < NOON


def test_nothing_is_ordered_where_no_future_runs_out():
    calm = storm([20], [[50]] * 10)
    advice = advised(calm, 200.0, TOTES)
    assert (advice.lots, advice.short_share, advice.order_by) == (0, 0.0, None)


def test_every_member_is_followed_by_every_stretch_of_the_record():
    members = storm([10], [[0], [100]])
    futures = members.followed_by(72.0, np.array([[0.0, 0.0], [50.0, 150.0], [0.0, 20.0]]))
    assert futures.hours.tolist() == [10, 72, 96]
    assert sorted(futures.used_before(200)) == [0, 20, 100, 120, 200, 300]
    assert futures.used_before(97).tolist() == futures.used_before(200).tolist()
    out = futures.run_out_hours(110.0)
    assert sorted(out.tolist()) == [72, 96, 96, np.inf, np.inf, np.inf]


# -- in a plan ------------------------------------------------------------------------------------

SUPPLY = {"lead_time": "2 d", "lot": "275 gal", "room": "1100 gal", "emergency_price": "3.10 /gal"}
GAL = units.L_PER_GAL


def yards(stock="500 gal", salt=None, **more):
    """The usual yard, which orders calcium by the tote, and salt where it is said how."""
    supply = {"products": {"calcium": SUPPLY | more}} | ({"salt": salt} if salt else {})
    return {"north": copy.deepcopy(BASE_SECTIONS["yards"]["north"])
            | {"stock": {"calcium": stock}, "supply": supply}}  # fmt: skip


def load_of(days_ago, gallons, store="calcium"):
    parts = ({"store": store, "volume_l": gallons * GAL},)
    at = NOON - timedelta(days=days_ago)
    return LoadDrawn(id=f"l{days_ago}{store}", at=at, yard="north", sprayer="truck", parts=parts)


def plan_with(entries=(), weather=None, sites=None, **sections):
    sites = parse_sites(sites or {"a": site_entry(43.1, -89.4)}, **sections)
    answer = SiteForecasts(forecast_cell(**(weather or SNOW)))
    return make_plan(sites, dict.fromkeys(sites.sites, answer), NOON,
                     stock=stock_book(sites, entries, NOON))  # fmt: skip


def test_a_yard_that_does_not_say_how_it_orders_is_told_nothing():
    assert plan_with().orders == ()


def test_what_members_would_spray_is_what_futures_use():
    plan = plan_with(yards=yards("2 gal"))
    (advice,) = plan.orders
    done = [t for site in plan.sites for _, t in site.treatments]
    # by hand: additive of every member, with the reserve of 10 %
    members = sum(t.additive_frac * np.array(t.member_volumes_l) for t in done
                  if t.member_volumes_l)  # fmt: skip
    later = sum(v.additive_l for t in done for v in t.follow_up)
    most = 1.1 * (members.max() + later)
    assert max(advice.demand_high, advice.demand_median) <= most * (1 + 1e-9)
    assert advice.demand_median == pytest.approx(
        1.1 * (np.quantile(members, 0.5, method="inverted_cdf") + later), rel=0.1
    )
    assert advice.on_hand == pytest.approx(2 * GAL)
    assert advice.record_stretches == 0
    assert advice.known_until == NOON + 72 * HOUR


def test_a_storm_that_may_stay_away_is_in_as_many_futures_as_its_chance():
    plan = plan_with(weather=snow(pop=0.6), yards=yards())
    done = [t for site in plan.sites for _, t in site.treatments if t.member_volumes_l]
    assert {round(t.event.probability, 2) for t in done} == {0.6}
    used = product_futures(planned_uses(done, NOON), "calcium", 1.0).used_before(72.0)
    assert (used > 0).mean() == pytest.approx(0.6, abs=0.005)
    # where it comes, the members; all of them alike
    members = sum(t.additive_frac * np.array(t.member_volumes_l) for t in done)
    later = sum(v.additive_l for t in done for v in t.follow_up)
    assert used.max() == pytest.approx(members.max() + later)
    assert used[used > 0].min() == pytest.approx(members.min() + later)


def test_members_of_unlike_forecasts_are_large_together():
    done = [t for site in plan_with().sites for _, t in site.treatments if t.member_volumes_l]

    def sprays(*member_volumes_l):
        update = {"event": done[0].event.model_copy(update={"probability": 1.0}),
                  "visits": done[0].visits[:1], "member_volumes_l": member_volumes_l}  # fmt: skip
        return done[0].model_copy(update=update)

    uses = planned_uses([sprays(3.0, 1.0, 2.0), sprays(40.0, 10.0)], NOON)
    used = uses.volumes_l.sum(axis=0)
    # a third of the futures for each of three members, half for each of two
    assert used.tolist() == [11.0] * 33 + [12.0] * 17 + [42.0] * 17 + [43.0] * 33
    nobody = planned_uses([], NOON)
    assert product_futures(nobody, "calcium", 1.0).used_before(72.0).tolist() == [0.0] * 100
    assert salt_futures(nobody, 0.0, 0.3, 1.0).used_before(72.0).tolist() == [0.0] * 100


# a storm the day after tomorrow at 40 %: it waits, and the lead time does not
def test_a_storm_that_waits_is_ordered_for():
    plan = plan_with(weather=snow(start=34, end=40, pop=0.4), yards=yards("0.2 gal"))
    actions = {t.action for site in plan.sites for _, t in site.treatments}
    assert actions == {Action.WAIT}
    (advice,) = plan.orders
    assert advice.short_share == pytest.approx(0.4, abs=0.1)
    # by hand: usual 0.5 gal/1000 ft2, on 20,000 ft2 with 5 %, on 2,000 and 5,000 ft2 with 20 % of
    # calcium, and 10 % reserve
    gallons = 1.1 * 0.5 * (20 * 0.05 + (2 + 5) * 0.20)
    assert advice.demand_high / GAL == pytest.approx(gallons, rel=0.01)
    assert advice.lots == 0  # a tote for a gallon and a half costs more than it saves
    onset = min(t.event.start for s in plan.sites for _, t in s.treatments)
    assert abs(advice.runs_out_at - onset) <= 12 * HOUR
    without = plan_with(weather=snow(start=34, end=40, pop=0.4))
    assert all(t.usual_use is None for s in without.sites for _, t in s.treatments)


def test_a_product_that_has_run_out_is_the_one_to_order():
    cheap = {"calcium": BASE_SECTIONS["products"]["calcium"]}
    (there,) = plan_with(yards=yards("500 gal"), products=cheap).orders
    plan = plan_with(yards=yards("0 gal"), products=cheap)
    assert {v.additive for s in plan.sites for _, t in s.treatments for v in t.visits} == {None}
    (gone,) = plan.orders
    assert gone.short_share > 0.5
    assert gone.demand_median == pytest.approx(there.demand_median, rel=0.3)


# FHWA-RD-95-202, Table 12, from memory: 75 to 250 lb of prewetted salt a lane-mile of 63,360 ft2
# before freezing rain at 20 to 32 °F: 162.5 lb in the middle
def test_ice_that_waits_takes_salt_and_no_liquid():
    rain = {"air_temp_c": -3.0, "dew_point_c": -4.0, "pop": 0.4,
            "freezing_rain_mm": between_hours(34, 40, 0.5)}  # fmt: skip
    salt = {"lead_time": "2 d", "lot": "1 ton"}
    plan = plan_with(weather=rain, yards=yards("2 gal", salt))
    icy = [t for s in plan.sites for _, t in s.treatments if t.event.hazard is Hazard.FREEZING_RAIN]
    assert {t.action for t in icy} == {Action.WAIT}
    pounds = 1.1 * 162.5 * 27_000 / 63_360
    used = salt_futures(planned_uses(icy, NOON), 0.0, 0.0, 1.1).used_before(72.0)
    assert used.max() / units.KG_PER_LB == pytest.approx(pounds, rel=0.02)
    assert (used > 0).mean() == pytest.approx(0.4, abs=0.02)
    assert plan.orders[0].demand_high >= used.max()  # what may freeze back waits, too
    assert not product_futures(planned_uses(icy, NOON), "calcium", 1.0).amounts.any()
    bare = {"lot": {"class": "asphalt_lot", "area": "20000 ft2", "no_chlorides": True}}
    refused = plan_with(weather=rain, yards=yards("2 gal", salt),
                        sites={"a": site_entry(43.1, -89.4, bare)})  # fmt: skip
    assert refused.orders[0].demand_high == 0.0


def test_salt_is_used_by_brine_once_the_tank_is_empty():
    salt = {"lead_time": "1 d", "lot": "1 ton", "emergency_price": "200 /ton"}
    section = yards(salt=salt)
    section["north"]["salt"] |= {"on_hand": "0 lb", "price": "90 /ton"}
    advice = plan_with(yards=section).orders[0]
    plan = plan_with(yards=section)
    (yard,) = plan.yards
    assert (advice.item, advice.unit) == ("salt", "kg")
    # with nothing in the tank, all brine of the plan is made of salt: 2.289 lb a gallon of 23.3 %
    # (chemistry of brine at 60 °F), by 96 % purity
    brine_gal = yard.brine_need.total_l / GAL
    # and what may freeze back waits, with salt
    waits = [t for s in plan.sites for _, t in s.treatments if t.action is Action.WAIT]
    later = sum(max(t.usual_use.member_salt_kg) for t in waits)
    whole = (2.289 / 0.96 * brine_gal) * units.KG_PER_LB + yard.spread_salt_kg + 1.1 * later
    assert advice.demand_high == pytest.approx(whole, rel=0.15)
    assert advice.short_share > 0.5
    tank = {"t1": {"product": "brine", "capacity": "6000 gal", "on_hand": "5000 gal",
                   "reading": {"strength": "23.3 %", "taken_at": "2026-01-11"}}}  # fmt: skip
    section["north"]["tanks"] = tank
    most = 1.1 * (yard.spread_salt_kg + later)
    assert plan_with(yards=section).orders[0].demand_high <= most + 1e-6


def test_what_trucks_carry_is_neither_bought_nor_counted_twice():
    """Worked by hand: 20 gal of 95/5 loaded, 6 gal sprayed, 12 gal for the next two lots."""
    lot = {"lot": {"class": "asphalt_lot", "area": "20000 ft2"}}
    places = {f"s{n}": site_entry(43.1, -89.4 - n / 20, lot, name=f"Site {n}") for n in range(1, 6)}
    amount = between_hours(5, 10, 0.5)
    weather = {"air_temp_c": -3.0, "dew_point_c": -7.0, "pop": 0.9,
               "snowfall_swe_mm": amount, "snowfall_cm": amount}  # fmt: skip
    salt = {"lead_time": "1 d", "lot": "1 ton"}

    def planned(entries, stock="4 gal"):
        sites = parse_sites(places, yards=yards(stock, salt))
        answers = dict.fromkeys(places, SiteForecasts(forecast_cell(**weather)))
        return make_plan(
            sites, answers, NOON, stock=stock_book(sites, entries, NOON),
            histories=surface_histories([e for e in entries if e.kind == "application"], NOON),
            positions=sprayer_positions(entries, sites, NOON),
        )  # fmt: skip

    rate = 0.3 * units.L_M2_PER_GAL_KFT2
    parts = (
        {"store": "t1", "volume_l": 0.95 * 20 * GAL},
        {"store": "calcium", "volume_l": 0.05 * 20 * GAL},
    )
    loaded = LoadDrawn(id="l", at=NOON - HOUR, yard="north", sprayer="truck", parts=parts)
    sprayed = Application(id="a", at=NOON - HOUR / 4, site="s5", surface="lot", sprayer="truck",
                          rate_l_m2=rate, additive="calcium", additive_frac=0.05)  # fmt: skip
    back = LoadReturned(id="r", at=NOON - HOUR / 8, yard="north", sprayer="truck")
    out, gone = planned([loaded, sprayed]), planned([loaded, sprayed, back])
    (blend,), (blend_gone,) = out.yards[0].blends, gone.yards[0].blends
    assert (blend.additive, blend.additive_frac) == ("calcium", 0.05)
    assert (blend.on_board_l / GAL, blend_gone.on_board_l) == (pytest.approx(12.0), 0.0)
    of_salt, of_calcium = out.orders
    salt_gone, calcium_gone = gone.orders
    # 4 gal less the 1.0 in the load; of that 0.3 are on the ground, 0.6 are for the next two lots,
    # and the rest is for none
    assert of_calcium.on_hand / GAL == pytest.approx(4.0 - 1.0 + 0.6)
    assert of_calcium.on_board / GAL == pytest.approx(0.6)
    assert calcium_gone.on_hand / GAL == pytest.approx(4.0 - 1.0)
    # what is sprayed is the same, wherever it comes from
    assert of_calcium.demand_high == pytest.approx(calcium_gone.demand_high)
    # of brine, 11.4 gal need no salt: 2.289 lb a gallon by 96 % purity
    less_kg = salt_gone.demand_high - of_salt.demand_high
    assert less_kg / units.KG_PER_LB == pytest.approx(2.289 / 0.96 * 11.4, rel=0.01)
    assert "of it on trucks; used until" in " ".join(order_text.order_lines(out, plan_format(out)))
    assert "trucks" not in " ".join(order_text.order_lines(gone, plan_format(gone)))

    # with a stock that is enough with what is on the truck, and not without
    need_gal = of_calcium.demand_high / GAL
    stock = f"{need_gal + 1.0 - 0.3:.3f} gal"
    enough, short = planned([loaded, sprayed], stock), planned([loaded, sprayed, back], stock)
    assert [plan.orders[1].short_share > 0.0 for plan in (enough, short)] == [False, True]
    assert [plan.yards[0].additives[0].shortage_l > 0.0 for plan in (enough, short)] == [
        False,
        True,
    ]


def test_the_record_stands_for_what_comes_beyond_the_forecast():
    # 90 gal every eight days for five weeks: of six days after the forecast, six in eight have one
    entries = [load_of(days, 90) for days in (3.5, 11.5, 19.5, 27.5, 35.5)]
    (advice,) = plan_with(entries, weather=DRY, yards=yards()).orders
    assert advice.on_hand / GAL == pytest.approx(50, abs=0.1)
    assert advice.record_stretches == 36 - 6 + 1
    assert advice.short_share == pytest.approx(6 / 8, abs=0.05)
    assert advice.lots == 1
    # a load on the first day beyond the forecast is the soonest
    assert advice.order_by == NOON + (72 - 48) * HOUR
    later = plan_with(entries, weather=DRY, yards=yards(), policy={"order_history_min": "60 d"})
    assert (later.orders[0].record_stretches, later.orders[0].lots) == (0, 0)


def test_stretches_are_of_the_season():
    daily = np.arange(800.0)
    found = windows_of_season(daily, 1, 10)
    ages = 799 - found[:, 0]
    assert ages.min() == 0
    assert all(min(age % 365.25, 365.25 - age % 365.25) <= 11 for age in ages)
    assert {int(age // 200) for age in ages} == {0, 1, 3}  # now, one and two years ago
    assert windows_of_season(daily[:3], 4, 10).shape == (0, 4)


def test_what_comes_back_was_not_used():
    sites = parse_sites({"a": site_entry(43.1, -89.4)}, yards=yards())
    back = LoadReturned(id="r", at=NOON - timedelta(days=1.2), yard="north", sprayer="truck",
                        store="calcium", volume_l=30 * GAL)  # fmt: skip
    spill = Loss(id="s", at=NOON - timedelta(days=2.2), yard="north", store="calcium",
                 cause="spill", volume_l=20 * GAL)  # fmt: skip
    came = Delivery(id="d", at=NOON - timedelta(days=1.3), yard="north", product="calcium",
                    store="calcium", volume_l=50 * GAL)  # fmt: skip
    book = stock_book(sites, [load_of(1.4, 90), back, spill, came], NOON)
    used = daily_product_l(book, "north", sites.yards["north"], sites.products["calcium"], NOON)
    assert used / GAL == pytest.approx([0, 60, 0], abs=0.1)


def test_salt_of_batches_and_spread_dry_left_the_pile():
    sites = parse_sites({"a": site_entry(43.1, -89.4)}, yards=yards())
    batch = BatchMade(id="b", at=NOON - timedelta(days=1.5), yard="north", tank="t1",
                      volume_l=1000 * GAL, strength_frac=0.233)  # fmt: skip
    spread = Application(id="a", at=NOON - timedelta(hours=3), site="a", surface="lot",
                         salt_kg_m2=0.02)  # fmt: skip
    used = daily_salt_kg(stock_book(sites, [batch, spread], NOON), "north", NOON)
    # 2,289 lb of NaCl by 96 %, without its moisture; 20 g on 20,000 ft2
    made, dry = used
    assert made / units.KG_PER_LB == pytest.approx(2289 / 0.96, rel=0.012)
    assert dry == pytest.approx(0.02 * 20_000 * units.M2_PER_FT2)


# -- words ----------------------------------------------------------------------------------------


def test_a_sentence_with_the_figures_behind_it(tmp_path):
    entries = [load_of(days, 90) for days in (3.5, 11.5, 19.5, 27.5, 35.5)]
    plan = plan_with(entries, weather=DRY, yards=yards())
    fmt = plan_format(plan)
    (advice,) = plan.orders
    sentence = order_text.order_sentence(advice, plan.made_at, fmt)
    # NOON is Monday 12 January, 12 PM in Chicago
    assert sentence.startswith("Order 1 tote (275 gal) of calcium 32 % by Tue 12 PM: ")
    assert sentence.endswith("7 of 10 futures run out about Sun Jan 18 otherwise.")
    path = tmp_path / "plan.json"
    path.write_text(plan_io.plan_json(plan))
    result = CliRunner().invoke(app, ["order", "--plan", str(path)])
    assert result.exit_code == 0, result.output
    for said in (sentence, "On hand 50 gal", "Reorder point", "the cheapest", "of your record"):
        assert said in result.output
    (sheet,) = mix_sheet.mix_sheet_views(plan)
    assert sheet.orders == (sentence,)
    assert sentence in mix_sheet.render_html(plan)
    view = briefing.build_view(plan)
    rows = {row.label: row.text for row in view.summary_rows}
    assert rows["Order"] == "1 tote of calcium 32 % by Tue 12 PM"
    assert dict(view.yard_mixes[0].rows)["To order"] == sentence
    calm = plan_with(weather=DRY, yards=yards())
    assert "Order" not in {row.label for row in briefing.build_view(calm).summary_rows}
    (line,) = [one for one in order_text.order_lines(calm, fmt) if "Nothing to order" in one]
    assert "in every future" in line
    assert any("too short to say" in one for one in order_text.order_lines(calm, fmt))


def changed(plan, **more):
    return plan.model_copy(update={"orders": (plan.orders[0].model_copy(update=more),)})


def test_other_ends():
    plan = plan_with(weather=DRY, yards=yards())
    fmt = plan_format(plan)

    def lines(**more):
        return "\n".join(order_text.order_lines(changed(plan, **more), fmt))

    assert "NO ROOM" in lines(short_share=0.3, room_lots=0)
    assert "Too late to order: 3 of 10" in lines(short_share=0.3, late_share=0.3)
    assert "Room is not known" in lines(room_lots=None)
    assert "demand_percentile" in lines(has_prices=False)
    entries = [load_of(days, 90) for days in (3.5, 11.5, 19.5, 27.5, 35.5)]
    plan = plan_with(entries, weather=DRY, yards=yards())
    late = lines(short_share=0.5, late_share=0.2, order_by=NOON - HOUR)
    assert "of calcium 32 % now: 5 of 10" in late
    assert "too late in 2 of 10 futures" in late


@pytest.mark.parametrize(
    ("lot_l", "unit", "noun"),
    [(275 * GAL, "L", "2 totes"), (55 * GAL, "L", "2 drums"), (4500 * GAL, "L", "2 loads"),
     (1000.0, "kg", "2 pallets"), (20_000.0, "kg", "2 truckloads")],
)  # fmt: skip
def test_lots_are_called_what_they_come_as(lot_l, unit, noun):
    plan = plan_with(weather=DRY, yards=yards())
    advice = plan.orders[0].model_copy(update={"lot": lot_l, "unit": unit})
    assert order_text.lots_text(advice, 2, plan_format(plan)).startswith(noun)


# -- the sites file -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("supply", "said"),
    [
        ({"products": {"calcum": SUPPLY}}, "no product 'calcum'; did you mean 'calcium'?"),
        ({"products": {"brine": SUPPLY}}, "no product 'brine'"),
        ({"products": {"calcium": SUPPLY | {"emergency_price": "1.35 /gal"}}}, "not above 'price'"),
        ({"products": {"calcium": {"lot": "275 gal"}}}, "'lead_time' is missing"),
        ({"salt": {"lead_time": "2 d", "lot": "24"}}, "has no unit"),
        ({"salt": {"lead_tme": "2 d", "lot": "24 ton"}}, "did you mean 'lead_time'?"),
    ],
)
def test_what_supply_cannot_be_is_said(supply, said):
    north = BASE_SECTIONS["yards"]["north"] | {"supply": supply}
    with pytest.raises(SitesError, match=re.escape(said)):
        parse_sites({"a": site_entry(43.1, -89.4)}, yards={"north": north})


def test_room_of_tanks_and_totes():
    tank = {"t2": {"product": "calcium", "capacity": "500 gal", "on_hand": "100 gal"}}
    section = yards("200 gal", room="600 gal")
    section["north"]["tanks"] |= tank
    # 500 + 600 less 100 + 200 gal on hand: two totes of 275
    assert plan_with(weather=DRY, yards=section).orders[0].room_lots == 2
    assert plan_with(weather=DRY, yards=yards("1000 gal")).orders[0].room_lots == 0
    unsaid = yards()
    del unsaid["north"]["supply"]["products"]["calcium"]["room"]
    assert plan_with(weather=DRY, yards=unsaid).orders[0].room_lots is None
