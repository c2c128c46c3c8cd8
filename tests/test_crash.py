"""Killed at any moment: nothing half written, nothing lost, nobody told twice."""

import pytest
from helpers import service, smtp
from helpers.crash import kill_at_random
from helpers.service import RunningCompany

from stormplan.service.pipeline import DEMO_NOW

pytestmark = pytest.mark.slow

POINTS = 8  # 200 in benchmarks/kill_points.py, which takes some minutes


@pytest.fixture
def server():
    with smtp.run_mail_server() as running:
        running.delay_s = 0.02
        yield running


def test_kill_9_at_random_points(tmp_path, replay, server):
    service.serve_storm(replay)
    tally = kill_at_random(
        POINTS, tmp_path, RunningCompany(tmp_path, replay, server).text, server, DEMO_NOW
    )
    assert tally.problems == []
    assert len(tally.progress) >= 3  # the points are spread over the run
    assert tally.mail_counts[1] + tally.in_doubt >= 3 * POINTS
    assert tally.in_doubt_reported == tally.in_doubt
