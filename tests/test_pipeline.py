"""From a sites file and a weather service on this machine to reports, over real HTTP."""

import json
import subprocess
import sys
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from helpers.command_line import stormplan
from helpers.diagnostics import codes, degraded_lines
from helpers.http_service import problem_reply
from helpers.sites import parse_sites, site_entry, sites_text

from stormplan.cli.planning_commands import parse_moment
from stormplan.errors import ExitCode, InputError
from stormplan.planning import plan_io
from stormplan.service import pipeline
from stormplan.store.archive import Archive
from stormplan.treatment.records import Action
from stormplan.weather.http_client import ClientPolicy

QUICK = ClientPolicy(
    min_interval_s=0.0, min_throttle_wait_s=0.0, timeout_s=(0.5, 0.5), sleep=lambda seconds: None
)

OFFICES = ("RAH", "FGZ", "AFG", "TAE", "LZK")


def recorded(replay, samples, office):
    """Serve a recorded grid for its place; returns the sites and a moment soon after its issue."""
    served = replay.serve_recorded(samples, office)
    place = {"here": site_entry(served.latitude_deg, served.longitude_deg)}
    return parse_sites(place, replay.base_url), served.issued_at + timedelta(minutes=40)


def plan(sites, now, archive):
    with Archive(archive) as kept:
        return pipeline.plan_and_store(sites, kept, now, client_policy=QUICK)


@pytest.mark.samples
@pytest.mark.parametrize("office", OFFICES)
def test_every_recorded_grid_plans(replay, samples, tmp_path, office):
    sites, now = recorded(replay, samples, office)
    made = plan(sites, now, tmp_path / "archive.sqlite")
    assert made.sites[0].source.cell.startswith(office)
    assert made.exit_code in (ExitCode.COMPLETE, ExitCode.DEGRADED)
    written = pipeline.write_reports(made, tmp_path / "out")
    assert all(path.stat().st_size > 20 for path in written)


@pytest.mark.samples
def test_an_empty_ice_layer_is_said_and_stays_unknown(replay, samples, tmp_path):
    sites, now = recorded(replay, samples, "FGZ")
    made = plan(sites, now, tmp_path / "archive.sqlite")
    notes = [one.text("text") for one in made.diagnostics if one.code == "forecast_note"]
    assert any("iceAccumulation: empty" in note for note in notes)
    assert "contradiction" not in codes(made)


@pytest.mark.samples
def test_the_warm_control_asks_for_nothing(replay, samples, tmp_path):
    sites, now = recorded(replay, samples, "TAE")
    made = plan(sites, now, tmp_path / "archive.sqlite")
    assert made.verdict == "nothing"
    assert {t.action for _, t in made.sites[0].treatments} == {Action.NOTHING}
    assert made.yards[0].pretreat_l == 0.0


@pytest.mark.samples
def test_the_impossible_grid_is_flagged(replay, samples, tmp_path):
    sites, now = recorded(replay, samples, "LZK")
    made = plan(sites, now, tmp_path / "archive.sqlite")
    assert made.exit_code is ExitCode.DEGRADED
    assert any("contradicts itself" in line for line in degraded_lines(made))


def test_an_expired_grid_is_planned_from_the_copy_and_said(replay, tmp_path):
    body = (pipeline.files("stormplan") / "demo" / "grid_ZZZ_1_1.json").read_text()
    replay.serve_place("43.16", "-89.44", "ZZZ/1,1", body, Cache_Control="max-age=60")
    sites = parse_sites(
        {"a": site_entry(43.16, -89.44), "b": site_entry(51.5, -0.1)}, replay.base_url
    )
    first = plan(sites, pipeline.DEMO_NOW, tmp_path / "archive.sqlite")
    assert first.exit_code is ExitCode.DEGRADED  # b is outside coverage
    assert len(degraded_lines(first)) == 1
    replay.script("/gridpoints/ZZZ/1,1", problem_reply(503, "ForecastGridExpired"))
    later = pipeline.DEMO_NOW + timedelta(hours=2)
    second = plan(sites, later, tmp_path / "archive.sqlite")
    assert second.sites[0].source.stale
    assert second.verdict == first.verdict == "go"
    assert any("forecast is" in line for line in degraded_lines(second))
    # without a copy: that site has no forecast, nothing else is planned, the plan is still written
    third = plan(sites, later, tmp_path / "empty.sqlite")
    assert third.exit_code is ExitCode.NOTHING_PLANNED
    assert "ForecastGridExpired" in third.no_forecast_reason(
        third.sites[0].key
    ) or "503" in third.no_forecast_reason(third.sites[0].key)


def test_a_past_morning_can_be_planned_again_without_the_service(replay, tmp_path):
    body = (pipeline.files("stormplan") / "demo" / "grid_ZZZ_1_1.json").read_text()
    replay.serve_place("43.16", "-89.44", "ZZZ/1,1", body)
    sites = parse_sites({"a": site_entry(43.16, -89.44)}, replay.base_url)
    first = plan(sites, pipeline.DEMO_NOW, tmp_path / "archive.sqlite")
    asked = len(replay.requests)
    with Archive(tmp_path / "archive.sqlite") as kept:
        again = pipeline.plan_and_store(sites, kept, pipeline.DEMO_NOW, offline=True)
    assert plan_io.plan_json(again) == plan_io.plan_json(first)
    assert len(replay.requests) == asked


def test_reports_replace_whole_files_and_leave_nothing_else(demo_plan, tmp_path):
    made = demo_plan
    pipeline.write_reports(made, tmp_path)
    before = (tmp_path / "plan.json").read_text()
    pipeline.write_reports(replace_company(made), tmp_path)
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "briefing.html",
        "briefing.txt",
        "mix.csv",
        "mixsheet.html",
        "notices",
        "notices.html",
        "plan.json",
        "refreeze.csv",
        "rounds.gpx",
        "rounds.html",
        "sites.geojson",
        "treatments.csv",
        "windows.ics",
    ]
    assert (tmp_path / "plan.json").read_text() != before


def replace_company(made):
    return made.model_copy(update={"company": "Renamed (invented)"})


def test_a_folder_that_cannot_be_written_is_one_sentence(demo_plan, tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match="cannot write to"):
        pipeline.write_reports(demo_plan, tmp_path / "file" / "below")


# -- the command itself ---------------------------------------------------------------------------


def test_brief_from_the_command_line(replay, tmp_path):
    body = (pipeline.files("stormplan") / "demo" / "grid_ZZZ_1_1.json").read_text()
    replay.serve_place("43.16", "-89.44", "ZZZ/1,1", body, Cache_Control="max-age=1800")
    file = tmp_path / "sites.yaml"
    file.write_text(sites_text({"a": site_entry(43.16, -89.44)}, replay.base_url))
    out = tmp_path / "out"
    shown = stormplan("brief", "--sites", file, "--out", out, "--now", "2026-01-12T10:30Z")
    assert shown.returncode == 0, shown.stderr
    assert "GO" in shown.stdout.splitlines()[1]
    assert f"Written to {out / 'latest'}:" in shown.stdout
    assert (out / "latest" / "briefing.html").exists()
    as_json = stormplan(
        "brief", "--sites", file, "--out", out, "--now", "2026-01-12T10:30Z", "--json"
    )
    assert json.loads(as_json.stdout)["verdict"] == "go"
    assert replay.counts()["/gridpoints/ZZZ/1,1"] == 1  # the second run used the fresh copy


@pytest.mark.parametrize(
    ("arguments", "code", "message"),
    [
        (["brief"], 2, "no sites.yaml in"),
        (["check"], 2, "name the file (--sites FILE; check FILE)"),
        (["brief", "--demo", "--sites", "x.yaml"], 2, "give either --sites FILE or --demo"),
        (["brief", "--demo", "--now", "noon"], 2, "write it as 2026-01-12T10:30Z"),
        (["brief", "--sites", "none.yaml"], 2, "cannot read the sites file none.yaml"),
        (["check", "none.yaml"], 2, "cannot read the sites file"),
    ],
)
def test_bad_input_is_one_sentence_and_exit_2(tmp_path, arguments, code, message):
    result = stormplan(*arguments, cwd=tmp_path)
    assert result.returncode == code
    assert message in result.stderr
    assert "Traceback" not in result.stderr


def test_a_service_that_is_down_is_exit_4_and_still_a_briefing(tmp_path):
    file = tmp_path / "sites.yaml"
    file.write_text(sites_text({"a": site_entry(43.16, -89.44)}, "http://127.0.0.1:9"))
    sites = parse_sites({"a": site_entry(43.16, -89.44)}, "http://127.0.0.1:9")
    made = plan(sites, pipeline.DEMO_NOW, tmp_path / "archive.sqlite")
    assert made.exit_code is ExitCode.NOTHING_PLANNED
    pipeline.write_reports(made, tmp_path / "out")
    assert "NO FORECAST" in (tmp_path / "out" / "briefing.txt").read_text()


def test_a_time_without_a_zone_is_the_companys():
    sites = parse_sites({"a": site_entry(43.1, -89.4)})  # in America/Chicago
    for said, meant in (
        ("2026-01-12T10:30Z", "2026-01-12T10:30+00:00"),
        ("2026-01-12T04:30", "2026-01-12T10:30+00:00"),
        ("2026-01-12 04:30-05:00", "2026-01-12T09:30+00:00"),
        ("2026-07-12T04:30", "2026-07-12T09:30+00:00"),
        ("2026-01-12", "2026-01-12T10:30+00:00"),  # a day alone is its briefing
    ):
        assert parse_moment(said, sites) == datetime.fromisoformat(meant)
    with pytest.raises(InputError, match=r"'2026-01-12' is not a time; .* with its zone"):
        parse_moment("2026-01-12")
    with pytest.raises(InputError, match="'soon' is not a time"):
        parse_moment("soon", sites)


def modules_loaded_by(command):
    code = f"import sys; sys.argv = ['stormplan', *{command!r}]\n"
    code += "from stormplan.cli.main import app\n"
    code += "try: app()\nexcept SystemExit: pass\nprint(*sys.modules)"
    result = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    return set(result.stdout.splitlines()[-1].split())


def test_help_is_light():
    loaded = modules_loaded_by(["--help"])
    assert "typer" in loaded
    assert not loaded & {"numpy", "pandas", "pydantic", "requests", "jinja2"}


def test_a_check_loads_nothing_that_plans():
    example = Path(__file__).parent.parent / "sites.example.yaml"
    loaded = modules_loaded_by(["check", str(example)])
    assert "stormplan.company.sites_file" in loaded
    assert not loaded & {"stormplan.planning.plan", "pandas", "requests", "jinja2", "matplotlib"}
