"""Reports of very many sites: an index by yard, a page for each yard, and sizes that stay usable.

Sizes are own choices: a page opens on a phone up to about a megabyte, a text is read up to some
hundred lines.
"""

import re

import pytest

from stormplan.planning.diagnostics import DiagnosticCode, degraded
from stormplan.treatment.records import Action
from stormplan.words import briefing, reports, terminal

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
