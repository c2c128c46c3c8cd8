"""How far forecasts agree, in what matters: decision, onset, coldest pavement, snow.

One forecast is one opinion. Every site is planned from every source it has; here the plans are
brought down to an ``Opinion`` each and compared. Raw numbers of two services always differ; only
a difference that would change a morning is told.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from typing import Literal

from pydantic import AwareDatetime

from stormplan.company.validators import Record
from stormplan.events.detection import Outlook
from stormplan.events.hazards import Hazard
from stormplan.treatment.records import Action, Treatment
from stormplan.weather.forecast import CellForecast

Matter = Literal["decision", "onset", "coldest pavement", "snow"]

#: Apart by more than this is told. All our own choice: a crew's lead, the error that published
#: models have by night (Crevier & Delage 2001, J. Appl. Meteorol.: rms about 2 K), an inch of snow.
ONSET_APART = timedelta(hours=3)
SURFACE_APART_DC = 2.0
SNOW_APART_CM = 2.54
SURFACE_MATTERS_BELOW_C = 2.0  # how warm a warm pavement is matters to nobody

_SEVERITY = {Action.NOTHING: 0, Action.HOLD: 1}  # every other action is work
_WORK = 2
_HAZARDS = tuple(Hazard)


class Opinion(Record):
    """What the plan of one site from one source comes to.

    ``action`` is the strongest of its surfaces and ``hazard`` what it is about; ``onset`` is the
    start of the first event and ``probability`` that of the likeliest [-], ``coldest_surface_c``
    that of the coldest surface [°C], ``snow_cm`` what falls over the horizon as far as known [cm].
    """

    source: str
    issued_at: AwareDatetime
    action: Action
    hazard: Hazard | None
    onset: AwareDatetime | None
    probability: float | None
    coldest_surface_c: float | None
    snow_cm: float


class OtherOpinion(Record):
    """What a source that is not followed comes to, and in what that differs."""

    opinion: Opinion
    differs: tuple[Matter, ...]


def severity(action: Action) -> int:
    """Rank an action: nothing, hold, work."""
    return _SEVERITY.get(action, _WORK)


def opinion(cell: CellForecast, surfaces: Iterable[tuple[Outlook, Sequence[Treatment]]]) -> Opinion:
    """Bring the plan of one site down to an opinion.

    Parameters
    ----------
    cell : CellForecast
        The forecast it was planned from [-].
    surfaces : iterable of (Outlook, sequence of Treatment)
        Each surface: what it faces, and what to do [-].
    """
    found = list(surfaces)
    items = [item for _, treatments in found for item in treatments]
    events = [item.event for item in items if item.event is not None]
    strongest = max(
        items,
        key=lambda item: (
            severity(item.action),
            -1 if item.event is None else _HAZARDS.index(item.event.hazard),
        ),
    )
    known = [outlook.coldest_surface_c for outlook, _ in found]
    coldest = min((value for value in known if value == value), default=None)  # NaN is not itself
    return Opinion(
        source=cell.source,
        issued_at=cell.issued_at,
        action=strongest.action,
        hazard=None if strongest.event is None else strongest.event.hazard,
        onset=min((event.start for event in events), default=None),
        probability=max((event.probability for event in events), default=None),
        coldest_surface_c=None if coldest is None else round(coldest, 2),
        snow_cm=round(max(outlook.snow_cm for outlook, _ in found), 2),
    )


def compare(ours: Opinion, theirs: Opinion) -> OtherOpinion:
    """Tell in what another opinion differs from the one followed."""
    differs: list[Matter] = []
    if ours.action is not theirs.action:
        differs.append("decision")
    if _onsets_differ(ours.onset, theirs.onset):
        differs.append("onset")
    if _surfaces_differ(ours.coldest_surface_c, theirs.coldest_surface_c):
        differs.append("coldest pavement")
    if abs(ours.snow_cm - theirs.snow_cm) > SNOW_APART_CM:
        differs.append("snow")
    return OtherOpinion(opinion=theirs, differs=tuple(differs))


def _onsets_differ(ours: datetime | None, theirs: datetime | None) -> bool:
    if ours is None or theirs is None:
        return ours is not theirs
    return abs(ours - theirs) > ONSET_APART


def _surfaces_differ(ours_c: float | None, theirs_c: float | None) -> bool:
    if ours_c is None or theirs_c is None:
        return False
    matters = min(ours_c, theirs_c) <= SURFACE_MATTERS_BELOW_C
    return matters and abs(ours_c - theirs_c) > SURFACE_APART_DC


def more_cautious(opinions: Sequence[Opinion]) -> int:
    """Choose the most cautious of several opinions.

    Parameters
    ----------
    opinions : sequence of Opinion
        In order of preference [-].

    Returns
    -------
    int
        Place of the one with the strongest action, then the worst hazard, the earliest onset, the
        coldest pavement, the most snow; of equals the preferred one.
    """

    def caution(place: int) -> tuple[float, ...]:
        one = opinions[place]
        return (
            severity(one.action),
            -1 if one.hazard is None else _HAZARDS.index(one.hazard),
            -float("inf") if one.onset is None else -one.onset.timestamp(),
            -float("inf") if one.coldest_surface_c is None else -one.coldest_surface_c,
            one.snow_cm,
            -place,
        )

    return max(range(len(opinions)), key=caution)
