"""The pages in Chromium: one hand, in the dark, nothing from elsewhere, without coverage."""

import hashlib
import re
import threading
import time
from datetime import UTC, datetime

import pytest
from helpers import browser as chromium
from helpers.pages import link_of, record, serving, write_morning
from test_browser import AXE, needs_axe

PATHS = ("/", "/work", "/look", "/yard", "/say", "/notices", "/notices/check")
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
    for width in (320, 360):  # WCAG 2.2, 1.4.10 reflow: 320 px
        tab.visit(base + path, width=width, height=640)
        assert tab.evaluate("document.documentElement.scrollWidth") <= width
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


def kept_pages(tab):
    """Return the addresses that the worker has kept on the phone."""
    found = tab.evaluate(
        "caches.open('stormplan-pages').then(kept => kept.keys())"
        ".then(all => all.map(one => new URL(one.url).pathname))"
    )
    return set(found)


def said(tab, selector="body"):
    """Return what a part of the page says; nothing while another page comes."""
    return tab.evaluate(f"(document.querySelector({selector!r}) || {{innerText: ''}}).innerText")


PHOTO = b"\xff\xd8\xff\xe0\r\n an invented photo"
LOG_LOOK = """(() => {{
  const form = document.querySelector("form.log");
  form.surface.value = "{surface}";
  form.temperature.value = "{temperature}";
  const photos = new DataTransfer();
  if ("{condition}" === "ice") photos.items.add(new File([new Uint8Array({photo})], "ice.jpg"));
  form.photo.files = photos.files;
  [...form.querySelectorAll(".choices button")].find(b => b.value === "{condition}").click();
}})()"""


def test_the_night_without_coverage_is_logged_once_though_the_page_is_loaded_again(tmp_path):
    """Cut in the middle, pages loaded again, more logged, coverage back: each is there once."""
    write_morning(tmp_path, datetime.now(UTC))
    with chromium.open_browser() as tab:
        with serving(tmp_path) as base:
            secret = link_of(tmp_path, "Kim", "crew")
            tab.visit(f"{base}/open/{secret}", lands_on=f"{base}/")
            wait_for(lambda: {"/", "/work", "/look", "/yard"} <= kept_pages(tab))
            tab.visit(f"{base}/work")
        # no server from here on
        tab.visit(f"{base}/work")
        assert "lot" in said(tab, ".item")
        tab.evaluate("document.querySelector('.item form.log button').click(); 0")
        wait_for(lambda: "1 waiting" in said(tab, "#waiting"))
        tab.visit(f"{base}/look")
        looks = [("mill/lot", "ice", 28), ("mill/walk", "wet", 29), ("mill/lot", "dry", 285)]
        for number, (surface, condition, temperature) in enumerate(looks, start=2):
            look = {"surface": surface, "condition": condition, "temperature": temperature}
            tab.evaluate(LOG_LOOK.format(**look, photo=list(PHOTO)))
            wait_for(lambda number=number: f"{number} waiting" in said(tab, "#waiting"))
        tab.visit(f"{base}/work")
        wait_for(lambda: "Kept on this phone" in said(tab, ".item"))
        assert record(tmp_path) == []
        with serving(tmp_path, port=int(base.rpartition(":")[2])):
            tab.visit(f"{base}/work")
            wait_for(lambda: "less than or equal to 70" in said(tab))
            for _ in range(2):  # and nothing is sent again
                tab.visit(f"{base}/work")
            assert "✓" in said(tab, ".item")
            wait_for(lambda: "Put it away" in said(tab))
            tab.evaluate("document.querySelector('#waiting button').click(); 0")
            wait_for(lambda: "Put it away" not in said(tab))
            tab.visit(f"{base}/")  # signed out, the phone keeps no page
            tab.evaluate("document.querySelector('form[action=\"/leave\"] button').click(); 0")
            wait_for(lambda: "signed out" in said(tab))
            assert kept_pages(tab) == set()
    first, *rest = record(tmp_path)
    assert (first.kind, first.surface) == ("application", "lot")
    assert [(one.surface, one.condition) for one in rest] == [("lot", "ice"), ("walk", "wet")]
    assert {one.by for one in record(tmp_path)} == {"Kim"}
    assert [one.sha256 for one in rest[0].photos] == [hashlib.sha256(PHOTO).hexdigest()]
    assert rest[1].photos == ()


def test_what_one_person_logged_is_not_sent_as_anothers(tmp_path):
    write_morning(tmp_path, datetime.now(UTC))
    with chromium.open_browser() as tab:
        with serving(tmp_path) as base:
            kim, lee = (link_of(tmp_path, name, "crew") for name in ("Kim", "Lee"))
            tab.visit(f"{base}/open/{kim}", lands_on=f"{base}/")
            wait_for(lambda: "/look" in kept_pages(tab))
            tab.visit(f"{base}/look")
        look = {"surface": "mill/lot", "condition": "wet", "temperature": 30}
        tab.evaluate(LOG_LOOK.format(**look, photo=[]))
        wait_for(lambda: "1 waiting" in said(tab, "#waiting"))
        with serving(tmp_path, port=int(base.rpartition(":")[2])):
            tab.visit(f"{base}/open/{lee}", lands_on=f"{base}/")
            wait_for(lambda: "1 of Kim waiting here" in said(tab, "#waiting"))
            assert record(tmp_path) == []
            tab.visit(f"{base}/open/{kim}", lands_on=f"{base}/")
            wait_for(lambda: len(record(tmp_path)) == 1)
    assert record(tmp_path)[0].by == "Kim"


def test_without_script_the_forms_work_as_they_are(tab, folder, base):
    before = len(record(folder))
    tab.call("Emulation.setScriptExecutionDisabled", value=True)
    try:
        tab.visit(f"{base}/look")
        tab.evaluate("document.querySelector('.choices button[value=wet]').click(); 0")
        wait_for(lambda: "Logged" in said(tab, "h1"))
    finally:
        tab.call("Emulation.setScriptExecutionDisabled", value=False)
    (entry,) = record(folder)[before:]
    assert (entry.kind, entry.condition, entry.photos) == ("inspection", "wet", ())


def test_the_crew_logs_with_a_tap_in_the_browser(tab, folder, base):
    before = len(record(folder))
    tab.visit(f"{base}/work")
    tab.evaluate("document.querySelector('form.log button').click(); 0")
    wait_for(lambda: len(record(folder)) > before)
    assert record(folder)[-1].kind in ("application", "pass")


#: Chromium answers no script while a page is on its way: what stops it is set going before.
TAP_AND_GO = """(() => {{
  document.querySelector(".item form.log button").click();
  document.querySelector("nav a[href='/look']").click();
  if ({stops}) setTimeout(() => stop(), 1000);
}})()"""


@pytest.mark.parametrize("comes", [True, False], ids=["page comes", "page does not come"])
def test_a_page_chosen_while_a_tap_is_sent_is_not_overtaken(tmp_path, comes):
    write_morning(tmp_path, datetime.now(UTC))
    hold_until = {"/look": threading.Event()}
    with chromium.open_browser() as tab, serving(tmp_path, hold_until=hold_until) as base:
        secret = link_of(tmp_path, "Kim", "crew")
        tab.visit(f"{base}/open/{secret}", lands_on=f"{base}/")
        tab.call("Network.setBypassServiceWorker", bypass=True)
        tab.visit(f"{base}/work")
        tab.evaluate(TAP_AND_GO.format(stops="false" if comes else "true"))
        wait_for(lambda: record(tmp_path))
        if comes:
            time.sleep(1.0)  # the page has its reply, and would come anew
            hold_until["/look"].set()
            wait_for(lambda: "Logged" in said(tab, "#waiting"))
            assert tab.evaluate("location.pathname") == "/look"
        else:
            wait_for(lambda: "✓ Sent." in said(tab, ".item"))
            wait_for(lambda: "Logged" in said(tab, "#waiting"))
            assert tab.evaluate("location.pathname") == "/work"
        hold_until["/look"].set()
        assert tab.requests.count(f"{base}/work") == 1
    assert len(record(tmp_path)) == 1


def test_the_list_prints_on_one_page(tab, base):
    tab.visit(f"{base}/work")
    for paper in ("letter", "A4"):
        assert len(re.findall(rb"/Type\s*/Page\b", tab.pdf(paper))) == 1
