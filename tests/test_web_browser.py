"""The pages in Chromium: one hand, in the dark, nothing from elsewhere, without coverage."""

import re
import time
from datetime import UTC, datetime

import pytest
from helpers import browser as chromium
from helpers.pages import link_of, record, serving, write_morning
from test_browser import AXE, needs_axe

PATHS = ("/", "/work", "/look", "/yard", "/say")
TARGET_PX = 44  # WCAG 2.2, 2.5.5 target size (enhanced)

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(
        chromium.CHROMIUM is None, reason="no chromium here; scripts/browser installs it"
    ),
]


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pages")
    write_morning(folder, datetime.now(UTC))
    return folder


@pytest.fixture(scope="module")
def base(folder):
    with serving(folder, requests_a_minute=5000) as address:
        yield address


@pytest.fixture(scope="module")
def tab(folder, base):
    with chromium.open_browser() as found:
        secret = link_of(folder, "Kim", "owner")
        found.visit(f"{base}/open/{secret}", lands_on=f"{base}/")
        yield found


@pytest.mark.parametrize("path", PATHS)
def test_targets_are_big_and_nothing_scrolls_sideways(tab, base, path):
    tab.visit(base + path, width=360, height=640)
    assert tab.evaluate("document.documentElement.scrollWidth") <= 360
    small = tab.evaluate(
        "[...document.querySelectorAll('a, button, summary, select, textarea, input')]"
        ".map(each => [each.outerHTML.slice(0, 60), each.getBoundingClientRect()])"
        f".filter(([_, box]) => box.width && Math.min(box.width, box.height) < {TARGET_PX})"
        ".map(([text]) => text)"
    )
    assert small == []
    assert all(url.startswith(base) for url in tab.requests)
    assert tab.console_errors == []


@needs_axe
@pytest.mark.parametrize("is_dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("path", PATHS)
def test_the_pages_are_accessible(tab, base, path, is_dark):
    tab.set_dark_mode(is_dark)
    tab.call("Page.setBypassCSP", enabled=True)  # axe is no script of ours
    tab.visit(base + path)
    tab.evaluate(f"{AXE.read_text(encoding='utf-8')}; 0")
    found = tab.evaluate("axe.run().then(told => told.violations.map(each => each.id))")
    tab.call("Page.setBypassCSP", enabled=False)
    tab.set_dark_mode(False)
    assert found == []


def wait_for(condition):
    deadline = time.monotonic() + chromium.START_S
    while not condition():
        assert time.monotonic() < deadline
        time.sleep(0.05)


def test_without_coverage_a_form_waits_and_is_sent_once(tab, folder, base):
    before = len(record(folder))
    tab.visit(f"{base}/look")
    tab.set_network(is_up=False)
    tap = "[...document.querySelectorAll('.choices button')].find(b => b.value === '{}').click()"
    tab.evaluate(tap.format("ice"))
    wait_for(lambda: "1 waiting" in tab.evaluate("document.getElementById('waiting').innerText"))
    assert len(record(folder)) == before
    tab.set_network(is_up=True)
    tab.visit(f"{base}/work")  # loaded again, once there is coverage
    wait_for(lambda: len(record(folder)) > before)
    wait_for(lambda: tab.evaluate("localStorage.getItem('stormplan-waiting')") == "[]")
    tab.visit(f"{base}/work")
    time.sleep(0.5)
    added = record(folder)[before:]
    assert [(one.kind, one.condition, one.by) for one in added] == [("inspection", "ice", "Kim")]


def test_the_crew_logs_with_a_tap_in_the_browser(tab, folder, base):
    before = len(record(folder))
    tab.visit(f"{base}/work")
    tab.evaluate("document.querySelector('form.log button').click(); 0")
    wait_for(lambda: len(record(folder)) > before)
    assert record(folder)[-1].kind in ("application", "pass")


def test_the_list_prints_on_one_page(tab, base):
    tab.visit(f"{base}/work")
    for paper in ("letter", "A4"):
        assert len(re.findall(rb"/Type\s*/Page\b", tab.pdf(paper))) == 1
