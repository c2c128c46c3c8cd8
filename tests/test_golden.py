"""The demo's reports as files a person can open; ``./scripts/golden`` makes them anew."""

from pathlib import Path

import pytest

from stormplan.planning.plan import Plan
from stormplan.words import briefing
from stormplan.words.reports import render_reports

GOLDEN = Path(__file__).parent / "golden"


def made(plan: Plan) -> dict[str, str]:
    """Every report of the demo but the plan, and without drawings: they vary with their library."""
    reports = render_reports(plan)
    del reports["plan.json"]
    return reports | {"briefing.html": briefing.render_html(briefing.build_view(plan))}


@pytest.fixture(scope="module")
def reports(demo_plan):
    return made(demo_plan)


def test_every_report_has_its_golden_file(reports):
    kept = {str(path.relative_to(GOLDEN)) for path in GOLDEN.rglob("*") if path.is_file()}
    assert kept == set(reports)


@pytest.mark.parametrize(
    "name", sorted(str(path.relative_to(GOLDEN)) for path in GOLDEN.rglob("*") if path.is_file())
)
def test_reports_are_what_the_golden_files_say(reports, name):
    kept = (GOLDEN / name).read_bytes().decode("utf-8")
    assert reports[name].splitlines() == kept.splitlines(), "look, then run ./scripts/golden"
