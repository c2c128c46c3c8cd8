"""A site's own readings: the log, and what they do to the nights of a plan."""

import json
import re
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest
from helpers import weather
from helpers.diagnostics import degraded_lines
from helpers.published_tables import NOON, forecast_cell
from helpers.sites import parse_sites, site_entry, sites_text
from typer.testing import CliRunner

from stormplan.cli.main import app
from stormplan.company import sites_file
from stormplan.errors import InputError
from stormplan.physics import bias_correction, night_error, surface_simulation
from stormplan.physics.bias_correction import PavementReading
from stormplan.physics.night_error import NightError
from stormplan.planning import plan_io
from stormplan.planning.planner import SiteForecasts, make_plan
from stormplan.record.entries import Light
from stormplan.service import pipeline
from stormplan.store.archive import Archive
from stormplan.verification import night_bias, reading_log
from stormplan.words import briefing, decision_trace, terminal

MIDNIGHT = datetime(2026, 1, 12, 6, tzinfo=UTC)  # at 90° west
PLACE = (43.0, -90.0)


def reading(days=0, hours=0, surface_c=-3.0, light=Light.SHADE, surface="lot") -> PavementReading:
    time = MIDNIGHT + timedelta(days=days, hours=hours, minutes=20)
    return PavementReading(
        time=time, site="mill", surface=surface, surface_c=surface_c, light=light
    )


def test_a_night_runs_from_noon_to_noon_of_the_sun():
    # at 90° west the sun's noon is at 18 UTC
    noon = MIDNIGHT + timedelta(hours=12)
    times = [noon + timedelta(hours=hour) for hour in (-1, 1, 12, 23, 25)]
    numbers = bias_correction.night_numbers(times, -90.0)
    np.testing.assert_array_equal(numbers - numbers[0], [0, 1, 1, 1, 2])


def test_it_is_added_at_night_only():
    times = [MIDNIGHT + timedelta(hours=hour) for hour in range(24)]
    night = bias_correction.is_night(times, *PLACE)
    # 12 January at 43° north: sunrise about 7:31, sunset about 16:45 local solar time
    assert night.tolist() == [not 8 <= hour <= 16 for hour in range(24)]
    shifted = [time.astimezone(timezone(timedelta(hours=-6))) for time in times]
    np.testing.assert_array_equal(bias_correction.is_night(shifted, *PLACE), night)
    share = bias_correction.night_weight(times, *PLACE)
    assert (share[[*range(7), *range(17, 24)]] == 1.0).all()
    assert (share[9:16] == 0.0).all()
    assert (np.diff(share[6:11]) <= 0.0).all()  # it fades after sunrise, and comes before sunset
    assert (np.diff(share[14:18]) >= 0.0).all()


def test_the_log_only_grows_and_survives_many_hands_and_a_torn_line(tmp_path):
    path = tmp_path / "log" / "readings.jsonl"
    with ThreadPoolExecutor(8) as crews:
        list(crews.map(lambda day: reading_log.append_reading(path, reading(day)), range(40)))
    assert reading_log.load_readings(path) == [reading(day) for day in range(40)]
    path.write_bytes(path.read_bytes()[:-1])  # the line end was lost
    reading_log.append_reading(path, reading(40, surface="walk"))
    assert len(reading_log.load_readings(path, "mill")) == 41
    assert reading_log.load_readings(path, "mill", "walk") == [reading(40, surface="walk")]
    assert reading_log.load_readings(path, "other") == []
    assert reading_log.load_readings(tmp_path / "none.jsonl") == []


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
    reading_log.append_reading(path, reading())
    if isinstance(line, dict):
        line = json.dumps(json.loads(reading().model_dump_json()) | line)
    with path.open("a", encoding="utf-8") as log:
        log.write(line + "\n")
    with pytest.raises(InputError) as caught:
        reading_log.load_readings(path)
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
        (("200F",), "'200F' is not a pavement temperature; accepted: -76"),
        (("28F", "--at", "yesterday"), "--at: 'yesterday' is not a time"),
        (("28F", "--light", "dusk"), "--light: 'dusk' is neither; accepted: sun, shade"),
    ]:
        refused = call("add", "mill", "lot", *words)
        assert isinstance(refused.exception, InputError)
        assert message in str(refused.exception)


def test_readings_go_where_the_sites_file_has_plans_look_for_them(tmp_path):
    file = tmp_path / "sites.yaml"

    def call(*words):
        return CliRunner().invoke(app, ["reading", *words, "--sites", str(file)])

    file.write_text(sites_text({"mill": site_entry(43.1, -89.4)}))
    assert "add: readings: readings.jsonl" in str(call("add", "mill", "lot", "28F").exception)
    file.write_text(sites_text({"mill": site_entry(43.1, -89.4)}, readings="gun.jsonl"))
    assert call("add", "mill", "lot", "28F").exit_code == 0
    assert "mill lot" in call("list").output
    checked = sites_file.load_sites(file)
    assert len(reading_log.load_readings(tmp_path / checked.readings)) == 1
    for words, message in [
        (("mull", "lot"), "no site 'mull' in"),
        (("mill", "lawn"), "no surface 'lawn' at mill; accepted: lot"),
    ]:
        assert message in str(call("add", *words, "28F").exception)
    both = call("list", "--log", "gun.jsonl")
    assert "give --sites FILE" in str(both.exception)


def test_a_surface_that_is_read_unlike_its_neighbors_is_named(demo_plan, tmp_path):
    log, file = tmp_path / "readings.jsonl", tmp_path / "archive.sqlite"
    chosen = [(site, one) for site in demo_plan.sites for one in site.surfaces][:3]
    for (site, one), off_k in zip(chosen, (0.5, 6.2, -0.5), strict=True):
        series = demo_plan.hourly[one.hourly_id]
        hours = [series.start + timedelta(hours=hour) for hour in range(48)]
        night = bias_correction.is_night(hours, site.latitude_deg, site.longitude_deg)
        for at in [at for at in np.flatnonzero(night) if hours[at] > demo_plan.made_at]:
            reading_log.append_reading(log, PavementReading(
                time=hours[at] + timedelta(minutes=20), site=site.key, surface=one.key,
                surface_c=series.surface_c[at] + off_k, light=Light.SHADE,
            ))  # fmt: skip
    with Archive(file) as kept:
        kept.add_plan(demo_plan.made_at, plan_io.plan_json(demo_plan))
    with Archive(file) as kept:
        read = reading_log.load_readings(log)
        named = [len(night_bias.neighbor_lines(kept, read, limit_k)) for limit_k in (3.6, 10.0)]
    assert named == [1, 0]
    said = CliRunner().invoke(app, ["reading", "list", "--log", str(log), "--archive", str(file)])
    told = [line for line in said.output.splitlines() if "than those of the other surfaces" in line]
    (site, wrong) = chosen[1]
    assert len(told) == 1
    assert told[0].startswith(f"{site.key} {wrong.key}: its readings are 10 °F (6 °C) warmer")


def test_readings_are_held_against_the_plan_made_last_before_them(demo_plan, tmp_path):
    plan = demo_plan
    planned = next(site for site in plan.sites if site.surfaces)
    own = planned.surfaces[0]
    series = plan.hourly[own.hourly_id]
    hours = [series.start + timedelta(hours=hour) for hour in range(len(series.surface_c))]
    night = bias_correction.is_night(hours, planned.latitude_deg, planned.longitude_deg)
    dark = [at for at in np.flatnonzero(night) if hours[at] > plan.made_at][:30:2]
    assert len(dark) == 15  # of three nights
    bright = [at for at in np.flatnonzero(~night) if hours[at] > plan.made_at][:8]
    log = tmp_path / "readings.jsonl"
    for at, error in [(at, 1.3) for at in dark] + [(at, 9.0) for at in bright]:
        reading_log.append_reading(log, PavementReading(
            time=hours[at] + timedelta(minutes=20), site=planned.key, surface=own.key,
            surface_c=series.surface_c[at] + error, light=Light.SHADE,
        ))  # fmt: skip
    reading_log.append_reading(log, reading(surface="nowhere"))
    in_sun = hours[dark[0]] + timedelta(minutes=30)
    reading_log.append_reading(log, PavementReading(
        time=in_sun, site=planned.key, surface=own.key, surface_c=40.0, light=Light.SUN
    ))  # fmt: skip
    file = tmp_path / "archive.sqlite"
    last = hours[dark[-1]] + timedelta(minutes=20)
    with Archive(file) as kept:
        kept.add_plan(plan.made_at, plan_io.plan_json(plan))
        found = night_bias.night_errors(kept, reading_log.load_readings(log), last)
    assert found["mill", "nowhere"].reading_count == 0
    known = found[planned.key, own.key]
    assert known.reading_count == 15
    # all fifteen are 1.3 K too cold, whatever the weather: most of it is the constant's, and the
    # last night's own part has its share
    air, cloud = (np.array(getattr(series, n), dtype=float)[dark] for n in ("air_c", "cloud_frac"))
    surface_c = np.array(series.surface_c, dtype=float)[dark]
    mean_c = np.array([np.nan if v is None else v for v in series.air_mean_c])[dark]
    expected = night_error.expected_error_k(
        known,
        np.full(15, known.at_h),
        night_error.night_features(cloud, surface_c - air, air - mean_c),
    )
    assert expected[-3:] == pytest.approx([1.3] * 3, abs=0.25)
    said = " ".join(
        CliRunner()
        .invoke(app, ["reading", "list", "--log", str(log), "--archive", str(file)])
        .output.split()
    )
    assert f"{planned.key} {own.key}: usual nights are" in said
    assert "by 15 night readings" in said
    score = re.search(
        rf"{planned.key} {own.key}: over (\d) nights, each judged by the others, the error is "
        r"\S+ °F \((\S+) °C\) corrected and 2.3 °F \(1.3 °C\) without",
        said,
    )
    assert 2 <= int(score[1]) <= 4
    assert float(score[2]) < 0.9
    assert "mill nowhere: no night readings that a plan covers" in said
    absent = ["reading", "list", "--log", str(log), "--archive", str(tmp_path / "no.sqlite")]
    assert "no archive at" in str(CliRunner().invoke(app, absent).exception)


# ------------------------------------------------------------------------------ inside a plan

LOT = {"class": "asphalt_lot", "area": "20000 ft2"}


def known_error(offset_k, n=20, weights=(0.0, 0.0, 0.0), at=NOON):
    """Knowledge of a constant error, and how little is left unknown."""
    covariance = 0.01 * np.diag(np.append(night_error.WEIGHT_SD, night_error.NIGHT_SD_K) ** 2)
    mean = (offset_k, *weights, 0.0)
    return NightError(at.timestamp() / 3600.0, mean, tuple(covariance.ravel().tolist()), n)


def planned(n=20, offset_k=1.5, hours=None, weights=(0.0, 0.0, 0.0)):
    known = {("a", "lot"): known_error(offset_k, n, weights)} if n else {}
    places = {"a": site_entry(43.0, -90.0, {"lot": LOT, "back": LOT})}
    answers = {
        "a": SiteForecasts(forecast_cell(**(hours or {"air_temp_c": -1.0, "dew_point_c": -4.0})))
    }
    return make_plan(parse_sites(places), answers, NOON, night_errors=known)


def of(plan, key):
    surface = next(each for each in plan.sites[0].surfaces if each.key == key)
    return surface, np.array(plan.hourly[surface.hourly_id].surface_c, dtype=float)


def test_a_plan_moves_the_nights_of_the_surface_that_was_read_and_nothing_else():
    plan = planned()
    read, moved = of(plan, "lot")
    unread, as_modeled = of(plan, "back")
    assert read.night_bias.reading_count == 20
    assert read.night_bias.offset_k == pytest.approx(1.5, abs=0.05)
    assert unread.night_bias is None
    starts = [plan.hourly[read.hourly_id].start + timedelta(hours=h) for h in range(len(moved))]
    share = bias_correction.night_weight(starts, 43.1, -89.4)
    assert 30 < (share == 1.0).sum() < 50
    # told to 0.1 °C; the ice and water that the surface carries make no difference when dry
    np.testing.assert_allclose(moved - as_modeled, 1.5 * share, atol=0.16)
    told = np.array(plan.hourly[read.hourly_id].night_offset_k)
    np.testing.assert_allclose(moved - as_modeled, told, atol=0.11)
    assert plan.hourly[unread.hourly_id].night_offset_k == ()


def test_what_is_known_of_a_surface_narrows_its_nights_and_not_its_days():
    plan = planned()
    read, unread = (plan.hourly[of(plan, key)[0].hourly_id] for key in ("lot", "back"))
    width, usual = (
        np.array(one.surface_p90_c) - np.array(one.surface_p10_c) for one in (read, unread)
    )
    starts = [read.start + timedelta(hours=h) for h in range(len(width))]
    share = bias_correction.night_weight(starts, 43.0, -90.0)
    first_night = np.flatnonzero(share == 1.0)
    first_night = first_night[first_night < 24]
    assert (width < 0.85 * usual)[first_night].all()
    np.testing.assert_allclose(width[share == 0.0], usual[share == 0.0], atol=0.21)
    assert of(plan, "lot")[0].night_bias.error_k < 1.4


def test_an_error_that_goes_with_cloud_is_corrected_by_the_hour():
    cloud = np.where(np.arange(72) < 14, 0.0, 1.0)  # clear at first
    weather_of = {"air_temp_c": -1.0, "dew_point_c": -4.0, "cloud_frac": cloud}
    plan = planned(offset_k=0.0, hours=weather_of, weights=(2.0, 0.0, 0.0))
    told = np.array(plan.hourly[of(plan, "lot")[0].hourly_id].night_offset_k[:24])
    assert told.min() == pytest.approx(-1.0, abs=0.1)
    assert told.max() == pytest.approx(1.0, abs=0.1)


def test_the_film_lives_at_the_corrected_temperature():
    frosty = {"air_temp_c": 1.5, "dew_point_c": 0.5, "cloud_frac": 0.6, "wind_10m_ms": 2.0}

    def events(n, offset_k):
        return [item.event for item in of(planned(n, offset_k, frosty), "lot")[0].treatments]

    assert any(event is not None and event.hazard == "frost" for event in events(0, 0.0))
    # a lot that its own readings know to be well above freezing has no frost, nor ice to refreeze
    assert events(20, 3.0) == [None]
    colder, usual = (
        of(planned(20, dc, frosty), "lot")[0].min_pavement_temp_c for dc in (-2.0, 0.0)
    )
    assert colder == pytest.approx(usual - 2.0, abs=0.3)


def test_wet_pavement_freezes_when_the_corrected_surface_does():
    hours = np.arange(48)
    rain = 0.5 * ((hours > 16) & (hours < 20))  # at dusk, and it cools all night
    night = weather.forecast(
        air_temp_c=6.0 - 0.3 * np.minimum(hours, 30), dew_point_c=5.5 - 0.3 * np.minimum(hours, 30),
        rain_mm=rain, precip_mm=rain, cloud_frac=1.0,
    )  # fmt: skip

    def first_ice(offset_k):
        taken = surface_simulation.simulate(
            night, weather.single_column(night_error=known_error(offset_k, at=night.start))
        )
        surface, icy = taken.surface_min_c[:, 0, 0], taken.film.ice_mm[:, 0, 0] > 0.05
        assert surface[icy.argmax()] < 0.0  # and not before the surface that is told of
        return int(icy.argmax()) if icy.any() else 48

    assert first_ice(-1.5) < first_ice(0.0) < first_ice(3.0)


def test_an_offset_is_not_learnt_again_from_plans_that_had_it(tmp_path):
    plan = planned(offset_k=1.5)
    own, series = of(plan, "lot")
    start = plan.hourly[own.hourly_id].start
    starts = [start + timedelta(hours=h) for h in range(len(series))]
    night = bias_correction.night_weight(starts, 43.0, -90.0) == 1.0
    # the place is 2 K warmer than the model by night, 0.5 K more than the plan took it to be
    taken = [
        PavementReading(time=start + timedelta(hours=int(h), minutes=30), site="a", surface="lot",
                surface_c=float(series[h]) + 0.5, light=Light.SHADE)
        for h in np.flatnonzero(night)[:20]
    ]  # fmt: skip
    with Archive(tmp_path / "archive.sqlite") as kept:
        kept.add_plan(plan.made_at, plan_io.plan_json(plan))
        found = night_bias._read_hours(kept, taken)["a", "lot"]
    assert len(found) == 20
    assert [hour.error_k for hour in found] == pytest.approx([2.0] * 20, abs=0.11)


def test_the_morning_reads_the_log_that_the_sites_file_names(tmp_path):
    demo = Path(pipeline.__file__).parent.parent / "demo"
    text = (demo / "sites.yaml").read_text(encoding="utf-8")
    file = tmp_path / "sites.yaml"
    recorded = f"  recorded: '{demo}'\nreadings: log/readings.jsonl"
    text = text.replace("  recorded: .", recorded).replace("[recorded, table]", "[recorded]")
    file.write_text(text, encoding="utf-8")
    ours = sites_file.load_sites(file)
    tomorrow = pipeline.DEMO_NOW + timedelta(days=1)
    at, surface = next((k, s) for k, one in ours.sites.items() for s in one.surfaces)
    with Archive(tmp_path / "archive.sqlite") as kept:
        first = pipeline.plan_and_store(ours, kept, pipeline.DEMO_NOW, sites_folder=tmp_path)
        own = next(s for one in first.sites if one.key == at for s in one.surfaces
                   if s.key == surface)  # fmt: skip
        assert own.night_bias is None
        series = first.hourly[own.hourly_id]
        place = ours.sites[at].latitude_deg, ours.sites[at].longitude_deg
        starts = [series.start + timedelta(hours=h) for h in range(len(series.surface_c))]
        dark = [h for h in np.flatnonzero(bias_correction.night_weight(starts, *place) == 1.0)
                if pipeline.DEMO_NOW < starts[h] < tomorrow - timedelta(hours=1)
                and series.surface_c[h] is not None]  # fmt: skip
        for h in dark[:6]:
            reading_log.append_reading(tmp_path / "log" / "readings.jsonl", PavementReading(
                time=starts[h] + timedelta(minutes=30), site=at, surface=surface,
                surface_c=series.surface_c[h] - 1.1, light=Light.SHADE))  # fmt: skip
        plan = pipeline.plan_and_store(ours, kept, tomorrow, sites_folder=tmp_path)
        later = next(s for one in plan.sites if one.key == at for s in one.surfaces
                     if s.key == surface)  # fmt: skip
        assert later.night_bias.reading_count == 6
        assert -1.1 < later.night_bias.offset_k < -0.4
        size = abs(later.night_bias.offset_k) * 1.8
        words = (
            f"nights taken {size:.1f} °F colder than the model has them, from 6 own night readings"
        )
        assert words in " ".join(terminal.render_text(briefing.build_view(plan)).split())
        assert words in briefing.render_html(briefing.build_view(plan), (), 0)
        assert words in "\n".join(decision_trace.trace_lines(plan, at))
        (tmp_path / "log" / "readings.jsonl").write_text("torn\n")
        plan = pipeline.fetch_and_plan(ours, kept, tomorrow, sites_folder=tmp_path)
        assert any("nights are not corrected by readings" in said for said in degraded_lines(plan))
        assert plan.exit_code == 3
