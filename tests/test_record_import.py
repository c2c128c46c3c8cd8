"""The record in and out as files: tables, photos, corrections, and old entries that are let go."""

import hashlib
import json
import sqlite3
from datetime import UTC, datetime, timedelta

import pytest
from helpers.one_surface import LOT
from helpers.published_tables import NOON
from helpers.sites import BASE_SECTIONS, parse_sites, site_entry, sites_text
from typer.testing import CliRunner

from stormplan import units
from stormplan.cli.main import app
from stormplan.errors import InputError, SitesError
from stormplan.record.checks import complete_keys
from stormplan.record.entries import (
    Application,
    Calibration,
    Inspection,
    LoadDrawn,
    NoticeSent,
    PlowPass,
    Reading,
    effective_entries,
    make_entry,
    parse_entry,
    write_entry,
)
from stormplan.record.record_import import read_import
from stormplan.record.retention import prunable_count
from stormplan.store.archive import Archive
from stormplan.store.photos import find_photo, keep_photo, safe_name
from stormplan.store.record_log import RecordLog
from stormplan.verification.reading_log import readings_of_record
from stormplan.words.record_export import entries_csv, entries_jsonl

DAY = timedelta(days=1)
PLACE = {"mill": site_entry(43.16, -89.44, {"lot": LOT})}
SITES = parse_sites(PLACE)
JPEG = b"\xff\xd8\xff\xe0 an invented photo"


@pytest.fixture
def run(tmp_path):
    (tmp_path / "sites.yaml").write_text(sites_text(PLACE), encoding="utf-8")

    def call(*words):
        where = ["--archive", str(tmp_path / "archive.sqlite")]
        if words[0] not in ("list", "verify"):
            where += ["--sites", str(tmp_path / "sites.yaml")]
        return CliRunner().invoke(app, ["record", *words, *where])

    return call


def lot(kind, number, at=NOON, **more):
    return kind(id=f"e{number}", at=at, site="mill", surface="lot", **more)


NIGHT = (
    lot(Application, 1, rate_l_m2=0.0203743, additive="calcium", additive_frac=0.1, by="Kim",
        note="=1+1, and\na second line", photos=({"name": "lot.jpg", "sha256": "0" * 64},)),
    lot(PlowPass, 2, plan_made_at=NOON, deviation="an hour late: cars"),
    lot(Inspection, 3, condition="snow", depth_cm=5.08, pavement_temp_c=-3.5),
    lot(Reading, 4, pavement_temp_c=-4.0, instrument="infrared", at=NOON + timedelta(
        microseconds=123456)),
    LoadDrawn(id="e5", at=NOON, yard="north", sprayer="truck",
              parts=({"store": "t1", "volume_l": 1000.0},)),
    Calibration(id="e6", at=NOON, yard="north", sprayer="truck", nozzle_flows_l_h=(180.0, 175.5),
                rate_l_m2=0.02, speed_ms=3.6, pressure_pa=2e5, liquid_sg=1.179),
    NoticeSent(id="e7", at=NOON, client="ours", channel="mail", recipient="a@b.example",
               said="Snow\n\nlikely"),
)  # fmt: skip


# -- tables ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(("form", "write"), [("csv", entries_csv), ("jsonl", entries_jsonl)])
def test_what_is_exported_comes_back_as_it_was(form, write):
    tank = {"product": "brine", "capacity": "900 gal", "on_hand": "0 gal"}
    sites = parse_sites(
        PLACE, yards={"north": BASE_SECTIONS["yards"]["north"] | {"tanks": {"t1": tank}}}
    )
    told = write(NIGHT, sites)
    again = read_import(told, form, "night", sites, NIGHT, NOON + DAY)
    assert again.problems == []
    assert (again.new, again.known_count) == ([], 7)
    fresh = read_import(told, form, "night", sites, (), NOON + DAY)
    assert fresh.problems == []
    assert [one.note for one in fresh.new if one.note] == (
        ["=1+1, and a second line" if form == "csv" else "=1+1, and\na second line"]
    )
    first_but_texts = [one.model_dump(exclude={"note", "said"}) for one in NIGHT]
    assert [one.model_dump(exclude={"note", "said"}) for one in fresh.new] == first_but_texts


def test_a_table_with_units_and_no_ids_is_harmless_twice(run, tmp_path):
    file = tmp_path / "night.csv"
    file.write_text(
        "kind;at;site;surface;rate;salt_rate;depth;condition;pavement_temp\n"
        "application;2026-01-12T05:00-06:00;mill;lot;0.5 gal/1000 ft2;;;;\n"
        "\n"
        "application;2026-01-12T06:00-06:00;mill;lot;;4 lb/1000 ft2;;;\n"
        "inspection;2026-01-12T07:00-06:00;mill;lot;;;2 in;snow;28 F\n",
        encoding="utf-8-sig",
    )
    assert "3 added, 0 there already" in run("import", str(file)).output
    assert "0 added, 3 there already" in run("import", str(file)).output
    with Archive(tmp_path / "archive.sqlite") as archive:
        brine, salt, seen = (
            parse_entry(document, key) for key, document in RecordLog(archive).documents()
        )
    assert brine.rate_l_m2 == pytest.approx(0.5 * 3.785411784 / 92.90304)  # exact by definition
    assert salt.salt_kg_m2 == pytest.approx(4 * 0.45359237 / 92.90304)
    assert (seen.depth_cm, seen.pavement_temp_c) == pytest.approx((5.08, -2.2222), abs=1e-4)


def test_every_problem_has_its_line_and_nothing_is_half_imported(run, tmp_path):
    file = tmp_path / "night.csv"
    file.write_text(
        "id,kind,at,site,surface,rate_l_m2,pavement_temp_c,photos\n"
        "a1,pass,2026-01-12T05:00-06:00,mill,lot,,,\n"
        "a2,pass,2026-01-12T05:00,mil,lot,,,\n"
        "a3,application,2026-01-12T05:00-06:00,mill,lot,plenty,285,\n"
        "a4,pass,2999-01-12T05:00-06:00,mill,lot,,,\n"
        "a1,pass,2026-01-12T09:00-06:00,mill,lot,,,\n"
        "a6,pass,2026-01-12T05:00-06:00,mill,lot,,,lot.jpg\n"
        "a7,pass,2026-01-12T05:00-06:00,mill,lot,,,,,\n"
        "a8,sweep,2026-01-12T05:00-06:00,mill,lot,,,\n",
        encoding="utf-8",
    )
    said = str(run("import", str(file)).exception)
    for number, words in {
        3: "timezone", 4: "rate_l_m2", 5: "yet to come", 6: "says something else",
        7: "is not JSON", 8: "10 cells under 8 columns", 9: "sweep",
    }.items():  # fmt: skip
        (line,) = [one for one in said.splitlines() if f"night.csv:{number}:" in one]
        assert words in line
    assert "pavement_temp_c" in said  # both slips of one line are told
    assert "night.csv:2" not in said
    assert said.endswith("nothing was added")
    assert not (tmp_path / "archive.sqlite").exists()
    assert "accepted: a name that ends in .csv" in str(run("import", "night.txt").exception)


# -- corrections, calibrations, readings ----------------------------------------------------------


def test_a_correction_counts_in_the_place_of_what_it_corrects(run):
    first = run("add", "application", "mill", "lot", "5 lb/1000 ft2").output.splitlines()[-1]
    key = first.split()[0]
    more = ("--corrects", key, "--deviation", "planned 4", "--plan", "2026-01-12T04:30-06:00")
    assert run("add", "application", "mill", "lot", "3 lb/1000 ft2", *more).exit_code == 0
    assert "; CORRECTED" in run("list").output.splitlines()[0]
    listed = run("list", "--json").output.splitlines()
    entries = [parse_entry(line, "listed") for line in listed]
    (counting,) = effective_entries(entries)
    assert counting.salt_kg_m2 == pytest.approx(3 * units.KG_M2_PER_LB_KFT2)
    assert counting.plan_made_at == datetime.fromisoformat("2026-01-12T04:30-06:00")
    refused = run("add", "pass", "mill", "lot", "--corrects", "nobody")
    assert "no entry 'nobody'" in str(refused.exception)


def test_names_are_completed_where_they_can_be_no_other(run):
    for site, surface in (("mi", "lo"), ("Site", "asph"), ("mill", "lot")):
        said = run("add", "pass", site, surface)
        assert "mill lot: plowed" in said.output, said.exception
    sprayed = run("add", "application", "mill", "lot", "0.5gal/1000ft2", "--additive", "cal",
                  "--share", "5%", "--sprayer", "tru")  # fmt: skip
    assert "5 % calcium" in sprayed.output, sprayed.exception
    assert run("add", "measurement", "nor", "salt", "3ton").exit_code == 0
    assert "did you mean 'mill'" in str(run("add", "pass", "mlil", "lot").exception)
    two = parse_sites(PLACE | {"mile": PLACE["mill"]})
    asked = complete_keys({"kind": "pass", "site": "mil", "surface": "lot"}, two)
    assert asked["site"] == "mil"  # it could be either


def test_a_calibration_keeps_what_was_found(run):
    found = ("--rate", "0.5gal/1000ft2", "--speed", "8mph", "--swath", "12ft", "--pressure",
             "30psi", "--liquid-sg", "1.179", "--nozzle", "0.8gal/min", "--nozzle",
             "0.78gal/min")  # fmt: skip
    said = run("add", "calibration", "north", "truck", *found)
    assert said.exit_code == 0, said.exception
    assert "0.50 gal/1000 ft², at 8.0 mph, at 30 psi, 2 nozzles with 1.58 gal/min" in said.output
    kept = parse_entry(run("list", "--json").output, "listed")
    assert kept.pressure_pa == pytest.approx(206_842.7, abs=0.1)  # NIST SP 811: 6894.757 Pa a psi
    assert kept.speed_ms == pytest.approx(8 * 0.44704)  # NIST SP 811
    assert kept.swath_m == pytest.approx(3.6576)


def test_readings_of_the_record_correct_nights_and_slips_are_refused(run):
    for words, said in (
        (("--pavement", "285F"), "less than or equal to 70"),
        ((), "needs the temperature"),
        (("--pavement", "28F", "--light", "moon"), "'sun' or 'shade'"),
        (("--pavement", "28F", "--at", "2999-01-01T00:00Z"), "yet to come"),
    ):
        assert said in str(run("add", "reading", "mill", "lot", *words).exception)
    kept = run("add", "reading", "mill", "lot", "--pavement", "28F", "--instrument", "infrared")
    assert "pavement 28 °F" in kept.output
    voided = lot(Reading, 2, pavement_temp_c=1.0)
    entries = [lot(Reading, 1, pavement_temp_c=-4.0), voided,
               make_entry({"kind": "void", "id": "v", "at": NOON, "voids": "e2"})]  # fmt: skip
    (reading,) = readings_of_record(entries)
    assert (reading.surface, reading.surface_c, reading.light) == ("lot", -4.0, "shade")


# -- photos ---------------------------------------------------------------------------------------


def test_a_photo_is_kept_by_its_hash_and_checked(run, tmp_path):
    photo = tmp_path / "lot.jpg"
    photo.write_bytes(JPEG)
    assert run("add", "pass", "mill", "lot", "--photo", str(photo)).exit_code == 0
    sha256 = hashlib.sha256(JPEG).hexdigest()
    kept = tmp_path / "photos" / f"{sha256}.jpg"
    assert kept.read_bytes() == JPEG
    (entry,) = (parse_entry(line, "listed") for line in run("list", "--json").output.splitlines())
    assert [(one.name, one.sha256) for one in entry.photos] == [("lot.jpg", sha256)]
    assert "all 1 photos are as they were" in run("verify").output
    kept.write_bytes(JPEG + b"!")
    changed = run("verify")
    assert changed.exit_code == 3
    assert f"photo lot.jpg of entry {entry.id} is not in" in changed.output
    (tmp_path / "notes.jpg").write_bytes(b"#!/bin/sh")
    refused = run("add", "pass", "mill", "lot", "--photo", str(tmp_path / "notes.jpg"))
    assert "is not a photo" in str(refused.exception)


@pytest.mark.parametrize(
    ("name", "kept"),
    [
        ("../../etc/passwd", "passwd"), ("C:\\a\\b.jpg", "b.jpg"), ("..", "photo"), ("", "photo"),
        ("\x00\n.jpg", "jpg"), ("~/.ssh/id", "id"), ("a" * 300 + ".jpg", "a" * 116 + ".jpg"),
        ("/", "photo"), ("lot=<b>.jpg", "lot=<b>.jpg"),
    ],
)  # fmt: skip
def test_the_name_of_a_photo_is_never_a_path(tmp_path, name, kept):
    assert safe_name(name) == kept
    told, sha256 = keep_photo(tmp_path / "photos", name, JPEG)
    entry = lot(PlowPass, 1, photos=({"name": told, "sha256": sha256},))
    assert parse_entry(write_entry(entry), "here") == entry
    assert [path.name for path in tmp_path.rglob("*") if path.is_file()] == [f"{sha256}.jpg"]
    assert find_photo(tmp_path / "photos", sha256).read_bytes() == JPEG


# -- letting old entries go -----------------------------------------------------------------------


def test_only_what_is_older_than_the_retention_goes_and_the_chain_holds(run, tmp_path):
    now = datetime.now(UTC)
    ages = (1500, 1300, 1000, 1400, 10)  # days; RSA 508:22: three years are kept
    photos = {age: keep_photo(tmp_path / "photos", "x", JPEG + bytes([age % 7])) for age in ages}
    with Archive(tmp_path / "archive.sqlite") as archive:
        log = RecordLog(archive)
        for age in ages:
            name, sha256 = photos[age]
            shown = ({"name": name, "sha256": sha256},)
            one = lot(PlowPass, age, at=now - age * DAY, photos=shown)
            log.add([(one.id, write_entry(one))], now - age * DAY)
        last = log.last_link()
    pruned = run("prune")
    assert pruned.exit_code == 0, pruned.exception
    assert pruned.output.startswith("2 entries")
    assert "0 entries" in run("prune").output
    left = {sha256 for age, (_, sha256) in photos.items() if age not in (1500, 1300)}
    assert {path.stem for path in (tmp_path / "photos").iterdir()} == left
    with Archive(tmp_path / "archive.sqlite") as archive:
        log = RecordLog(archive)
        assert [key for key, _ in log.documents()] == ["e1000", "e1400", "e10"]
        assert (log.first_broken_link(), log.last_link()) == (None, last)
        log.add([("new", write_entry(lot(PlowPass, 0)))], now)
        assert log.first_broken_link() is None
    with sqlite3.connect(tmp_path / "archive.sqlite") as raw:
        with pytest.raises(sqlite3.IntegrityError, match="only grows"):
            raw.execute("DELETE FROM entry")
        raw.execute("DROP TRIGGER entry_DELETE")
        raw.execute("DELETE FROM entry WHERE id = 'e1000'")
    raw.close()
    with Archive(tmp_path / "archive.sqlite") as archive:
        assert RecordLog(archive).first_broken_link() == "e1400"


def test_the_retention_is_a_setting_and_a_late_addition_counts_as_young():
    old = lot(PlowPass, 1, at=NOON - 1300 * DAY)
    for setting, added, count in (
        ("1096 d", old.at, 1),
        ("1826 d", old.at, 0),
        ("1096 d", NOON - DAY, 0),
    ):
        sites = parse_sites(PLACE, policy={"record_retention": setting})
        assert prunable_count([old], [added], sites, NOON) == count
    own = {"name": "Harbor contract", "source": "clause 7", "asks": ["photo"], "years": 6}
    assert prunable_count([old], [old.at], parse_sites(PLACE, record_rules=own), NOON) == 0
    with pytest.raises(SitesError, match="record_retention"):
        parse_sites(PLACE, policy={"record_retention": "30 d"})


def test_the_stock_does_not_change_by_pruning():
    old = lot(Application, 1, at=NOON - 1300 * DAY, salt_kg_m2=0.02)
    with pytest.raises(InputError, match="what north holds stands on entries from before"):
        prunable_count([old], [old.at], SITES, NOON)
    counted = BASE_SECTIONS["yards"]["north"] | {"counted_at": "2026-01-02"}
    sites = parse_sites(PLACE, yards={"north": counted})
    young = lot(Application, 2, at=NOON - DAY, salt_kg_m2=0.02)
    assert prunable_count([old, young], [old.at, young.at], sites, NOON) == 1
    assert json.loads(write_entry(young))["salt_kg_m2"] == 0.02
