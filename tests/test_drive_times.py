"""Driving times that nobody wrote down: learned from the record, or asked of a router.

The router's answers have the form of OSRM's HTTP API, table service (docs/http.md of the server:
``code``, and ``durations`` in seconds, row by row); numbers are invented.
"""

from datetime import timedelta
from statistics import median

import pytest
from helpers.http_service import ScriptedReply
from helpers.published_tables import NOON, between_hours, forecast_cell
from helpers.sites import BASE_SECTIONS, parse_sites, site_entry

from stormplan.operations.travel import YARD, DriveTables, travel_table
from stormplan.planning.planner import SiteForecasts, make_plan
from stormplan.record.drive_history import learned_minutes
from stormplan.record.entries import Application, LoadDrawn
from stormplan.service import drive_router, pipeline
from stormplan.store.archive import Archive
from stormplan.units import UnitFormatter
from stormplan.weather.http_client import ClientPolicy
from stormplan.words.round_text import travel_text

LOT = {"class": "asphalt_lot", "area": "43560 ft2"}  # an acre: 20 minutes at 3 acres an hour
SERVICE_MIN = 20.0
QUICK = ClientPolicy(min_interval_s=0.0, timeout_s=(0.5, 0.5), sleep=lambda seconds: None)
JSON = {"Content-Type": "application/json; charset=UTF-8"}


def sites_file(count=2, **more):
    places = {f"s{n}": site_entry(43.1 + n / 100, -89.4, {"lot": LOT}, name=f"Site {n}")
              for n in range(1, count + 1)}  # fmt: skip
    return parse_sites(places, **more)


def sprayed(site, minute, day=0):
    at = NOON - timedelta(days=30 - day) + timedelta(minutes=minute)
    return Application(
        id=f"{site}{day}{minute}", at=at, site=site, surface="lot", rate_l_m2=0.02, sprayer="truck"
    )


def loaded(minute, day=0):
    at = NOON - timedelta(days=30 - day) + timedelta(minutes=minute)
    part = {"store": "t1", "volume_l": 100.0}
    return LoadDrawn(id=f"load{day}{minute}", at=at, yard="north", sprayer="truck", parts=(part,))


def trips(*minutes, first=("s1", "s2")):
    """Return mornings with one drive each between two sites."""
    return [
        entry
        for day, drive in enumerate(minutes)
        for entry in (sprayed(first[0], 0, day), sprayed(first[1], SERVICE_MIN + drive, day))
    ]


def test_a_drive_is_what_lies_between_two_services_without_the_second():
    drives = (7.0, 9.0, 8.0, 12.0, 7.5)
    found = learned_minutes(trips(*drives), sites_file())
    assert found == {("s1", "s2"): pytest.approx(median(drives))}


def test_both_ways_count_together_and_a_pause_teaches_nothing():
    there, back = trips(7.0, 9.0), trips(50.0, 8.0, 75.0, first=("s2", "s1"))
    days = timedelta(days=10)
    later = [one.model_copy(update={"at": one.at + days, "id": f"b{one.id}"}) for one in back]
    found = learned_minutes([*there, *later], sites_file())
    assert found == {("s1", "s2"): pytest.approx(median([7.0, 9.0, 50.0, 8.0]))}


def test_too_few_drives_teach_nothing():
    assert learned_minutes(trips(7.0, 9.0), sites_file()) == {}


def test_what_was_logged_in_one_go_in_the_evening_teaches_nothing():
    evening = [
        sprayed(site, minute, day)
        for day in range(5)
        for site, minute in (("s1", 0.0), ("s2", 0.5))
    ]
    assert learned_minutes(evening, sites_file()) == {}


def test_a_load_at_the_yard_begins_a_drive_from_there():
    mornings = [
        entry
        for day, drive in enumerate((11.0, 12.0, 14.0))
        for entry in (loaded(0.0, day), sprayed("s1", drive + SERVICE_MIN, day))
    ]
    assert learned_minutes(mornings, sites_file()) == {("north", "s1"): pytest.approx(12.0)}


def test_the_first_that_has_a_pair_gives_its_time():
    places = {YARD: (43.1, -89.4), "a": (43.2, -89.4), "b": (43.1, -89.3)}
    tables = DriveTables(
        listed={("north", "a"): 10.0},
        learned={("north", "a"): 20.0, ("a", "b"): 21.0},
        routed={(one, other): 30.0 for one in ("north", "a") for other in ("a", "b", "north")},
    )
    found = travel_table("north", places, tables, sites_file().practice())
    assert found.between_s(YARD, "a") == found.between_s("a", YARD) == 600
    assert found.between_s("a", "b") == found.between_s("b", "a") == 1260
    assert found.between_s(YARD, "b") == 1800
    basis = found.basis
    assert (basis.listed_count, basis.learned_count, basis.routed_count) == (2, 2, 2)
    assert basis.estimated_count == 0


def test_the_plan_says_what_each_drive_rests_on():
    amount = between_hours(14, 20, 0.5)
    cell = SiteForecasts(forecast_cell(air_temp_c=-3.0, dew_point_c=-7.0, pop=0.9,
                                       snowfall_swe_mm=amount, snowfall_cm=amount))  # fmt: skip
    drives = DriveTables(learned={("s1", "s2"): 9.0}, routed={("north", "s1"): 3.0})
    plan = make_plan(sites_file(), {"s1": cell, "s2": cell}, NOON, drives=drives)
    said = travel_text(plan.yards[0].sprayer_schedule, UnitFormatter("us"))
    assert "2 learned from the record, 2 by your router, 2 by distance (1.35 times" in said


# -- the router -----------------------------------------------------------------------------------


def routed(replay, tmp_path, answer, **more):
    """Return the minutes and the diagnostics of two sites' router that answers so."""
    company = BASE_SECTIONS["company"] | {"router_url": replay.base_url}
    sites = sites_file(company=company, **more)
    replay.script(
        "/table/v1/driving/-89.400000,43.100000;-89.400000,43.110000;-89.400000,43.120000", answer
    )
    with Archive(tmp_path / "archive.sqlite") as archive:
        return pipeline._routed_minutes(sites, archive, NOON, QUICK, False)


TABLE = [[0, 192.6, 382.8], [199, 0, None], [344.7, 222.3, 0]]


def test_a_routers_table_is_read_each_way(replay, tmp_path):
    answer = ScriptedReply({"code": "Ok", "durations": TABLE}, headers=JSON)
    minutes, problems = routed(replay, tmp_path, answer)
    assert problems == ()
    assert minutes == {
        ("north", "s1"): pytest.approx(3.21),
        ("north", "s2"): pytest.approx(6.38),
        ("s1", "north"): pytest.approx(199 / 60),
        ("s2", "north"): pytest.approx(5.745),
        ("s2", "s1"): pytest.approx(3.705),
    }  # no road from s1 to s2
    routed(replay, tmp_path, answer)
    assert len(replay.requests) == 1  # roads do not change overnight


@pytest.mark.parametrize(
    ("body", "says"),
    [
        ({"code": "NoTable", "message": "none"}, "the router says 'NoTable'"),
        ({"durations": TABLE}, "the router says 'nothing of use'"),
        ([1, 2], "the router says 'nothing of use'"),
        ({"code": "Ok", "durations": TABLE[:2]}, "has not 3 rows"),
        ({"code": "Ok", "durations": [*TABLE[:2], [1, 2]]}, "has not 3 times"),
        ({"code": "Ok", "durations": [*TABLE[:2], [1, "2", 0]]}, "is no number"),
        ({"code": "Ok", "durations": [*TABLE[:2], [1, True, 0]]}, "is no number"),
        ({"code": "Ok", "durations": [*TABLE[:2], [1, -2.0, 0]]}, "is no driving time"),
        ({"code": "Ok", "durations": [*TABLE[:2], [1, 1e6, 0]]}, "is no driving time"),
    ],
)
def test_what_is_no_table_counts_as_none_and_is_said(replay, tmp_path, body, says):
    minutes, problems = routed(replay, tmp_path, ScriptedReply(body, headers=JSON))
    assert minutes == {}
    (problem,) = problems
    assert problem.code == "router_unusable"
    assert says in problem.text("reason")
    assert "43.1" not in problem.text("reason")
    assert problem.is_degrading


def test_a_router_that_hangs_is_waited_for_as_policy_says(replay, tmp_path):
    answer = ScriptedReply({"code": "Ok", "durations": TABLE}, headers=JSON, byte_delay_s=0.2)
    minutes, problems = routed(replay, tmp_path, answer, policy={"router_wait": "0.02 min"})
    assert minutes == {}
    assert "(rule router_wait)" in problems[0].text("reason")


def test_many_places_are_asked_for_in_blocks_that_a_server_takes():
    places = [(f"s{n}", (43.0 + n / 1000, -89.0)) for n in range(230)]
    pairs = set()
    for origins, destinations in drive_router._blocks(places):
        # osrm-routed --max-table-size is 100 unless set
        assert len({*origins, *destinations}) <= 100
        pairs |= {(one[0], other[0]) for one in origins for other in destinations}
    assert len(pairs) == 230 * 230
