"""The archive: what was known at a moment, and that nothing in it is ever lost."""

import json
import sqlite3
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from stormplan.errors import ArchiveError, ExitCode
from stormplan.store import maintenance
from stormplan.store.archive import MIGRATIONS, Archive, GridLookup, StoredPlan, sortable_utc
from stormplan.verification.error_records import load_error_records

NOON = datetime(2026, 1, 12, 12, tzinfo=UTC)
HOUR = timedelta(hours=1)
URL = "https://example.invalid/gridpoints/XYZ/1,2"


@pytest.fixture
def archive(tmp_path):
    with Archive(tmp_path / "archive.sqlite") as opened:
        yield opened


def keep(archive, moment, body, good=True, **headers):
    return archive.add_reply(URL, 200 if good else 500, headers, body, moment, good=good)


def test_the_newest_good_reply_as_of_a_moment(archive):
    keep(archive, NOON, b"first", ETag="a")
    keep(archive, NOON + 6 * HOUR, b"second")
    assert archive.last_good_reply(URL, NOON - HOUR) is None
    assert archive.last_good_reply("https://example.invalid/other", NOON) is None
    first = archive.last_good_reply(URL, NOON + 5 * HOUR)
    assert (first.body, first.fetched_at, first.headers) == (b"first", NOON, {"etag": "a"})
    assert archive.last_good_reply(URL, NOON + 6 * HOUR).body == b"second"


def test_a_bad_reply_never_hides_a_good_one(archive):
    keep(archive, NOON, b"good")
    keep(archive, NOON + HOUR, b"<html>", good=False)
    assert archive.last_good_reply(URL, NOON + 2 * HOUR).body == b"good"


def test_a_confirmation_renews_the_headers_but_not_the_age_of_the_body(archive):
    keep(archive, NOON, b"good", Expires="then", Last_Modified="once")
    archive.add_confirmation(archive.last_good_reply(URL, NOON), {"Expires": "later"}, NOON + HOUR)
    before = archive.last_good_reply(URL, NOON + HOUR / 2)
    after = archive.last_good_reply(URL, NOON + HOUR)
    assert (before.headers["expires"], before.confirmed_at) == ("then", NOON)
    assert (after.headers["expires"], after.confirmed_at) == ("later", NOON + HOUR)
    assert after.headers["last_modified"] == "once"
    assert after.fetched_at == NOON


@pytest.mark.parametrize("table", ["reply", "confirmation", "point", "plan"])
@pytest.mark.parametrize("statement", ["DELETE FROM {}", "UPDATE {} SET rowid = 9"])
def test_the_file_itself_refuses_to_lose_anything(archive, table, statement):
    keep(archive, NOON, b"good")
    archive.add_confirmation(archive.last_good_reply(URL, NOON), {}, NOON)
    archive.add_grid_lookup("there", URL, NOON)
    archive.add_plan(NOON, "{}")
    with (
        sqlite3.connect(archive.path) as raw,
        pytest.raises(sqlite3.IntegrityError, match="the archive only grows"),
    ):
        raw.execute(statement.format(table))
    raw.close()


def test_a_place_remembers_its_grid_and_since_when(archive):
    archive.add_grid_lookup("44.9,-93.2", "grid 1", NOON)
    archive.add_grid_lookup("44.9,-93.2", "grid 2", NOON + HOUR)
    assert archive.last_grid_lookup("44.9,-93.2", NOON) == GridLookup("grid 1", NOON)
    assert archive.last_grid_lookup("44.9,-93.2", NOON + 2 * HOUR) == GridLookup(
        "grid 2", NOON + HOUR
    )
    assert archive.last_grid_lookup("elsewhere", NOON) is None


def test_the_last_plan_before_this_one(archive):
    assert archive.last_plan(NOON) is None
    archive.add_plan(NOON, '{"go": true}')
    archive.add_plan(NOON + HOUR, '{"go": false}')
    assert archive.last_plan(NOON + HOUR) == StoredPlan(NOON, '{"go": true}')


def test_the_plans_since_a_moment_none_sooner_after_another(tmp_path):
    path = tmp_path / "archive.sqlite"
    with Archive(path) as archive:
        for hour in range(8):
            archive.add_plan(NOON + hour * HOUR, f'{{"hour": {hour}}}')
    with sqlite3.connect(path) as raw:  # append-only for us, not for the disk
        for (name,) in raw.execute(
            "SELECT name FROM sqlite_master WHERE type = 'trigger' AND tbl_name = 'plan'"
        ).fetchall():
            raw.execute(f'DROP TRIGGER "{name}"')
        raw.execute("UPDATE plan SET document = x'00ff' WHERE made_at LIKE ?",
                    (f"{(NOON + 4 * HOUR):%Y-%m-%dT%H}%",))  # fmt: skip
    raw.close()
    with Archive(path) as archive:
        found = list(archive.plans_since(NOON + HOUR, 3 * HOUR))
    # the one after three hours is damaged: the next one stands for it
    assert [one.document for one in found] == ['{"hour": 1}', '{"hour": 5}']


def test_it_is_all_there_when_opened_again(tmp_path):
    path = tmp_path / "new folder" / "archive.sqlite"
    with Archive(path) as archive:
        keep(archive, NOON, b"good")
    with Archive(path) as archive:
        assert archive.last_good_reply(URL, NOON).body == b"good"
    with sqlite3.connect(path) as raw:
        assert raw.execute("PRAGMA user_version").fetchone() == (len(MIGRATIONS),)
        assert raw.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    raw.close()


def test_errors_kept_by_an_earlier_version_are_read_and_stay_append_only(tmp_path):
    path = tmp_path / "archive.sqlite"
    rows = [{"source": "nws", "from_h": 0, "to_h": 24, "rmse_dc": 1.5, "hours": 900}]
    with sqlite3.connect(path) as raw:  # as the third version of the file was written
        for statements in MIGRATIONS[:3]:
            for statement in statements:
                raw.execute(statement)
        raw.execute("PRAGMA user_version = 3")
        raw.execute(
            "INSERT INTO skill (made_at, scores) VALUES (?, ?)",
            (sortable_utc(NOON), json.dumps(rows)),
        )
    raw.close()
    with Archive(path) as archive:
        assert load_error_records(archive, NOON)["nws"].rmse_k == (1.5,)
        with pytest.raises(ArchiveError, match="only grows"):
            archive.insert("UPDATE skill SET scores = ''")


def test_local_times_are_kept_as_the_same_moment(archive):
    keep(archive, datetime.fromisoformat("2026-01-12T06:00:00-06:00"), b"good")
    assert archive.last_good_reply(URL, NOON).fetched_at == NOON
    with pytest.raises(ArchiveError, match="keeps times with their zone"):
        keep(archive, datetime(2026, 1, 12), b"good")  # noqa: DTZ001


def test_a_file_that_is_no_archive_is_said_to_be_damaged(tmp_path):
    path = tmp_path / "archive.sqlite"
    path.write_bytes(b"not SQLite at all " * 400)
    with pytest.raises(ArchiveError, match=r"archive .*archive\.sqlite: is damaged or no archive"):
        Archive(path)
    assert path.read_bytes().startswith(b"not SQLite")


def test_a_file_with_holes_is_said_to_be_damaged(tmp_path):
    path = tmp_path / "archive.sqlite"
    with Archive(path) as archive:
        for hour in range(40):
            keep(archive, NOON + hour * HOUR, bytes(range(256)) * 40)
    raw = bytearray(path.read_bytes())
    raw[4096:] = b"\xff" * (len(raw) - 4096)
    path.write_bytes(raw)
    with pytest.raises(ArchiveError, match="is damaged"), Archive(path) as archive:
        archive.last_good_reply(URL, NOON)


@pytest.mark.parametrize("word", [b"recorded_at", b"fetched_at", b"grid_url", b"TABLE run "])
def test_a_file_whose_table_lost_its_name_or_a_column_is_kept_aside_and_begun_anew(tmp_path, word):
    """Of the bytes that random damage met, the only ones that stopped every morning after."""
    path = tmp_path / "archive.sqlite"
    Archive(path).close()
    raw = path.read_bytes()
    assert word in raw
    path.write_bytes(raw.replace(word, word[:-2] + b"zz", 1))
    archive, said = maintenance.open_or_fall_back(path, NOON)
    with archive:
        assert archive.path == str(path)
        assert "a new one was begun" in said
        assert maintenance.check_integrity(archive).problems == ()
    assert list(tmp_path.glob("archive.sqlite.damaged-*"))


def test_a_file_whose_schema_is_no_text_is_kept_aside_and_begun_anew(tmp_path):
    """The database's own message about it cannot be read then; found by random damage."""
    path = tmp_path / "archive.sqlite"
    Archive(path).close()
    raw = path.read_bytes()
    path.write_bytes(raw.replace(b"CREATE TABLE run (", b"CREATE TA\xacLE run (", 1))
    archive, said = maintenance.open_or_fall_back(path, NOON)
    with archive:
        assert archive.path == str(path)
        assert "a new one was begun" in said


def test_a_file_in_use_is_said_so(tmp_path):
    path = tmp_path / "archive.sqlite"
    Archive(path).close()
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    try:
        with Archive(path, busy_timeout_s=0.05) as archive:
            with pytest.raises(ArchiveError, match="is in use by another program") as caught:
                keep(archive, NOON, b"good")
            assert archive.last_good_reply(URL, NOON) is None  # reading goes on meanwhile
        assert caught.value.exit_code == ExitCode.NOTHING_PLANNED
    finally:
        other.close()


def test_a_file_that_cannot_be_written_is_said_so(tmp_path, monkeypatch):
    path = tmp_path / "archive.sqlite"
    Archive(path).close()
    # permissions do not bind every user, so the file is opened read-only instead
    connect = sqlite3.connect
    monkeypatch.setattr(
        sqlite3, "connect", lambda name, **kw: connect(f"file:{name}?mode=ro", uri=True, **kw)
    )
    with (
        Archive(path) as archive,
        pytest.raises(ArchiveError, match="cannot be written; check the permissions"),
    ):
        keep(archive, NOON, b"good")


def test_a_folder_in_its_place_is_said_so(tmp_path):
    with pytest.raises(ArchiveError, match="cannot be opened"):
        Archive(tmp_path)
    (tmp_path / "file").touch()
    with pytest.raises(ArchiveError, match="no folder for it"):
        Archive(tmp_path / "file" / "archive.sqlite")


def test_a_newer_file_is_left_alone(tmp_path):
    path = tmp_path / "archive.sqlite"
    Archive(path).close()
    with sqlite3.connect(path) as raw:
        raw.execute("PRAGMA user_version = 99")
    raw.close()
    with pytest.raises(ArchiveError, match=r"newer stormplan \(version 99; this one knows up to"):
        Archive(path)


def test_two_programs_can_make_the_file_at_once(tmp_path):
    path = Path(tmp_path / "archive.sqlite")
    with Archive(path) as one, Archive(path) as two:
        keep(one, NOON, b"one")
        keep(two, NOON + HOUR, b"two")
        assert one.last_good_reply(URL, NOON + HOUR).body == b"two"
