"""The sign of the last step: a routine that stands still or fails is seen from outside."""

import dataclasses
import json
from datetime import UTC, datetime

import pytest
from helpers.service import HOUR, MINUTE, RunningCompany, serve_storm

from stormplan.cli import planning_commands
from stormplan.errors import ExitCode
from stormplan.service import health, runner
from stormplan.service.last_step import FILE_NAME, LastStep, read_last_step, write_last_step
from stormplan.store import maintenance

NOON = datetime(2026, 1, 12, 12, tzinfo=UTC)


@pytest.mark.parametrize("step", [
    LastStep(NOON, NOON + HOUR),
    LastStep(NOON, None, "KeyError in stormplan.planning.planner, line 1"),
    LastStep(NOON, NOON + HOUR, checked_archive="archive.sqlite"),
])  # fmt: skip
def test_it_is_read_as_it_was_written(tmp_path, step):
    write_last_step(tmp_path, step)
    assert read_last_step(tmp_path) == step


@pytest.mark.parametrize("text", [
    "", "null", "[]", "{}", "[" * 100_000, "\ud83d", '{"ended_at": "2026-01-12T12:00:00+00:00"}',
    *(json.dumps({"ended_at": ended_at, "next_step_at": None, "fault": None,
                  "checked_archive": None}) for ended_at in (3, "soon", "2026-01-12T12:00:00")),
])  # fmt: skip
def test_a_damaged_file_is_no_file(tmp_path, text):
    (tmp_path / FILE_NAME).write_bytes(text.encode("utf-8", "surrogatepass"))
    assert read_last_step(tmp_path) is None


@pytest.fixture
def company(tmp_path, replay):
    serve_storm(replay)
    return RunningCompany(tmp_path, replay)


@pytest.mark.slow
def test_health_sees_a_routine_that_stands_still(company):
    due_at = company.step().next_step_at
    assert health.check_health(company.config).exit_code is ExitCode.COMPLETE
    company.now = due_at + 15 * MINUTE  # a timer may be a little late
    assert health.check_health(company.config).exit_code is ExitCode.COMPLETE
    company.now = due_at + 30 * MINUTE
    found = health.check_health(company.config)
    assert found.exit_code is ExitCode.DEGRADED
    assert any("nothing has run since 2026-01-12 10:30Z" in line for line in found.lines)
    company.step()
    assert health.check_health(company.config).exit_code is ExitCode.COMPLETE


@pytest.mark.slow
def test_health_says_that_the_program_failed_and_where_until_it_is_over(company, monkeypatch):
    company.step()
    with monkeypatch.context() as patched:
        patched.setattr(runner, "_due_run", lambda context: {}["a key that may be a secret"])
        with pytest.raises(KeyError):
            company.step(HOUR)
    found = health.check_health(company.config)
    assert found.exit_code is ExitCode.DEGRADED
    (line,) = (line for line in found.lines if "the program failed at 2026-01-12 11:30Z" in line)
    assert "KeyError in stormplan.service.runner" in line
    assert "secret" not in line
    company.step(MINUTE)
    assert health.check_health(company.config).exit_code is ExitCode.COMPLETE
    assert json.loads((company.out / FILE_NAME).read_text())["fault"] is None


@pytest.mark.slow
def test_the_watch_asks_less_often_while_the_program_fails(company, tmp_path, monkeypatch, capsys):
    sites = tmp_path / "sites.yaml"
    sites.write_text(company.text)
    repeated = planning_commands._repeated_step(company.config, sites)
    with monkeypatch.context() as patched:
        patched.setattr(runner, "_due_run", lambda context: {}["nothing"])
        waits = [repeated() - company.now for _ in range(5)]
    assert waits == [minutes * MINUTE for minutes in (1, 2, 4, 5, 5)]
    assert repeated() - company.now > 5 * MINUTE  # planned, and the next is the storm's
    assert "trying again in 4 min" in capsys.readouterr().err


@pytest.mark.slow
def test_a_timer_reads_the_pages_of_the_archive_only_after_a_step_that_did_not_end_well(
    company, monkeypatch
):
    checked = []
    whole = maintenance.open_or_fall_back

    def count(*args, reads_pages, **more):
        checked.append(reads_pages)
        return whole(*args, reads_pages=reads_pages, **more)

    def step_of_a_new_program():
        company.config = dataclasses.replace(company.config, is_archive_checked=False)
        company.step(5 * MINUTE)

    monkeypatch.setattr(maintenance, "open_or_fall_back", count)
    step_of_a_new_program()
    step_of_a_new_program()
    with monkeypatch.context() as patched:
        patched.setattr(runner, "_due_run", lambda context: {}["nothing"])
        with pytest.raises(KeyError):
            step_of_a_new_program()
    step_of_a_new_program()
    step_of_a_new_program()
    assert checked == [True, False, False, True, False]
