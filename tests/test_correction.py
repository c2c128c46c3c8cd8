"""A site's own readings: the log, and the night offset they are worth."""

import json
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest
from typer.testing import CliRunner

from stormplan import correction, logbook, morning, ownnights
from stormplan.archive import Archive
from stormplan.cli import app
from stormplan.correction import Correction, Light, Reading
from stormplan.errors import InputError

MIDNIGHT = datetime(2026, 1, 12, 6, tzinfo=UTC)  # at 90° west
PLACE = (43.0, -90.0)


def reading(days=0, hours=0, surface_c=-3.0, light=Light.SHADE, surface="lot") -> Reading:
    time = MIDNIGHT + timedelta(days=days, hours=hours, minutes=20)
    return Reading(time=time, site="mill", surface=surface, surface_c=surface_c, light=light)


def flat(model_c=-5.0, days=40):
    return {MIDNIGHT + timedelta(hours=hour): model_c for hour in range(-24, 24 * days)}


@pytest.mark.parametrize("n", [5, 20, 95])
def test_the_offset_is_the_mean_error_shrunk_by_what_few_readings_are_worth(n):
    found = correction.of_surface([reading(day) for day in range(n)], flat(days=100), *PLACE)
    assert found.n == n
    assert found.offset_dc == pytest.approx(n / (n + 5) * 2.0)


def test_fewer_than_five_readings_move_nothing_but_are_counted():
    assert correction.of_surface([reading(day) for day in range(4)], flat(), *PLACE) == Correction(
        0.0, 4
    )
    assert correction.of_surface([], flat(), *PLACE) == Correction(0.0, 0)


def test_readings_by_day_in_the_sun_or_of_hours_unknown_do_not_count():
    night = [reading(day) for day in range(6)]
    odd = [reading(day, 12, 30.0) for day in range(9)]  # noon
    odd += [reading(day, 0, 30.0, Light.SUN) for day in range(9)]
    odd += [reading(day, 0, 30.0) for day in range(50, 60)]  # the model has no such hour
    found = correction.of_surface(night + odd, flat(), *PLACE)
    assert found.n == 6
    assert found.offset_dc == pytest.approx(6 / 11 * 2.0)


def test_it_is_added_at_night_only():
    times = [MIDNIGHT + timedelta(hours=hour) for hour in range(24)]
    night = correction.is_night(times, *PLACE)
    # 12 January at 43° north: sunrise about 7:31, sunset about 16:45 local solar time
    assert night.tolist() == [not 8 <= hour <= 16 for hour in range(24)]
    shifted = [time.astimezone(timezone(timedelta(hours=-6))) for time in times]
    np.testing.assert_array_equal(correction.is_night(shifted, *PLACE), night)
    surface = np.zeros((24, 3))
    moved = correction.apply(surface, night, Correction(1.5, 20))
    np.testing.assert_array_equal(moved, np.where(night, 1.5, 0.0)[:, None] * np.ones(3))


def test_twenty_readings_of_a_biased_site_make_its_other_nights_better():
    rng = np.random.default_rng(5)
    truth = rng.normal(1.4, 1.3, 220)  # reading less model: a warm site, and scatter
    n = 20
    found = correction.site_correction(truth[:n], np.zeros(n), np.ones(n, dtype=bool))

    def rmse(offset):
        return np.sqrt(np.mean((truth[n:] - offset) ** 2))

    assert rmse(found.offset_dc) < rmse(0.0) - 0.4
    with pytest.raises(InputError, match="2 readings against 3 modelled and 3 nights"):
        correction.site_correction(np.zeros(2), np.zeros(3), np.zeros(3, dtype=bool))


def test_the_log_only_grows_and_survives_many_hands_and_a_torn_line(tmp_path):
    path = tmp_path / "log" / "readings.jsonl"
    with ThreadPoolExecutor(8) as crews:
        list(crews.map(lambda day: logbook.add(path, reading(day)), range(40)))
    assert logbook.read(path) == [reading(day) for day in range(40)]
    path.write_bytes(path.read_bytes()[:-1])  # the line end was lost
    logbook.add(path, reading(40, surface="walk"))
    assert len(logbook.read(path, "mill")) == 41
    assert logbook.read(path, "mill", "walk") == [reading(40, surface="walk")]
    assert logbook.read(path, "other") == []
    assert logbook.read(tmp_path / "none.jsonl") == []


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("not json", "readings.jsonl:2: the line: "),
        ({"light": "dusk"}, "readings.jsonl:2: light: "),
        ({"surface_c": 200}, "readings.jsonl:2: surface_c: "),
        ({"time": "2026-01-12T05:30"}, "readings.jsonl:2: time: "),
    ],
)
def test_a_line_that_is_no_reading_is_refused_with_its_place(tmp_path, line, message):
    path = tmp_path / "readings.jsonl"
    logbook.add(path, reading())
    if isinstance(line, dict):
        line = json.dumps(json.loads(reading().model_dump_json()) | line)
    with path.open("a", encoding="utf-8") as log:
        log.write(line + "\n")
    with pytest.raises(InputError) as caught:
        logbook.read(path)
    assert message in str(caught.value)
    assert "accepted: one reading as JSON with time, site, surface, surface_c" in str(caught.value)


def test_readings_are_logged_and_listed_from_the_command_line(tmp_path):
    log = ["--log", str(tmp_path / "r.jsonl")]

    def call(*words):
        return CliRunner().invoke(app, ["reading", *words, *log])

    assert "no readings in" in call("list").output
    added = call("add", "mill", "lot", "28.5F", "--at", "2026-01-12T05:30-06:00")
    assert added.exit_code == 0, added.exception
    assert added.output == "2026-01-12 11:30+0000  mill lot  28.5 °F (-1.9 °C)  shade\n"
    call("add", "mill", "walk", "-2C", "--at", "2026-01-11T05:30Z", "--light", "sun")
    assert [line.split()[3] for line in call("list").output.splitlines()] == ["walk", "lot"]
    assert call("list", "mill", "walk").output.count("\n") == 1
    for words, message in [
        (("28.5",), "28.5"),
        (("200F",), "'200F' is no surface's; accepted: -60 to 80 °C"),
        (("28F", "--at", "yesterday"), "--at: 'yesterday' is no moment"),
        (("28F", "--light", "dusk"), "--light: 'dusk' is neither; accepted: sun, shade"),
    ]:
        refused = call("add", "mill", "lot", *words)
        assert isinstance(refused.exception, InputError)
        assert message in str(refused.exception)


def test_readings_are_held_against_the_plan_made_last_before_them(tmp_path):
    plan = morning.plan_demo()
    planned = next(site for site in plan.sites if site.surfaces)
    own = planned.surfaces[0]
    series = plan.columns[own.column]
    hours = [series.start + timedelta(hours=hour) for hour in range(len(series.surface_c))]
    night = correction.is_night(hours, planned.latitude_deg, planned.longitude_deg)
    dark = [at for at in np.flatnonzero(night) if hours[at] > plan.made_at][:8]
    bright = [at for at in np.flatnonzero(~night) if hours[at] > plan.made_at][:8]
    log = tmp_path / "readings.jsonl"
    for at, error in [(at, 1.3) for at in dark] + [(at, 9.0) for at in bright]:
        logbook.add(log, Reading(
            time=hours[at] + timedelta(minutes=20), site=planned.key, surface=own.key,
            surface_c=series.surface_c[at] + error, light=Light.SHADE,
        ))  # fmt: skip
    logbook.add(log, reading(surface="nowhere"))
    file = tmp_path / "archive.sqlite"
    with Archive(file) as kept:
        kept.keep_plan(plan.made_at, morning.document(plan))
        found = ownnights.offsets(kept, logbook.read(log))
    assert found[planned.key, own.key].n == 8
    assert found[planned.key, own.key].offset_dc == pytest.approx(8 / 13 * 1.3, abs=0.01)
    assert found["mill", "nowhere"] == Correction(0.0, 0)
    said = (
        CliRunner()
        .invoke(app, ["reading", "list", "--log", str(log), "--archive", str(file)])
        .output
    )
    words = "nights are 1.4 °F (0.8 °C) warmer than planned, shrunk mean of 8 night readings"
    assert f"{planned.key} {own.key}: {words}" in said
    assert "mill nowhere: no offset yet; 0 night readings that a plan covers, 5 are needed" in said
    absent = ["reading", "list", "--archive", str(tmp_path / "no.sqlite")]
    assert "no archive at" in str(CliRunner().invoke(app, absent).exception)
