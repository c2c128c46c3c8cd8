"""The pages as a browser shows and prints them: phone, paper, dark, without network, accessible."""

import re
from pathlib import Path

import pytest
from helpers import browser as chromium

from stormplan.service import pipeline

AXE = Path(__file__).parent.parent / ".cache" / "axe" / "node_modules" / "axe-core" / "axe.min.js"
PAGES = ("briefing.html", "mixsheet.html", "notices.html", "rounds.html")

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(
        chromium.CHROMIUM is None, reason="no chromium here; scripts/browser installs it"
    ),
]
needs_axe = pytest.mark.skipif(
    not AXE.exists(), reason="no axe-core in .cache; scripts/browser installs it"
)


@pytest.fixture(scope="module")
def plan(demo_plan):
    return demo_plan


@pytest.fixture(scope="module")
def folder(plan, tmp_path_factory):
    folder = tmp_path_factory.mktemp("reports")
    pipeline.write_reports(plan, folder)
    return folder


@pytest.fixture(scope="module")
def tab():
    with chromium.open_browser() as found:
        yield found


def count_pages(pdf: bytes) -> int:
    return len(re.findall(rb"/Type\s*/Page\b", pdf))


@pytest.mark.parametrize("page", PAGES)
def test_nothing_scrolls_sideways_on_the_narrowest_phone(tab, folder, page):
    tab.open(folder / page, width=320, height=640)
    assert tab.evaluate("document.documentElement.scrollWidth") <= 320
    tab.evaluate("document.querySelectorAll('details').forEach(each => { each.open = true })")
    assert tab.evaluate("document.documentElement.scrollWidth") <= 320


def test_long_names_and_a_single_site_stay_on_the_phone(tab, plan, tmp_path):
    long = "W" * 118
    surfaces = tuple(s.model_copy(update={"name": long}) for s in plan.sites[0].surfaces)
    site = plan.sites[0].model_copy(update={"name": long, "client": long, "surfaces": surfaces})
    alone = {"sites": (site,), "priority_sites": (site.key,), "company": long}
    pipeline.write_reports(plan.model_copy(update=alone), tmp_path)
    for page in PAGES:
        tab.open(tmp_path / page, width=360, height=640)
        assert tab.evaluate("document.documentElement.scrollWidth") <= 360


@pytest.mark.parametrize("page", PAGES)
def test_pages_ask_for_nothing_and_complain_of_nothing(tab, folder, page):
    tab.open(folder / page)
    assert tab.evaluate("document.title")
    assert tab.requests == [(folder / page).as_uri()]
    assert tab.console_errors == []


def test_the_first_screen_of_a_phone_holds_the_answer(tab, folder):
    tab.open(folder / "briefing.html", width=390, height=844)
    seen = tab.evaluate(
        "[...document.querySelectorAll('h1, .plate p, .plate dt, .facts > dd, .matters li')]"
        ".filter(each => each.getBoundingClientRect().bottom <= 844)"
        ".map(each => each.innerText).join('\\n')"
    )
    answer = ("GO", "from Mon", "gal", "95/5", "rounds take", "85 %", "doubtful below")
    for needed in (*answer, "1 h 18 min old", "Juniper clinic", "River Bend school"):
        assert needed in seen


def test_a_mix_sheet_prints_on_one_page_a_yard(tab, folder, plan, tmp_path):
    tab.open(folder / "mixsheet.html")
    assert len(plan.yards) == 2
    assert [count_pages(tab.pdf(paper)) for paper in ("letter", "A4")] == [2, 2]
    crowded = plan.yards[0].model_copy(
        update={"batches": plan.yards[0].batches * 20, "shortages": ("salt", "room in the tanks")}
    )
    two = plan.model_copy(update={"yards": (crowded, plan.yards[0])})
    pipeline.write_reports(two, tmp_path)
    tab.open(tmp_path / "mixsheet.html")
    assert [count_pages(tab.pdf(paper)) for paper in ("letter", "A4")] == [2, 2]


def test_dark_is_dark_and_light_is_light(tab, folder):
    tab.open(folder / "briefing.html")
    light = "getComputedStyle(document.body).backgroundColor.match(/\\d+/g).map(Number)"
    ink = "getComputedStyle(document.body).color.match(/\\d+/g).map(Number)"
    for is_dark in (False, True):
        tab.set_dark_mode(is_dark)
        paper, letters = sum(tab.evaluate(light)), sum(tab.evaluate(ink))
        assert (paper < letters) == is_dark
    tab.set_dark_mode(False)


@needs_axe
@pytest.mark.parametrize("is_dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("page", PAGES)
def test_no_serious_accessibility_finding(tab, folder, page, is_dark):
    tab.set_dark_mode(is_dark)
    tab.open(folder / page)
    tab.evaluate("document.querySelectorAll('details').forEach(each => { each.open = true })")
    tab.evaluate(AXE.read_text(encoding="utf-8"))
    told = tab.evaluate(
        "axe.run().then(told => [told.passes.length, told.violations"
        ".filter(each => ['serious', 'critical'].includes(each.impact))"
        ".map(each => each.id + ': ' + each.nodes.slice(0, 3).map(n => n.html).join(' | '))])"
    )
    tab.set_dark_mode(False)
    passed, found = told
    assert passed > 10  # it did look
    assert found == []
