"""The bundled storm: what the demo shows a newcomer, and that its files can be opened."""

import csv
import io
import re
import sys
from datetime import UTC, datetime, timedelta
from html import unescape
from itertools import pairwise
from pathlib import Path

import html5lib
import pytest
from helpers.command_line import stormplan
from rich.console import Console

from stormplan.company import sites_file
from stormplan.company.catalog import SURFACE_CLASSES
from stormplan.errors import ExitCode
from stormplan.record.checks import check_entry
from stormplan.record.entries import parse_entry
from stormplan.service import pipeline
from stormplan.treatment.records import Action
from stormplan.units import L_PER_GAL
from stormplan.words import briefing, exports, mix_sheet, terminal

ROOT = Path(__file__).parent.parent


@pytest.fixture(scope="module")
def plan(demo_plan):
    return demo_plan


@pytest.fixture(scope="module")
def shown(plan):
    return briefing.build_view(plan)


def actions(plan, key):
    site = next(site for site in plan.sites if site.key == key)
    return {item.action for _, item in site.treatments}


def test_the_story_of_the_demo(plan):
    assert plan.verdict == "go"
    assert plan.exit_code is ExitCode.COMPLETE
    assert len(plan.sites) == 7
    assert {site.timezone for site in plan.sites} == {"America/Chicago", "America/New_York"}
    assert [bool(yard.shortages) for yard in plan.yards] == [True, False]
    differing = {site.key: [one.differences for one in site.other_sources] for site in plan.sites}
    assert differing["river-bend"] == [()]  # the second opinion agrees there, and not here
    assert differing["southgate"] == [("decision", "onset", "coldest pavement", "ice")]
    assert actions(plan, "ferry-landing") == {Action.NOTHING}  # fine to leave alone
    # freezing rain, which liquid cannot treat; that it freezes back a day later is watched
    assert actions(plan, "southgate") == {Action.SALT, Action.WAIT}
    assert Action.PRETREAT in actions(plan, "juniper-clinic")
    assert {s.surface_class for site in plan.sites for s in site.surfaces} == set(SURFACE_CLASSES)


def test_the_second_morning_stands_on_what_the_crews_logged():
    second = pipeline.plan_demo(pipeline.DEMO_NOW + timedelta(days=1))
    assert second.exit_code is ExitCode.COMPLETE
    assert second.first_start == second.made_at  # the snow is on: work begins now, not an hour ago
    (sheet, *_) = mix_sheet.mix_sheet_views(second)
    assert sheet.first_load_at.endswith("4:30 AM CST")
    assert (sheet.spread.first_at, sheet.spread.rows[0].when) == ("Tue 4:30 AM",) * 2
    assert second.yards[0].stock_as_of == datetime(2026, 1, 13, 10, 10, tzinfo=UTC)
    # 140 gal, 200 made, 112 loaded, 3 back, 9 for the walk cart: 222 in the book; 216 measured cold
    assert second.yards[0].tanks[0].on_hand_l / L_PER_GAL == pytest.approx(217, abs=2)
    lot = next(s for s in second.sites if s.key == "juniper-clinic").surfaces[-1]
    assert lot.record.condition == "damp"
    assert "by the record" in terminal.render_text(briefing.build_view(second))


def test_the_demos_record_is_one_that_could_be_imported():
    folder = ROOT / "stormplan" / "demo"
    sites = sites_file.load_sites(folder / "sites.yaml")
    for line in (folder / "record.jsonl").read_text(encoding="utf-8").splitlines():
        check_entry(parse_entry(line, "record.jsonl"), sites, pipeline.DEMO_NOW + timedelta(days=1))


def test_the_first_screen_answers_the_owner(shown):
    first = "\n".join(terminal.render_text(shown).splitlines()[:26])
    for needed in ("GO", "Pre-treat", "Mon 1:37 PM", "gal", "Chance", "Forecast", "old"):
        assert needed in first


def test_text_fits_a_mail(shown):
    assert max(map(len, terminal.render_text(shown).splitlines())) <= terminal.TEXT_WIDTH


@pytest.mark.parametrize("units", ["us", "metric"])
@pytest.mark.parametrize("width", [56, 64, 70, 78, 90, 101])
@pytest.mark.parametrize("is_colored", [False, True])
def test_no_line_ends_between_a_number_and_its_unit(plan, units, width, is_colored):
    # a space stands between them (NIST SP 811, 7.2); that no line ends there is common practice of
    # typesetting, no source
    view = briefing.build_view(plan.model_copy(update={"units": units}))
    out = io.StringIO()
    system = "truecolor" if is_colored else None
    console = Console(file=out, width=width, color_system=system, force_terminal=is_colored)
    console.print(terminal.render_screen(view))
    plain = re.sub(r"\x1b\[[0-9;]*m", "", out.getvalue())
    lines = [line.rstrip() for line in plain.splitlines()]
    units_of_trade = ("%", "°F", "°C", "gal", "L", "lb", "kg", "in", "mm", "cm", "h", "AM", "PM")
    parted = [
        (first, second)
        for first, second in pairwise(lines)
        if re.search(r"\d$", first) and second.split()[:1] in [[unit] for unit in units_of_trade]
    ]
    assert not parted
    assert "\ue000" not in plain
    for word in ("85 %", "freezing rain 71 %"):
        assert word in " ".join(plain.split())


def test_the_page_is_valid_self_contained_html(shown):
    page = briefing.render_html(shown)
    parser = html5lib.HTMLParser(strict=True)
    parser.parse(page)  # strict: raises on the first error
    for outside in ("http://", "https://", "<script", "<link", "@import", "src="):
        assert outside not in page


def test_names_come_out_inert(plan):
    bad = '=HYPERLINK("http://x")<script>alert(1)</script>'
    site = plan.sites[0].model_copy(update={"name": bad})
    yard = plan.yards[0].model_copy(update={"name": bad})
    spoiled = plan.model_copy(update={"sites": (site, *plan.sites[1:]), "yards": (yard,)})
    page = briefing.render_html(briefing.build_view(spoiled))
    assert "<script" not in page
    assert "&lt;script&gt;" in page
    rows = list(csv.reader(io.StringIO(exports.mix_csv(spoiled.yards, "us"))))
    assert all(not cell.startswith("=") for row in rows for cell in row)


def test_the_mix_table_adds_up(plan):
    rows = list(csv.DictReader(io.StringIO(exports.mix_csv(plan.yards, "us"))))
    sprayed = sum(float(row["quantity"]) for row in rows if row["item"].startswith("spray "))
    total = sum(t.volume_l for site in plan.sites for _, t in site.treatments) / 3.785411784
    assert sprayed == pytest.approx(total, abs=0.2)


def test_metric_words(plan):
    text = terminal.render_text(briefing.build_view(plan.model_copy(update={"units": "metric"})))
    assert "°F" not in text.replace("Hydrometer at 60 °F", "")
    assert " L " in text
    assert "gal" not in text
    assert "18:00" in text


def test_every_rule_of_a_decision_reaches_the_page(plan, shown):
    page = unescape(briefing.render_html(shown))
    for site in plan.sites:
        for _, item in site.treatments:
            for reason in item.reasons:
                assert reason.source in page


def test_the_demo_is_what_its_generator_makes(tmp_path, monkeypatch):
    sys.path.insert(0, str(ROOT / "scripts"))
    import make_demo_storm

    monkeypatch.setattr(make_demo_storm, "OUT", tmp_path)
    make_demo_storm.main()
    bundled = ROOT / "stormplan" / "demo"
    for made in tmp_path.iterdir():
        assert made.read_text() == (bundled / made.name).read_text()


def test_the_demo_command_leaves_the_files_it_names(tmp_path):
    result = stormplan("brief", "--demo", "--out", tmp_path)
    assert result.returncode == 0
    assert not [line for line in result.stdout.splitlines() if line != line.rstrip()]
    folder = tmp_path / "latest"
    *first, rest = result.stdout.split(f"Written to {folder}:\n")[1].strip().splitlines()
    named = [*(line.split()[0] for line in first), *rest.strip().split(", ")]
    assert sorted(named) == sorted(
        str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file()
    )


def test_a_terminal_shows_the_answer_without_scrolling(shown):
    # 50 lines of 80 columns are a terminal window; the rest is in the reports, or with --full
    console = Console(file=io.StringIO(), width=80)
    console.print(terminal.render_first_screen(shown))
    lines = console.file.getvalue().splitlines()
    assert len(lines) <= 50
    assert any(line.startswith("GO") for line in lines[:3])


def test_the_film_of_a_pretreat_is_told_from_before_its_event_to_after_it(demo_plan):
    shown = [
        (planned.film, planned.event)
        for site in demo_plan.sites
        for _, planned in site.treatments
        if planned.film is not None
    ]
    assert shown
    for film, event in shown:
        assert film.start <= event.start
        assert film.start + timedelta(hours=len(film.freeze_point_c)) > event.end
