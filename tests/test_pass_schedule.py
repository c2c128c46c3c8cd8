"""Rounds in the storm: plows, spreaders and sprayers where the yard names them.

Every plan is gone through by a dispatcher of its own: ``problems`` knows only the sites file, the
plan and the great circle, and shares nothing with what makes the rounds.
"""

import math
from datetime import timedelta
from itertools import pairwise
from pathlib import Path

import pytest
from helpers.published_tables import NOON, between_hours, forecast_cell
from helpers.sites import BASE_SECTIONS, parse_sites, site_entry

from stormplan import units
from stormplan.company import sites_file
from stormplan.errors import SitesError
from stormplan.planning.planner import SiteForecasts, make_plan
from stormplan.treatment.records import Action
from stormplan.words import reports
from stormplan.words.briefing import build_view
from stormplan.words.decision_trace import trace_lines
from stormplan.words.round_cards import round_views

NORTH = BASE_SECTIONS["yards"]["north"]
SALTER = {"name": "Salter", "hopper": "1500 lb", "coverage_rate": "4 acre/h", "reload": "15 min"}
PLOW = {"name": "Plow", "coverage_rate": "2 acre/h"}
LOT = {"class": "asphalt_lot", "area": "40000 ft2"}
WALK = {"class": "concrete_walk", "area": "3000 ft2"}
CYCLE_H = 4.0  # our own choice, the rule cycle_time


def plan_for(count=4, hours=(6, 16), cm_h=1.5, **vehicles):
    """Lots with a walk, two kilometers apart, and a snowfall that plows come out for."""
    amount = between_hours(*hours, cm_h)
    cell = forecast_cell(
        air_temp_c=-3.0, dew_point_c=-5.0, pop=0.95, snowfall_swe_mm=amount, snowfall_cm=amount
    )
    sites = {
        f"s{n}": site_entry(43.1 + 0.018 * n, -89.4, {"lot": LOT, "walk": WALK},
                            name=f"Site {n}", priority=1 + n % 3)
        for n in range(1, count + 1)
    }  # fmt: skip
    file = parse_sites(sites, yards={"north": NORTH | vehicles})
    return file, make_plan(file, dict.fromkeys(sites, SiteForecasts(cell)), NOON)


@pytest.fixture(scope="module")
def busy():
    return plan_for(spreaders={"salter": SALTER | {"serves": ["vehicle"]}}, plows={"plow": PLOW})


def drive(origin, destination):
    """Minutes on snow: 1.35 times the great circle at 25 mph plus a minute, 35 % slower by FHWA."""
    a, b = (tuple(math.radians(angle) for angle in place) for place in (origin, destination))
    cosine = math.sin(a[0]) * math.sin(b[0]) + math.cos(a[0]) * math.cos(b[0]) * math.cos(
        a[1] - b[1]
    )
    if origin == destination:
        return timedelta(0)
    km = 6371.0 * math.acos(min(cosine, 1.0))
    return timedelta(minutes=(60.0 * 1.35 * km / (25.0 * 1.609344) + 1.0) / 0.65)


def problems(file, plan):
    """Return what a dispatcher with a map and a watch finds wrong with the rounds."""
    found = []
    yard = file.yards["north"]
    home = yard.latitude_deg, yard.longitude_deg
    place = {key: (one.latitude_deg, one.longitude_deg) for key, one in file.sites.items()}
    (schedule,) = plan.passes
    out = {}
    second = timedelta(seconds=2)
    for vehicle in schedule.vehicles:
        truck = yard.plows if vehicle.kind == "plow" else yard.spreaders
        truck = (yard.sprayers if vehicle.kind == "post-treat" else truck)[vehicle.vehicle]
        at, load, lifted_kg, free_from = home, 0, 0.0, None
        for stop in vehicle.stops:
            if stop.load != load:
                at, load, lifted_kg = home, stop.load, 0.0
            if at != home and stop.start + second < free_from + drive(at, place[stop.site]):
                found.append(f"{vehicle.name} is at {stop.site} before it can be")
            at, free_from = place[stop.site], stop.end
            area_m2 = file.sites[stop.site].surfaces[stop.surface].area_m2
            if vehicle.kind == "plow":
                takes = timedelta(hours=area_m2 / truck.coverage_rate_m2_h)
                if stop.end - stop.start + second < takes:
                    found.append(f"{vehicle.name} is too fast at {stop.site}")
            lifted_kg += stop.solid_kg
            if vehicle.kind == "spread" and lifted_kg > truck.hopper_kg + 0.01:
                found.append(f"{vehicle.name} spreads more than its hopper holds")
            if stop.start < max(stop.planned_at, plan.made_at):
                found.append(f"{stop.site} is done before its hour")
            out.setdefault(vehicle.vehicle, []).append((stop.start, stop.end))
    for sprayer in plan.yards[0].sprayer_schedule.sprayers:
        spans = [(stop.start, stop.end) for stop in sprayer.stops]
        out[sprayer.sprayer] = out.get(sprayer.sprayer, []) + spans
    for name, spans in out.items():
        spans.sort()
        if any(later[0] < earlier[1] for earlier, later in pairwise(spans)):
            found.append(f"{name} is in two places")
    return found


def stops_of(plan, kind):
    (schedule,) = plan.passes
    return {
        (stop.site, stop.surface, stop.planned_at): stop
        for vehicle in schedule.vehicles
        if vehicle.kind == kind
        for stop in vehicle.stops
    }


def wanted(plan, kind):
    wants = {
        "plow": lambda visit: visit.plow,
        "spread": lambda visit: visit.solid_kg > 0.0,
        "post-treat": lambda visit: visit.action is Action.POST_TREAT,
    }[kind]
    return [
        (site.key, surface.key, visit)
        for site in plan.sites
        for surface, item in site.treatments
        for visit in item.visits
        if wants(visit)
    ]


def test_without_named_vehicles_nothing_is_planned_for_them():
    _, plan = plan_for()
    assert plan.passes == ()
    visits = [visit for *_, visit in wanted(plan, "plow")]
    assert visits
    assert all(visit.at.minute == 0 and visit.vehicle_name is None for visit in visits)
    assert "In the storm" not in {row.label for row in build_view(plan).summary_rows}


def test_a_dispatcher_finds_nothing_wrong(busy):
    assert problems(*busy) == []


def test_every_pass_is_in_a_round_or_named_as_late(busy):
    _, alone = plan_for()
    _, plan = busy
    (schedule,) = plan.passes
    late = {(one.site, one.surface, one.planned_at, one.kind) for one in schedule.late}
    for kind in ("plow", "spread"):
        done = stops_of(plan, kind)
        asked = {(site, surface, visit.at) for site, surface, visit in wanted(alone, kind)}
        if kind == "spread":  # the salter does not serve walks
            asked = {key for key in asked if key[1] != "walk"}
        assert asked
        assert {key for key in asked if (*key, kind) not in late} == set(done)
        for (site, surface, planned_at), stop in done.items():
            assert planned_at <= stop.start
            assert stop.end <= planned_at + timedelta(hours=2 * CYCLE_H)
            if kind == "plow":
                following = [at for s, f, at in asked if (s, f) == (site, surface)]
                later = [at for at in following if at > planned_at]
                due = min([*later, planned_at + timedelta(hours=CYCLE_H)])
                assert stop.end <= due


def test_salt_waits_for_the_plow_of_the_same_visit(busy):
    _, plan = busy
    plowed, salted = stops_of(plan, "plow"), stops_of(plan, "spread")
    both = plowed.keys() & salted.keys()
    assert both
    for key in both:
        assert salted[key].start >= plowed[key].end


def test_visits_have_the_times_and_names_of_the_rounds(busy):
    _, plan = busy
    starts = {}
    for kind in ("plow", "spread", "post-treat"):
        for (site, surface, _), stop in stops_of(plan, kind).items():
            starts.setdefault((site, surface), set()).add(stop.start)
    named = [(s, f, v) for kind in ("plow", "spread") for s, f, v in wanted(plan, kind)
             if v.vehicle_name]  # fmt: skip
    assert {visit.vehicle_name for *_, visit in named} <= {
        "Plow",
        "Salter",
        "Plow and Salter",
        "Plow and Truck",
    }
    assert all(visit.at in starts[site, surface] for site, surface, visit in named)


def test_the_salt_of_the_rounds_is_that_of_the_visits(busy):
    _, plan = busy
    (schedule,) = plan.passes
    late = {(one.site, one.surface, one.planned_at) for one in schedule.late}
    lots = [(s, f, v) for s, f, v in wanted(plan_for()[1], "spread") if f == "lot"]
    asked_kg = sum(v.solid_kg for s, f, v in lots if (s, f, v.at) not in late)
    gone_kg = sum(stop.solid_kg for stop in stops_of(plan, "spread").values())
    assert gone_kg == pytest.approx(asked_kg)
    (salter,) = [one for one in schedule.vehicles if one.kind == "spread"]
    assert salter.loads >= gone_kg / (1500.0 * units.KG_PER_LB)


def test_one_truck_that_plows_and_salts_is_not_in_two_places():
    both = {"rig": SALTER | {"name": "Rig"}}
    file, plan = plan_for(3, spreaders=both, plows={"rig": PLOW | {"name": "Rig"}})
    assert problems(file, plan) == []
    assert stops_of(plan, "plow")
    assert stops_of(plan, "spread")


def test_what_is_late_is_said_by_client_and_in_explain():
    slow = {"plow": PLOW | {"coverage_rate": "10000 ft2/h"}}
    _, plan = plan_for(4, plows=slow)
    (schedule,) = plan.passes
    assert "others first" in {one.reason for one in schedule.late}
    rows = {row.label: row.text for row in build_view(plan).summary_rows}
    assert rows["Late passes"].startswith("Ours (invented): plowing of Site ")
    assert "not done before the next pass is due" in rows["Late passes"]
    late = schedule.late[0]
    said = "\n".join(trace_lines(plan, late.site))
    assert "Late: plow of " in said
    assert late.text in said


def test_high_priority_comes_first_where_time_is_short():
    slow = {"plow": PLOW | {"coverage_rate": "25000 ft2/h", "serves": ["vehicle"]}}
    file, plan = plan_for(6, plows=slow)
    (schedule,) = plan.passes
    first = min(one.planned_at for one in schedule.late)
    priority = {key: site.priority for key, site in file.sites.items()}
    late = [priority[one.site] for one in schedule.late if one.planned_at == first]
    done = [priority[key[0]] for key in stops_of(plan, "plow") if key[2] == first]
    assert done
    assert max(done) <= min(late)


def test_cards_and_routes_have_plows_and_spreaders(busy):
    _, plan = busy
    views = {view.vehicle: view for view in round_views(plan)}
    assert {"Plow, plowing", "Salter, spreading"} <= set(views)
    salter = views["Salter, spreading"]
    assert salter.loads[0].heading.startswith("Load 1: ")
    assert " lb of salt, leave " in salter.loads[0].heading
    assert views["Plow, plowing"].loads[0].heading.startswith("Round 1, leave ")
    assert salter.loads[0].heading.endswith(salter.leave.split(", ")[1].removesuffix(" CST"))
    assert all(stop.rate.endswith(" lb/1000 ft²") for stop in salter.loads[0].stops)
    truck = views["Truck, post-treating"].loads[0]
    assert "gal of 80/20 calcium 32 %, leave " in truck.heading
    assert all(" gal/1000 ft²" in stop.rate for stop in truck.stops)
    said = {(stop.surface, stop.amount) for load in views["Plow, plowing"].loads
            for stop in load.stops}  # fmt: skip
    assert said == {("asphalt lot", "plow"), ("walk", "shovel")}
    files = reports.render_reports(plan)
    assert "Salter, spread 1" in files["rounds.gpx"]
    assert "Plow, plowing" in files["rounds.html"]


def test_the_commented_vehicles_of_the_example_are_valid():
    text = Path("sites.example.yaml").read_text(encoding="utf-8")
    begin = text.index("    # spreaders:")
    block = text[begin : text.index("\nclients:", begin)]
    shown = "\n".join(line.replace("    # ", "    ", 1) for line in block.splitlines())
    yard = sites_file.parse_sites(text.replace(block, shown)).yards
    (named,) = [one for one in yard.values() if one.spreaders]
    assert named.spreaders.keys() == named.plows.keys() == {"salter-1"}
    assert named.spreaders["salter-1"].hopper_kg == pytest.approx(4000 * 0.45359237)


def test_one_key_is_one_vehicle():
    with pytest.raises(SitesError, match="'truck' is one vehicle, and is called Truck and Plow"):
        plan_for(1, plows={"truck": PLOW})
