"""Several forecasts of one place: in what they differ, and whose is followed."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from helpers.diagnostics import degraded_lines
from helpers.published_tables import NOON, between_hours, forecast_cell
from helpers.sites import parse_sites, site_entry

from stormplan.errors import ExitCode
from stormplan.events.hazards import Hazard
from stormplan.planning.planner import SiteForecasts, make_plan
from stormplan.treatment.records import Action
from stormplan.words import briefing, terminal

LOT = {"lot": {"class": "asphalt_lot", "area": "20000 ft2"}}
PLACES = {"a": site_entry(43.1, -89.4, LOT)}
MILD = {"air_temp_c": 6.0, "dew_point_c": -2.0}
SNOW = {
    "air_temp_c": -3.0,
    "dew_point_c": -5.0,
    "snowfall_swe_mm": between_hours(14, 20, 0.5),
    "snowfall_cm": between_hours(14, 20, 0.7),
    "pop": 0.8,
}


def other(source="metno", **weather):
    return replace(forecast_cell(name="B/1", **weather), source=source)


def planned(first, *others, **more):
    answer = SiteForecasts(forecast_cell(**first), None, others)
    return make_plan(parse_sites(PLACES, **more), {"a": answer}, NOON)


def test_two_that_agree_are_told_apart_in_nothing():
    (found,) = planned(SNOW).sites
    assert found.other_sources == ()
    (found,) = planned(SNOW, other(**SNOW)).sites
    assert [(one.summary.source, one.differences) for one in found.other_sources] == [("metno", ())]


def test_what_differs_is_what_matters():
    later = SNOW | {
        "snowfall_swe_mm": between_hours(20, 26, 0.5),
        "snowfall_cm": between_hours(20, 26, 0.7),
    }
    deep = SNOW | {"snowfall_cm": between_hours(14, 20, 1.2)}
    cold = SNOW | {"air_temp_c": -9.0, "dew_point_c": -11.0}
    differs = {
        name: set(planned(SNOW, other(**weather)).sites[0].other_sources[0].differences)
        for name, weather in {"mild": MILD, "later": later, "deep": deep, "cold": cold}.items()
    }
    assert differs["mild"] == {"decision", "onset", "coldest pavement", "snow"}
    assert "onset" in differs["later"]
    assert "snow" not in differs["later"]
    assert "snow" in differs["deep"]  # 6 h at 1.2 instead of 0.7 cm/h: 3 cm, more than an inch
    assert "coldest pavement" in differs["cold"]  # 6 K colder air, more than 2 K


def test_how_warm_a_warm_pavement_is_matters_to_nobody():
    warm, warmer = MILD, {"air_temp_c": 14.0, "dew_point_c": 5.0}
    (found,) = planned(warm, other(**warmer)).sites
    assert found.other_sources[0].differences == ()


def test_the_preferred_source_is_followed_unless_policy_wants_the_more_cautious():
    preferred = planned(MILD, other(**SNOW))
    assert preferred.verdict == "nothing"
    assert preferred.sites[0].source.source == "nws"
    assert preferred.sites[0].source_choice == "preferred"
    assert preferred.sites[0].other_sources[0].summary.hazard in (
        Hazard.LIGHT_SNOW,
        Hazard.MODERATE_SNOW,
    )

    policy = {"policy": {"when_sources_differ": "cautious"}}
    cautious = planned(MILD, other(**SNOW), **policy)
    assert cautious.verdict != "nothing"
    assert cautious.sites[0].source.source == "metno"
    assert cautious.sites[0].source_choice == "more cautious"
    assert cautious.sites[0].other_sources[0].summary.source == "nws"
    assert cautious.sites[0].other_sources[0].summary.action is Action.NOTHING
    columns = {surface.hourly_id for surface in cautious.sites[0].surfaces}
    assert columns <= set(cautious.hourly)
    # the preferred one where it is the more cautious itself
    again = planned(SNOW, other(**MILD), **policy)
    assert again.sites[0].source.source == "nws"
    assert again.sites[0].source_choice == "preferred"


def test_the_briefing_says_where_they_differ_and_whom_it_follows():
    shown = briefing.build_view(planned(MILD, other(**SNOW)))
    text = terminal.render_text(shown)
    assert "Second opinion" in text
    assert "MET Norway has" in text
    cautious = {"policy": {"when_sources_differ": "cautious"}}
    other_way = briefing.build_view(planned(MILD, other(**SNOW), **cautious))
    said = " ".join(terminal.render_text(other_way).split())
    assert "planned by MET Norway, the more cautious one" in said
    same = terminal.render_text(briefing.build_view(planned(SNOW, other(**SNOW))))
    assert "Second opinion" in same
    assert "agree" in same


def test_a_source_that_stands_in_is_said():
    answer = SiteForecasts(forecast_cell(**SNOW), "nws: 503 ForecastGridExpired")
    plan = make_plan(parse_sites(PLACES), {"a": answer}, NOON)
    assert plan.exit_code is ExitCode.DEGRADED
    assert degraded_lines(plan) == ("Site 43.1: planned from nws (nws: 503 ForecastGridExpired)",)


def test_a_site_with_fewer_sources_than_another_is_planned_too():
    places = {"a": site_entry(43.1, -89.4, LOT), "b": site_entry(43.2, -89.5, LOT)}
    plan = make_plan(
        parse_sites(places),
        {
            "a": SiteForecasts(forecast_cell(**SNOW), None, (other(**MILD),)),
            "b": SiteForecasts(forecast_cell(**SNOW)),
        },
        NOON,
    )
    by_key = {found.key: found for found in plan.sites}
    assert len(by_key["a"].other_sources) == 1
    assert by_key["b"].other_sources == ()
    assert [s.treatments[0].action for s in by_key["b"].surfaces] == [
        s.treatments[0].action for s in by_key["a"].surfaces
    ]


def test_a_source_that_knows_no_snow_is_no_reason_to_see_none():
    blind = SNOW | {name: np.full(72, np.nan) for name in ("snowfall_swe_mm", "snowfall_cm")}
    (found,) = planned(SNOW, other(**blind)).sites
    assert found.other_sources[0].summary.snowfall_cm == pytest.approx(0.0)
    assert timedelta(0) <= found.other_sources[0].summary.issued_at - NOON
