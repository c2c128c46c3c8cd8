"""Progress on standard error, quiet and verbose: what a terminal shows, and what a log keeps."""

import io
import subprocess
import sys
from datetime import UTC, datetime, timedelta

import pytest
from helpers.command_line import stormplan
from helpers.http_service import ScriptedReply
from helpers.service import GRID, serve_storm, shift_storm
from helpers.sites import site_entry, sites_text

from stormplan.cli import progress
from stormplan.service import pipeline

SITES = {key: site_entry(43.16, -89.44) for key in ("a", "b", "c")}


class Terminal(io.StringIO):
    def isatty(self):
        return True


@pytest.fixture(autouse=True)
def at_once(monkeypatch):
    monkeypatch.setattr(progress, "MIN_INTERVAL_S", 0.0)


def test_a_terminal_sees_one_line_that_goes_away():
    shown = Terminal()
    line = progress.ProgressLine(stream=shown)
    for done in range(4):
        line("planning sites", done, 3)
    assert "planning sites: 1 of 3" in shown.getvalue()
    assert "\n" not in shown.getvalue()
    assert shown.getvalue().endswith(progress.CLEAR_LINE)


def test_a_log_keeps_a_line_a_stage_only_where_asked():
    for verbose, lines in ((False, 0), (True, 2)):
        log = io.StringIO()
        line = progress.ProgressLine(verbose=verbose, stream=log)
        for stage in ("asking", "planning"):
            for done in range(4):
                line(stage, done, 3)
        assert log.getvalue().count("\n") == lines
        assert "\x1b" not in log.getvalue()


def test_quiet_says_nothing():
    shown = Terminal()
    progress.ProgressLine(quiet=True, stream=shown)("planning sites", 1, 3)
    assert shown.getvalue() == ""


@pytest.mark.slow
@pytest.mark.usefixtures("remembered_plans")
def test_brief_counts_sites_and_says_only_the_headline_when_quiet(replay, tmp_path):
    serve_storm(replay)
    days = (datetime.now(UTC) - pipeline.DEMO_NOW).days
    replay.script(GRID, ScriptedReply(shift_storm(timedelta(days=days))))
    text = sites_text(SITES, replay.base_url, policy={"horizon": "30 h"})
    (tmp_path / "sites.yaml").write_text(text)
    loud, quiet, usual = (stormplan("brief", *more, cwd=tmp_path) for more in (["-v"], ["-q"], []))
    for stage in ("asking for the forecasts of sites: 3 of 3 in", "planning sites: 3 of 3 in"):
        assert stage in loud.stderr
    assert (quiet.stderr, usual.stderr) == ("", "")
    assert len(quiet.stdout.splitlines()) == 1
    assert usual.stdout.splitlines()[1].split()[0] == quiet.stdout.split()[0]  # the verdict


def test_short_options():
    for words, found in (("-h", "Usage"), ("brief -h", "--quiet"), ("-V", "stormplan ")):
        command = [sys.executable, "-m", "stormplan", *words.split()]
        done = subprocess.run(command, capture_output=True, text=True, timeout=60)
        assert done.returncode == 0
        assert found in done.stdout
