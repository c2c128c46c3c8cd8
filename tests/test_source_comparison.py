"""Several forecasts of one place: in what they differ, and whose is followed."""

from dataclasses import replace
from datetime import timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from helpers.diagnostics import degraded_lines
from helpers.published_tables import NOON, between_hours, forecast_cell
from helpers.sites import parse_sites, site_entry

from stormplan.company.practice_rules import Practice
from stormplan.errors import ExitCode
from stormplan.events.hazards import Hazard
from stormplan.planning.planner import SiteForecasts, make_plan
from stormplan.planning.source_comparison import SourceDifference, compare_sources
from stormplan.treatment.records import Action
from stormplan.units import UnitFormatter
from stormplan.words import briefing, terminal
from stormplan.words.formatting import ReportFormat
from stormplan.words.source_text import difference_lines

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


def snow_then_thaw(later_c):
    """Six hours of snow, a thaw that melts what is left, and air at a temperature from then on."""
    amount = between_hours(12, 18, 1.0)
    return {
        "air_temp_c": {0: -1.0, 12: -3.0, 19: 2.0, 26: later_c},
        "dew_point_c": {0: -6.0, 12: -4.0, 19: 0.0, 26: later_c - 1.0},
        "snowfall_swe_mm": amount,
        "snowfall_cm": amount,
        "pop": 0.9,
        "cloud_frac": 1.0,
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
    assert differs["mild"] == {"decision", "onset", "coldest pavement", "snow", "ice"}
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


def test_ice_after_the_storm_that_only_the_other_source_has_is_told():
    plan = planned(snow_then_thaw(3.0), other(**snow_then_thaw(-2.0)))
    (found,) = plan.sites
    (other_source,) = found.other_sources
    # the storm is the same, and so is what is done ahead of it
    assert other_source.differences == ("ice",)
    told = max(period.probability for period in found.surfaces[0].refreeze_periods)
    summary = other_source.summary
    assert summary.ice_probability > told + 0.2
    # by itself the other forecast gives this very plan
    alone = planned(snow_then_thaw(-2.0)).sites[0].surfaces[0].refreeze_periods
    assert summary.ice_probability == round(max(period.probability for period in alone), 2)
    assert summary.ice_until == max(period.end for period in alone)
    chance = f"{100 * summary.ice_probability:.0f} %"
    text = " ".join(terminal.render_text(briefing.build_view(plan)).split())
    assert f"(pre-treat), ice to Wed 10 AM, {chance} likely. Differs at 1 of 1 site" in text


@pytest.mark.parametrize(
    ("followed", "other_one", "is_known", "is_told"),
    [
        (0.2, 0.41, True, True),
        (0.2, 0.4, True, False),  # by more than 20 %, not by as much
        (0.2, 0.41, False, True),  # more of it may come, and this much does
        (0.41, 0.2, True, True),
        (0.41, 0.2, False, False),  # as much may come in the hours that are not known
        (0.41, 0.0, True, True),
    ],
)
def test_less_ice_counts_only_where_all_is_known(followed, other_one, is_known, is_told):
    (found,) = planned(SNOW, other(**SNOW)).sites
    summary = found.other_sources[0].summary
    first = summary.model_copy(update={"ice_probability": followed, "is_ice_known": True})
    second = summary.model_copy(update={"ice_probability": other_one, "is_ice_known": is_known})
    compared = compare_sources(first, second, Practice())
    assert compared.differences == (("ice",) if is_told else ())


def test_a_source_whose_hours_end_does_not_rule_ice_out():
    blind = {"air_temp_c": np.r_[np.full(24, -3.0), np.full(48, np.nan)]}
    (found,) = planned(SNOW, other(**SNOW), other(**(SNOW | blind))).sites
    assert [one.summary.is_ice_known for one in found.other_sources] == [True, False]


def test_no_ice_where_the_plan_has_some_is_told_too():
    (found,) = planned(SNOW, other(**SNOW)).sites
    (same,) = found.other_sources
    without = same.summary.model_copy(update={"ice_probability": 0.0, "ice_until": None})
    differs = SourceDifference(summary=without, differences=("ice",))
    site = found.model_copy(update={"other_sources": (differs,)})
    (line,) = difference_lines(site, ReportFormat(UnitFormatter("us"), ZoneInfo(site.timezone)))
    assert line.endswith("(pre-treat), no ice afterward")


def test_of_two_sources_that_have_the_same_storm_the_one_with_ice_after_it_is_the_more_cautious():
    # the one without is the colder one in the storm, and is followed for nothing else
    colder = snow_then_thaw(3.0)
    colder["air_temp_c"] |= {0: -4.0}
    icy = snow_then_thaw(-2.0)
    cautious = {"policy": {"when_sources_differ": "cautious"}}
    (found,) = planned(colder, other(**icy), **cautious).sites
    without = found.other_sources[0].summary
    assert without.min_pavement_temp_c < found.surfaces[0].min_pavement_temp_c
    assert (found.source.source, found.source_choice) == ("metno", "more cautious")
    (found,) = planned(icy, other(**colder), **cautious).sites
    assert (found.source.source, found.source_choice) == ("nws", "preferred")
