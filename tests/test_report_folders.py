"""Files nobody finds half written, and the archive's housekeeping."""

import json
import os
import sqlite3
import threading
from datetime import UTC, datetime, timedelta

import pytest

from stormplan.errors import ArchiveError, InputError
from stormplan.store import maintenance, report_folders
from stormplan.store.archive import IN_MEMORY, Archive
from stormplan.store.run_log import RunLog

NOON = datetime(2026, 1, 12, 12, tzinfo=UTC)
DAY = timedelta(days=1)
URL = "https://example.invalid/gridpoints/XYZ/1,2"


def fill(folder):
    for name in ("briefing.txt", "plan.json"):
        report_folders.write_atomic(folder / name, f"{name} of {folder.name}")


def test_latest_points_to_the_newest_complete_set_and_the_last_is_kept(tmp_path):
    first, second = (
        report_folders.report_set_name(NOON, "a"),
        report_folders.report_set_name(NOON + DAY, "b"),
    )
    report_folders.publish(tmp_path, first, fill)
    assert (tmp_path / "latest").readlink().name == first
    report_folders.publish(tmp_path, second, fill)
    assert (tmp_path / "latest").readlink().name == second
    assert (tmp_path / first / "plan.json").exists()
    assert report_folders.is_published(tmp_path, first)
    assert report_folders.is_published(tmp_path, second)
    assert not report_folders.is_published(
        tmp_path, report_folders.report_set_name(NOON + 2 * DAY, "c")
    )
    (tmp_path / first / "plan.json").unlink()
    (tmp_path / first / "briefing.txt").unlink()
    (tmp_path / first).rmdir()  # as when old sets go: not to be written again
    assert report_folders.is_published(tmp_path, first)


def test_a_set_that_fails_half_way_is_not_there_at_all(tmp_path):
    report_folders.publish(tmp_path, report_folders.report_set_name(NOON, "a"), fill)

    def half(folder):
        report_folders.write_atomic(folder / "briefing.txt", "half")
        raise OSError(28, "No space left on device")

    with pytest.raises(InputError, match="No space left on device"):
        report_folders.publish(tmp_path, report_folders.report_set_name(NOON + DAY, "b"), half)
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        report_folders.report_set_name(NOON, "a"),
        "latest",
    ]
    assert (tmp_path / "latest" / "plan.json").exists()


def test_old_sets_go_but_never_the_one_in_use(tmp_path):
    names = [report_folders.report_set_name(NOON + day * DAY, "x") for day in range(6)]
    for name in names:
        report_folders.publish(tmp_path, name, fill, keep_reports=3)
    assert sorted(path.name for path in tmp_path.iterdir()) == [*names[-3:], "latest"]
    report_folders.publish(
        tmp_path, names[-3], fill, keep_reports=2
    )  # an older one again, as after a restart
    assert (tmp_path / "latest" / "plan.json").exists()


def test_readers_never_see_half_a_file(tmp_path):
    path, seen, stop = tmp_path / "file", set(), threading.Event()
    report_folders.write_atomic(path, "a" * 200_000)

    def read():
        while not stop.is_set():
            text = path.read_text()
            seen.add((len(text), text[:1], text[-1:]))

    reader = threading.Thread(target=read)
    reader.start()
    for index in range(60):
        report_folders.write_atomic(path, "ab"[index % 2] * (200_000 + index % 2))
    stop.set()
    reader.join()
    assert seen <= {(200_000, "a", "a"), (200_001, "b", "b")}


def test_one_run_at_a_time(tmp_path):
    with (
        report_folders.exclusive_lock(tmp_path, 0.1),
        pytest.raises(InputError, match="another run is at work"),
        report_folders.exclusive_lock(tmp_path, 0.05),
    ):
        pass
    with report_folders.exclusive_lock(tmp_path, 0.1):
        pass


# -- the archive ----------------------------------------------------------------------------------


@pytest.fixture
def archive(tmp_path):
    with Archive(tmp_path / "archive.sqlite") as opened:
        yield opened


def keep(archive, moment, body=b'{"a": 1}', good=True, url=URL):
    return archive.add_reply(url, 200, {}, body, moment, good=good)


def test_prune_leaves_the_newest_good_reply_and_every_plan(archive):
    for day in range(10):
        keep(archive, NOON + day * DAY)
    keep(archive, NOON + 9.5 * DAY, b"<html>", good=False)
    keep(archive, NOON, b'{"only": 1}', url="https://example.invalid/other")
    RunLog(archive).add_run("{}", NOON, "asked")
    assert maintenance.prune(archive, NOON + 30 * DAY) == 10
    assert archive.last_good_reply(URL, NOON + 30 * DAY).fetched_at == NOON + 9 * DAY
    assert archive.last_good_reply("https://example.invalid/other", NOON).body == b'{"only": 1}'
    assert archive.last_plan(NOON + DAY) is not None
    with archive.connection() as file, pytest.raises(sqlite3.IntegrityError, match="only grows"):
        file.execute("DELETE FROM reply")  # the guard is up again
    assert maintenance.check_integrity(archive).problems == ()


def test_verify_finds_what_cannot_be_read_and_guards_that_are_gone(archive):
    keep(archive, NOON)
    assert maintenance.check_integrity(archive).problems == ()
    with archive.connection() as file:
        file.execute("DROP TRIGGER reply_UPDATE")
        file.execute("UPDATE reply SET body = x'00'")
    assert maintenance.check_integrity(archive).problems == (
        "reply 1: cannot be read",
        "reply: nothing keeps its rows from being changed or removed",
    )


def test_a_table_of_ones_own_is_no_reply_of_a_service_and_can_be_read(archive):
    archive.add_reply("table:lot", 200, {}, b"time,air_temp_c\r\n", NOON, good=True)
    archive.add_reply("https://service.example/", 200, {}, b"time,air", NOON, good=True)
    assert maintenance.check_integrity(archive).problems == ("reply 2: cannot be read",)


def test_an_export_is_whole_even_while_somebody_writes(archive, tmp_path):
    stop = threading.Event()

    def write():
        with Archive(archive.path) as other:
            moment = NOON
            while not stop.is_set():
                moment += timedelta(seconds=1)
                keep(other, moment)

    writer = threading.Thread(target=write)
    writer.start()
    try:
        copies = [maintenance.export(archive, tmp_path / f"{n}.sqlite") for n in range(5)]
    finally:
        stop.set()
        writer.join()
    for copy in copies:
        with Archive(copy) as opened:
            assert maintenance.check_integrity(opened).problems == ()


def test_an_export_for_other_programs_has_every_row(archive, tmp_path):
    keep(archive, NOON, '{"Ort": "Höhe"}'.encode())
    RunLog(archive).add_run(
        '{"verdict": "go"}', NOON, "asked", deliveries=[("mail", "a@test.example")]
    )
    path = maintenance.export(archive, tmp_path / "all.jsonl")
    rows = [json.loads(line) for line in path.read_text().splitlines()]
    assert {row["table"] for row in rows} == {"delivery", "plan", "reply", "run"}
    assert next(row["body"] for row in rows if row["table"] == "reply") == '{"Ort": "Höhe"}'
    with pytest.raises(InputError, match=r"accepted: \.sqlite, \.jsonl"):
        maintenance.export(archive, tmp_path / "all.xlsx")


def damaged(path):
    with Archive(path) as archive:
        for day in range(50):
            keep(archive, NOON + day * DAY, os.urandom(3000))
    raw = bytearray(path.read_bytes())
    raw[5000:60_000] = os.urandom(55_000)
    path.write_bytes(raw)


@pytest.mark.parametrize("how", ["some pages", "not a database", "empty"])
def test_a_damaged_archive_is_moved_aside_and_said(tmp_path, how):
    path = tmp_path / "archive.sqlite"
    if how == "some pages":
        damaged(path)
    else:
        path.write_bytes(b"not a database " * 100 if how == "not a database" else b"")
    archive, wrong = maintenance.open_or_fall_back(path, NOON)
    with archive:
        assert archive.path == str(path)
        keep(archive, NOON)
    if how == "empty":  # as good as none
        assert wrong is None
        return
    assert "is damaged" in wrong
    assert "it is kept as archive.sqlite.damaged-20260112T120000Z" in wrong
    assert (tmp_path / "archive.sqlite.damaged-20260112T120000Z").exists()


def test_a_locked_archive_is_read_but_not_waited_for(tmp_path):
    path = tmp_path / "archive.sqlite"
    with Archive(path) as other:
        keep(other, NOON, b'{"known": 1}')
        with other.connection() as file:
            file.execute("BEGIN IMMEDIATE")
            archive, wrong = maintenance.open_or_fall_back(path, NOON, busy_timeout_s=0.1)
            file.execute("ROLLBACK")
    with archive:
        assert archive.path == IN_MEMORY
        assert "is in use by another program" in wrong
        assert archive.last_good_reply(URL, NOON).body == b'{"known": 1}'


def test_what_was_remembered_in_memory_is_carried_over_once(tmp_path):
    with Archive(tmp_path / "archive.sqlite") as file, Archive(IN_MEMORY) as spare:
        RunLog(file).add_run("{}", NOON, "briefing", day=NOON.date())
        later = RunLog(spare)
        row = later.add_run(
            '{"new": 1}',
            NOON + DAY,
            "briefing",
            day=(NOON + DAY).date(),
            deliveries=[("mail", "a")],
        )
        later.add_delivery(row, "mail", "a", "sent", "kept", NOON + DAY)
        assert maintenance.merge_fallback(spare, file) == 1
        assert maintenance.merge_fallback(spare, file) == 0
        run = RunLog(file).briefing_of((NOON + DAY).date())
        assert run.document == '{"new": 1}'
        assert [each.state for each in RunLog(file).delivery_statuses(run.plan_id)] == ["sent"]


# -- the ledger -----------------------------------------------------------------------------------


def test_a_day_has_one_briefing_and_a_delivery_one_success(archive):
    ledger = RunLog(archive)
    row = ledger.add_run(
        "{}", NOON, "briefing", day=NOON.date(), deliveries=[("mail", "a"), ("mail", "b")]
    )
    with pytest.raises(ArchiveError, match="UNIQUE"):
        ledger.add_run("{}", NOON, "briefing", day=NOON.date())
    assert archive.fetch_first("SELECT count(*) FROM plan") == (1,)  # taken back whole
    ledger.add_delivery(row, "mail", "a", "sent", "", NOON)
    with pytest.raises(ArchiveError, match="UNIQUE"):
        ledger.add_delivery(row, "mail", "a", "sent", "", NOON)
    assert [each.state for each in ledger.delivery_statuses(row)] == ["sent", "queued"]
    assert [each.recipient for each in ledger.open_deliveries(row + 1)] == ["b"]


def test_an_archive_of_the_version_before_is_brought_up_to_date(tmp_path):
    from stormplan.store import archive as module

    path = tmp_path / "archive.sqlite"
    raw = sqlite3.connect(path)
    for statement in module.MIGRATIONS[0]:
        raw.execute(statement)
    raw.execute("INSERT INTO plan (made_at, document) VALUES ('2026-01-11T12:00:00+00:00', '{}')")
    raw.execute("PRAGMA user_version = 1")
    raw.commit()
    raw.close()
    with Archive(path) as opened:
        assert opened.last_plan(NOON).document == "{}"
        RunLog(opened).add_run("{}", NOON, "briefing", day=NOON.date())
        assert maintenance.check_integrity(opened).problems == ()


def test_a_set_asked_for_again_is_written_again_with_the_words_of_today(tmp_path):
    name = report_folders.report_set_name(NOON, "a")
    for words in ("before", "today"):
        report_folders.publish(
            tmp_path,
            name,
            lambda folder, words=words: (folder / "briefing.txt").write_text(words),
            replace=True,
        )
    assert (tmp_path / "latest" / "briefing.txt").read_text() == "today"
    other = report_folders.publish(tmp_path, name, lambda folder: None)  # complete: stays
    assert (other / "briefing.txt").read_text() == "today"
    assert sorted(path.name for path in tmp_path.glob("*Z-*")) == [name]
