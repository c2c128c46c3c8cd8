"""Verification report: every stored forecast against later observations.

What came is the reading of one's own table where a site has one, else what the same source said
of the hour when it was upon it. A source that is wrong in the same way early and late cannot be
caught by itself: readings are the better judge, and the answer says which was used.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path

from stormplan.company.sites import Sites
from stormplan.errors import ForecastError, TooEarlyError
from stormplan.physics.bias_correction import PavementReading
from stormplan.physics.ensemble import air_error_k
from stormplan.record.entries import parse_entry
from stormplan.store.archive import Archive
from stormplan.store.record_log import RecordLog
from stormplan.units import UnitFormatter
from stormplan.verification import night_bias, reading_log, scores
from stormplan.verification.error_records import MIN_SCORED_HOURS
from stormplan.verification.scores import Score
from stormplan.weather.forecast import CellForecast
from stormplan.weather.providers import Location, distance_km, parse_stored_reply
from stormplan.weather.providers.table import TableSource

MAX_STATION_DISTANCE_KM = (
    15.0  # a station further from the middle of a cell than this says little about it
)
PAVEMENT_SOURCE = "pavement, by the log of readings"


@dataclass(frozen=True)
class VerificationReport:
    """The scores, and what they stand on.

    Attributes
    ----------
    scores : tuple of Score
        By source and lead.
    replies, unreadable : int
        Kept replies that were scored, and that could not be read [-].
    verified_against : str
        What they were held against, in words.
    """

    scores: tuple[Score, ...]
    replies: int
    unreadable: int
    verified_against: str


def verify_forecasts(
    archive: Archive, since: datetime, sites: Sites | None = None, folder: Path = Path()
) -> VerificationReport:
    """Score every forecast received since a moment.

    Parameters
    ----------
    archive : Archive
        Where the replies are; nothing is added.
    since : datetime
        Aware; earlier replies are left out.
    sites : Sites, optional
        For its tables of readings.
    folder : Path
        Where the names of the tables start.

    Raises
    ------
    TooEarlyError
        Nothing to score.
    """
    cells, unread = _parse_kept_replies(archive, since)
    readings = _station_tables(sites, folder) if sites is not None else []
    by_source: dict[str, list[scores.ForecastObservationPairs]] = {}
    cells_by_readings, cells_by_analysis = 0, 0
    for (source, _), group in cells.items():
        truth = _nearest_readings(group[0], readings)
        cells_by_readings, cells_by_analysis = (
            cells_by_readings + (truth is not None),
            cells_by_analysis + (truth is None),
        )
        observed = truth if truth is not None else scores.analyses(group)
        by_source.setdefault(source, []).append(scores.match_observations(group, observed))
    logged = _logged_readings(archive, sites, folder, since)
    if logged:
        by_source[PAVEMENT_SOURCE] = [night_bias.match_pavement_readings(archive, logged)]
    found = tuple(
        one
        for source, pairs in sorted(by_source.items())
        for one in scores.score_by_lead(source, scores.concatenate_pairs(pairs))
    )
    if not found:
        raise TooEarlyError(
            f"archive {archive.path}: too little data yet, no forecast hour since "
            f"{since:%Y-%m-%d} has been observed; try again in a few days"
        )
    replies = sum(map(len, cells.values()))
    return VerificationReport(
        found, replies, unread, _verified_against(cells_by_readings, cells_by_analysis)
    )


def _parse_kept_replies(
    archive: Archive, since: datetime
) -> tuple[dict[tuple[str, str], list[CellForecast]], int]:
    """Read every good reply again, by source and cell."""
    cells: dict[tuple[str, str], list[CellForecast]] = {}
    unread = 0
    for kept in archive.good_replies(since):
        try:
            cell = parse_stored_reply(kept.url, kept.body, kept.fetched_at)
        except ForecastError:
            unread += 1
            continue
        if cell is not None:
            cells.setdefault((cell.source, cell.cell_id), []).append(cell)
    return cells, unread


def _station_tables(sites: Sites, folder: Path) -> list[CellForecast]:
    """Read the tables of readings a sites file names."""
    tables = TableSource(sites.weather.tables, folder)
    return [
        tables.read_table(
            Location(key, sites.sites[key].latitude_deg, sites.sites[key].longitude_deg)
        )
        for key in sites.weather.tables
    ]


def _logged_readings(
    archive: Archive, sites: Sites | None, folder: Path, since: datetime
) -> list[PavementReading]:
    """Return the surface readings of the record, and of the log that a sites file names."""
    documents = RecordLog(archive).documents()
    found = reading_log.readings_of_record(
        parse_entry(document, f"entry {key}") for key, document in documents
    )
    if sites is not None and sites.readings is not None:
        found += reading_log.load_readings(folder / sites.readings)
    return sorted((one for one in found if one.time >= since), key=lambda one: one.time)


def _nearest_readings(
    cell: CellForecast, readings: Sequence[CellForecast]
) -> Mapping[datetime, float] | None:
    """Find the readings of the nearest station within reach of a cell, by hour, if any."""
    where = Location(cell.cell_id, cell.latitude_deg, cell.longitude_deg)
    near = [
        (distance_km(where, one.latitude_deg, one.longitude_deg), index)
        for index, one in enumerate(readings)
    ]
    if not near or min(near)[0] > MAX_STATION_DISTANCE_KM:
        return None
    return scores.station_air_temps(readings[min(near)[1]])


def _verified_against(cells_by_readings: int, cells_by_analysis: int) -> str:
    parts = [f"readings at {cells_by_readings}"] if cells_by_readings else []
    parts += [f"the source's own later word at {cells_by_analysis}"] if cells_by_analysis else []
    return f"held against {' and '.join(parts)} of {cells_by_readings + cells_by_analysis} cells"


def report_lines(report: VerificationReport, formatter: UnitFormatter) -> Iterable[str]:
    """Yield the lines of a verification report.

    Parameters
    ----------
    report : VerificationReport
        The scores.
    formatter : UnitFormatter
        The reader's units.
    """

    def published_error(one: Score) -> str:
        if one.source == PAVEMENT_SOURCE:
            return ""
        usual = float(air_error_k(0.5 * (one.from_h + one.to_h)))
        return f" (published {formatter.temperature_difference(usual, 1)})"

    yield f"{report.replies} forecasts, {report.verified_against}."
    if report.unreadable:
        yield f"{report.unreadable} kept replies could not be read any more."
    source = ""
    for one in report.scores:
        if one.source != source:
            source = one.source
            what = "surface" if source == PAVEMENT_SOURCE else "air"
            yield f"\n{source}: {what} temperature, and the chance that it freezes"
        few = "  (few hours: an anecdote)" if one.hours < MIN_SCORED_HOURS else ""
        sign = "+" if one.bias_k >= 0 else "-"
        bias = f"{sign}{formatter.temperature_difference(abs(one.bias_k), 1)}"
        yield (
            f"  {one.from_h:3d} to {one.to_h:3d} h ahead: bias {bias}, error "
            f"{formatter.temperature_difference(one.rmse_k, 1)} rms{published_error(one)}, "
            f"Brier {one.brier_score:.3f}, {one.hours} h{few}"
        )
        yield "      said and came: " + ", ".join(
            f"{100 * part.forecast_prob:.0f} % {100 * part.observed_freq:.0f} %"
            for part in one.reliability
        )
    yield (
        "\nNo forecast is changed by this. How far off a plan says that one may be is: by published"
        f" figures, or with --use-in-plans by these scores, where there are {MIN_SCORED_HOURS} "
        "h of them."
    )


def to_dict(report: VerificationReport) -> dict[str, object]:
    """Return a report as plain data; keys carry their unit."""
    return asdict(report)
