"""What the archive says of its own forecasts: every kept reply against what came later.

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
from stormplan.errors import ForecastError, InputError
from stormplan.physics.bias_correction import Reading
from stormplan.physics.ensemble import air_error_dc
from stormplan.store.archive import Archive
from stormplan.units import Speaker
from stormplan.verification import night_bias, reading_log, scores
from stormplan.verification.error_records import FEW_HOURS
from stormplan.verification.scores import Score
from stormplan.weather.forecast import CellForecast
from stormplan.weather.providers import Place, distance_km, reread
from stormplan.weather.providers.table import Tables

NEAR_KM = 15.0  # a station further from the middle of a cell than this says little about it
PAVEMENT = "pavement, by the log of readings"


@dataclass(frozen=True)
class Review:
    """The scores, and what they stand on.

    Attributes
    ----------
    scores : tuple of Score
        By source and lead [-].
    replies, unread : int
        Kept replies that were scored, and that could not be read [-].
    against : str
        What they were held against, in words [-].
    """

    scores: tuple[Score, ...]
    replies: int
    unread: int
    against: str


def review(
    archive: Archive, since: datetime, sites: Sites | None = None, folder: Path = Path()
) -> Review:
    """Score every forecast received since a moment.

    Parameters
    ----------
    archive : Archive
        Where the replies are; nothing is added [-].
    since : datetime
        Aware; earlier replies are left out [-].
    sites : Sites, optional
        For its tables of readings [-].
    folder : Path
        Where the names of the tables start [-].

    Raises
    ------
    InputError
        Nothing to score.
    """
    cells, unread = _reread(archive, since)
    readings = _readings(sites, folder) if sites is not None else []
    by_source: dict[str, list[scores.Pairs]] = {}
    read, own = 0, 0
    for (source, _), group in cells.items():
        truth = _near(group[0], readings)
        read, own = read + (truth is not None), own + (truth is None)
        came = truth if truth is not None else scores.analyses(group)
        by_source.setdefault(source, []).append(scores.pair(group, came))
    logged = _logged(sites, folder, since)
    if logged:
        by_source[PAVEMENT] = [night_bias.pairs(archive, logged)]
    found = tuple(
        one
        for source, pairs in sorted(by_source.items())
        for one in scores.score(source, scores.join(pairs))
    )
    if not found:
        raise InputError(
            f"archive {archive.path}: no hour since {since:%Y-%m-%d} was forecast and came; "
            "keep planning and come back in a few days"
        )
    replies = sum(map(len, cells.values()))
    return Review(found, replies, unread, _against(read, own))


def _reread(
    archive: Archive, since: datetime
) -> tuple[dict[tuple[str, str], list[CellForecast]], int]:
    """Read every good reply again, by source and cell."""
    cells: dict[tuple[str, str], list[CellForecast]] = {}
    unread = 0
    for kept in archive.good_replies(since):
        try:
            cell = reread(kept.url, kept.body, kept.fetched_at)
        except ForecastError:
            unread += 1
            continue
        if cell is not None:
            cells.setdefault((cell.source, cell.cell), []).append(cell)
    return cells, unread


def _readings(sites: Sites, folder: Path) -> list[CellForecast]:
    """Read the tables of readings a sites file names."""
    tables = Tables(sites.weather.tables, folder)
    return [
        tables.read(Place(key, sites.sites[key].latitude_deg, sites.sites[key].longitude_deg))
        for key in sites.weather.tables
    ]


def _logged(sites: Sites | None, folder: Path, since: datetime) -> list[Reading]:
    """Read the log of surface readings that a sites file names."""
    if sites is None or sites.readings is None:
        return []
    return [one for one in reading_log.read(folder / sites.readings) if one.time >= since]


def _near(cell: CellForecast, readings: Sequence[CellForecast]) -> Mapping[datetime, float] | None:
    """Find the readings of the nearest station within reach of a cell, by hour, if any."""
    where = Place(cell.cell, cell.latitude_deg, cell.longitude_deg)
    near = [
        (distance_km(where, one.latitude_deg, one.longitude_deg), index)
        for index, one in enumerate(readings)
    ]
    if not near or min(near)[0] > NEAR_KM:
        return None
    return scores.series(readings[min(near)[1]])


def _against(read: int, own: int) -> str:
    parts = [f"readings at {read}"] if read else []
    parts += [f"the source's own later word at {own}"] if own else []
    return f"held against {' and '.join(parts)} of {read + own} cells"


def lines(found: Review, say: Speaker) -> Iterable[str]:
    """Put a review into words.

    Parameters
    ----------
    found : Review
        The scores [-].
    say : Speaker
        The reader's units [-].
    """

    def stated(one: Score) -> str:
        if one.source == PAVEMENT:
            return ""
        usual = float(air_error_dc(0.5 * (one.from_h + one.to_h)))
        return f" (published {say.degrees(usual, 1)})"

    yield f"{found.replies} forecasts, {found.against}."
    if found.unread:
        yield f"{found.unread} kept replies could not be read any more."
    source = ""
    for one in found.scores:
        if one.source != source:
            source = one.source
            what = "surface" if source == PAVEMENT else "air"
            yield f"\n{source}: {what} temperature, and the chance that it freezes"
        few = "  (few hours: an anecdote)" if one.hours < FEW_HOURS else ""
        bias = f"{'+' if one.bias_dc >= 0 else '-'}{say.degrees(abs(one.bias_dc), 1)}"
        yield (
            f"  {one.from_h:3d} to {one.to_h:3d} h ahead: bias {bias}, error "
            f"{say.degrees(one.rmse_dc, 1)} rms{stated(one)}, Brier {one.brier:.3f},"
            f" {one.hours} h{few}"
        )
        yield "      said and came: " + ", ".join(
            f"{100 * part.said:.0f} % {100 * part.came:.0f} %" for part in one.reliability
        )
    yield (
        "\nNo forecast is changed by this. How far off a plan says that one may be is: by published"
        f" figures, or with --state by these scores, where there are {FEW_HOURS} h of them."
    )


def sheet(found: Review) -> dict[str, object]:
    """Give a review as plain data; keys carry their unit."""
    return asdict(found)
