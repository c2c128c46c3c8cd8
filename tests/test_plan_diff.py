"""What is different between two plans, and what of it is worth telling."""

import json
from datetime import timedelta
from zoneinfo import ZoneInfo

import pytest
from helpers.published_tables import NOON, cell, spell
from helpers.sites import company, site

from stormplan.company.practice_rules import Practice
from stormplan.planning import plan_diff
from stormplan.planning.plan_diff import Gist, SiteGist, SurfaceGist, compare, is_material
from stormplan.planning.planner import Answer, make_plan
from stormplan.service import pipeline
from stormplan.units import Speaker, f_to_c
from stormplan.words import change_text
from stormplan.words.formatting import Words

HOUR = timedelta(hours=1)
US = Words(Speaker("us"), ZoneInfo("America/Chicago"))


def surface(**more):
    usual = {
        "name": "lot",
        "action": "pre-treat",
        "hazard": "light snow",
        "starts": NOON + 10 * HOUR,
        "volume_l": 100.0,
        "coldest_c": -4.0,
    }
    return SurfaceGist(**usual | more)


def plan(verdict="go", source="nws", stale=False, key="a", **more):
    place = SiteGist("Mill Court", source, stale, {"lot": surface(**more)} if source else {})
    return Gist(verdict, NOON + 8 * HOUR, {key: place})


def kinds(before, after, practice=None):
    return [(c.kind, c.material) for c in compare(before, after, practice or Practice())]


def test_the_same_plan_is_no_change():
    assert compare(plan(), plan(), Practice()) == ()


@pytest.mark.parametrize(
    ("after", "expected"),
    [
        ({"starts": NOON + 7 * HOUR}, ("earlier", True)),
        ({"starts": NOON + 11 * HOUR}, ("later", False)),
        ({"coldest_c": -7.0}, ("colder", True)),
        ({"coldest_c": -3.5}, ("warmer", False)),
        ({"volume_l": 130.0}, ("more", True)),
        ({"volume_l": 90.0}, ("less", False)),
        ({"action": "solids"}, ("action", True)),
        ({"hazard": "sleet"}, ("event", True)),
        ({"stale": True}, ("stale", True)),
        ({"source": "metno"}, ("source", True)),
    ],
)
def test_each_difference_has_its_name_and_weight(after, expected):
    assert kinds(plan(), plan(**after)) == [expected]


def test_from_when_a_difference_is_told_is_policy():
    moved = plan(starts=NOON + 11 * HOUR)
    assert kinds(plan(), moved) == [("later", False)]
    assert kinds(plan(), moved, Practice(("company", {"tell_start": 0.5}))) == [("later", True)]


def test_a_surface_may_have_its_own_measure():
    def practice_of(site, surface):
        assert (site, surface) == ("a", "lot")
        return Practice(("surface", {"tell_volume": 0.05}))

    found = compare(plan(), plan(volume_l=92.0), Practice(), practice_of)
    assert [(change.kind, change.material) for change in found] == [("less", True)]


def test_small_steps_add_up():
    steps = [plan(volume_l=100.0 * 0.92**step) for step in range(3)]
    assert kinds(steps[0], steps[1]) == kinds(steps[1], steps[2]) == [("less", False)]
    assert kinds(steps[0], steps[2]) == [("less", True)]


def test_sites_join_leave_come_and_go():
    idle = plan("nothing", action="nothing", hazard="", starts=None, volume_l=0.0)
    assert ("joined", True) in kinds(idle, plan())
    assert ("left", True) in kinds(plan(), idle)
    assert kinds(plan(key="a"), plan(key="b")) == [("added", True), ("removed", True)]
    assert ("forecast lost", True) in kinds(plan(), plan(source=None))
    assert ("forecast back", True) in kinds(plan(source=None), plan())


def test_where_nobody_works_a_cold_night_is_no_news():
    before, after = plan(action="nothing"), plan(action="nothing", coldest_c=-20.0)
    found = compare(before, after, Practice())
    assert [change.kind for change in found] == ["colder"]
    assert not is_material(found)


SNOW = {
    "air_temp_c": {0: -1.0, 12: -3.0},
    "dew_point_c": {0: -6.0, 10: -4.0},
    "snow_we_mm": spell(12, 18, 0.5),
    "snow_depth_cm": spell(12, 18, 0.6),
    "pop": {0: 0.1, 11: 0.8, 19: 0.1},
}


def planned(now):
    sites = {"a": site(43.1, -89.4, {"lot": {"class": "asphalt_lot", "area": "20000 ft2"}})}
    return make_plan(company(sites), {"a": Answer(cell(**SNOW))}, now)


def gist(made, now):
    return plan_diff.gist(json.loads(pipeline.document(made)), now)


def test_that_time_passes_is_no_change():
    early, late = planned(NOON), planned(NOON + 14 * HOUR)  # the storm is on by then
    now = late.made_at
    before, after = gist(early, now), gist(late, now)
    assert before.sites["a"].surfaces["lot"].starts == now
    told = [change.kind for change in compare(before, after, Practice()) if change.material]
    assert "later" not in told
    assert "left" not in told


def test_a_storm_that_is_over_has_not_left():
    early = planned(NOON)
    after = gist(early, NOON + 72 * HOUR)  # and what it left has frozen and dried
    assert after.sites["a"].surfaces["lot"].action == "nothing"
    assert not after.sites["a"].works


def test_a_plan_of_another_version_is_said_not_to_be_compared():
    made = planned(NOON)
    again = pipeline.compared(made, '{"verdict": "go"}', company({"a": site(43.1, -89.4)}))
    assert again.changes == ()
    assert any("another version" in line for line in again.remarks)


def test_changes_in_words():
    found = compare(
        plan(),
        plan(starts=NOON + 7 * HOUR, coldest_c=f_to_c(20.0), volume_l=3.785411784 * 40),
        Practice(),
    )
    assert change_text.change_lines(found, US) == (
        "Mill Court, lot: earlier, from Mon 7 PM, was Mon 10 PM",
        "Mill Court, lot: 5 °F colder, pavement down to 20 °F",
        "Mill Court, lot: more, 40 gal, was 26 gal",
    )
    many = tuple(found) * 10
    lines = change_text.change_lines(many, US)
    assert len(lines) == change_text.MOST_SHOWN + 1
    assert lines[-1] == "and 18 more like these"


def test_small_differences_are_only_counted():
    found = compare(plan(), plan(starts=NOON + 11 * HOUR, volume_l=99.0), Practice())
    assert change_text.change_lines(found, US) == ("2 smaller differences",)
