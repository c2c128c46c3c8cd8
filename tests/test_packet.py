"""What a record lacks by each rule set, the packet of a site's day, and the record for others."""

import csv
import io
import json
import zipfile
from datetime import date, timedelta

import pytest
from helpers.one_surface import LOT
from helpers.published_tables import NOON, forecast_cell
from helpers.sites import parse_sites, site_entry, sites_text
from typer.testing import CliRunner

from stormplan.cli.main import app
from stormplan.errors import InputError
from stormplan.planning import plan_io
from stormplan.planning.planner import SiteForecasts, make_plan
from stormplan.record.completeness import RULE_SETS, missing_items, rule_set
from stormplan.record.entries import (
    Application,
    Calibration,
    Direction,
    Inspection,
    NoticeSent,
    PlowPass,
    Reading,
    Void,
    parse_entry,
    write_entry,
)
from stormplan.service import record_packet
from stormplan.store.archive import Archive
from stormplan.store.photos import keep_photo
from stormplan.store.record_log import RecordLog
from stormplan.store.run_log import RunLog
from stormplan.words.record_export import entries_csv, entries_workbook

HOUR = timedelta(hours=1)
SITES = {"a": site_entry(43.1, -89.4, {"here": LOT}, name="Mill <b>Court</b>")}
DAY = date(2026, 1, 12)
JPEG = b"\xff\xd8\xff an invented photo"


def at(kind, hours_ago, **more):
    about = {"site": "a", "surface": "here"} if kind is not Calibration else {}
    if kind is Direction:
        about = {"site": "a"}
    return kind(id=f"{kind.__name__}{hours_ago}", at=NOON - hours_ago * HOUR, **about, **more)


SPRAYED = at(Application, 3, rate_l_m2=0.02, sprayer="truck")


def lacks(key, *entries, is_weather_archived=False, sites=None):
    rules = rule_set(key, sites or parse_sites(SITES))
    found = missing_items(
        rules, entries, "a", NOON - 12 * HOUR, NOON + 12 * HOUR,
        practice=(sites or parse_sites(SITES)).practice(),
        is_weather_archived=is_weather_archived,
    )  # fmt: skip
    return [one.item for one in found]


# -- rule sets ------------------------------------------------------------------------------------


def test_new_hampshire_asks_for_the_weather_and_a_plan_answers_it():
    # RSA 508:22 II (2017): type and rate, dates, weather conditions for each event, kept 3 years
    assert lacks("nh", SPRAYED) == ["weather"]
    assert lacks("nh", SPRAYED, is_weather_archived=True) == []
    assert lacks("nh", at(Application, 3, rate_l_m2=0.02, weather="light snow")) == []
    assert lacks("nh") == ["treatment", "rate", "weather"]
    assert RULE_SETS["nh"].years == RULE_SETS["vt"].years == 3
    assert lacks("vt", SPRAYED) == ["weather"]  # the bill has the same three


def test_wisconsins_form_from_one_event():
    # Wisconsin Salt Wise form: pavement temperature, calibration, practice before and the result
    assert lacks("wi", SPRAYED) == [
        "pavement temperature",
        "condition before",
        "calibration",
        "result",
    ]
    calibrated = Calibration(id="c", at=NOON - timedelta(days=90), yard="north", sprayer="truck")
    before = at(Inspection, 4, condition="dry", pavement_temp_c=-3.0)
    after = at(Inspection, 1, condition="wet")
    assert lacks("wi", calibrated, before, SPRAYED, after) == []
    old = calibrated.model_copy(update={"at": NOON - timedelta(days=400)})
    assert lacks("wi", old, before, SPRAYED, after) == ["calibration"]
    longer = parse_sites(SITES, policy={"calibration_lasts": "500 d"})
    assert lacks("wi", old, before, SPRAYED, after, sites=longer) == []


def test_utah_asks_for_quantity_and_composition():
    # Utah R307-307-3: quantity, percent of the four chlorides, percent insolubles, kept 2 years
    assert lacks("ut", SPRAYED) == []  # the sites file has the composition
    assert lacks("ut") == ["treatment", "amount"]
    assert RULE_SETS["ut"].years == 2


def test_a_companys_own_rules():
    own = {"name": "Harbor contract", "source": "clause 7", "asks": ["operator", "photo"]}
    sites = parse_sites(SITES, record_rules=own)
    assert lacks(None, SPRAYED, sites=sites) == ["operator", "photo"]
    photo = {"name": "lot.jpg", "sha256": "0" * 64}
    named = at(Application, 3, rate_l_m2=0.02, by="Kim", photos=(photo,))
    assert lacks("own", named, sites=sites) == []
    for key, said in (("nj", "no rule set 'nj'"), (None, "name a rule set")):
        with pytest.raises(InputError, match=said):
            rule_set(key, parse_sites(SITES))


def test_a_temperature_alone_is_no_treatment():
    assert "treatment" in lacks("nh", at(Reading, 3, pavement_temp_c=-4.0))


def test_what_is_voided_answers_nothing():
    assert "treatment" in lacks("nh", SPRAYED, Void(id="v", at=NOON, voids=SPRAYED.id))


@pytest.mark.parametrize("name", ["../lot.jpg", "/etc/passwd", "a\\b.jpg", "..", "", "a\nb"])
def test_a_photo_has_a_name_and_no_folder(name):
    told = json.loads(write_entry(at(PlowPass, 1))) | {
        "photos": [{"name": name, "sha256": "0" * 64}]
    }
    with pytest.raises(InputError, match="photos"):
        parse_entry(json.dumps(told), "line 1")


# -- the packet -----------------------------------------------------------------------------------


@pytest.fixture
def kept(tmp_path):
    """An archive with a plan announced at noon the day before, a night's entries, and the sites."""
    file = tmp_path / "sites.yaml"
    file.write_text(sites_text(SITES), encoding="utf-8")
    sites, made_at = parse_sites(SITES), NOON - 24 * HOUR
    snow = {
        "snowfall_cm": {0: 0.0, 18: 1.0, 22: 0.0},
        "snowfall_swe_mm": {0: 0.0, 18: 1.0, 22: 0.0},
    }
    cell = forecast_cell(start=made_at, air_temp_c=-4.0, dew_point_c=-9.0, pop=0.9, **snow)
    plan = make_plan(sites, {"a": SiteForecasts(cell)}, made_at)
    entries = [
        at(Direction, 8, said="=no salt on the <i>deck</i>", said_by="J. Doe by phone"),
        at(Application, 5, rate_l_m2=0.02, by="Kim", plan_made_at=made_at, instrument="infrared",
           pavement_temp_c=-3.0, deviation="planned 0.5: drifts",
           photos=({"name": "lot.jpg", "sha256": "ab" * 32},
                   {"name": "kept.jpg", "sha256": keep_photo(tmp_path / "photos", "x", JPEG)[1]})),
        at(PlowPass, 4),
        at(PlowPass, 40),  # another day
        NoticeSent(id="n", at=NOON - 7 * HOUR, client="ours", channel="call",
                   recipient="608-555-0142", said="Snow by six"),
        Void(id="v", at=NOON, voids="PlowPass4"),
    ]  # fmt: skip
    with Archive(tmp_path / "archive.sqlite") as archive:
        RunLog(archive).add_run(plan_io.plan_json(plan), made_at, "asked", announced=True)
        RecordLog(archive).add([(one.id, write_entry(one)) for one in entries], NOON)
    return tmp_path, sites, entries


def run(folder, *words):
    where = ["--archive", str(folder / "archive.sqlite"), "--sites", str(folder / "sites.yaml")]
    return CliRunner().invoke(app, ["record", *words, *where])


def test_a_packet_holds_what_was_known_planned_done_and_proved(kept):
    folder, _, _ = kept
    result = run(folder, "packet", "a", "2026-01-12", "--to", str(folder / "p"), "--rules", "nh")
    assert result.exit_code == 0, result.exception
    packet = json.loads((folder / "p" / "packet.json").read_text(encoding="utf-8"))
    told = {one["id"] for one in packet["entries"]}
    assert told == {"Direction8", "Application5", "PlowPass4", "v", "n"}
    assert [path.read_bytes() for path in (folder / "p" / "photos").iterdir()] == [JPEG]
    assert packet["plan_made_at"] == "2026-01-11T18:00:00Z"
    assert sum(packet["forecast"]["values"]["snowfall_cm"]) == pytest.approx(4.0)
    assert packet["plan"]["key"] == "a"
    assert packet["missing"]["items"] == []
    assert packet["chain"]["first_broken_link"] is None
    assert len(packet["chain"]["links"]) == 5
    page = (folder / "p" / "packet.html").read_text(encoding="utf-8")
    for said in (
        "no legal advice",
        "ab" * 32,
        "J. Doe by phone",
        "does not count",
        "Kim",
        "Snow by six",
        "drifts",
        "pavement 27 °F by infrared",
        "by the plan of",
    ):
        assert said in page
    assert "<i>deck" not in page
    assert "<b>Court" not in page
    rows = list(csv.DictReader((folder / "p" / "entries.csv").read_text("utf-8").splitlines()))
    assert {row["counts"] for row in rows if row["id"] == "PlowPass4"} == {"no"}
    assert all(row["at"].endswith("-06:00") for row in rows)


def test_the_chain_of_a_packet_can_be_checked_with_a_few_lines(kept):
    # as the packet says: SHA-256 of the link before, the stamp and the text
    import hashlib

    folder, _, _ = kept
    with Archive(folder / "archive.sqlite") as archive:
        log = RecordLog(archive)
        link = "0" * 64
        for (_, stamp, told), (_, document) in zip(log.links(), log.documents(), strict=True):
            link = hashlib.sha256(f"{link}\n{stamp}\n{document}".encode()).hexdigest()
            assert link == told


def test_missing_is_said_and_counts_as_degraded(kept):
    folder, _, _ = kept
    result = run(folder, "missing", "a", "2026-01-12", "--rules", "wi")
    assert result.exit_code == 3
    assert "missing: condition before" in result.output
    assert "missing: calibration, entry Application5" in result.output
    assert "No legal advice" in result.output
    done = run(folder, "missing", "a", "2026-01-12", "--rules", "nh")
    assert done.exit_code == 0
    assert "nothing these rules ask for is missing" in done.output
    # a day without a plan in the archive, nor words on the weather
    assert "missing: weather" in run(folder, "missing", "a", "2026-01-05", "--rules", "nh").output
    for words, said in ((("b", "2026-01-12"), "no site 'b'"), (("a", "Monday"), "is not a day")):
        refused = run(folder, "missing", *words, "--rules", "nh")
        assert said in str(refused.exception)


def test_the_plan_that_stood_when_work_began_is_the_one(kept):
    folder, sites, entries = kept
    with Archive(folder / "archive.sqlite") as archive:
        document = RunLog(archive).last_announced(NOON).document
        later = json.loads(document) | {"made_at": "2026-01-12T16:00:00Z"}
        RunLog(archive).add_run(json.dumps(later), NOON - 2 * HOUR, "asked", announced=True)
        day = record_packet.day_of_site(sites, archive, entries, "a", DAY)
    assert day.plan["made_at"] == "2026-01-11T18:00:00Z"


# -- out ------------------------------------------------------------------------------------------


def test_no_cell_of_the_record_runs_as_a_formula(kept):
    _, sites, entries = kept
    for row in csv.reader(io.StringIO(entries_csv(entries, sites))):
        assert not any(cell[:1] in ("=", "+", "@") for cell in row)
    book = zipfile.ZipFile(io.BytesIO(entries_workbook(entries, sites)))
    sheet = book.read("xl/worksheets/sheet1.xml").decode()
    assert "<f>" not in sheet  # ECMA-376: a formula is an element f
    assert "no salt on the" in book.read("xl/sharedStrings.xml").decode()


def test_json_lines_come_in_again_and_change_nothing(kept, tmp_path):
    folder, _, entries = kept
    file = tmp_path / "all.jsonl"
    assert run(folder, "export", str(file)).exit_code == 0
    lines = file.read_text(encoding="utf-8").splitlines()
    assert [parse_entry(line, "x").at for line in lines] == [one.at for one in entries]
    assert all(json.loads(line)["at"].endswith("-06:00") for line in lines)
    fresh = tmp_path / "fresh"
    fresh.mkdir()
    (fresh / "sites.yaml").write_text(sites_text(SITES), encoding="utf-8")
    assert "6 added" in run(fresh, "import", str(file)).output
    assert "6 there already" in run(fresh, "import", str(file)).output
    for name, said in (("all.csv", "6 entries"), ("all.xlsx", "6 entries")):
        assert said in run(folder, "export", str(tmp_path / name)).output
    assert "accepted: a name" in str(run(folder, "export", str(tmp_path / "all.txt")).exception)
