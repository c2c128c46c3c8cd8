"""Forecasts held against what came: scores of known errors, and the command over an archive."""

import json
import subprocess
import sys
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from company import site, text
from tables import NOON, cell
from test_metno import body, step

from stormplan import review, score
from stormplan.archive import Archive
from stormplan.errors import InputError
from stormplan.units import Speaker

HOUR = timedelta(hours=1)


def issued(hours_later, air_c):
    """A forecast received some hours after noon, from that hour on."""
    moment = NOON + hours_later * HOUR
    made = cell(hours=len(air_c), start=moment)
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
    found = score.score("x", score.pair(cells, score.analyses(cells)))
    assert [(one.from_h, one.to_h) for one in found] == [(3, 12), (12, 24), (24, 48), (48, 72)]
    for one in found:
        assert one.bias_dc == pytest.approx(1.0)
        assert one.rmse_dc == pytest.approx(1.0)
        assert one.brier == pytest.approx(0.0, abs=1e-4)
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
    (first, second) = score.score("x", score.pair([three], came))
    assert first.brier == second.brier == 1.0
    assert [(r.said, r.came) for r in first.reliability] == [(1.0, 0.0)]
    half = replace(three, values={"air_temp_c": np.tile([-5.0, 5.0], (24, 1))})
    assert score.score("x", score.pair([half], came))[0].brier == pytest.approx(0.25)


def test_a_stated_error_that_is_the_true_one_is_reliable():
    # by the definition of the normal distribution: of the hours given a chance p, p freeze
    rng = np.random.default_rng(3)
    said_c = rng.uniform(-5.0, 5.0, 20_000)
    came_c = said_c + rng.normal(0.0, score.STATED_ERROR_DC, 20_000)
    chance = score.chance_of_freezing(said_c[:, None])
    pairs = score.Pairs(np.full(20_000, 6.0), said_c, came_c, chance)
    (only,) = score.score("x", pairs)
    assert only.rmse_dc == pytest.approx(score.STATED_ERROR_DC, rel=0.02)
    for part in only.reliability:
        assert part.came == pytest.approx(part.said, abs=0.03)


def test_the_nearest_word_is_the_analysis_and_a_late_or_unknown_one_is_none():
    early = issued(0, np.arange(10.0))
    upon = issued(4, np.full(5, 50.0))
    gap = issued(6, np.full(5, np.nan))
    found = score.analyses([early, upon, gap])
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
            kept.keep(
                "https://weather.example/complete?lat=60&lon=10",
                200,
                {},
                json.dumps(payload).encode(),
                moment,
                good=True,
            )
        kept.keep("https://weather.example/points/1,2", 200, {}, b"{}", NOON, good=True)
        kept.keep("https://weather.example/gridpoints/A/1,2", 200, {}, b"{}", NOON, good=True)
    return path


def test_the_archive_is_scored_and_what_cannot_be_read_is_counted(archive):
    with Archive(archive) as kept:
        found = review.review(kept, NOON - 24 * HOUR)
    assert (found.replies, found.unread) == (8, 1)
    assert {one.source for one in found.scores} == {"metno"}
    for one in found.scores:
        assert one.bias_dc == pytest.approx(-2.0)
    said = "\n".join(review.lines(found, Speaker("us")))
    assert "bias -3.6 °F, error 3.6 °F rms" in said
    assert "the source's own later word at 1 of 1 cells" in said
    assert "no forecast is changed by them" in said


def test_readings_of_a_station_nearby_are_the_better_judge(archive, tmp_path):
    # the station reads 1 °C below the source's own word: so the forecasts are 1 °C too cold
    rows = [
        f"{(NOON - 6 * HOUR + hour * HOUR).isoformat()},{came - 1.0}"
        for hour, came in enumerate(truth(120))
    ]
    (tmp_path / "readings.csv").write_text("time,air_temp_c\n" + "\n".join(rows))
    file = tmp_path / "sites.yaml"
    weather = {"sources": ["metno"], "tables": {"a": "readings.csv"}}
    file.write_text(text({"a": site(60.05, 10.05)}, weather=weather))
    command = [
        *(sys.executable, "-m", "stormplan", "review", "--archive", archive, "--sites", file),
        *("--now", "2026-01-15T00:00Z", "--json"),
    ]
    result = subprocess.run(list(map(str, command)), capture_output=True, text=True, timeout=60)
    assert result.returncode == 0, result.stderr
    found = json.loads(result.stdout)
    assert found["against"] == "held against readings at 1 of 1 cells"
    assert {round(one["bias_dc"], 6) for one in found["scores"]} == {-1.0}


def test_nothing_to_score_is_one_sentence(tmp_path):
    with (
        Archive(tmp_path / "archive.sqlite") as kept,
        pytest.raises(InputError, match="no hour since 2026-01-12 was forecast and came"),
    ):
        review.review(kept, NOON)
