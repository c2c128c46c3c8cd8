"""A source's own record, kept: how far it was off by lead, for the spread that plans state.

``verify-forecasts --use-in-plans`` keeps its scores in the archive; plans made after that spread a
forecast of one voice by them instead of by published figures alone. The forecast itself is never
touched.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime

from stormplan.physics.ensemble import ErrorRecord
from stormplan.planning.diagnostics import Diagnostic, DiagnosticCode, note
from stormplan.store.archive import Archive, sortable_utc
from stormplan.verification.scores import Score

#: Fewer hours than this at a lead are an anecdote: our own choice.
MIN_SCORED_HOURS = 200


def save_scores(archive: Archive, scores: Sequence[Score], made_at: datetime) -> None:
    """Store scores, for plans made from a moment on.

    Parameters
    ----------
    archive : Archive
        Where to.
    scores : sequence of Score
        Of any sources.
    made_at : datetime
        Aware.
    """
    rows = [
        {"source": s.source, "from_h": s.from_h, "to_h": s.to_h, "rmse_k": s.rmse_k,
         "hours": s.hours}
        for s in scores
    ]  # fmt: skip
    archive.insert(
        "INSERT INTO skill (made_at, scores) VALUES (?, ?)", sortable_utc(made_at), json.dumps(rows)
    )


def load_error_records(archive: Archive, now: datetime) -> dict[str, ErrorRecord]:
    """Find each source's record as it was kept last before a moment.

    Parameters
    ----------
    archive : Archive
        Where scores are kept.
    now : datetime
        Aware.

    Returns
    -------
    dict of str to ErrorRecord
        By source; one that has too few hours at every lead is absent.
    """
    row = archive.fetch_first(
        "SELECT scores FROM skill WHERE made_at <= ? ORDER BY made_at DESC, id DESC",
        sortable_utc(now),
    )
    scores = [] if row is None else json.loads(row[0])
    by_source: dict[str, list[Mapping[str, float]]] = {}
    for score in scores:
        if score["hours"] >= MIN_SCORED_HOURS:
            by_source.setdefault(score["source"], []).append(score)
    return {
        source: ErrorRecord(
            leads_h=tuple(0.5 * (one["from_h"] + one["to_h"]) for one in rows),
            rmse_k=tuple(one["rmse_k"] for one in rows),
            hours=int(sum(one["hours"] for one in rows)),
        )
        for source, rows in by_source.items()
    }


def used_record_diagnostics(
    error_records: Mapping[str, ErrorRecord], sources: Iterable[str]
) -> list[Diagnostic]:
    """Return a note for each source whose uncertainty is from its own error record."""
    return [
        note(DiagnosticCode.ERROR_RECORD_USED, source=source, hours=error_records[source].hours)
        for source in dict.fromkeys(sources)
        if source in error_records
    ]
