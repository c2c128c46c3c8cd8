"""Ice that a storm leaves: told, never calmer than it is, wherever only a summary is read.

What lies where and when is taken from the refreeze periods of the plan, which ``refreeze.csv`` and
the notices are made of; the words are made of the events.
"""

import csv
import io
import json
import re
from datetime import timedelta
from zoneinfo import ZoneInfo

import pytest
from helpers.one_surface import plan_surface

from stormplan.planning.plan import MANY_SITES
from stormplan.words import briefing, decision_trace, exports, strip_charts, terminal
from stormplan.words.formatting import plan_format
from stormplan.words.ice_text import ice_clause

LEFT = "what the storm leaves"
HOUR = timedelta(hours=1)


def left_ice(plan):
    """The ice that storms leave, with its site."""
    return [
        (site, one)
        for site in plan.sites
        for surface in site.surfaces
        for one in surface.refreeze_periods
        if one.water_source == LEFT
    ]


def with_events(plan, change, *keys):
    """The plan with changed events, of some sites or of all; ``change`` returns what to change."""

    def changed(item):
        if item.event is None:
            return item
        return item.model_copy(update={"event": item.event.model_copy(update=change(item.event))})

    sites = tuple(
        site.model_copy(
            update={
                "surfaces": tuple(
                    surface.model_copy(
                        update={"treatments": tuple(map(changed, surface.treatments))}
                    )
                    for surface in site.surfaces
                )
            }
        )
        if not keys or site.key in keys
        else site
        for site in plan.sites
    )
    return plan.model_copy(update={"sites": sites})


def only_sites(plan, *keys):
    sites = tuple(site for site in plan.sites if site.key in keys)
    return plan.model_copy(update={"sites": sites, "priority_sites": ()})


def without_ice(event):
    return {"ice_until": None, "ice_probability": None}


def rows(plan):
    return {row.label: row.text for row in briefing.build_view(plan).summary_rows}


@pytest.fixture(scope="module")
def in_company_zone(demo_plan):
    """Hours from and to, as the demo's owner reads them."""
    zone = ZoneInfo(demo_plan.timezone)

    def hours(start, end):
        first, last = (f"{at.astimezone(zone):%a %-I %p}" for at in (start, end))
        return f"{first} – {last} {end.astimezone(zone):%Z}"

    return hours


def test_the_first_screen_tells_the_ice_its_hours_and_how_many_sites(demo_plan, in_company_zone):
    ice = left_ice(demo_plan)
    worst = max(one.probability for _, one in ice)
    left = max(one.probability_as_planned for _, one in ice)
    hours = in_company_zone(min(one.start for _, one in ice), max(one.end for _, one in ice))
    sites = {site.key for site, _ in ice}
    assert rows(demo_plan)["Ice after"] == (
        f"up to {100 * worst:.0f} %, {hours} ({len(sites)} sites); {100 * left:.0f} % if treated"
    )
    labels = list(rows(demo_plan))
    assert labels.index("Ice after") == labels.index("Chance") + 1  # beside what else may come
    (row,) = [line for line in briefing.build_view(demo_plan).timeline if "Ice" in line.hazard]
    assert row.text.endswith(
        f"; up to {100 * worst:.0f} % likely; up to {100 * left:.0f} % with all planned work done"
    )
    view = briefing.build_view(demo_plan)
    for told in (terminal.render_text(view), briefing.render_html(view)):
        assert f"up to {100 * worst:.0f} %, Tue" in " ".join(told.split())


def test_where_one_site_has_ice_it_is_named_and_its_worst_surface_counts(demo_plan):
    (one, *_) = demo_plan.sites
    assert len(one.surfaces) > 1
    alone = rows(only_sites(demo_plan, one.key))["Ice after"]
    assert f"({one.name})" in alone
    worst = max(period.probability for _, period in left_ice(only_sites(demo_plan, one.key)))
    assert f"{100 * worst:.0f} %, Tue" in alone


def test_a_single_icy_surface_among_many_is_what_is_told(demo_plan):
    # one lot at 94 % is not averaged away, nor is it less where the source gives no chance of snow
    last = demo_plan.sites[-1].key
    key = next(site.key for site, _ in left_ice(demo_plan) if site.key != last)
    worse = with_events(
        demo_plan,
        lambda event: (
            {"ice_probability": 0.94, "probability": 0.2, "chance_given": False}
            if event.ice_until
            else {}
        ),
        key,
    )
    assert rows(worse)["Ice after"].startswith("up to 94 %, ")
    view = briefing.build_view(worse)
    (line,) = [period for period in view.timeline if period.hazard == "Ice afterward"]
    assert "up to 94 % likely" in line.text
    assert "94 %" in next(site for site in view.sites if site.key == key).summary


def test_ice_that_no_planned_work_lessens_is_said_to_stay_as_likely(demo_plan):
    same = with_events(
        demo_plan,
        lambda event: (
            {"ice_probability": 0.6, "probability_as_planned": 0.6} if event.ice_until else {}
        ),
    )
    assert rows(same)["Ice after"].endswith("; 60 % if treated")
    (line,) = [one for one in briefing.build_view(same).timeline if "Ice" in one.hazard]
    assert line.text.endswith("; 60 % likely; as likely with all planned work done")
    # where one surface gets nothing, all of its ice is left
    keys = {site.key for site, _ in left_ice(demo_plan)}
    first, *others = keys
    bare = with_events(
        with_events(same, lambda event: {"probability_as_planned": None}, first),
        lambda event: {"probability_as_planned": 0.1},
        *others,
    )
    assert rows(bare)["Ice after"].endswith("; 60 % if treated")
    nothing = with_events(same, lambda event: {"probability_as_planned": None})
    assert "if treated" not in rows(nothing)["Ice after"]


def test_without_ice_nothing_is_said_of_it(demo_plan):
    bare = with_events(demo_plan, without_ice)
    view = briefing.build_view(bare)
    assert "Ice after" not in terminal.render_text(view)
    assert "ice afterward" not in terminal.render_text(view)
    assert all("; ice " not in site.summary for site in view.sites)
    assert all(not line.work.endswith("Ice afterward") for line in view.yard_index)


def test_the_storm_lists_the_ice_in_its_hours(demo_plan, in_company_zone):
    ice = left_ice(demo_plan)
    (line,) = [
        one for one in briefing.build_view(demo_plan).timeline if one.hazard == "Ice afterward"
    ]
    assert line.when == in_company_zone(
        min(one.start for _, one in ice), max(one.end for _, one in ice)
    )
    assert line.text.startswith(f"{len({site.key for site, _ in ice})} sites; up to ")
    starts = [one.when for one in briefing.build_view(demo_plan).timeline]
    assert starts.index(line.when) > 0  # in order of time, after what it follows


def test_the_ice_of_two_storms_stands_twice_in_the_storm(demo_plan):
    site, *_ = demo_plan.sites
    first = next(
        s for s in site.surfaces if any(t.event and t.event.ice_until for t in s.treatments)
    )
    item = next(t for t in first.treatments if t.event and t.event.ice_until)
    end = item.event.end

    def told(event):
        return item.model_copy(update={"event": item.event.model_copy(update=event)})

    two = (
        told({"ice_until": end + 2 * HOUR}),
        told({"start": end + 9 * HOUR, "end": end + 10 * HOUR, "ice_until": end + 12 * HOUR}),
    )
    surface = first.model_copy(update={"treatments": two})
    alone = site.model_copy(update={"surfaces": (surface,)})
    plan = demo_plan.model_copy(update={"sites": (alone,), "priority_sites": ()})
    fmt = plan_format(plan)
    told = [one.when for one in briefing.build_view(plan).timeline if one.hazard == "Ice afterward"]
    assert told == [
        fmt.time_range(end, end + 2 * HOUR),
        fmt.time_range(end + 10 * HOUR, end + 12 * HOUR),
    ]


def test_each_site_and_each_event_says_its_ice(demo_plan):
    view = briefing.build_view(demo_plan)
    by_key = {site.key: site for site in view.sites}
    for site in demo_plan.sites:
        ice = [one for _, one in left_ice(only_sites(demo_plan, site.key))]
        summary = by_key[site.key].summary
        assert ("; ice " in summary) == bool(ice)
        fmt = plan_format(demo_plan).in_zone(site.timezone)
        lines = " ".join(task.event for task in by_key[site.key].tasks)
        for one in ice:
            assert (
                f"ice afterward to {fmt.day_hour(one.end)}, {100 * one.probability:.0f} %" in lines
            )
        if ice:
            last = max(one.end for one in ice)
            assert fmt.time_range(min(one.start for one in ice), last) in summary


def test_nobody_is_told_that_treated_ice_is_ruled_out(demo_plan):
    gone = with_events(
        demo_plan, lambda event: {"probability_as_planned": 0.001} if event.ice_until else {}
    )
    assert rows(gone)["Ice after"].endswith("; under 5 % if treated")
    text = " ".join(terminal.render_text(briefing.build_view(gone)).split())
    assert "under 5 % with all planned work done" in text
    assert not re.search(r"\b0 % (with|if)", text)


def test_an_event_without_ice_has_no_clause(demo_plan):
    events = [item.event for site in demo_plan.sites for _, item in site.treatments if item.event]
    fmt = plan_format(demo_plan)
    assert {bool(ice_clause(event, fmt)) for event in events} == {True, False}
    assert all(bool(ice_clause(one, fmt)) == (one.ice_until is not None) for one in events)


def test_an_index_of_yards_tells_the_ice_of_each(demo_plan):
    icy = next(site for site, _ in left_ice(demo_plan))
    calm = next(s for s in demo_plan.sites if s.key not in {k.key for k, _ in left_ice(demo_plan)})
    sites = [
        site.model_copy(update={"key": f"{yard}{at}", "name": f"{yard} {at}", "yard": yard})
        for yard, site in (("icy", icy), ("calm", calm))
        for at in range(MANY_SITES)
    ]
    yards = [
        demo_plan.yards[0].model_copy(update={"yard": key, "name": key}) for key in ("icy", "calm")
    ]
    many = demo_plan.model_copy(
        update={"sites": tuple(sites), "yards": tuple(yards), "priority_sites": ()}
    )
    lines = {line.name: line.work for line in briefing.build_view(many).yard_index}
    worst = max(one.probability for _, one in left_ice(only_sites(demo_plan, icy.key)))
    assert re.search(rf"Ice afterward: .*{100 * worst:.0f} %, .*sites\)", lines["icy"])
    assert "Ice" not in lines["calm"]


def test_tables_and_map_carry_the_ice(demo_plan):
    table = list(csv.DictReader(io.StringIO(exports.treatments_csv(demo_plan))))
    told = {
        (row["site"], row["surface"], row["ice_until"], row["ice_probability"])
        for row in table
        if row["ice_until"]
    }
    refreeze = csv.DictReader(io.StringIO(exports.refreeze_csv(demo_plan)))
    assert told == {
        (row["site"], row["surface"], row["end"], row["probability"])
        for row in refreeze
        if row["water_source"] == LEFT
    }
    for feature in json.loads(exports.sites_geojson(demo_plan))["features"]:
        ice = [one for _, one in left_ice(only_sites(demo_plan, feature["id"]))]
        chance = max((round(one.probability, 2) for one in ice), default=None)
        until = max((one.end for one in ice), default=None)
        assert feature["properties"]["ice_probability"] == chance
        assert feature["properties"]["ice_until"] == (
            None if until is None else until.isoformat(timespec="minutes")
        )


def test_the_trace_of_a_decision_has_the_ice(demo_plan):
    site, one = max(left_ice(demo_plan), key=lambda each: each[1].probability)
    fmt = plan_format(demo_plan).in_zone(site.timezone)
    trace = "\n".join(decision_trace.trace_lines(demo_plan, site.key))
    assert f"Ice afterward to {fmt.day_hour(one.end)}, {100 * one.probability:.0f} %" in trace


def test_the_chart_is_slick_as_long_as_the_ice_lies(demo_plan):
    for column in strip_charts._event_columns(demo_plan):
        ice = {
            (one.start, one.end)
            for _, surface in column.surfaces
            for one in surface.refreeze_periods
            if one.water_source == LEFT and one.probability >= strip_charts.MIN_FILLED_PROBABILITY
        }
        (slick,) = [row for row in strip_charts._bar_rows(column) if row.label == "slick"]
        assert ice <= set(slick.periods)
        hours = strip_charts._drawn_hours(column)
        last = max((end for _, end in ice), default=column.series.start)
        assert column.series.start + hours * HOUR >= last


def test_wet_snow_and_a_cold_night_are_told_through():
    # snow that falls at the freezing point and freezes under a clear sky: the plan itself says so
    made = plan_surface(
        air_temp_c={0: 0.5, 6: 0.0, 14: -3.0, 20: -8.0},
        dew_point_c={0: -0.5, 6: -1.0, 14: -5.0, 20: -10.0},
        cloud_frac={0: 1.0, 14: 0.0},
        snowfall_swe_mm={0: 0.0, 6: 1.0, 10: 0.0},
        snowfall_cm={0: 0.0, 6: 0.8, 10: 0.0},
        pop={0: 0.1, 6: 0.8, 10: 0.1},
    )
    ice = left_ice(made)
    assert ice
    worst = max(one.probability for _, one in ice)
    told = rows(made)["Ice after"]
    assert ("over 95 %" if worst > 0.955 else f"{100 * worst:.0f} %") in told


def test_ice_of_no_known_chance_is_told_as_likely_as_what_brings_it(demo_plan):
    fmt = plan_format(demo_plan)
    unknown = with_events(
        demo_plan,
        lambda event: {"ice_probability": None, "probability": 0.9} if event.ice_until else {},
    )
    rows = [row for row in briefing.build_view(unknown).summary_rows if row.label == "Ice after"]
    assert [row.text[:4] for row in rows] == ["90 %"]
    events = [t.event for site in unknown.sites for _, t in site.treatments if t.event]
    told = [ice_clause(one, fmt) for one in events if one.ice_until]
    assert told
    assert all("90 % likely" in one for one in told)
