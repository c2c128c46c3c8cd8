"""What is different between two plans, and what of it is worth telling."""

import json
from datetime import timedelta
from zoneinfo import ZoneInfo

import pytest
from helpers.diagnostics import note_lines
from helpers.published_tables import NOON, between_hours, forecast_cell
from helpers.sites import parse_sites, site_entry

from stormplan.company.practice_rules import Practice
from stormplan.planning import plan_diff, plan_io
from stormplan.planning.plan_diff import (
    PlanSummary,
    SiteSummary,
    SurfaceSummary,
    any_material,
    compare_plans,
)
from stormplan.planning.planner import SiteForecasts, make_plan
from stormplan.service import pipeline
from stormplan.units import UnitFormatter, f_to_c
from stormplan.words import change_text
from stormplan.words.formatting import ReportFormat

HOUR = timedelta(hours=1)
US = ReportFormat(UnitFormatter("us"), ZoneInfo("America/Chicago"))


def surface(**more):
    usual = {
        "name": "lot",
        "action": "pre-treat",
        "hazard": "light snow",
        "onset": NOON + 10 * HOUR,
        "volume_l": 100.0,
        "min_pavement_temp_c": -4.0,
    }
    return SurfaceSummary(**usual | more)


def plan(verdict="go", source="nws", stale=False, key="a", **more):
    place = SiteSummary("Mill Court", source, stale, {"lot": surface(**more)} if source else {})
    return PlanSummary(verdict, NOON + 8 * HOUR, {key: place})


def kinds(before, after, practice=None):
    return [
        (c.kind, c.worth_announcing) for c in compare_plans(before, after, practice or Practice())
    ]


def test_the_same_plan_is_no_change():
    assert compare_plans(plan(), plan(), Practice()) == ()


@pytest.mark.parametrize(
    ("after", "expected"),
    [
        ({"onset": NOON + 7 * HOUR}, ("earlier", True)),
        ({"onset": NOON + 11 * HOUR}, ("later", False)),
        ({"min_pavement_temp_c": -7.0}, ("colder", True)),
        ({"min_pavement_temp_c": -3.5}, ("warmer", False)),
        ({"volume_l": 130.0}, ("more", True)),
        ({"volume_l": 90.0}, ("less", False)),
        ({"action": "salt"}, ("action", True)),
        ({"hazard": "sleet"}, ("event", True)),
        ({"ice_probability": 0.4}, ("ice more likely", True)),
        ({"ice_probability": 0.1}, ("ice more likely", False)),
        ({"stale": True}, ("stale", True)),
        ({"source": "metno"}, ("source", True)),
    ],
)
def test_each_difference_has_its_name_and_weight(after, expected):
    assert kinds(plan(), plan(**after)) == [expected]


@pytest.mark.parametrize(
    ("before", "after", "expected"),
    [
        (0.44, 0.82, [("ice more likely", True)]),
        (0.82, 0.44, [("ice less likely", True)]),
        (0.44, 0.63, [("ice more likely", False)]),
        (None, 0.2, [("ice more likely", True)]),
        (0.82, None, [("ice less likely", True)]),
        (0.442, 0.444, []),  # the same in whole percent
        (None, None, []),
    ],
)
def test_a_jump_of_the_chance_of_ice_is_told_also_where_nobody_works(before, after, expected):
    for action in ("pre-treat", "wait"):
        old = plan(action=action, ice_probability=before)
        assert kinds(old, plan(action=action, ice_probability=after)) == expected


def test_from_which_jump_on_ice_is_told_is_policy():
    before, after = plan(ice_probability=0.44), plan(ice_probability=0.54)
    assert kinds(before, after) == [("ice more likely", False)]
    fine = Practice(("company", {"announce_ice_probability_change": 0.1}))
    assert kinds(before, after, fine) == [("ice more likely", True)]


def test_from_when_a_difference_is_told_is_policy():
    moved = plan(onset=NOON + 11 * HOUR)
    assert kinds(plan(), moved) == [("later", False)]
    assert kinds(plan(), moved, Practice(("company", {"announce_start_change": 0.5}))) == [
        ("later", True)
    ]


def test_a_surface_may_have_its_own_measure():
    def practice_of(site, surface):
        assert (site, surface) == ("a", "lot")
        return Practice(("surface", {"announce_volume_change": 0.05}))

    found = compare_plans(plan(), plan(volume_l=92.0), Practice(), practice_of)
    assert [(change.kind, change.worth_announcing) for change in found] == [("less", True)]


def test_small_steps_add_up():
    steps = [plan(volume_l=100.0 * 0.92**step) for step in range(3)]
    assert kinds(steps[0], steps[1]) == kinds(steps[1], steps[2]) == [("less", False)]
    assert kinds(steps[0], steps[2]) == [("less", True)]


def test_sites_join_leave_come_and_go():
    idle = plan("nothing", action="nothing", hazard="", onset=None, volume_l=0.0)
    assert ("work added", True) in kinds(idle, plan())
    assert ("work removed", True) in kinds(plan(), idle)
    assert kinds(plan(key="a"), plan(key="b")) == [("added", True), ("removed", True)]
    assert ("forecast lost", True) in kinds(plan(), plan(source=None))
    assert ("forecast restored", True) in kinds(plan(source=None), plan())


def test_where_nobody_works_a_cold_night_is_no_news():
    before, after = plan(action="nothing"), plan(action="nothing", min_pavement_temp_c=-20.0)
    found = compare_plans(before, after, Practice())
    assert [change.kind for change in found] == ["colder"]
    assert not any_material(found)


SNOW = {
    "air_temp_c": {0: -1.0, 12: -3.0},
    "dew_point_c": {0: -6.0, 10: -4.0},
    "snowfall_swe_mm": between_hours(12, 18, 0.5),
    "snowfall_cm": between_hours(12, 18, 0.6),
    "pop": {0: 0.1, 11: 0.8, 19: 0.1},
}


def planned(now):
    sites = {"a": site_entry(43.1, -89.4, {"lot": {"class": "asphalt_lot", "area": "20000 ft2"}})}
    return make_plan(parse_sites(sites), {"a": SiteForecasts(forecast_cell(**SNOW))}, now)


def gist(made, now):
    return plan_diff.summarize_plan(json.loads(plan_io.plan_json(made)), now)


def test_that_time_passes_is_no_change():
    early, late = planned(NOON), planned(NOON + 14 * HOUR)  # the storm is on by then
    now = late.made_at
    before, after = gist(early, now), gist(late, now)
    assert before.sites["a"].surfaces["lot"].onset == now
    told = [
        change.kind
        for change in compare_plans(before, after, Practice())
        if change.worth_announcing
    ]
    assert "later" not in told
    assert "work removed" not in told


def with_event(made, **more):
    """What is compared of a plan whose one surface has one more event, or other values of it."""
    document = json.loads(plan_io.plan_json(made))
    (surface,) = document["sites"][0]["surfaces"]
    item = next(one for one in surface["treatments"] if one["event"] is not None)
    surface["treatments"] = [item | {"event": item["event"] | more}]
    return plan_diff.summarize_plan(document, made.made_at).sites["a"].surfaces["lot"]


def test_ice_that_a_storm_leaves_and_a_refreeze_are_one_chance():
    # the storm is over in the next plan, and what it left is a refreeze there: no news by itself
    made = planned(NOON)
    until = (NOON + 40 * HOUR).isoformat()
    left = with_event(made, ice_until=until, ice_probability=0.8)
    frozen = with_event(made, hazard="refreeze", end=until, probability=0.8, ice_until=None)
    assert left.ice_probability == frozen.ice_probability == 0.8
    over = with_event(
        made, end=(NOON - HOUR).isoformat(), ice_until=until, ice_probability=0.8
    )  # the storm, but not its ice
    assert over.ice_probability == 0.8
    gone = with_event(made, end=(NOON - 2 * HOUR).isoformat(), ice_until=NOON.isoformat())
    assert gone.ice_probability is None
    assert with_event(made, ice_until=None).ice_probability is None


def test_less_ice_is_not_told_of_hours_that_are_not_known():
    made = planned(NOON)
    document = json.loads(plan_io.plan_json(made))
    (surface,) = document["sites"][0]["surfaces"]
    hidden = {"action": "unknown", "event": None}
    surface["treatments"] = [surface["treatments"][0] | hidden]
    blind = plan_diff.summarize_plan(document, made.made_at)
    partly = with_event(made, ice_until=None, unknown=["air temperature"])
    known = with_event(made, ice_until=None)
    assert known.is_ice_known
    for unseen in (blind.sites["a"].surfaces["lot"], partly):
        assert not unseen.is_ice_known
    old = plan(ice_probability=0.82)
    assert kinds(old, plan(ice_probability=None)) == [("ice less likely", True)]
    assert kinds(old, plan(ice_probability=None, is_ice_known=False)) == []
    more = plan(ice_probability=0.95, is_ice_known=False)
    assert kinds(plan(ice_probability=0.5), more) == [("ice more likely", True)]


def test_a_storm_that_is_over_has_not_left():
    early = planned(NOON)
    after = gist(early, NOON + 72 * HOUR)  # and what it left has frozen and dried
    assert after.sites["a"].surfaces["lot"].action == "nothing"
    assert not after.sites["a"].needs_crew


def test_a_plan_of_another_version_is_said_not_to_be_compared():
    made = planned(NOON)
    again = pipeline.with_changes(
        made, '{"verdict": "go"}', parse_sites({"a": site_entry(43.1, -89.4)})
    )
    assert again.changes == ()
    assert any("another version" in line for line in note_lines(again))


def test_changes_in_words():
    found = compare_plans(
        plan(),
        plan(onset=NOON + 7 * HOUR, min_pavement_temp_c=f_to_c(20.0), volume_l=3.785411784 * 40),
        Practice(),
    )
    assert change_text.change_lines(found, US) == (
        "Mill Court, lot: earlier, from Mon 7 PM, was Mon 10 PM",
        "Mill Court, lot: 5 °F colder, pavement down to 20 °F",
        "Mill Court, lot: more, 40 gal, was 26 gal",
    )
    many = tuple(found) * 10
    lines = change_text.change_lines(many, US)
    assert len(lines) == change_text.MAX_LINES + 1
    assert lines[-1] == "and 18 more like these"


def test_a_jump_of_ice_in_words():
    def told(before, after):
        found = compare_plans(plan(ice_probability=before), plan(ice_probability=after), Practice())
        return change_text.change_lines(found, US)

    assert told(0.44, 0.82) == ("Mill Court, lot: ice more likely, 82 %, was 44 %",)
    assert told(0.99, 0.44) == ("Mill Court, lot: ice less likely, 44 %, was over 95 %",)
    assert told(None, 0.82) == ("Mill Court, lot: ice more likely, 82 %, was not watched for",)
    # less than is watched for is not none
    assert told(0.82, None) == (
        "Mill Court, lot: ice less likely, too little to watch for, was 82 %",
    )


def test_small_differences_are_only_counted():
    found = compare_plans(plan(), plan(onset=NOON + 11 * HOUR, volume_l=99.0), Practice())
    assert change_text.change_lines(found, US) == ("2 smaller differences",)
