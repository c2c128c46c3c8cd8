"""A season of mornings planned again: the same as one by one, and nothing counted twice.

The reference is each morning planned alone, and the plan's own JSON added up by hand.
"""

import csv
import json
from datetime import date, datetime, timedelta

import pytest
from helpers import service
from helpers.http_service import run_weather_server
from helpers.service import HOUR, RunningCompany
from helpers.sites import parse_sites, sites_text
from typer.testing import CliRunner

from stormplan import units
from stormplan.cli.main import app
from stormplan.errors import ExitCode, InputError
from stormplan.planning import plan_io
from stormplan.planning.morning_work import morning_work, total_work
from stormplan.service import pipeline, season, workers
from stormplan.store.archive import Archive

FIRST, LAST = date(2026, 1, 12), date(2026, 1, 14)


@pytest.fixture(scope="module")
def company(tmp_path_factory):
    """A company with three mornings in its archive: a storm, the same storm later, and after."""
    folder = tmp_path_factory.mktemp("season")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_STATE_HOME", str(folder / "state"))
        with run_weather_server() as replay:
            found = RunningCompany(folder, replay)
            service.serve_storm(replay)
            found.step()
            found.step(24 * HOUR)
            found.step(24 * HOUR)
    return found


def replayed(company, sites=None, mapper=map, last=LAST):
    given, archive = sites or company.config.sites, company.config.archive_path
    return list(season.replay_season(given, archive, FIRST, last, mapper=mapper))


@pytest.fixture(scope="module")
def mornings(company):
    return replayed(company)


def test_every_morning_is_what_it_is_alone(company, mornings):
    with Archive(company.config.archive_path) as kept:
        before = kept.fetch_all("SELECT count(*) FROM plan")
        alone = [
            morning_work(pipeline.replay(company.config.sites, kept, one.day), one.day)
            for one in mornings
        ]
        assert kept.fetch_all("SELECT count(*) FROM plan") == before
    assert mornings == alone
    assert [one.day for one in mornings] == [FIRST, date(2026, 1, 13), LAST]
    assert mornings[0].pretreat_count == 1


@pytest.mark.slow
def test_workers_find_the_same_in_the_same_order(company, mornings):
    with workers.open_mapper(2) as mapper:
        assert replayed(company, mapper=mapper) == mornings


def test_twice_the_area_is_twice_the_material(company, mornings):
    place = json.loads(json.dumps(company.place))
    place["surfaces"]["lot"]["area"] = "40000 ft2"
    wider = parse_sites({"a": place}, company.base_url, **company.sections)
    ours, theirs = total_work(mornings), total_work(replayed(company, wider))
    assert theirs.liquid_l == pytest.approx(2 * ours.liquid_l) != 0.0
    assert theirs.chloride_kg == pytest.approx(2 * ours.chloride_kg)
    assert theirs.surface_count == ours.surface_count


def test_a_morning_without_archive_has_no_forecast(company):
    *_, empty = replayed(company, last=date(2026, 1, 20))
    assert empty.exit_code is ExitCode.NOTHING_PLANNED
    assert empty.liquid_l == 0.0
    with pytest.raises(InputError, match="2026-01-11 is before 2026-01-12"):
        replayed(company, last=date(2026, 1, 11))


def test_what_a_morning_sends_out_is_what_its_plan_says_for_the_next_day(demo_plan):
    found = morning_work(demo_plan, FIRST)
    document = json.loads(plan_io.plan_json(demo_plan))
    end = datetime.fromisoformat(document["made_at"]) + timedelta(hours=24)
    due = [
        (site["key"], surface["key"], visit)
        for site in document["sites"]
        for surface in site["surfaces"]
        for item in surface["treatments"]
        for visit in item["visits"]
        if visit["action"] != "inspect" and datetime.fromisoformat(visit["at"]) < end
    ]
    later = sum(
        len(item["visits"])
        for site in document["sites"]
        for surface in site["surfaces"]
        for item in surface["treatments"]
    )
    assert 0 < len(due) < later
    assert found.surface_count == len({place[:2] for place in due})
    assert found.pretreat_count == sum(visit["action"] == "pre-treat" for *_, visit in due)
    wet = sum(visit["volume_l"] + visit["prewet_l"] for *_, visit in due)
    assert found.liquid_l == pytest.approx(wet)
    assert found.salt_kg == pytest.approx(
        sum(visit["solid_kg"] for *_, visit in due if visit["action"] == "salt")
    )
    assert found.chloride_kg == pytest.approx(sum(visit["chloride_kg"] for *_, visit in due))


def run(*words):
    return CliRunner().invoke(app, ["replay", *map(str, words)])


def test_two_sites_files_are_compared_over_a_season(company, mornings, tmp_path):
    ours, theirs = tmp_path / "sites.yaml", tmp_path / "patient.yaml"
    ours.write_text(company.text, encoding="utf-8")
    sections = {**company.sections, "policy": {"horizon": "30 h", "go_probability": "90 %"}}
    text = sites_text({"a": company.place}, company.base_url, **sections)
    theirs.write_text(text, encoding="utf-8")
    archive = ("--sites", ours, "--archive", company.config.archive_path)
    table = tmp_path / "season.csv"
    found = run(FIRST, *archive, "--until", LAST, "--against", theirs, "--csv", table)
    rows = list(csv.DictReader(table.read_text(encoding="utf-8").splitlines()))
    assert [row["morning"] for row in rows] == 2 * ["2026-01-12", "2026-01-13", "2026-01-14"]
    gallons = [round(one.liquid_l / units.L_PER_GAL) for one in mornings]
    assert [int(row["liquid_gal"]) for row in rows[:3]] == gallons
    lines = found.stdout.splitlines()
    together, against, difference, differing = (
        next(line for line in lines if line.startswith(word)).split()
        for word in ("together", "against", "difference", "2 mornings of")
    )
    # the storm is less likely than the 90 % from which the other goes
    assert int(together[4]) == sum(gallons) > int(against[4]) == 0
    assert int(difference[4]) == -sum(gallons)
    assert differing[3] == "3"
    assert found.exit_code == max(one.exit_code for one in mornings)
    assert not (company.out / "replay-2026-01-12T1030Z").exists()


def test_options_of_a_season_without_one_are_refused(company, tmp_path):
    sites = tmp_path / "sites.yaml"
    sites.write_text(company.text, encoding="utf-8")
    archive = ("--sites", sites, "--archive", company.config.archive_path)
    refused = run(FIRST, *archive, "--csv", tmp_path / "no.csv")
    assert "--against and --csv go with --until" in str(refused.exception)
    refused = run("2026-01-12T10:30Z", *archive, "--until", LAST)
    assert "is not a day" in str(refused.exception)
