"""The plan follows the rounds: what goes out at which hour, and what does not go out at all."""

import csv
import io
import json
import re
import xml.etree.ElementTree as ET
from copy import deepcopy
from datetime import datetime, timedelta

import html5lib
import pytest
import vobject
from helpers.published_tables import NOON, between_hours, forecast_cell
from helpers.sites import BASE_SECTIONS, parse_sites, site_entry

from stormplan.planning.planner import SiteForecasts, make_plan
from stormplan.treatment.records import Action
from stormplan.units import UnitFormatter
from stormplan.web import work_list
from stormplan.words import reports
from stormplan.words.briefing import build_view
from stormplan.words.decision_trace import trace_lines
from stormplan.words.round_cards import render_html, rounds_gpx
from stormplan.words.round_text import travel_text

CLIENTS = {"ours": {"name": "Ours (invented)"}, "theirs": {"name": "Theirs (invented)"}}
LOT = {"class": "asphalt_lot", "area": "150000 ft2"}


def snow(start):
    amount = between_hours(start, start + 6, 0.5)
    return {"air_temp_c": -3.0, "dew_point_c": -7.0, "pop": 0.9,
            "snowfall_swe_mm": amount, "snowfall_cm": amount}  # fmt: skip


def plan_sites(count, start, *, snowfall=None, **more):
    """Lots of an hour and nine minutes each beside the yard, of falling priority."""
    sites = {
        f"s{n}": site_entry(43.1, -89.4 - n / 1000, {"lot": LOT}, name=f"Site {n}", priority=n,
                            client="ours" if n < 3 else "theirs")
        for n in range(1, count + 1)
    }  # fmt: skip
    return make_plan(
        parse_sites(sites, clients=CLIENTS, **more),
        dict.fromkeys(sites, SiteForecasts(forecast_cell(**snow(start) | (snowfall or {})))),
        NOON,
    )


@pytest.fixture(scope="module")
def tight():
    """Five lots, and time for two."""
    return plan_sites(5, 3)


@pytest.fixture(scope="module")
def later_storm():
    """Three lots, time for two before the first snow and for all before the next."""
    amount = between_hours(3, 9, 0.5) | {50: 0.5, 56: 0.0}
    more = {"snowfall_swe_mm": amount, "snowfall_cm": amount}
    return plan_sites(3, 3, snowfall=more, policy={"max_damp": "1 mm"})


def yard_mix_text(plan):
    (yard,) = plan.yards
    return travel_text(yard.sprayer_schedule, UnitFormatter("us"))


def treatments(plan):
    return {site.key: site.treatments[0][1] for site in plan.sites}


def test_what_is_not_reached_is_not_in_the_gallons_cost_or_chloride(tight):
    by_site = treatments(tight)
    reached = [key for key, item in by_site.items() if item.action is Action.PRETREAT]
    assert reached == ["s1", "s2"]
    (yard,) = tight.yards
    gone_out_l = sum(stop.volume_l for one in yard.sprayer_schedule.sprayers for stop in one.stops)
    assert yard.pretreat_l == pytest.approx(gone_out_l)
    assert yard.pretreat_l == pytest.approx(sum(by_site[key].volume_l for key in reached))
    assert {one.site for one in yard.sprayer_schedule.unserved} == {"s3", "s4", "s5"}
    for key in ("s3", "s4", "s5"):
        item = by_site[key]
        assert item.volume_l == 0.0
        assert item.missed.volume_l == pytest.approx(by_site["s1"].volume_l)
        assert item.missed.reason == "others first"
        assert item.missed.remedies == ("second sprayer", "solids")
        assert all(visit.action is not Action.PRETREAT for visit in item.visits)
        assert item.chloride_kg == pytest.approx(sum(one.chloride_kg for one in item.visits))
        (salt,) = [v for v in item.visits if v.at == item.event.start]
        assert salt.action is Action.SALT
        assert item.text.startswith("Not pre-treated: not reached before it starts")
    whole = {site.key: site.chloride_kg for site in tight.sites}
    assert whole["s3"] == pytest.approx(by_site["s3"].chloride_kg)


def bare(visits):
    return [visit.model_copy(update={"reasons": ()}) for visit in visits]


def test_what_is_not_reached_is_decided_as_where_it_is_too_late_to_spray(tight):
    """Same lot, same snow, no liquid ahead: what keeps the truck away makes no difference."""
    late = treatments(plan_sites(5, 3, policy={"lead_min": "6 h", "lead_best": "6 h"}))
    found = treatments(tight)
    for key in ("s3", "s4", "s5"):
        assert late[key].missed is None
        assert bare(found[key].visits) == bare(late[key].visits)
        assert found[key].cost == late[key].cost
    salt_kg = sum(visit.salt_kg for item in found.values() for visit in item.visits)
    (yard,) = tight.yards
    assert yard.spread_salt_kg == pytest.approx(salt_kg)
    assert "salt 3 surfaces" in build_view(tight).headline.lower()


def test_what_the_rounds_have_before_a_later_storm_stands(later_storm):
    (yard,) = later_storm.yards
    stops = [stop for one in yard.sprayer_schedule.sprayers for stop in one.stops]
    first, second = sorted({item.event.start for site in later_storm.sites
                            for _, item in site.treatments})  # fmt: skip
    assert sorted((stop.site, stop.onset) for stop in stops) == [
        ("s1", first), ("s1", second), ("s2", first), ("s2", second), ("s3", second)
    ]  # fmt: skip
    planned = {(site.key, item.event.start): item for site in later_storm.sites
               for _, item in site.treatments}  # fmt: skip
    assert planned["s3", first].missed.reason == "others first"
    assert planned["s3", first].action is Action.SALT
    for stop in stops:
        item = planned[stop.site, stop.onset]
        assert (item.volume_l, item.scheduled_start) == (pytest.approx(stop.volume_l), stop.start)
    assert yard.pretreat_l == pytest.approx(sum(stop.volume_l for stop in stops))


def test_a_stop_that_nothing_asks_for_any_more_is_taken_out(later_storm):
    (yard,) = later_storm.yards
    schedule = yard.sprayer_schedule
    stops = {(s.site, s.surface, s.onset) for one in schedule.sprayers for s in one.stops}
    missed = {(one.site, one.surface, one.onset) for one in schedule.unserved}
    gone = max(stops, key=lambda key: (key[0] == "s3", key[2]))
    less = schedule.restricted_to(stops - {gone}, missed)
    kept = {(s.site, s.surface, s.onset) for one in less.sprayers for s in one.stops}
    assert kept == stops - {gone}
    assert [one.volume_l for one in less.sprayers] == [
        pytest.approx(sum(stop.volume_l for stop in one.stops)) for one in less.sprayers
    ]
    assert schedule.restricted_to(stops, missed) == schedule
    assert schedule.restricted_to(stops, ()).unserved == ()


def test_the_first_screen_counts_what_goes_out_and_lists_the_rest_by_client(tight):
    view = build_view(tight)
    assert "pre-treat 2 surfaces at 2 sites" in view.headline.lower()
    rows = {row.label: row for row in view.summary_rows}
    count, *by_client = rows["Not reached"].text.split(". ")
    assert count.startswith("3 surfaces; ")
    (theirs,) = by_client
    assert theirs.startswith("Theirs (invented): ")
    assert "Site 3 asphalt lot, Site 4 asphalt lot" in theirs
    assert theirs.endswith("; instead salt from Mon 3 PM on, as planned, or a second sprayer")
    assert re.match(r"ONLY \d+ min from the tightest stop", rows["Time left"].text)


def test_an_order_that_nobody_looked_for_a_better_one_than_is_said():
    said = [
        yard_mix_text(plan_sites(2, 8, policy={"rounds_wait": wait})) for wait in ("0 min", "1 min")
    ]
    assert ["no better order was looked for" in text for text in said] == [True, False]


def test_what_nobody_reaches_is_work_however_calm_the_rest_is():
    """Frost tonight for sure and a sprayer too slow for it: go, from its onset on."""
    yards = deepcopy(BASE_SECTIONS["yards"])
    for sprayer in yards["north"]["sprayers"].values():
        sprayer["coverage_rate"] = "500 ft2/h"
    frost = {"air_temp_c": -2.0, "dew_point_c": -2.0, "cloud_frac": 0.0, "wind_10m_ms": 1.0}
    sites = {"a": site_entry(43.1, -89.4, {"lot": LOT})}
    cells = {"a": SiteForecasts(forecast_cell(**frost))}
    usual = make_plan(parse_sites(sites), cells, NOON)
    slow = make_plan(parse_sites(sites, yards=yards), cells, NOON)
    tonight = slow.sites[0].surfaces[0].treatments[0]
    assert (usual.verdict, slow.verdict) == ("go", "go")
    assert tonight.missed is not None
    (salt,) = [visit for visit in tonight.visits if visit.action.is_work]
    assert (salt.action, salt.at) == (Action.SALT, tonight.event.start)
    assert slow.first_start == tonight.event.start
    view = build_view(slow)
    assert view.headline.startswith("No sprayer reaches 1 surface before it starts, from Mon ")
    assert re.match(r"GO Mon \d+ PM: 1 surface NOT reached in time", view.subject)
    assert view.priority_sites[0][2].startswith("frost from Mon ")
    assert (view.work[0].kind, view.work[0].start[:8]) == ("Not reached", "from Mon")


def test_explain_says_what_one_more_sprayer_would_change(tight):
    more = tight.yards[0].sprayer_schedule.one_more
    assert more.name == "Truck"
    # two trucks have time for two lots each
    assert (more.reached_count, more.left_count) == (2, 1)
    said = "\n".join(trace_lines(tight, "s4"))
    assert "Left out of the rounds: not reached before it starts" in said
    assert "One more sprayer like Truck would reach 2 of the 3 surfaces left out" in said
    assert re.search(r"Rounds: Truck, load 1, Mon .* before it starts", "\n".join(
        trace_lines(tight, "s1")))  # fmt: skip
    assert plan_sites(1, 12).yards[0].sprayer_schedule.one_more is None


@pytest.fixture(scope="module")
def day_off():
    """Three lots half a day before it snows."""
    return plan_sites(3, 14)


def test_every_report_has_the_times_of_the_rounds(day_off):
    (yard,) = day_off.yards
    stops = {stop.site: stop for one in yard.sprayer_schedule.sprayers for stop in one.stops}
    assert len(stops) == 3
    assert len({stop.start for stop in stops.values()}) == 3
    files = reports.render_reports(day_off)
    for key, item in treatments(day_off).items():
        assert item.scheduled_start == stops[key].start
        assert item.scheduled_end == stops[key].end
        (visit,) = [one for one in item.visits if one.action is Action.PRETREAT]
        assert visit.at == item.scheduled_start
    table = csv.DictReader(io.StringIO(files["treatments.csv"]))
    rows = {row["site"]: row for row in table if row["start"]}
    entries = {
        one.summary.value: one
        for one in vobject.readOne(files["windows.ics"]).vevent_list
        if one.summary.value.startswith("Spray")
    }
    cards = {one.name: one.items[0].when for one in work_list.work_list(day_off, ())}
    for site in day_off.sites:
        stop = stops[site.key]
        local = stop.start.astimezone(datetime.fromisoformat(rows[site.name]["start"]).tzinfo)
        clock = f"{local:%a} {local.hour % 12 or 12}{f':{local:%M}' if local.minute else ''}"
        assert rows[site.name]["start"][:16] == f"{local:%Y-%m-%dT%H:%M}"
        assert rows[site.name]["sprayer"] == "Truck"
        assert entries[f"Spray: {site.name}"].dtstart.value == stop.start.replace(microsecond=0)
        assert cards[site.name].startswith(clock)
        assert f"{clock} " in files["briefing.txt"]
    first = min(stop.start for stop in stops.values())
    assert day_off.first_start == yard.first_load_at < first
    drive = timedelta(hours=min(stops.values(), key=lambda stop: stop.start).drive_h)
    assert first - day_off.first_start == drive


def test_enough_time_left_is_shown_and_not_warned_of(day_off):
    rows = {row.label: row.text for row in build_view(day_off).summary_rows}
    assert "Time left" not in rows
    slack_h = day_off.yards[0].sprayer_schedule.slack_h
    assert f"tightest stop: {slack_h:.1f} h to spare" in rows["Crew"]


def test_where_driving_times_come_from_is_said(day_off):
    files = reports.render_reports(day_off)
    assert " of it driving, by distance (1.35 times the straight line at 25 mph)" in re.sub(
        r"\s+", " ", files["mixsheet.html"]
    )
    found = json.loads(files["plan.json"])["yards"][0]["sprayer_schedule"]
    assert found["travel"]["estimated_count"] == 12
    assert found["ordered_by"] == "search"


def test_a_sprayer_no_yard_has_is_named_as_such():
    truck = BASE_SECTIONS["yards"]["north"]["sprayers"]["truck"] | {"serves": ["pedestrian"]}
    yards = {"north": BASE_SECTIONS["yards"]["north"] | {"sprayers": {"cart": truck}}}
    plan = plan_sites(1, 12, yards=yards)
    missed = treatments(plan)["s1"].missed
    assert missed.reason == "no sprayer"
    assert plan.yards[0].pretreat_l == 0.0
    assert plan.yards[0].sprayer_schedule.one_more is None


# -- cards for crews ------------------------------------------------------------------------------

GPX = "{http://www.topografix.com/GPX/1/1}"


def test_each_sprayer_has_a_card_with_its_stops_in_order(day_off):
    page = html5lib.parse(render_html(day_off), namespaceHTMLElements=False)
    (card,) = page.iter("section")
    (sprayer,) = day_off.yards[0].sprayer_schedule.sprayers
    said = [" ".join("".join(item.itertext()).split()) for item in card.iter("li")]
    assert len(said) == len(sprayer.stops)
    names = {site.key: site.name for site in day_off.sites}
    for line, stop in zip(said, sprayer.stops, strict=True):
        assert names[stop.site] in line
        assert f"{stop.volume_l / 3.785411784:.0f} gal" in line
        assert "before it starts" in line
    links = [link.get("href") for link in card.iter("a")]
    places = {s.key: f"geo:{s.latitude_deg:.5f},{s.longitude_deg:.5f}" for s in day_off.sites}
    assert links == [places[stop.site] for stop in sprayer.stops]


def test_the_routes_are_gpx_1_1(day_off):
    # GPX 1.1: metadata, then rte; in a rtept time stands before name, name before desc
    root = ET.fromstring(rounds_gpx(day_off))
    assert (root.tag, root.get("version")) == (f"{GPX}gpx", "1.1")
    assert [child.tag for child in root] == [f"{GPX}metadata", f"{GPX}rte"]
    (sprayer,) = day_off.yards[0].sprayer_schedule.sprayers
    points = list(root.iter(f"{GPX}rtept"))
    assert len(points) == len(sprayer.stops)
    for point, stop in zip(points, sprayer.stops, strict=True):
        assert [child.tag for child in point] == [f"{GPX}{t}" for t in ("time", "name", "desc")]
        assert point[0].text == f"{stop.start:%Y-%m-%dT%H:%M:%SZ}"
        assert float(point.get("lat")) == pytest.approx(43.1)
    assert rounds_gpx(day_off) == rounds_gpx(day_off)
