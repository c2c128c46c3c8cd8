"""Every report of a plan: read back by another parser, inert whatever names say, bounded."""

import csv
import email
import email.policy
import io
import json
import re
import xml.etree.ElementTree as ET
from datetime import datetime, timedelta
from importlib.resources import files
from zoneinfo import ZoneInfo

import html5lib
import numpy as np
import pytest
import vobject
from geojson_pydantic import FeatureCollection, Point
from helpers.one_surface import plan_surface
from helpers.published_tables import NOON, forecast_cell
from helpers.sites import BASE_SECTIONS, parse_sites, site_entry
from icalendar import Calendar

from stormplan.company import sites_file
from stormplan.planning.planner import SiteForecasts, make_plan
from stormplan.service import pipeline
from stormplan.treatment.records import Action
from stormplan.units import UnitFormatter
from stormplan.words import briefing, exports, notices, strip_charts, yard_mix_text
from stormplan.words.calendar_entries import cancelled_entries, treatment_windows_ics
from stormplan.words.first_screen import work_lines
from stormplan.words.formatting import ReportFormat
from stormplan.words.reports import render_reports

NASTY = "=1+1|\"><script>alert('x')</script>\r\nBcc: all@x.example\r\n../../etc\x00‮"
PAGES = ("briefing.html", "mixsheet.html", "notices.html", "rounds.html")


@pytest.fixture(scope="module")
def plan(demo_plan):
    return demo_plan


@pytest.fixture(scope="module")
def reports(plan):
    return render_reports(plan)


def spoil(record, **more):
    return record.model_copy(update={"name": NASTY, **more})


@pytest.fixture(scope="module")
def spoiled(plan):
    sites = []
    for site in plan.sites:
        surfaces = tuple(
            spoil(
                surface,
                treatments=tuple(
                    item.model_copy(update={"additive_name": NASTY}) for item in surface.treatments
                ),
            )
            for surface in site.surfaces
        )
        sites.append(spoil(site, client=NASTY, surfaces=surfaces))
    yards = []
    for yard in plan.yards:
        yards.append(
            spoil(
                yard,
                blends=tuple(b.model_copy(update={"additive_name": NASTY}) for b in yard.blends),
                additives=tuple(spoil(a) for a in yard.additives),
                blendings=tuple(
                    b.model_copy(update={"additive_name": NASTY}) for b in yard.blend_locations
                ),
            )
        )
    clients = tuple(spoil(c, key="../../" + c.key + "\r\nx") for c in plan.clients)
    update = {"sites": tuple(sites), "yards": tuple(yards), "clients": clients, "company": NASTY}
    return render_reports(plan.model_copy(update=update))


# -- pages ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("page", PAGES)
def test_pages_are_valid_and_fetch_nothing(reports, page):
    html5lib.HTMLParser(strict=True).parse(reports[page])
    for outside in ("<script", "<link", "@import", "src=", "url(http", "javascript:"):
        assert outside not in reports[page]
    ids = re.findall(r' id="([^"]+)"', reports[page])
    assert len(ids) == len(set(ids))
    targets = set(re.findall(r'href="#([^"]+)"', reports[page]))
    assert targets <= set(ids)


@pytest.mark.parametrize("page", PAGES)
def test_names_cannot_become_markup(spoiled, page):
    assert "<script" not in spoiled[page]
    assert "&lt;script&gt;" in spoiled[page]
    tree = html5lib.parse(spoiled[page], namespaceHTMLElements=False)
    assert [element.tag for element in tree.iter() if element.tag == "script"] == []
    for element in tree.iter():
        assert not any(name.startswith("on") for name in element.attrib if isinstance(name, str))


# -- charts ---------------------------------------------------------------------------------------


def test_equal_plans_are_drawn_alike(plan):
    first, second = strip_charts.draw_strips(plan), strip_charts.draw_strips(plan)
    assert first == second
    assert 0 < len(first) <= strip_charts.MAX_STRIPS
    for strip in first:
        assert "<metadata" not in strip.svg
        assert 'role="img" aria-label="Strip chart' in strip.svg
        assert not re.search(r"#0[0-9]0[0-9]0[0-9]", strip.svg)  # every stand-in color is replaced


def test_a_strip_says_what_it_shows(plan):
    for strip in strip_charts.draw_strips(plan):
        assert strip.description.startswith("Pavement coldest")
        assert strip.surfaces


def test_columns_without_an_event_are_not_drawn(plan):
    quiet = tuple(
        site.model_copy(
            update={
                "surfaces": tuple(
                    s.model_copy(update={"treatments": (), "refreeze": ()}) for s in site.surfaces
                )
            }
        )
        for site in plan.sites
    )
    assert strip_charts.draw_strips(plan.model_copy(update={"sites": quiet, "matters": ()})) == ()


# -- notices --------------------------------------------------------------------------------------


#: The GSM 7-bit default alphabet without its letters beyond ASCII: 3GPP TS 23.038, 6.2.1.
GSM_ASCII = set(
    "@$_ !\"#%&'()*+,-./0123456789:;<=>?ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz"
)


def periods(plan, site, probability):
    """Hours of a site in which something slippery is at least as likely as this [-]."""
    for surface in site.surfaces:
        for item in surface.treatments:
            if item.event is not None and item.event.probability >= probability:
                yield item.event.start, item.event.end, item.event.hazard
        for one in surface.refreeze_periods:
            if one.water_source == "what the storm leaves" and one.probability >= probability:
                yield one.start, one.end, "refreeze"


def test_only_clients_who_face_something_likely_enough_are_written_to(plan):
    for told_from in (0.3, 0.85, 0.95):
        clients = tuple(
            each.model_copy(update={"notice_probability": told_from}) for each in plan.clients
        )
        strict = plan.model_copy(update={"clients": clients})
        drafted = {notice.key for notice in notices.draft_notices(strict)}
        for client in clients:
            own = [site for site in plan.sites if site.key in client.sites]
            faces = any(any(periods(plan, site, told_from)) for site in own)
            assert (client.key in drafted) == faces
        assert told_from < 0.9 or not drafted


def test_each_site_named_has_that_hazard_in_those_hours(plan):
    fmt = ReportFormat(UnitFormatter("us"), ZoneInfo(plan.timezone))
    words = {"freezing rain": "freezing_rain", "snow": "snow", "frost": "frost", "ice": "refreeze"}
    (harbor, *_) = drafted = notices.draft_notices(plan)
    # The demo brings Harbor Trust snow at two sites, an hour of zone apart, and freezing rain, the
    # worse, at the third.
    assert harbor.subject == (
        "Freezing rain likely: Southgate offices from Mon Jan 12, 9 PM CST; "
        "snow likely: Lakeshore library from Mon Jan 12, 10 PM EST; "
        "snow likely: Mill Court shops from Mon Jan 12, 8 PM CST"
    )
    by_name = {site.name: site for site in plan.sites}
    for notice in drafted:
        for told in notice.sites:
            own = list(periods(plan, by_name[told.name], 0.3))
            there = fmt.in_zone(by_name[told.name].timezone)
            for line in told.lines:
                comes = [
                    hazard
                    for start, end, hazard in own
                    if there.dated_range(start, end) == line.when
                ]
                assert any(words[line.noun] in str(hazard).replace(" ", "_") for hazard in comes)
            worst = told.worst
            assert told.sms_text.startswith(
                f"{told.name}: {worst.noun} {worst.chance} {worst.when.replace(' to ', '-')}."
            )


def test_a_notice_promises_nothing_and_speaks_no_jargon(plan):
    for notice in notices.draft_notices(plan):
        messages = [site.sms_text for site in notice.sites]
        said = " ".join([notice.text, *messages]).casefold()
        for word in ("safe", "guarantee", "ensure", "will be clear", "eutectic", "pre-treat",
                     "treatment", "anti-ic", "surface temperature", "brine"):  # fmt: skip
            assert word not in said
        assert "can still be slippery" in notice.text
        assert all("can still be slippery" in text for text in messages)
        assert "DRAFT" in notice.text


def test_a_notice_says_inches_date_zone_and_whom_to_call(plan):
    text = " ".join(notices.draft_notices(plan)[0].text.split())
    assert "about 3 inches" in text  # of a median 2.7 in, in the plan
    assert "Mon Jan 12, 8 PM to Tue Jan 13, 7 AM CST" in text
    assert "Mon Jan 12, 10 PM to Tue Jan 13, 8 AM EST" in text
    assert f"call {plan.phone}, day or night" in text
    assert (
        "answer this mail" in notices.draft_notices(plan.model_copy(update={"phone": None}))[0].text
    )


@pytest.mark.parametrize("name", ["X", "A" * 120, "Żółw & Söhne " * 8, "[Deck] {2} ~ `B` ^ \\ |"])
def test_the_short_form_fits_one_message(plan, name):
    sites = tuple(site.model_copy(update={"name": name}) for site in plan.sites)
    for notice in notices.draft_notices(plan.model_copy(update={"sites": sites})):
        for site in notice.sites:
            assert len(site.sms_text) <= 160
            assert set(site.sms_text) <= GSM_ASCII
            assert "slippery" in site.sms_text
            assert site.worst.noun in site.sms_text


def test_drafts_are_mails_and_stay_in_their_folder(plan, reports, spoiled):
    for made in (reports, spoiled):
        mails = {name: text for name, text in made.items() if name.endswith(".eml")}
        by_mail = [each for each in notices.draft_notices(plan) if each.contact_by == "mail"]
        assert len(mails) == len(by_mail)
        for name, text in mails.items():
            assert re.fullmatch(r"notices/[a-z0-9_-]+\.eml", name)
            read = email.message_from_bytes(text.encode(), policy=email.policy.default)
            assert not read.defects
            assert read["X-Unsent"] == "1"
            assert set(read.keys()) <= {
                *("Subject", "From", "To", "Date", "X-Unsent", "Content-Type"),
                *("Content-Transfer-Encoding", "MIME-Version"),
            }
            assert "slippery" in read.get_content()
    to = email.message_from_string(reports["notices/harbor-trust.eml"], policy=email.policy.default)
    assert to["To"].addresses[0].addr_spec == "facilities@harbor-trust.example"
    head, *messages = reports["notices/old-depot.sms"].strip().split("\n\n")
    assert head == "To: 608-555-0177"
    assert len(messages) == 1  # one a site


# -- tables ---------------------------------------------------------------------------------------


def test_no_cell_runs_as_a_formula(spoiled):
    for name in ("treatments.csv", "mix.csv", "refreeze.csv"):
        rows = list(csv.reader(io.StringIO(spoiled[name])))
        assert len(rows) > 1
        assert len({len(row) for row in rows}) == 1
        for cell in (cell for row in rows for cell in row):
            assert not cell.startswith(("=", "+", "@", "\t", "\r"))
            assert not re.match(r"-(?![\d.]+$)", cell)


def test_the_treatments_table_holds_the_plan(plan, reports):
    rows = list(csv.DictReader(io.StringIO(reports["treatments.csv"])))
    every = [item for site in plan.sites for _, item in site.treatments]
    assert len(rows) == len(every)
    liters = sum(float(row["volume_gal"] or 0) for row in rows) * 3.785411784
    assert liters == pytest.approx(sum(item.volume_l for item in every), abs=0.2 * len(rows))


def test_the_refreeze_table_holds_the_plan(plan, reports):
    rows = list(csv.DictReader(io.StringIO(reports["refreeze.csv"])))
    stretches = [r for site in plan.sites for s in site.surfaces for r in s.refreeze_periods]
    assert len(rows) == len(stretches) > 0
    assert {datetime.fromisoformat(row["start"]) for row in rows} == {r.start for r in stretches}
    # local: Chicago and New York in January
    offsets = {row["site"]: row["start"][-6:] for row in rows}
    assert offsets.pop("Lakeshore library") == "-05:00"
    assert set(offsets.values()) == {"-06:00"}


# -- calendar and map -----------------------------------------------------------------------------


def test_the_calendar_is_read_by_another_parser(plan, reports):
    read = vobject.readOne(reports["windows.ics"])
    entries = list(read.vevent_list)
    rounds = {}
    for site in plan.sites:
        for _, item in site.treatments:
            if item.scheduled_start is not None:
                day = item.event.start.astimezone(ZoneInfo(site.timezone)).date()
                key = site.key, item.sprayer_name, day
                rounds.setdefault(key, []).append((item.scheduled_start, item.scheduled_end))
    windows = {(min(a for a, _ in one), max(b for _, b in one)) for one in rounds.values()}
    spray = [entry for entry in entries if entry.summary.value.startswith("Spray: ")]
    assert len(spray) == len(rounds)
    assert {(e.dtstart.value, e.dtend.value) for e in spray} == windows
    assert len({entry.uid.value for entry in entries}) == len(entries)


def test_the_next_plan_replaces_the_entries_of_this_one(plan, reports):
    # RFC 5545, 3.8.4.7 and 3.8.7.4: one UID is one entry; the higher SEQUENCE is the newer
    later = plan.model_copy(update={"made_at": plan.made_at + timedelta(hours=3)})
    first, second = (
        {entry.uid.value: int(entry.sequence.value) for entry in vobject.readOne(text).vevent_list}
        for text in (reports["windows.ics"], treatment_windows_ics(later))
    )
    assert first.keys() == second.keys()
    assert all(first[uid] < second[uid] for uid in first)


def calm(plan, hours):
    """Return a plan some hours later by which nothing comes any more."""

    def nothing(site):
        surfaces = (one.model_copy(update={"treatments": ()}) for one in site.surfaces)
        return site.model_copy(update={"surfaces": tuple(surfaces)})

    made_at = plan.made_at + timedelta(hours=hours)
    return plan.model_copy(update={"made_at": made_at, "sites": tuple(map(nothing, plan.sites))})


def entries_by_uid(text):
    return {entry.uid.value: entry for entry in vobject.readOne(text).vevent_list}


def test_what_was_told_and_fell_away_is_cancelled_until_its_hours_are_over(plan, reports):
    # RFC 5545, 3.8.1.11: STATUS:CANCELLED; 3.8.7.4: a higher SEQUENCE is the newer
    told = entries_by_uid(reports["windows.ics"])
    calmer = calm(plan, 3)
    calmer = calmer.model_copy(update={"cancelled_entries": cancelled_entries(calmer, plan)})
    gone = entries_by_uid(treatment_windows_ics(calmer))
    assert gone.keys() == {uid for uid, entry in told.items() if entry.dtend.value > calmer.made_at}
    assert gone
    for uid, entry in gone.items():
        assert entry.status.value == "CANCELLED"
        assert int(entry.sequence.value) > int(told[uid].sequence.value)
        assert entry.dtstart.value == told[uid].dtstart.value
    assert not any(hasattr(entry, "status") for entry in told.values())
    later = calm(plan, 6)  # whoever missed the plan between hears of it
    again = cancelled_entries(later, calmer)
    assert {one.uid for one in again} == {
        uid for uid, entry in gone.items() if entry.dtend.value > later.made_at
    }
    assert cancelled_entries(calm(plan, 24 * 10), calmer) == ()
    back = plan.model_copy(update={"made_at": later.made_at})
    assert cancelled_entries(back, calmer) == ()  # wanted again


def test_the_next_plan_holds_what_it_cancels(plan):
    demo = files("stormplan") / "demo" / "sites.yaml"
    file = sites_file.parse_sites(demo.read_text(encoding="utf-8"))
    next_plan = pipeline.with_changes(calm(plan, 1), plan.model_dump_json(), file)
    assert next_plan.cancelled_entries
    same = pipeline.with_changes(plan, plan.model_dump_json(), file)
    assert same.cancelled_entries == ()


def test_an_entry_stays_itself_when_its_hours_move(plan, reports):
    def moved(item):
        if item.scheduled_start is None:
            return item
        hours = {
            key: getattr(item, key) - timedelta(hours=11)
            for key in ("scheduled_start", "scheduled_end")
        }
        return item.model_copy(update=hours)

    def over(record, key, change):
        return record.model_copy(update={key: tuple(map(change, getattr(record, key)))})

    later = over(
        plan, "sites", lambda site: over(site, "surfaces", lambda s: over(s, "treatments", moved))
    )
    first, second = (
        {one.uid.value: one for one in vobject.readOne(text).vevent_list}
        for text in (reports["windows.ics"], treatment_windows_ics(later))
    )
    assert first.keys() == second.keys()
    spray = [uid for uid in first if "-spray-" in uid]
    assert {uid.rsplit("-", 1)[0][-7:] for uid in spray} == {"truck-1", "lk-cart", "-pickup"}
    for uid in spray:
        assert first[uid].dtstart.value - second[uid].dtstart.value == timedelta(hours=11)


def test_names_cannot_break_the_routes(spoiled):
    root = ET.fromstring(spoiled["rounds.gpx"])
    names = [one.text for one in root.iter("{http://www.topografix.com/GPX/1/1}name")]
    assert any("<script>" in name for name in names)  # text, and no element
    assert not list(root.iter("script"))


def test_names_cannot_break_out_of_the_calendar(spoiled):
    read = Calendar.from_ical(spoiled["windows.ics"])
    for entry in read.walk("VEVENT"):
        assert set(entry) == {
            *("UID", "SEQUENCE", "DTSTAMP", "DTSTART", "DTEND", "SUMMARY", "DESCRIPTION", "GEO"),
        }
    assert "\nBcc:" not in spoiled["windows.ics"].replace("\r", "")


def test_the_map_follows_its_standard(plan, reports, spoiled):
    for text in (reports["sites.geojson"], spoiled["sites.geojson"]):
        read = FeatureCollection.model_validate_json(text)
        assert "crs" not in json.loads(text)
        assert len(read.features) == len(plan.sites)
        for feature, site in zip(read.features, plan.sites, strict=True):
            assert isinstance(feature.geometry, Point)
            longitude, latitude = feature.geometry.coordinates
            assert longitude == pytest.approx(site.longitude_deg, abs=1e-5)
            assert latitude == pytest.approx(site.latitude_deg, abs=1e-5)
            assert feature.properties["hazard"] or all(
                item.action is Action.NOTHING for _, item in site.treatments
            )


def test_a_moment_in_a_table_carries_its_zone():
    text = exports.csv_text(["at"], [[pipeline.DEMO_NOW]])
    assert text == "at\r\n2026-01-12T10:30+00:00\r\n"


def test_the_plan_names_its_clients(plan):
    assert {key for client in plan.clients for key in client.sites} == {s.key for s in plan.sites}
    assert plan.contact == "ops@quillwater.example"


def test_a_site_leads_with_what_is_surest_and_not_with_what_is_first():
    # common practice, no source: a 95 % freeze is told before a 21 % snow
    falls = np.zeros(72)
    falls[6:9] = 0.3
    wet = np.zeros(72)
    wet[20:26] = 1.0
    air_c = np.where(np.arange(72) < 28, 1.0, -6.0)
    made = plan_surface(
        air_temp_c=air_c,
        dew_point_c=air_c - 1.0,
        snowfall_swe_mm=falls,
        snowfall_cm=falls,
        rain_mm=wet,
        pop=np.where(falls > 0, 0.21, np.where(wet > 0, 0.95, 0.05)),
    )
    events = [t.event for _, t in made.sites[0].treatments]
    assert "refreeze" in {event.hazard for event in events}
    surest = max(events, key=lambda event: event.probability)
    (summary,) = [site.summary for site in briefing.build_view(made).sites]
    assert summary.startswith(f"{surest.hazard} from")


def test_a_shortage_says_how_much_is_missing():
    north = BASE_SECTIONS["yards"]["north"]
    little = {"north": north | {"salt": north["salt"] | {"on_hand": "10 lb"}}}
    ice = {"air_temp_c": -3.0, "dew_point_c": -4.0, "freezing_rain_mm": {0: 0.0, 6: 0.5, 12: 0.0}}
    made = plan_surface(company_overrides={"yards": little}, pop=0.9, **ice)
    (yard,) = made.yards
    assert yard.shortages == ("salt",)
    short_lb = (yard.salt_kg + yard.spread_salt_kg) / 0.45359237 - 10.0
    (line,) = yard_mix_text.shortage_lines(yard, UnitFormatter("us"))
    amount, _, what = line.partition(" lb of ")
    assert what == "salt"
    assert float(amount.replace(",", "")) == pytest.approx(short_lb, rel=0.02)
    row = next(r for r in briefing.build_view(made).summary_rows if r.label == "Short of")
    assert line in row.text


def test_no_work_is_told_to_begin_before_the_plan_was_made():
    at_half_past = NOON + timedelta(minutes=30)
    made = plan_surface(
        now=at_half_past, air_temp_c=-8.0, dew_point_c=-9.0, freezing_rain_mm=0.5, pop=0.9
    )
    # noon is 12 PM in the company's zone, 18:00 UTC
    view = briefing.build_view(made)
    assert "1 surface at 1 site from Mon 12:30 PM" in view.headline
    assert [line.start for line in view.work] == ["from Mon 12:30 PM"]


def test_each_kind_of_work_names_the_worst_hazard_with_its_chance_and_site():
    # two sites are salted: ice on one is told, though the snow on the other is likelier
    surface = {"lot": {"class": "asphalt_lot", "area": "20000 ft2"}}
    sites = {key: site_entry(43.1 + at / 10, -89.4, surface) for at, key in enumerate("ab")}
    both = {
        "a": forecast_cell(air_temp_c=-3.0, dew_point_c=-4.0, freezing_rain_mm=0.5, pop=0.6),
        "b": forecast_cell(
            air_temp_c=-3.0, dew_point_c=-4.0, snowfall_swe_mm=1.0, snowfall_cm=1.0, pop=0.9
        ),
    }
    made = make_plan(
        parse_sites(sites), {key: SiteForecasts(cell) for key, cell in both.items()}, NOON
    )
    salt = next(line for line in briefing.build_view(made).work if line.kind == "Salt")
    name = next(site.name for site in made.sites if site.key == "a")
    chance = max(
        item.event.probability
        for site in made.sites
        if site.key == "a"
        for _, item in site.treatments
        if item.event is not None and item.event.hazard == "freezing rain"
    )
    assert f"freezing rain {100 * chance:.0f} % at {name}" in salt.against


def test_work_that_comes_after_a_storm_names_it_so(plan):
    against = {line.kind: line.against for line in briefing.build_view(plan).work}
    assert against["Post-treat"] == "after light snow 85 % at Juniper clinic"
    assert against["Sand, no salt"] == "after light snow 85 % at Old Depot parking deck"
    assert [kind for kind, text in against.items() if text.startswith("after ")] == [
        "Post-treat",
        "Sand, no salt",
    ]

    fmt = ReportFormat(UnitFormatter("us"), ZoneInfo(plan.timezone))

    def salt_at_juniper(*surfaces):
        clinic = next(site for site in plan.sites if site.name == "Juniper clinic")
        kept = tuple(surface for surface in clinic.surfaces if surface.name in surfaces)
        only = plan.model_copy(update={"sites": (clinic.model_copy(update={"surfaces": kept}),)})
        return next(line for line in work_lines(only, fmt) if line.kind == "Salt")

    # on the lot salt goes down when the snow is over, at the entry while it falls too
    lot, both = salt_at_juniper("asphalt lot"), salt_at_juniper("asphalt lot", "entry")
    assert (lot.start, lot.against) == (
        "from Tue 7 AM", "after light snow 85 % at Juniper clinic"
    )  # fmt: skip
    assert (both.start, both.against) == ("from Tue 1 AM", "light snow 85 % at Juniper clinic")


def test_a_plan_that_goes_and_names_no_work_still_has_a_subject(plan):
    idle = [
        site.model_copy(
            update={"surfaces": tuple(
                surface.model_copy(update={"treatments": ()}) for surface in site.surfaces
            )}
        )
        for site in plan.sites
    ]  # fmt: skip
    bare = plan.model_copy(update={"sites": tuple(idle)})
    assert bare.verdict == "go"
    assert re.fullmatch(r"GO .*: see the plan", briefing.build_view(bare).subject)
