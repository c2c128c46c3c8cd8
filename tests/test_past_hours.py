"""Hours before now: from what was forecast before, so that the first night knows the day."""

import json
from dataclasses import replace
from datetime import timedelta

import pytest
from helpers import measured, service_formats
from helpers.published_tables import NOON, forecast_cell

from stormplan.store.archive import Archive
from stormplan.weather.forecast import HISTORY_H, QualityFlag
from stormplan.weather.http_client import Fetcher
from stormplan.weather.providers import Location, fetch_forecasts, metno, nws, openmeteo, table
from stormplan.weather.providers.archived_files import ISSUED_AT, ArchivedFiles
from stormplan.weather.providers.merge import extend_back
from stormplan.weather.providers.older_copies import select_past
from stormplan.weather.providers.recorded import RecordedSource

LOT = Location("lot", service_formats.LATITUDE, service_formats.LONGITUDE)
NOW = service_formats.NOW.replace(minute=0)
BEGAN_H = round((NOW - service_formats.START) / timedelta(hours=1))
FORMS = {
    "nws": service_formats.nws_reply,
    "metno": service_formats.metno_reply,
    "openmeteo": service_formats.openmeteo_reply,
    "table": service_formats.table_csv,
    "recorded": service_formats.nws_reply,
}


def two_mornings(monkeypatch, form):
    """The storm's reply as it was a day before, and one that begins now."""
    before = FORMS[form]()
    monkeypatch.setattr(service_formats, "TABLE", service_formats.TABLE[BEGAN_H:])
    monkeypatch.setattr(service_formats, "START", NOW)
    monkeypatch.setattr(service_formats, "ISSUED", NOW)
    monkeypatch.setattr(service_formats, "HOURS", service_formats.HOURS - BEGAN_H)
    return before, FORMS[form]()


def opened(form, archive, tmp_path, replies):
    """A source over an archive that has each reply from the moment it begins."""
    fetcher = Fetcher(archive, "test@example.invalid", offline=True)
    address, headers = f"{form}:lot", {}
    match form:
        case "nws":
            source = nws.NwsSource(fetcher)
            point = "https://api.weather.gov/points/43.1,-89.4"
            address = "https://api.weather.gov/gridpoints/XYZ/1,2"
            archive.add_grid_lookup(point, address, service_formats.START)
        case "metno" | "openmeteo":
            source = (metno if form == "metno" else openmeteo).open_source(fetcher)
            address = source.url_for(LOT)
        case "table":
            source = table.TableSource({}, tmp_path, ArchivedFiles(archive, offline=True))
        case "recorded":
            for at, (_, reply) in enumerate(replies):
                (tmp_path / f"{at}.json").write_text(json.dumps(reply))
            return RecordedSource(tmp_path)
    for moment, reply in replies:
        body = reply if isinstance(reply, str) else json.dumps(reply)
        stamped = headers | {ISSUED_AT: moment.isoformat()}
        archive.add_reply(address, 200, stamped, body.encode(), moment, good=True)
    return source


@pytest.mark.parametrize("form", FORMS)
def test_a_source_that_begins_now_goes_on_from_what_it_said_before(form, monkeypatch, tmp_path):
    began, air = service_formats.START, [row[1] for row in service_formats.TABLE]
    before, today = two_mornings(monkeypatch, form)
    with Archive(tmp_path / "archive.sqlite") as archive:
        replies = [(began, before), (NOW, today)]
        source = opened(form, archive, tmp_path, replies)
        cell = fetch_forecasts([source], [LOT], service_formats.NOW)[0].forecast
    # Open-Meteo's first row has the sums of the hour before it, so the first hour is one later
    late_h = round((cell.start - began) / timedelta(hours=1))
    assert late_h == (0 if form != "openmeteo" else late_h) <= 1
    past = BEGAN_H - late_h
    assert cell.values["air_temp_c"][:past, 0] == pytest.approx(air[late_h:BEGAN_H])
    assert (cell.flags["air_temp_c"][:past] & QualityFlag.FROM_OLDER_COPY).all()
    assert not (cell.flags["air_temp_c"][past:] & QualityFlag.FROM_OLDER_COPY).any()
    assert cell.issued_at == pytest.approx(NOW, abs=timedelta(0))
    assert cell.substitutions == ()  # nothing ahead is any the worse


def test_another_source_tells_the_past_where_the_first_is_new():
    first = forecast_cell(hours=48, air_temp_c=-1.0)
    day = timedelta(hours=24)
    theirs = replace(
        forecast_cell(hours=60, air_temp_c=-7.0), start=NOON - day, source="metno", credit="Theirs"
    )
    joined = extend_back(replace(first, credit="Ours"), [], [theirs], NOON)
    assert joined.start == NOON - day
    assert joined.values["air_temp_c"][:, 0] == pytest.approx([-7.0] * 24 + [-1.0] * 48)
    assert (joined.flags["air_temp_c"][:24] == QualityFlag.FROM_OTHER_SOURCE).all()
    assert joined.credit == "Ours; Theirs"
    assert joined.cell_id == first.cell_id


def test_who_knows_the_past_and_who_knows_no_more_stay_as_they_are():
    long = replace(forecast_cell(hours=120), start=NOON - timedelta(hours=HISTORY_H))
    other = replace(long, source="metno")
    assert extend_back(long, [], [other], NOON) is long
    new = forecast_cell(hours=48)
    assert extend_back(new, [new], [], NOON) is new


def hours_ago(*ages):
    return [NOON - timedelta(hours=age) for age in ages]


@pytest.mark.parametrize(
    ("ages", "chosen"),
    [
        ((0, 24, 48, 72, 96), (24, 48, 72)),  # every morning
        ((0, 24.5, 48.5, 72.5), (24.5, 48.5, 72.5)),  # a little late
        (tuple(range(100)), (12, 24, 36, 48, 60, 72)),  # every hour: two a day are read
        ((0, 3), (3,)),
        ((0, 50, 90), (50, 90)),  # days without a run
        ((0,), ()),
    ],
)
def test_two_copies_a_day_at_most_tell_the_past(ages, chosen):
    times = hours_ago(*ages)
    assert [times[at] for at in select_past(times, NOON)] == hours_ago(*chosen)


def test_the_first_night_needs_the_days_before():
    """Five winter mornings of a typical year (TMY3, Greensboro; ships with pvlib), asphalt.

    Against a run over the ten days before, which has forgotten how it began, the night after a
    start at 4 AM: one day before it takes half off the error, three days two thirds.
    """
    year, days = measured.read_greensboro(), range(14, 80, 16)
    by_past = measured.first_night_rmse_k(year, days, 4, (0, 24, HISTORY_H))
    none, one_day, three_days = by_past.values()
    assert 0.4 < none < 0.8
    assert one_day < 0.6 * none
    assert three_days < 0.4 * none
