"""Rounds: who sprays what, in which order, with driving, refills, deadlines and shifts."""

import itertools
import time
from dataclasses import replace
from datetime import timedelta

import pytest
from helpers.county import county, place_table
from helpers.published_tables import NOON, between_hours, forecast_cell
from helpers.round_evaluator import violations
from helpers.sites import BASE_SECTIONS, parse_sites, site_entry, sites_text
from helpers.solomon_c101 import LEAST_DISTANCE, UNIT_S, c101

from stormplan import units
from stormplan.company import sites_file
from stormplan.company.practice_rules import Practice
from stormplan.errors import SitesError
from stormplan.events.hazards import Hazard
from stormplan.operations import round_solver, sprayer_schedule
from stormplan.operations.greedy_rounds import greedy_rounds
from stormplan.operations.round_problem import (
    RoundProblem,
    RoundTask,
    RoundVehicle,
    TimeWindow,
    longer_round_s,
    task_parts,
    timetable,
)
from stormplan.operations.round_solver import SearchEffort, best_rounds
from stormplan.operations.travel import YARD, DriveTables, TravelTable, travel_table
from stormplan.planning.planner import SiteForecasts, make_plan

GAL, KFT2 = units.L_PER_GAL, 1000.0 * units.M2_PER_FT2
H = 3600


def task(place="s1", volume_gal=25.0, area_kft2=50.0, by_h=8.0, **more):
    """A lot, or what differs from it."""
    usual = {
        "blend": ("calcium", 0.05),
        "use": "vehicle",
        "windows": (TimeWindow(0, round(by_h * H)),),
        "best_s": 0,
        "finish_by_s": round(by_h * H),
        "value": 1.0,
    }
    return RoundTask(
        place=place, amount=volume_gal * GAL, area_m2=area_kft2 * KFT2, **(usual | more)
    )


def vehicle(key="truck", tank_gal=100.0, **more):
    """A truck that sprays 100,000 ft2 in an hour and fills in 20 minutes."""
    usual = {
        "coverage_rate_m2_h": 100.0 * KFT2,
        "min_rate": 0.3 * units.L_M2_PER_GAL_KFT2,
        "max_rate": 12.0 * units.L_M2_PER_GAL_KFT2,
        "refill_s": 1200,
        "serves": ("vehicle",),
    }
    return RoundVehicle(key=key, capacity=tank_gal * GAL, **(usual | more))


def minutes(table):
    """Driving times, both ways, from some pairs."""
    return TravelTable({pair: 60 * m for (a, b), m in table.items() for pair in ((a, b), (b, a))})


NEAR = minutes({(YARD, "s1"): 10, (YARD, "s2"): 10, ("s1", "s2"): 5})


# -- driving --------------------------------------------------------------------------------------


def test_a_pair_goes_by_the_owners_table_else_by_distance():
    places = {YARD: (43.1, -89.4), "mill": (43.1, -89.3), "deck": (43.2, -89.4)}
    listed = {("north", "mill"): 14.0, ("deck", "mill"): 22.0, ("mill", "deck"): 25.0}
    table = travel_table("north", places, DriveTables(listed), Practice())
    assert table.between_s(YARD, "mill") == table.between_s("mill", YARD) == 14 * 60
    assert (table.between_s("deck", "mill"), table.between_s("mill", "deck")) == (1320, 1500)
    # a degree north is 111,132.95 - 559.85 cos 2φ + 1.17 cos 4φ m on WGS84 (NGA, from memory):
    # a tenth at 43.15° 11,109.6 m; times 1.35 at 25 mph (11.18 m/s), and a minute
    assert table.between_s(YARD, "deck") == pytest.approx(11_109.6 * 1.35 / 11.176 + 60, abs=1)
    assert (table.basis.listed_count, table.basis.estimated_count) == (4, 2)


def test_the_owners_table_is_read_with_the_sites_file(tmp_path):
    path = tmp_path / "sites.yaml"
    path.write_text(sites_text({"a": site_entry(43.1, -89.4)}, drive_times="drives.csv"))
    with pytest.raises(SitesError, match=r"sites\.yaml:\d+.*cannot read drives\.csv"):
        sites_file.load_sites(path)
    table = tmp_path / "drives.csv"
    table.write_text("From,To,Minutes,note\nnorth,a,12.5,by phone\n\n")
    assert sites_file.load_sites(path).drive_minutes == {("north", "a"): 12.5}
    table.write_text("from,to,minutes\nnorth,b,12\nnort,a,4\nnorth,a,-3\nnorth,a,5\nnorth,a,6\n")
    with pytest.raises(SitesError) as raised:
        sites_file.load_sites(path)
    said = {problem.line: problem.message for problem in raised.value.problems}
    assert "no yard or site 'b'" in said[2]
    assert "did you mean 'north'" in said[3]
    assert "'-3' is not a number of minutes" in said[4]
    assert "given twice" in said[6]
    table.write_text("a,b\n")
    with pytest.raises(SitesError, match="from, to, minutes"):
        sites_file.load_sites(path)


# -- the clock of a round -------------------------------------------------------------------------


def test_a_surface_of_more_than_a_tank_is_split_and_counted_once():
    # 250 gal from a 100-gal tank: three loads, two refills, all 250 gal once
    problem = RoundProblem((task(volume_gal=250.0),), (vehicle(),), NEAR)
    answer = greedy_rounds(problem)
    (only,) = answer.rounds
    assert violations(problem, answer) == []
    assert [round(load.amount / GAL) for load in only.loads] == [100, 100, 50]
    # half an hour of spraying, six drives of ten minutes, two refills of twenty
    assert only.back_s - only.leave_s == 1800 + 6 * 600 + 2 * 1200
    assert only.driving_s == 3600


def test_a_round_begins_at_its_best_time_but_keeps_its_slack():
    best = task(best_s=5 * H)
    late = replace(best, best_s=7 * H + 1800)
    tight = replace(best, finish_by_s=3300)
    problem = RoundProblem((best, late, tight), (vehicle(),), NEAR, slack_s=H)

    def begins(index):
        loads = greedy_rounds(replace(problem, tasks=(problem.tasks[index],))).rounds[0].loads
        found = timetable(replace(problem, tasks=(problem.tasks[index],)), vehicle(), loads)
        return found.stops[0].begin_s

    assert begins(0) == 5 * H
    assert begins(1) == 8 * H - H - 1800  # half an hour of spraying, an hour left over
    assert begins(2) == 600  # no hour can be left: at once


def test_a_window_that_opens_again_is_waited_for():
    # dry and calm until 0:05 and from 2:00: the drive alone takes ten minutes
    windy = task(windows=(TimeWindow(0, 300), TimeWindow(2 * H, 3 * H)))
    problem = RoundProblem((windy,), (vehicle(),), NEAR)
    answer = greedy_rounds(problem)
    assert violations(problem, answer) == []
    assert answer.rounds[0].stops[0].begin_s >= 2 * H


def test_each_sprayer_only_where_it_can_work():
    # a cart that may not go on a lot, a truck that cannot go as low as 0.2 gal/1000 ft2
    lot = task()
    thin = task("s2", volume_gal=2.0, area_kft2=10.0, use="pedestrian")
    cart = vehicle("cart", 20.0, min_rate=0.0, serves=("pedestrian",))
    truck = vehicle(serves=("vehicle", "pedestrian"))
    problem = RoundProblem((lot, thin), (cart, truck), NEAR)
    answer = greedy_rounds(problem)
    assert violations(problem, answer) == []
    assert [[s.part.task for s in one.stops] for one in answer.rounds] == [[1], [0]]
    assert task_parts(replace(problem, vehicles=(truck,)), 1) == ()


@pytest.mark.parametrize("seed", range(4))
def test_the_greedy_order_can_be_driven(seed):
    problem = county(30, seed, capacity=[400.0, 1150.0][seed % 2])
    answer = greedy_rounds(problem)
    assert violations(problem, answer) == []
    assert any(answer.rounds)


def test_a_round_that_has_begun_ends_when_the_whole_round_does():
    problem = county(40, seed=1)
    for vehicle, timed in zip(problem.vehicles, greedy_rounds(problem).rounds, strict=True):
        assert timed is not None
        free_s = [timed.leave_s, *(stop.end_s for stop in timed.stops)]
        ends = {
            longer_round_s(problem, vehicle, timed.loads, done, at_s)
            for done, at_s in enumerate(free_s[:-1])
        }
        assert ends == {free_s[-1]}
        late = replace(vehicle, back_by_s=timed.back_s - 1)
        assert longer_round_s(problem, late, timed.loads, 0, timed.leave_s) is None


def test_the_evaluator_sees_what_cannot_be_driven():
    problem = county(12, 1)
    answer = greedy_rounds(problem)
    served = next(one.stops[0].part.task for one in answer.rounds if one)
    walk = next(i for i, one in enumerate(problem.tasks) if one.use == "pedestrian")

    def said(changed=problem, found=answer):
        return " ".join(violations(changed, found))

    def with_task(index, **changes):
        tasks = list(problem.tasks)
        tasks[index] = replace(tasks[index], **changes)
        return replace(problem, tasks=tuple(tasks))

    def with_vehicles(**changes):
        return replace(problem, vehicles=tuple(replace(v, **changes) for v in problem.vehicles))

    assert said() == ""
    assert "done too late" in said(with_task(served, finish_by_s=60))
    assert "outside every window" in said(with_task(served, windows=(TimeWindow(0, 1),)))
    assert "more than its tank" in said(with_vehicles(capacity=100.0))
    assert "cannot hold the rate" in said(with_vehicles(max_rate=0.01))
    assert "faster than it can" in said(with_vehicles(coverage_rate_m2_h=1000.0))
    assert "begins before it is there" in said(with_vehicles(refill_s=9000))
    assert "does not serve" in said(with_vehicles(serves=()))
    assert "out after its shift" in said(with_vehicles(back_by_s=1))
    assert "leaves before" in said(with_vehicles(free_from_s=9 * H))
    assert "both sprayed and left out" in said(found=replace(answer, unserved=(served,)))
    assert "gets 0.0 of" in said(
        found=replace(answer, rounds=(None,) * len(answer.rounds), unserved=())
    )
    shared = [one for one in answer.rounds if one and len(one.stops) > 1]
    second = shared[0].stops[1].part.task
    assert "two blends" in said(with_task(second, blend=("other", 0.1)))
    assert walk not in answer.unserved


# -- in a plan ------------------------------------------------------------------------------------


def snow_from(start):
    amount = between_hours(start, start + 6, 0.5)
    return {"air_temp_c": -3.0, "dew_point_c": -7.0, "pop": 0.9,
            "snowfall_swe_mm": amount, "snowfall_cm": amount}  # fmt: skip


def plan_with(truck=None, start=6, places=("a",), area="200000 ft2", **more):
    north = BASE_SECTIONS["yards"]["north"]
    sprayer = north["sprayers"]["truck"] | (truck or {})
    yards = {"north": north | {"sprayers": {"truck": sprayer}}}
    lot = {"lot": {"class": "asphalt_lot", "area": area}}
    sites = {key: site_entry(43.1, -89.3, lot, priority=n + 1) for n, key in enumerate(places)}
    return make_plan(
        parse_sites(sites, yards=yards, **more),
        dict.fromkeys(sites, SiteForecasts(forecast_cell(**snow_from(start)))),
        NOON,
    )


def test_a_crew_works_in_its_shift():
    # it is noon in Chicago and snows from 18:00; the crew works from 14:30 to 16:00
    (truck,) = (
        plan_with({"shift": "14:30-16:00"}, area="100000 ft2").yards[0].sprayer_schedule.sprayers
    )
    assert truck.start >= NOON + timedelta(hours=2.5)
    assert truck.back_at <= NOON + timedelta(hours=4)
    schedule = plan_with({"shift": "14:30-14:50"}, area="100000 ft2").yards[0].sprayer_schedule
    assert [(one.site, one.reason) for one in schedule.unserved] == [("a", "too late")]


def test_too_little_slack_is_said():
    # 200,000 ft2 at 3 acre/h take 1.53 h, the drive 0.29 h: of 3 h an hour is left over
    tight = plan_with(start=3).yards[0].sprayer_schedule
    assert 1.0 <= tight.slack_h < 1.0 + 5 / 60  # departures are every five minutes
    assert not tight.is_slack_short
    tight = plan_with(start=3, policy={"slack_short_below": "90 min"}).yards[0].sprayer_schedule
    assert tight.slack_h == pytest.approx(3 - 1.53 - 0.29, abs=0.02)
    assert tight.is_slack_short


def test_what_is_left_out_says_why():
    # 260,000 ft2 take two hours: one fits four hours, priority 1 first; 400,000 ft2 fit no three
    schedule = (
        plan_with(start=4, places=("first", "second"), area="260000 ft2").yards[0].sprayer_schedule
    )
    assert [one.site for one in schedule.sprayers[0].stops] == ["first"]
    assert [(one.site, one.reason) for one in schedule.unserved] == [("second", "others first")]
    schedule = plan_with(start=3, area="400000 ft2").yards[0].sprayer_schedule
    assert [(one.site, one.reason) for one in schedule.unserved] == [("a", "too late")]
    assert schedule.sprayers[0].start is None


def test_a_county_of_places_has_driving_times_both_ways():
    table = place_table([(43.1, -89.4), (43.2, -89.3)])
    assert table.between_s("", "s1") == table.between_s("s1", "") > 600


# -- the search -----------------------------------------------------------------------------------

USUAL = SearchEffort()


def brute_force_s(problem):
    """Least working time of one vehicle with one load over all orders."""
    table, one = problem.travel, problem.vehicles[0]
    treating_s = sum(3600 * t.area_m2 / one.coverage_rate_m2_h for t in problem.tasks)
    places = [t.place for t in problem.tasks]
    return treating_s + min(
        sum(table.between_s(a, b) for a, b in itertools.pairwise((YARD, *order, YARD)))
        for order in itertools.permutations(places)
    )


@pytest.mark.parametrize("seed", range(3))
def test_seven_sites_as_good_as_all_5040_orders(seed):
    whole = county(7, seed)
    tasks = tuple(
        replace(one, blend=(None, 0.0), use="vehicle", finish_by_s=10**6,
                windows=(TimeWindow(0, 10**6),))
        for one in whole.tasks
    )  # fmt: skip
    truck = replace(whole.vehicles[0], capacity=10_000.0)
    problem = replace(whole, tasks=tasks, vehicles=(truck,))
    answer = best_rounds(problem, USUAL)
    assert violations(problem, answer) == []
    assert answer.working_s == pytest.approx(brute_force_s(problem), abs=len(tasks))


def test_solomons_c101_within_one_percent():
    problem = c101()
    answer = best_rounds(problem, SearchEffort(factor=0.2, max_wait_s=20.0), "driving")
    assert violations(problem, answer) == []
    assert answer.unserved == ()
    distance = sum(one.driving_s for one in answer.rounds if one) / UNIT_S
    assert LEAST_DISTANCE - 1e-6 <= distance <= 1.01 * LEAST_DISTANCE


@pytest.mark.parametrize("seed", range(6))
def test_the_search_can_be_driven_and_beats_the_greedy_order(seed):
    problem = county(24, seed, capacity=[300.0, 1150.0][seed % 2])
    answer, greedy = best_rounds(problem, SearchEffort(factor=0.1)), greedy_rounds(problem)
    assert violations(problem, answer) == []
    missed = answer.missed_value(problem)
    assert (missed, answer.working_s) <= (greedy.missed_value(problem), greedy.working_s)


def test_the_same_problem_twice_gives_the_same_rounds():
    problem = county(16, 5, capacity=400.0)
    effort = SearchEffort(factor=0.1)
    assert best_rounds(problem, effort) == best_rounds(problem, effort)


def test_without_time_or_library_the_greedy_order_stands(monkeypatch):
    problem = county(16, 5)
    assert best_rounds(problem, SearchEffort(max_wait_s=0.0)) == greedy_rounds(problem)
    monkeypatch.setattr(round_solver, "is_available", lambda: False)
    assert best_rounds(problem, USUAL) == greedy_rounds(problem)


def test_no_longer_than_allowed():
    problem = county(150, 2)
    began = time.perf_counter()
    answer = best_rounds(problem, SearchEffort(factor=100.0, max_wait_s=0.5))
    assert time.perf_counter() - began < 3.0
    assert violations(problem, answer) == []


def test_the_search_waits_for_the_second_window():
    calm = task(windows=(TimeWindow(0, 300), TimeWindow(2 * H, 3 * H)))
    problem = RoundProblem((calm, replace(calm, place="s2")), (vehicle(),), NEAR)
    answer = best_rounds(problem, USUAL)
    assert violations(problem, answer) == []
    assert answer.unserved == ()
    assert min(stop.begin_s for stop in answer.rounds[0].stops) >= 2 * H


def test_the_search_splits_what_needs_more_than_a_tank():
    problem = RoundProblem((task(volume_gal=250.0), task("s2")), (vehicle(),), NEAR)
    answer = best_rounds(problem, USUAL)
    assert violations(problem, answer) == []
    assert sum(load.amount for load in answer.rounds[0].loads) == pytest.approx(275.0 * GAL)
    # 190 gal is all that two loads can bring in two hours: none of it rather than a part
    short = replace(problem, tasks=(task(volume_gal=250.0, by_h=1.5), task("s2", by_h=1.5)))
    answer = best_rounds(short, USUAL)
    assert violations(short, answer) == []
    assert answer.unserved == (0,)


def test_higher_priority_first_where_one_can_be_reached():
    # R3: two jobs, one reachable before the deadline; and three of priority 2 for one of priority 1
    by = {"by_h": 0.7, "area_kft2": 50.0}
    lots = (task(value=30.0, **by), task("s2", value=100.0, **by))
    answer = best_rounds(RoundProblem(lots, (vehicle(),), NEAR), USUAL)
    assert answer.unserved == (0,)


def left_out(rule_values):
    """Time for a far lot of priority 1 and a near one of priority 2, or for five of the near."""
    north = BASE_SECTIONS["yards"]["north"]
    sites = {
        "far": site_entry(43.1, -89.2, {"lot": {"class": "asphalt_lot", "area": "170000 ft2"}},
                          priority=1),
    } | {
        f"near{n}": site_entry(43.1, -89.401 - n / 1000,
                               {"lot": {"class": "asphalt_lot", "area": "64000 ft2"}}, priority=2)
        for n in range(5)
    }  # fmt: skip
    plan = make_plan(
        parse_sites(sites, yards={"north": north}, policy=rule_values),
        dict.fromkeys(sites, SiteForecasts(forecast_cell(**snow_from(3)))),
        NOON,
    )
    return {one.site for one in plan.yards[0].sprayer_schedule.unserved}


def test_the_owner_says_how_many_visits_stand_in_for_one_of_a_higher_priority():
    assert "far" in left_out({})  # five at 30 % are worth 1.5, one and one 1.3
    assert "far" not in left_out({"next_priority_value": "1 %"})


def test_a_worse_hazard_comes_first_within_a_priority():
    plan = plan_with()
    item = plan.sites[0].treatments[0][1]
    hazard = item.event.hazard
    usual, steep = Practice(), Practice(("company", {"next_hazard_value": 0.5}))
    for practice in (usual, steep):
        worse = sprayer_schedule.visit_value(1, Hazard.FREEZING_RAIN, practice)
        assert worse > sprayer_schedule.visit_value(1, hazard, practice)
    # priority 1 is four steps above the lowest
    assert sprayer_schedule.visit_value(1, hazard, usual) == pytest.approx(
        sprayer_schedule.visit_value(5, hazard, usual) / 0.3**4
    )
