"""Reports of very many sites: an index by yard, a page for each yard, and sizes that stay usable.

Sizes are own choices: a page opens on a phone up to about a megabyte, a text is read up to some
hundred lines.
"""

import json
import re
import tracemalloc

import jsonschema
import pytest

from stormplan.company import sites_file
from stormplan.errors import InputError
from stormplan.planning import plan_io, plan_lines
from stormplan.planning.diagnostics import DiagnosticCode, degraded
from stormplan.planning.plan import current_document
from stormplan.service import pipeline
from stormplan.store import maintenance, report_folders
from stormplan.store.archive import Archive
from stormplan.store.run_log import RunLog
from stormplan.treatment.records import Action
from stormplan.words import briefing, calendar_entries, reports, terminal

YARDS, SITES_OF_YARD = 10, 60


@pytest.fixture(scope="module")
def plan(demo_plan):
    """The demonstration's sites again and again, as 600 sites of 10 yards."""
    demo = demo_plan
    sites = [
        site.model_copy(
            update={"key": f"s{number}-{at}", "name": f"Site {number}-{at}", "yard": f"y{number}"}
        )
        for number in range(YARDS)
        for at in range(SITES_OF_YARD)
        for site in [demo.sites[at % len(demo.sites)]]
    ]
    yards = [
        demo.yards[0].model_copy(update={"yard": f"y{number}", "name": f"Yard {number}"})
        for number in range(YARDS)
    ]
    return demo.model_copy(
        update={"sites": tuple(sites), "yards": tuple(yards), "priority_sites": ("s0-0", "s1-0")}
    )


@pytest.fixture(scope="module")
def sites_of_plan(plan, demo_plan):
    """The demonstration's sites file, its sites again and again."""
    folder = pipeline.files("stormplan") / "demo"
    demo = sites_file.parse_sites((folder / "sites.yaml").read_text(encoding="utf-8"))
    keys = [site.key for site in demo_plan.sites]
    found = {
        site.key: demo.sites[keys[int(site.key.split("-")[1]) % len(keys)]] for site in plan.sites
    }
    return demo.model_copy(update={"sites": found})


def only(site, *actions):
    """The site with those treatments that are one of some actions."""
    surfaces = tuple(
        surface.model_copy(
            update={"treatments": tuple(t for t in surface.treatments if t.action in actions)}
        )
        for surface in site.surfaces
    )
    return site.model_copy(update={"surfaces": surfaces})


def test_few_sites_are_all_in_the_briefing(demo_plan):
    assert briefing.yard_pages(demo_plan) == {}
    assert briefing.build_view(demo_plan).yard_index == ()


def test_many_sites_are_an_index_of_yards_and_each_site_stands_in_its_yard(plan):
    page = briefing.render_html(briefing.build_view(plan))
    pages = briefing.yard_pages(plan)
    assert re.findall(r'href="(yards/[^"]+)"', page) != []
    assert sorted(set(re.findall(r'href="(yards/[^"]+)"', page))) == sorted(pages)
    assert set(re.findall(r'href="#(\w+)"', page)) <= set(re.findall(r'id="(\w+)"', page))
    for number in range(YARDS):
        of_yard = re.findall(r'id="site-([^"]+)"', pages[f"yards/y{number}.html"])
        assert sorted(of_yard) == sorted(f"s{number}-{at}" for at in range(SITES_OF_YARD))
        assert 'href="../briefing.html"' in pages[f"yards/y{number}.html"]
    assert "Site 7-7" not in page


def test_sizes_stay_usable(plan):
    view = briefing.build_view(plan)
    assert len(briefing.render_html(view).encode()) < 200_000
    assert len(terminal.render_text(view).splitlines()) < 500
    assert max(len(page.encode()) for page in briefing.yard_pages(plan).values()) < 1_000_000


def test_lists_of_an_index_say_how_much_they_leave_out(plan):
    unknown = [
        degraded(DiagnosticCode.NO_FORECAST, site=f"s{n % 10}-{n // 10}", reason=f"reason {n}")
        for n in range(50)
    ]
    view = briefing.build_view(plan.with_diagnostics(*unknown))
    assert len(view.problems) == briefing.MAX_LINES + 1
    assert view.problems[-1] == "and 10 more: see plan.json"
    (line,) = [line for line in view.yard_index if line.name == "Yard 3"]
    assert line.problem.startswith("Not known for 5 sites")


def test_a_yard_whose_sites_are_not_known_or_wait_is_not_called_idle(plan):
    # a shed lead who reads "nothing to do" goes home: common practice, no source
    def work_of(some):
        return {line.name: line.work for line in briefing.build_view(some).yard_index}

    bare = tuple(only(site) for site in plan.sites)
    idle = plan.model_copy(update={"sites": bare, "verdict": "nothing"})
    assert set(work_of(idle).values()) == {"Nothing to do."}
    unknown = degraded(DiagnosticCode.NO_FORECAST, site="s3-0", reason="no answer")
    assert work_of(idle.with_diagnostics(unknown))["Yard 3"] == "No work is known of."
    sites = tuple(only(site, Action.WAIT, Action.INSPECT) for site in plan.sites)
    told = work_of(plan.model_copy(update={"sites": sites, "verdict": "wait"}))
    assert all(work.startswith("No work yet: look or wait at ") for work in told.values())


def test_reports_have_the_pages_of_yards(plan, monkeypatch):
    monkeypatch.setattr("stormplan.words.reports._RENDERERS", reports._RENDERERS[:2])
    assert {"briefing.html", "briefing.txt", "yards/y0.html"} <= reports.render_reports(plan).keys()


# -- plan.json as lines ---------------------------------------------------------------------------


@pytest.fixture(scope="module")
def folder(plan, tmp_path_factory):
    """A folder with the plan's files."""
    folder = tmp_path_factory.mktemp("lines")
    pipeline.write_rendered(plan_io.plan_files(plan), folder)
    return folder


def test_the_plan_of_many_sites_is_a_head_and_lines_and_each_is_valid_by_the_schema(plan, folder):
    # JSON Lines: one JSON value a line, UTF-8 (jsonlines.org); JSON Schema draft 2020-12
    schema = json.loads(plan_io.plan_schema())
    head = json.loads((folder / "plan.json").read_text(encoding="utf-8"))
    jsonschema.validate(head, schema)
    assert (head["sites"], head["hourly"], head["forecasts"]) == ([], {}, {})
    lines = (folder / head["lines_file"]).read_text(encoding="utf-8").splitlines()
    assert len(lines) == head["line_count"] == 600 + len(plan.hourly) + len(plan.forecasts)
    part = jsonschema.Draft202012Validator(
        {**schema["$defs"]["PlanPart"], "$defs": schema["$defs"]}
    )
    for line in (lines[0], lines[600], lines[-1]):
        part.validate(json.loads(line))
    assert [json.loads(line)["sites"][0]["key"] for line in lines[:600]] == [
        site.key for site in plan.sites
    ]


def test_the_lines_are_read_back_as_the_same_plan(plan, folder):
    again = pipeline.read_plan(folder / "plan.json")
    assert plan_io.plan_json(again) == plan_io.plan_json(plan)


def test_lines_that_are_not_all_there_are_no_plan(plan, folder, tmp_path):
    for name in ("plan.json", plan_lines.LINES_FILE):
        (tmp_path / name).write_bytes((folder / name).read_bytes())
    lines = (folder / plan_lines.LINES_FILE).read_bytes().splitlines(keepends=True)
    (tmp_path / plan_lines.LINES_FILE).write_bytes(b"".join(lines[:-1]))
    with pytest.raises(InputError, match=rf"not whole: {len(lines) - 1} of {len(lines)} lines"):
        pipeline.read_plan(tmp_path / "plan.json")
    (tmp_path / plan_lines.LINES_FILE).write_bytes(b"".join(lines)[:-9])
    with pytest.raises(InputError, match="not a plan of this version"):
        pipeline.read_plan(tmp_path / "plan.json")
    (tmp_path / plan_lines.LINES_FILE).unlink()
    with pytest.raises(InputError, match="not whole: 0 of"):
        pipeline.read_plan(tmp_path / "plan.json")


def test_the_plan_of_few_sites_is_one_document(demo_plan):
    assert list(plan_io.plan_files(demo_plan)) == ["plan.json"]
    assert json.loads(plan_io.plan_json(demo_plan))["lines_file"] is None


def test_lines_are_written_without_holding_them_all(plan, tmp_path):
    lines = plan_io.PlanLines(plan)
    size = sum(map(len, lines))
    tracemalloc.start()
    report_folders.write_atomic(tmp_path / "lines", lines)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert (tmp_path / "lines").stat().st_size >= size
    assert peak < size / 10


def test_the_archive_keeps_the_lines_and_gives_them_piece_by_piece(plan, tmp_path):
    document = plan_io.plan_document(plan)
    with Archive(tmp_path / "archive.sqlite") as archive:
        log = RunLog(archive)
        log.add_run(document, plan.made_at, "asked")
        run = log.last_announced()
        exported = maintenance.export(archive, tmp_path / "a.jsonl").read_text(encoding="utf-8")
        rows = [json.loads(line) for line in exported.split("\n") if line]
        head, *parts = next(row["document"] for row in rows if row["table"] == "plan")
        assert head["line_count"] == len(parts)
        assert maintenance.check_integrity(archive).problems == ()
        assert log.run_of(plan.made_at, document) == run
    assert report_folders.report_set_name(plan.made_at, document) == (
        report_folders.report_set_name(run.made_at, run.document)
    )
    found = current_document(run.text)
    whole = json.loads(plan_io.plan_json(plan))
    assert list(found["sites"]) == list(found["sites"]) == whole["sites"]
    for section in ("hourly", "forecasts"):
        assert dict(found[section]) == whole[section]
        assert found[section].get("nowhere") is None
    assert found["verdict"] == whole["verdict"]
    assert plan_io.plan_json(plan_io.parse_plan(run.text, "it")) == plan_io.plan_json(plan)


def test_a_stored_plan_of_many_sites_is_compared_with_the_next(plan, sites_of_plan):
    text = "".join(plan_io.plan_document(plan))
    first = plan.sites[0]
    lost = first.model_copy(update={"source": None})
    later = plan.model_copy(update={"sites": (lost, *plan.sites[1:])})
    assert pipeline.with_changes(plan, text, sites_of_plan).changes == ()
    (found,) = pipeline.with_changes(later, text, sites_of_plan).changes
    assert (found.kind, found.site) == ("forecast lost", first.name)


def test_entries_that_a_plan_of_many_sites_has_no_more_are_cancelled(plan, sites_of_plan):
    before = {one.uid for one in calendar_entries.calendar_entries(plan)}
    text = "".join(plan_io.plan_document(plan))
    site = plan.sites[0].model_copy(update={"surfaces": ()})
    later = plan.model_copy(update={"sites": (site, *plan.sites[1:])})
    gone = before - {one.uid for one in calendar_entries.calendar_entries(later)}
    cancelled = pipeline.with_changes(later, text, sites_of_plan).cancelled_entries
    assert {one.uid for one in cancelled} == gone != set()
