"""The search tries fewer films and chooses what trying all of them would.

The reference is ``select`` on every candidate, whatever the films do.
"""

from dataclasses import dataclass
from types import SimpleNamespace

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from stormplan.treatment.candidates import Dose, DoseResult
from stormplan.treatment.dose_search import find_dose
from stormplan.treatment.pretreatment import select

RATES = (0.01, 0.02, 0.03, 0.04, 0.05)
STARTS = (10, 4, 7, 12)
BLENDS = ((None, 0.0), ("calcium", 0.2))
END_HOUR = 30
WORTH_FRAC = 0.1


@dataclass(frozen=True)
class Asked:
    candidates: tuple


def result(candidate, failure_hour):
    lasts = None if failure_hour >= END_HOUR else failure_hour
    held_time_frac = failure_hour * 7 % 29 / 29  # on average over members: goes its own ways
    return DoseResult(candidate, lasts, 1.0, b"\1", (0, 0), held_time_frac, 0.0)


@given(
    st.lists(st.integers(12, 40), min_size=40, max_size=40),
    st.integers(1, 4),
    st.integers(1, 2),
    st.integers(0, 3),
)
def test_it_chooses_what_trying_all_would(hours, start_count, blend_count, steps_up):
    starts, blends = STARTS[:start_count], BLENDS[:blend_count]
    lasts = np.array(hours).reshape(4, 2, 5)
    every = {
        (Dose(start, *blend, rate),): lasts[at, number, step]
        for at, start in enumerate(starts)
        for number, blend in enumerate(blends)
        for step, rate in enumerate(RATES)
    }
    results = [result(candidate, hour) for candidate, hour in every.items()]
    expected = select(results, blends, STARTS[0], steps_up, WORTH_FRAC)
    search = find_dose(Asked, list(every), blends, STARTS[0], steps_up, WORTH_FRAC)
    asked = next(search)
    tried = 0
    while True:
        tried += len(asked.candidates)
        answer = SimpleNamespace(results=[result(one, every[one]) for one in asked.candidates])
        try:
            asked = search.send(answer)
        except StopIteration as done:
            found = done.value
            break
    assert found.result == expected
    assert found.answer.results[found.at] == expected
    assert tried == len(found.results) <= len(results)
    (dose,) = expected.doses
    told = {one.doses[0] for one in found.results}
    assert {(*blend, rate) for blend in blends for rate in RATES} == {
        (one.additive, one.additive_frac, one.rate_l_m2) for one in told if one.hour == dose.hour
    }
    assert set(starts) == {
        one.hour for one in told if (one.additive, one.rate_l_m2) == (dose.additive, dose.rate_l_m2)
    }


def test_where_the_least_is_enough_few_films_are_run():
    every = [(Dose(start, None, 0.0, rate),) for start in STARTS for rate in RATES]
    search = find_dose(Asked, every, BLENDS[:1], STARTS[0], 0, WORTH_FRAC)
    first = next(search).candidates
    assert len(first) == len(RATES) + len(STARTS) - 1
    second = search.send(SimpleNamespace(results=[result(one, 99) for one in first])).candidates
    assert [dose.rate_l_m2 for (dose,) in second] == [RATES[0]] * (len(STARTS) - 1)
