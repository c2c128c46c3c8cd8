"""The routine with a clock that jumps; ``benchmarks/clock_jumps.py`` has every phase and jump.

That every morning is told once, and a storm planned as ever, needs no source: it is the promise.
"""

import pytest
from helpers.clock_jumps import JUMPS_H, PHASES, problems_of_jump
from helpers.service import RunningCompany

pytestmark = [pytest.mark.slow, pytest.mark.usefixtures("remembered_plans", "plain_charts")]

#: Every other phase with a jump of its own, and the one that once left a storm unplanned.
CASES = [
    *((name, JUMPS_H[(3 * at) % len(JUMPS_H)]) for at, name in list(enumerate(PHASES))[1::2]),
    ("in the evening before", 48.0),
]


@pytest.mark.parametrize(("phase", "jump_h"), CASES)
def test_a_clock_that_jumps_takes_no_morning_and_no_storm_away(
    tmp_path, replay, server, monkeypatch, phase, jump_h
):
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    company = RunningCompany(tmp_path, replay, server)
    assert problems_of_jump(company, replay, server, jump_h, PHASES[phase], mornings=2) == []
