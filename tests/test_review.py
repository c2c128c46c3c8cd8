"""Forecasts held against what came: scores of known errors, and the command over an archive."""

import json
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from helpers.command_line import stormplan
from helpers.published_tables import NOON, forecast_cell
from helpers.sites import parse_sites, site_entry, sites_text
from test_metno import body, step

from stormplan.company import sites_file
from stormplan.errors import TooEarlyError
from stormplan.physics import ensemble
from stormplan.physics.bias_correction import PavementReading
from stormplan.planning import plan_io
from stormplan.planning.planner import SiteForecasts, make_plan
from stormplan.record.entries import Light
from stormplan.store import maintenance
from stormplan.store.archive import Archive
from stormplan.units import UnitFormatter
from stormplan.verification import error_records, night_bias, reading_log, report, scores

HOUR = timedelta(hours=1)


def issued(hours_later, air_c):
    """A forecast received some hours after noon, from that hour on."""
    moment = NOON + hours_later * HOUR
    made = forecast_cell(hours=len(air_c), start=moment)
    values = dict(made.values) | {"air_temp_c": np.asarray(air_c, dtype=float).reshape(-1, 1)}
    return replace(made, values={"air_temp_c": values["air_temp_c"]}, fetched_at=moment)


def truth(hours):
    """Ten degrees above freezing and ten below, day about."""
    return np.where((np.arange(hours) // 24) % 2 == 0, 10.0, -10.0)


def test_a_forecast_that_is_always_a_degree_too_warm_has_that_bias_and_that_error():
    came = truth(120)
    cells = [
        issued(at, came[at : at + 60] + np.where(np.arange(60) > 1, 1.0, 0.0))
        for at in range(0, 60, 6)
    ]
    found = scores.score_by_lead("x", scores.match_observations(cells, scores.analyses(cells)))
    assert [(one.from_h, one.to_h) for one in found] == [(3, 12), (12, 24), (24, 48), (48, 72)]
    for one in found:
        assert one.bias_k == pytest.approx(1.0)
        assert one.rmse_k == pytest.approx(1.0)
        assert one.brier_score == pytest.approx(0.0, abs=1e-4)
    # hours scored: those that some later forecast is received at or an hour before
    assert sum(one.hours for one in found) == sum(
        1
        for at in range(0, 60, 6)
        for hour in range(at + 3, at + 60)
        if any(hour - later in (0, 1) for later in range(0, 60, 6))
    )


def test_members_that_all_say_it_freezes_when_it_does_not_score_one():
    # Brier 1950: mean square of forecast chance minus outcome
    made = issued(0, np.full(24, -5.0))
    three = replace(made, values={"air_temp_c": made.values["air_temp_c"].repeat(3, axis=1)})
    came = {NOON + hour * HOUR: 5.0 for hour in range(24)}
    (first, second) = scores.score_by_lead("x", scores.match_observations([three], came))
    assert first.brier_score == second.brier_score == 1.0
    assert [(r.forecast_prob, r.observed_freq) for r in first.reliability] == [(1.0, 0.0)]
    half = replace(three, values={"air_temp_c": np.tile([-5.0, 5.0], (24, 1))})
    assert scores.score_by_lead("x", scores.match_observations([half], came))[
        0
    ].brier_score == pytest.approx(0.25)


def test_a_stated_error_that_is_the_true_one_is_reliable():
    # by the definition of the normal distribution: of the hours given a chance p, p freeze
    rng = np.random.default_rng(3)
    said_c = rng.uniform(-5.0, 5.0, 20_000)
    came_c = said_c + rng.normal(0.0, 1.5, 20_000)  # what a day ahead is stated with
    lead = np.full(20_000, 24.0)
    chance = scores.freezing_probability(said_c[:, None], lead)
    (only,) = scores.score_by_lead(
        "x", scores.ForecastObservationPairs(lead, said_c, came_c, chance)
    )
    assert only.rmse_k == pytest.approx(1.5, rel=0.02)
    for part in only.reliability:
        assert part.observed_freq == pytest.approx(part.forecast_prob, abs=0.03)


def test_the_nearest_word_is_the_analysis_and_a_late_or_unknown_one_is_none():
    early = issued(0, np.arange(10.0))
    upon = issued(4, np.full(5, 50.0))
    gap = issued(6, np.full(5, np.nan))
    found = scores.analyses([early, upon, gap])
    assert found[NOON] == 0.0
    assert found[NOON + 4 * HOUR] == found[NOON + 5 * HOUR] == 50.0
    assert NOON + 2 * HOUR not in found  # two hours ahead of the only word on it
    assert NOON + 6 * HOUR not in found


# --- over an archive


@pytest.fixture
def archive(tmp_path):
    """Eight replies, six hours apart, each 2 °C too cold from two hours ahead on."""
    path = tmp_path / "archive.sqlite"
    came = truth(120)
    with Archive(path) as kept:
        for at in range(0, 48, 6):
            steps = [
                step(at + lead, came[at + lead] - (2.0 if lead > 1 else 0.0), 0.0)
                for lead in range(60)
            ]
            payload = body(*steps)
            moment = NOON - 6 * HOUR + at * HOUR  # the steps of that module begin at its own noon
            kept.add_reply(
                "https://weather.example/complete?lat=60&lon=10",
                200,
                {},
                json.dumps(payload).encode(),
                moment,
                good=True,
            )
        kept.add_reply("https://weather.example/points/1,2", 200, {}, b"{}", NOON, good=True)
        kept.add_reply("https://weather.example/gridpoints/A/1,2", 200, {}, b"{}", NOON, good=True)
    return path


def test_the_archive_is_scored_and_what_cannot_be_read_is_counted(archive):
    with Archive(archive) as kept:
        found = report.verify_forecasts(kept, NOON - 24 * HOUR)
    assert (found.replies, found.unreadable) == (8, 1)
    assert {one.source for one in found.scores} == {"metno"}
    for one in found.scores:
        assert one.bias_k == pytest.approx(-2.0)
    said = "\n".join(report.report_lines(found, UnitFormatter("us")))
    assert "bias -3.6 °F, error 3.6 °F rms" in said
    assert "the source's own later word at 1 of 1 cells" in said
    assert "(published 1.5 °F)" in said  # 0.5 K, and 1 K a day: 0.81 K at 7.5 h
    assert "No forecast is changed by this" in said


def test_readings_of_a_station_nearby_are_the_better_judge(archive, tmp_path):
    # the station reads 1 °C below the source's own word: so the forecasts are 1 °C too cold
    rows = [
        f"{(NOON - 6 * HOUR + hour * HOUR).isoformat()},{came - 1.0}"
        for hour, came in enumerate(truth(120))
    ]
    (tmp_path / "readings.csv").write_text("time,air_temp_c\n" + "\n".join(rows))
    file = tmp_path / "sites.yaml"
    weather = {"sources": ["metno"], "tables": {"a": "readings.csv"}}
    file.write_text(sites_text({"a": site_entry(60.05, 10.05)}, weather=weather))
    command = ("verify-forecasts", "--archive", archive, "--sites", file)
    result = stormplan(*command, "--now", "2026-01-15T00:00Z", "--json")
    assert result.returncode == 0, result.stderr
    found = json.loads(result.stdout)
    assert found["verified_against"] == "held against readings at 1 of 1 cells"
    assert {round(one["bias_k"], 6) for one in found["scores"]} == {-1.0}


def test_the_log_of_surface_readings_scores_the_plans_before_them(demo_plan, tmp_path):
    plan = demo_plan
    site_, surface = plan.sites[0], plan.sites[0].surfaces[0]
    series = plan.hourly[surface.hourly_id]
    log = tmp_path / "readings.jsonl"
    for hour in range(6, 30):  # a degree and a half warmer than planned
        reading_log.append_reading(log, PavementReading(
            time=series.start + (hour + 0.5) * HOUR, site=site_.key, surface=surface.key,
            surface_c=series.surface_c[hour] + 1.5, light=Light.SHADE,
        ))  # fmt: skip
    with Archive(tmp_path / "archive.sqlite") as kept:
        kept.add_plan(plan.made_at, plan_io.plan_json(plan))
        pairs = night_bias.match_pavement_readings(kept, reading_log.load_readings(log))
        assert len(pairs.lead_h) == 24
        np.testing.assert_allclose(pairs.forecast_c - pairs.observed_c, -1.5, atol=1e-9)
        assert pairs.lead_h[0] == pytest.approx(6.0, abs=0.6)
        assert ((pairs.freezing_prob >= 0.0) & (pairs.freezing_prob <= 1.0)).all()
        ours = sites_file.parse_sites(
            sites_text({"a": site_entry(43.1, -89.4)}, readings="readings.jsonl")
        )
        found = report.verify_forecasts(kept, plan.made_at - HOUR, ours, tmp_path)
    assert {one.source for one in found.scores} == {report.PAVEMENT_SOURCE}
    said = "\n".join(report.report_lines(found, UnitFormatter("us")))
    assert "pavement, by the log of readings: surface temperature" in said
    assert "bias -2.7 °F, error 2.7 °F rms, Brier" in said


def test_scores_feed_the_stated_spread_when_told_to_and_never_the_forecast(tmp_path):
    # a record of 3 K a day ahead, where 1.5 K is published
    far_off = [
        scores.Score("nws", 12, 36, 400, 0.2, 3.0, 0.1, ()),
        scores.Score("nws", 36, 60, 90, 0.2, 9.0, 0.1, ()),  # an anecdote
        scores.Score("metno", 12, 36, 90, 0.2, 9.0, 0.1, ()),
    ]
    places = {"a": site_entry(43.1, -89.4, {"lot": {"class": "asphalt_lot", "area": "20000 ft2"}})}

    def planned(own):
        return make_plan(
            parse_sites(places),
            {"a": SiteForecasts(forecast_cell(air_temp_c=3.0))},
            NOON,
            error_records=own,
        )

    with Archive(tmp_path / "archive.sqlite") as kept:
        assert error_records.load_error_records(kept, NOON) == {}
        error_records.save_scores(kept, far_off, NOON - HOUR)
        assert (
            error_records.load_error_records(kept, NOON - 2 * HOUR) == {}
        )  # a past morning knows what it knew
        own = error_records.load_error_records(kept, NOON)
    assert own == {"nws": ensemble.ErrorRecord((24.0,), (3.0,), 400)}
    (used,) = error_records.used_record_diagnostics(own, ["nws", "metno", "nws"])
    assert (used.code, used.source, used.values) == ("error_record_used", "nws", {"hours": 400})
    usual, told = planned({}), planned(own)
    (one,), (two,) = (list(plan.hourly.values()) for plan in (usual, told))
    assert one.air_c == two.air_c
    assert one.surface_c == pytest.approx(two.surface_c, abs=0.8)  # the middle of the members
    at = 30
    assert two.surface_p90_c[at] - two.surface_p10_c[at] > 1.25 * (
        one.surface_p90_c[at] - one.surface_p10_c[at]
    )


def test_review_can_state_what_it_found(archive, tmp_path):
    command = ("verify-forecasts", "--archive", archive, "--use-in-plans")
    result = stormplan(*command, "--now", "2026-01-15T00:00Z")
    assert result.returncode == 0, result.stderr
    with Archive(archive) as kept:
        (row,) = kept.fetch_all("SELECT scores FROM skill")
        assert {one["source"] for one in json.loads(row[0])} == {"metno"}
        problem = maintenance.check_integrity(kept).problems
        assert problem == ()


def test_nothing_to_score_is_one_sentence(tmp_path):
    with (
        Archive(tmp_path / "archive.sqlite") as kept,
        pytest.raises(TooEarlyError, match="no forecast hour since 2026-01-12 has been observed"),
    ):
        report.verify_forecasts(kept, NOON)
