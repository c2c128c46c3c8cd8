"""The search for a dose: the films that tell which is least, and no others.

All rates at the best start tell what is enough there. At other starts only what is no more than
that can be better; but where nothing keeps service to the end, any may last longest.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass

from stormplan.treatment.candidates import Dose, DoseResult, FilmAnswer, FilmRequest
from stormplan.treatment.pretreatment import Blend, select

Candidate = tuple[Dose, ...]


@dataclass(frozen=True)
class FoundDose:
    """The dose chosen, and what was weighed.

    Attributes
    ----------
    request : FilmRequest
        How it was judged.
    result : DoseResult
        What it does.
    results : tuple of DoseResult
        All that was tried, in the order of the candidates; every rate and blend at its start is
        there, and its rate at every start.
    answer : FilmAnswer
        Where its film is.
    at : int
        Which of the answer's candidates it is [-].
    """

    request: FilmRequest
    result: DoseResult
    results: tuple[DoseResult, ...]
    answer: FilmAnswer
    at: int


def find_dose(
    ask: Callable[[Sequence[Candidate]], FilmRequest],
    candidates: Sequence[Candidate],
    blends: Sequence[Blend],
    best_start: int,
    steps_up: int,
    worth_frac: float,
) -> Generator[FilmRequest, FilmAnswer, FoundDose]:
    """Find the dose that ``pretreatment.select`` would choose of all candidates.

    Parameters
    ----------
    ask : callable
        Makes the request that tries some of them.
    candidates : sequence of tuple of Dose
        Every start, blend and rate, one dose each.
    blends : sequence of Blend
        The blends, best first.
    best_start : int
        Hour that practice prefers; a start of some candidate [h].
    steps_up : int
        Rates above the least that is enough [-].
    worth_frac : float
        Part of the time asked for that more has to last longer, where nothing is enough [-].

    Yields
    ------
    FilmRequest
        At most three.
    """
    highest_l_m2 = max(dose.rate_l_m2 for (dose,) in candidates)
    found: dict[int, tuple[DoseResult, FilmRequest, FilmAnswer, int]] = {}  # by candidate

    def run(is_wanted: Callable[[Dose], bool]) -> Generator[FilmRequest, FilmAnswer, None]:
        wanted = [
            number
            for number, (dose,) in enumerate(candidates)
            if number not in found and is_wanted(dose)
        ]
        if wanted:
            request = ask([candidates[number] for number in wanted])
            answer = yield request
            for at, (number, result) in enumerate(zip(wanted, answer.results, strict=True)):
                found[number] = result, request, answer, at

    def weighed() -> tuple[DoseResult, ...]:
        return tuple(found[number][0] for number in sorted(found))

    yield from run(
        lambda dose: dose.hour == best_start or dose.rate_l_m2 == highest_l_m2 or steps_up > 0
    )
    enough = select(weighed(), blends, best_start, 0, worth_frac)
    most = _order(enough.doses[0], blends)
    yield from run(lambda dose: enough.failure_hour is not None or _order(dose, blends) <= most)
    chosen = select(weighed(), blends, best_start, steps_up, worth_frac)
    yield from run(lambda dose: dose.hour == chosen.doses[0].hour)  # to be told beside it
    _, request, answer, at = next(one for one in found.values() if one[0] is chosen)
    return FoundDose(request, chosen, weighed(), answer, at)


def _order(dose: Dose, blends: Sequence[Blend]) -> tuple[int, float]:
    """Return what is small for a dose that practice prefers: its blend's place, then its rate."""
    return blends.index((dose.additive, dose.additive_frac)), dose.rate_l_m2
