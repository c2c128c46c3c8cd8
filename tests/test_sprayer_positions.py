"""Rounds of sprayers that are out already: from where they stand, with what is left in the tank."""

from dataclasses import replace
from datetime import timedelta

import pytest
from helpers.county import county
from helpers.published_tables import NOON, between_hours, forecast_cell
from helpers.round_evaluator import violations
from helpers.sites import parse_sites, site_entry

from stormplan import units
from stormplan.operations.greedy_rounds import greedy_rounds
from stormplan.operations.round_solver import SearchEffort, best_rounds
from stormplan.planning.planner import SiteForecasts, make_plan
from stormplan.record.entries import Application, LoadDrawn, LoadReturned
from stormplan.record.sprayer_positions import SprayerPosition, sprayer_positions
from stormplan.words.round_cards import round_views

AREA_M2 = 20_000 * units.M2_PER_FT2
LOT = {"class": "asphalt_lot", "area": "20000 ft2"}
SITES = {f"s{n}": site_entry(43.1, -89.4 - n / 20, {"lot": LOT}, name=f"Site {n}")
         for n in range(1, 5)}  # fmt: skip


def sprayed(site, minutes_ago, **more):
    at = NOON - timedelta(minutes=minutes_ago)
    usual = {"rate_l_m2": 0.02, "sprayer": "truck", "additive": "calcium", "additive_frac": 0.05}
    return Application(id=f"{site}{minutes_ago}", at=at, site=site, surface="lot", **(usual | more))


def yard(kind, minutes_ago, **more):
    at = NOON - timedelta(minutes=minutes_ago)
    return kind(id=f"{kind.__name__}{minutes_ago}", at=at, yard="north", sprayer="truck", **more)


def load(minutes_ago, volume_l):
    return yard(LoadDrawn, minutes_ago, parts=({"store": "t1", "volume_l": volume_l},))


def positions(*entries):
    return sprayer_positions(entries, parse_sites(SITES), NOON)


def test_a_sprayer_stands_at_its_last_service_with_what_is_left():
    (found,) = positions(load(90, 400.0), sprayed("s1", 60), sprayed("s3", 20)).values()
    assert (found.site, found.additive, found.additive_frac) == ("s3", "calcium", 0.05)
    assert found.at == NOON - timedelta(minutes=20)
    assert found.left_l == pytest.approx(400.0 - 2 * 0.02 * AREA_M2)


def test_a_tank_that_nobody_logged_counts_as_empty():
    (found,) = positions(sprayed("s1", 20)).values()
    assert found.left_l == 0.0


@pytest.mark.parametrize(
    "entries",
    [
        (),
        (sprayed("s1", 60), yard(LoadReturned, 30)),
        (sprayed("s1", 60), load(30, 500.0)),
        (sprayed("s1", 5 * 60),),  # four hours, the rule sprayer_position_age
        (sprayed("s1", 60, sprayer=None, additive=None, additive_frac=0.0),),
    ],
    ids=["no entry", "came back", "loads", "long ago", "by hand"],
)
def test_else_it_stands_at_the_yard(entries):
    assert positions(*entries) == {}


def away(problem, place, blend, amount):
    first, *others = problem.vehicles
    first = replace(first, start_place=place, start_blend=blend, start_amount=amount)
    return replace(problem, vehicles=(first, *others))


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("amount", [0.0, 150.0, 600.0])
def test_rounds_from_the_road_can_be_driven(seed, amount):
    """By the evaluator, which knows tank and place; and they are never worse than from the yard."""
    problem = county(14, seed, 600.0)
    place, blend = problem.tasks[seed].place, problem.tasks[seed].blend
    out = away(problem, place, blend, amount)
    greedy, best = greedy_rounds(out), best_rounds(out, SearchEffort(0.2))
    assert violations(out, greedy) == []
    assert violations(out, best) == []
    assert best.missed_value(out) <= greedy.missed_value(out)


def test_what_is_left_goes_down_before_the_way_home():
    """One lot beside the truck, the yard an hour away: at once, and not by way of the yard."""
    problem = county(1, 3, 600.0)
    lot = replace(problem.tasks[0], use="vehicle", amount=100.0, area_m2=5000.0)
    problem = replace(problem, tasks=(lot,), vehicles=problem.vehicles[:1])
    home_s = problem.travel.between_s(lot.place, "")
    enough = best_rounds(away(problem, lot.place, lot.blend, 120.0), SearchEffort())
    too_little = best_rounds(away(problem, lot.place, lot.blend, 80.0), SearchEffort())
    other = best_rounds(away(problem, lot.place, ("beet", 0.5), 120.0), SearchEffort())
    assert [one.rounds[0].driving_s for one in (enough, too_little, other)] == [
        home_s, 3 * home_s, 3 * home_s
    ]  # fmt: skip


def test_the_plan_begins_where_the_truck_stands():
    amount = between_hours(5, 10, 0.5)
    cell = forecast_cell(air_temp_c=-3.0, dew_point_c=-7.0, pop=0.9,
                         snowfall_swe_mm=amount, snowfall_cm=amount)  # fmt: skip
    sites, cells = parse_sites(SITES), dict.fromkeys(SITES, SiteForecasts(cell))
    out = {("north", "truck"): SprayerPosition("s4", NOON, "calcium", 0.05, 2000.0)}
    home, road = (make_plan(sites, cells, NOON, positions=one) for one in ({}, out))
    (by_yard,), (by_road,) = (plan.yards[0].sprayer_schedule.sprayers for plan in (home, road))
    assert (by_yard.from_site, by_road.from_site) == (None, "s4")
    assert by_road.stops[0].site == "s4"
    assert by_road.stops[0].drive_h == 0.0
    assert by_road.driving_h < by_yard.driving_h
    (view,) = round_views(road)
    assert view.leave.endswith(" from Site 4")


def test_what_is_in_a_tank_on_the_road_is_not_mixed_again():
    amount = between_hours(5, 10, 0.5)
    cell = forecast_cell(air_temp_c=-3.0, dew_point_c=-7.0, pop=0.9,
                         snowfall_swe_mm=amount, snowfall_cm=amount)  # fmt: skip
    sites, cells = parse_sites(SITES), dict.fromkeys(SITES, SiteForecasts(cell))
    (home,) = make_plan(sites, cells, NOON).yards
    (blend,) = home.blends
    per_surface_l = blend.volume_l / 4
    held_l = 2.5 * per_surface_l  # enough for two of the four
    out = SprayerPosition("s4", NOON, blend.additive, blend.additive_frac, held_l)
    (road,) = make_plan(sites, cells, NOON, positions={("north", "truck"): out}).yards
    (sprayer,) = road.sprayer_schedule.sprayers
    on_board_l = sum(stop.volume_l for stop in sprayer.stops if stop.load == 1)
    assert 0.0 < on_board_l <= held_l
    assert sprayer.begins_loaded
    assert road.pretreat_l == pytest.approx(home.pretreat_l)
    assert road.blends[0].on_board_l == pytest.approx(on_board_l)
    assert road.blends[0].volume_l == pytest.approx(home.pretreat_l - on_board_l)
    in_tank = on_board_l * (1.0 - blend.additive_frac)
    assert home.brine_needed_l - road.brine_needed_l == pytest.approx(in_tank)
    additive_l = home.additives[0].needed_l - road.additives[0].needed_l
    reserve = 1.0 + sites.practice().number("reserve")
    assert additive_l == pytest.approx(reserve * on_board_l * blend.additive_frac)
    other = {("north", "truck"): replace(out, additive=None, additive_frac=0.0)}
    assert make_plan(sites, cells, NOON, positions=other).yards[0].brine_needed_l == pytest.approx(
        home.brine_needed_l
    )
