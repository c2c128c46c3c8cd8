"""Killed at any moment: nothing half written, nothing lost, nobody told twice."""

import pytest
from helpers import service
from helpers.crash import StepServer, kill_at_random, runner_config
from helpers.service import MINUTE, OFFICE, OWNER, YARD, RunningCompany

from stormplan.errors import ExitCode
from stormplan.service import health
from stormplan.service.pipeline import DEMO_NOW
from stormplan.store.announced_days import AnnouncedDays, state_files

pytestmark = pytest.mark.slow

POINTS = 8  # 200 in benchmarks/kill_points.py, which takes some minutes


def test_kill_9_at_random_points(tmp_path, replay, server, remembered_plans):
    """Planning keeps nothing, so that a plan is remembered: the points are where something is."""
    server.delay_s = 0.02
    service.serve_storm(replay)
    text = RunningCompany(tmp_path, replay, server).text
    tally = kill_at_random(POINTS, tmp_path, text, server, DEMO_NOW, remembered=remembered_plans)
    assert tally.problems == []
    assert len(tally.progress) >= 3  # the points are spread over the run
    assert tally.mail_counts[1] + tally.in_doubt >= 3 * POINTS
    assert tally.in_doubt_reported == tally.in_doubt


EVERYBODY = (OWNER, YARD, OFFICE)
SLOW_S = 0.8
#: When the program is killed while the archive cannot be written: what the second memory holds
#: then, whose mail server is slow before and after the last dot, and who has an outcome then.
TELLING_POINTS = {
    "before any mail": (('"telling"',), EVERYBODY, 0.0, {}),
    "after one of three": (('"sent"',), (YARD, OFFICE), 0.0, {OWNER: "sent"}),
    "in the last dot of one": (('"handing over"',), (YARD, OFFICE), SLOW_S, {
        OWNER: "broken off, it may or may not have arrived",
    }),
}  # fmt: skip


@pytest.mark.parametrize("archive_returns", [False, True])
@pytest.mark.parametrize("point", TELLING_POINTS)
def test_killed_while_telling_without_an_archive_nobody_is_left_out_or_told_twice(
    tmp_path, replay, server, monkeypatch, remembered_plans, point, archive_returns
):
    words, slow, dot_s, outcomes = TELLING_POINTS[point]
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    service.serve_storm(replay)
    sites, out = tmp_path / "sites.yaml", tmp_path / "out"
    sites.write_text(RunningCompany(tmp_path, replay, server).text)
    archive = out / "archive.sqlite"
    archive.mkdir(parents=True)  # nothing can be opened there
    (file, *_) = state_files(archive)
    server.rcpt_delays_s, server.delay_s = dict.fromkeys(slow, SLOW_S), dot_s
    with StepServer(remembered_plans) as steps:
        assert steps.step(sites, out, DEMO_NOW, kill_when=(file, *words))["killed"]
        late = DEMO_NOW + 30 * MINUTE
        found = health.check_health(runner_config(sites, out, late))
        assert found.exit_code is ExitCode.NOTHING_PLANNED
        said = "\n".join(found.lines)
        assert "the briefing of 2026-01-12 was broken off while it was told" in said
        for recipient, outcome in outcomes.items():
            assert f"mail to {recipient}: {outcome}" in said
        assert outcomes or "no delivery of it is on record" in said
        server.rcpt_delays_s, server.delay_s = {}, 0.0
        if archive_returns:
            archive.rmdir()
        for minutes in (0, 5, 10):
            assert not steps.step(sites, out, late + minutes * MINUTE)["status"]
    counts = {to: len(server.mails_to(to)) for to in EVERYBODY}
    if "broken off" in outcomes.get(OWNER, ""):  # nobody knows, so it is not sent again
        assert counts.pop(OWNER) <= 1
    assert counts == dict.fromkeys(counts, 1)
    assert DEMO_NOW.date() in AnnouncedDays([file])
    if archive_returns:
        found = health.check_health(runner_config(sites, out, late + 15 * MINUTE))
        assert any("it may or may not have arrived" in line for line in found.lines) == (
            "broken off" in outcomes.get(OWNER, "")
        )
