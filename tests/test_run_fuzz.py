"""A few whole runs with faults drawn at random; ``benchmarks/fuzz_runs.py`` does thousands."""

import pytest
from helpers.run_fuzz import fuzz_runs

pytestmark = [pytest.mark.slow, pytest.mark.usefixtures("remembered_plans")]


def test_whatever_is_damaged_every_morning_is_told_once(tmp_path, replay, server, monkeypatch):
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.setenv("HOOK_SECRET", "a key")
    summary = fuzz_runs(15, 7, tmp_path, replay, server)
    assert summary.problems == []
    assert summary.faults.total() >= 15
