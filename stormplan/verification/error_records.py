"""A source's own record, kept: how far it was off by lead, for the spread that plans state.

``review --state`` keeps its scores in the archive; plans made after that spread a forecast of one
voice by them instead of by published figures alone. The forecast itself is never touched.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime

from stormplan.physics.ensemble import OwnRecord
from stormplan.store.archive import Archive, stamp
from stormplan.verification.scores import Score

#: Fewer hours than this at a lead are an anecdote: our own choice.
FEW_HOURS = 200


def keep(archive: Archive, scores: Sequence[Score], made_at: datetime) -> None:
    """Add scores to the archive, for plans made from a moment on.

    Parameters
    ----------
    archive : Archive
        Where to [-].
    scores : sequence of Score
        Of any sources [-].
    made_at : datetime
        Aware [-].
    """
    rows = [
        {"source": s.source, "from_h": s.from_h, "to_h": s.to_h, "rmse_dc": s.rmse_dc,
         "hours": s.hours}
        for s in scores
    ]  # fmt: skip
    archive.add(
        "INSERT INTO skill (made_at, scores) VALUES (?, ?)", stamp(made_at), json.dumps(rows)
    )


def records(archive: Archive, now: datetime) -> dict[str, OwnRecord]:
    """Find each source's record as it was kept last before a moment.

    Parameters
    ----------
    archive : Archive
        Where scores are kept [-].
    now : datetime
        Aware [-].

    Returns
    -------
    dict of str to OwnRecord
        By source; one that has too few hours at every lead is absent.
    """
    row = archive.newest(
        "SELECT scores FROM skill WHERE made_at <= ? ORDER BY made_at DESC, id DESC", stamp(now)
    )
    scores = [] if row is None else json.loads(row[0])
    by_source: dict[str, list[Mapping[str, float]]] = {}
    for score in scores:
        if score["hours"] >= FEW_HOURS:
            by_source.setdefault(score["source"], []).append(score)
    return {
        source: OwnRecord(
            leads_h=tuple(0.5 * (one["from_h"] + one["to_h"]) for one in rows),
            rmse_dc=tuple(one["rmse_dc"] for one in rows),
            hours=int(sum(one["hours"] for one in rows)),
        )
        for source, rows in by_source.items()
    }


def remarks(known: Mapping[str, OwnRecord], used: Iterable[str]) -> list[str]:
    """Say which of the sources a plan stands on are spread by their own record."""
    return [
        f"how far {source} may be off is stated from its own record of {known[source].hours:,} h"
        for source in dict.fromkeys(used)
        if source in known
    ]
