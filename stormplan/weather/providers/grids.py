"""The sources nbm and hrrr: gridded files of whole countries, read for all sites at once.

Every file is opened once, and of it only the points of the sites are kept: a document for each
point and cycle goes into the archive, so that a past moment is planned again and hours before now
are known, as with any service. Where the newest cycle ends early, one before it that reaches
further stands in as an older copy.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from stormplan.company.sites import GridSettings
from stormplan.errors import ArchiveError, ForecastError, InputError
from stormplan.numerics import floor_hour
from stormplan.weather.forecast import CellForecast
from stormplan.weather.http_client import Fetcher, NotArchivedError
from stormplan.weather.providers import Location, NotServedError, flag_stale
from stormplan.weather.providers.archived_files import ArchivedFiles, FileVersion
from stormplan.weather.providers.grib_fields import PointReader, load_eccodes
from stormplan.weather.providers.grid_document import parse_plannable_forecast
from stormplan.weather.providers.grid_files import (
    CycleReading,
    FolderFiles,
    GridFiles,
    ServerFiles,
)
from stormplan.weather.providers.grid_models import MAX_WINDOW_H, MODELS, GridModel
from stormplan.weather.providers.older_copies import read_older_copies
from stormplan.weather.providers.once import OncePerKey
from stormplan.weather.providers.quality_control import (
    refuse_unexpected_form,
    unexpected_form,
)
from stormplan.weather.reply_text import parse_json

MAX_CYCLES = 3  # of one gathering: the newest, and what reaches further
DEFAULT_HORIZON = timedelta(hours=96)  # of a place asked for by itself
OFF_GRID = "off"  # kept in place of a point
KEPT_DECIMALS = 4  # of a value in our units; files pack fewer


def open_source(
    key: str, settings: GridSettings, fetcher: Fetcher, folder: Path = Path()
) -> GridSource:
    """Return the source for one run.

    Parameters
    ----------
    key : str
        Of the model: nbm or hrrr.
    settings : GridSettings
        Where its files are.
    fetcher : Fetcher
        Asks, and knows the archive.
    folder : Path
        Where relative paths start.

    Raises
    ------
    InputError
        ecCodes is not installed.
    """
    model = MODELS[key]
    kept = ArchivedFiles(fetcher.archive, offline=fetcher.offline)
    if not fetcher.offline:  # a past moment is planned from documents alone
        load_eccodes()
    if settings.folder is not None:
        return GridSource(model, FolderFiles(folder / settings.folder, model), kept)
    server = ServerFiles(fetcher, model, settings.base_url or model.base_url)
    return GridSource(model, server, kept)


@dataclass
class _Gathered:
    """What one gathering found for its places: documents by cell, newest first, and failures."""

    documents: dict[str, list[FileVersion]] = field(default_factory=dict)
    failure: str = ""


@dataclass
class _KeptCycle:
    """A cycle that was read before: its documents by address, and how far they reach."""

    versions: dict[str, FileVersion]
    reach: datetime
    problems: list[str] = field(default_factory=list)


class GridSource:
    """Gridded files of one model, for one run; every file is read once, for all places.

    Parameters
    ----------
    model : GridModel
        Which model.
    files : GridFiles
        Where its files are.
    kept : ArchivedFiles
        Where what was read is kept.
    """

    def __init__(self, model: GridModel, files: GridFiles, kept: ArchivedFiles) -> None:
        self._model = model
        self._files = files
        self._kept = kept
        self._gathered: dict[tuple[float, float, datetime], _Gathered] = {}
        self._gatherings: OncePerKey[_Gathered] = OncePerKey()
        self._cells: OncePerKey[CellForecast] = OncePerKey()
        self._copies: OncePerKey[list[CellForecast]] = OncePerKey()

    def prepare(self, locations: Sequence[Location], now: datetime, until: datetime) -> None:
        """Read the files for all places at once; what fails is said when a place is asked for.

        Parameters
        ----------
        locations : sequence of Location
            The places.
        now, until : datetime
            The moment planned for, and how far ahead hours matter, aware UTC.
        """
        if self._kept.offline or not locations:
            return
        gathered = _Gathered()
        try:
            self._gather(locations, now, until, gathered)
        except InputError:
            raise
        except ForecastError as error:
            gathered.failure = str(error)
        except ArchiveError:
            raise
        except Exception as error:  # whatever it is, the other sources have no part in it
            gathered.failure = str(unexpected_form(self._model.key, "its files", error))
        for location in locations:
            self._gathered[_place_key(location, now)] = gathered

    def forecast(self, location: Location, now: datetime) -> CellForecast:
        """Return the newest cycle's forecast at the point nearest a location; one object per point.

        Raises
        ------
        ForecastError
            Off the grid, or nothing usable in the files nor in the archive.
        """
        gathered = self._gathering(location, now)
        address = self._address(location, now, gathered.failure)
        read_now = gathered.documents.get(address, [])
        version = read_now[0] if read_now else self._kept.last(address, now)
        if version is None:
            raise self._failure(gathered.failure)
        return self._cells.get(
            (address, now), lambda: self._parse_version(version, now, gathered.failure)
        )

    def older_copies(self, location: Location, now: datetime) -> list[CellForecast]:
        """Return what older cycles say at the point of a location, newest first."""
        gathered = self._gathering(location, now)
        address = self._address(location, now, gathered.failure)
        return self._copies.get((address, now), lambda: self._older(address, now))

    def past_copies(self, location: Location, now: datetime) -> list[CellForecast]:
        """Return the documents that tell a location's hours before now, newest first."""
        address = self._address(location, now, "")

        def parse(text: str, _: datetime, read_at: datetime) -> CellForecast:
            return self._parse(text, read_at, read_at)

        return self._kept.past_copies(address, now, parse)

    def _gathering(self, location: Location, now: datetime) -> _Gathered:
        """Return the gathering that a place was part of; one of its own if there was none."""
        key = _place_key(location, now)

        def gather() -> _Gathered:
            if key not in self._gathered:
                self.prepare([location], now, now + DEFAULT_HORIZON)
            return self._gathered.get(key, _Gathered())

        return self._gatherings.get(key, gather)

    # -- cells -------------------------------------------------------------------------------------

    def _lookup_key(self, location: Location) -> str:
        return f"{self._model.key}:{location.latitude_deg:.4f},{location.longitude_deg:.4f}"

    def _known_address(self, location: Location, now: datetime) -> str | None:
        """Return the address of the documents of a place, as once looked up."""
        found = self._kept.archive.last_grid_lookup(self._lookup_key(location), now)
        return None if found is None else found.grid_url

    def _failure(self, failure: str) -> ForecastError:
        """Return why there is no document of a place: what failed, or else it was never read."""
        return ForecastError(failure) if failure else NotArchivedError(self._model.key)

    def _address(self, location: Location, now: datetime, failure: str) -> str:
        """Return the address of the documents of a place.

        Raises
        ------
        ForecastError
            Off the grid, or never looked up.
        """
        address = self._known_address(location, now)
        if address is None:
            raise self._failure(failure)
        if address.endswith(OFF_GRID):
            raise NotServedError(
                f"{self._model.key}: {location.latitude_deg}, {location.longitude_deg} is off the "
                f"grid of the {self._model.title}; check the coordinates (latitude first, west is "
                "negative)"
            )
        return address

    # -- reading -----------------------------------------------------------------------------------

    def _gather(
        self, locations: Sequence[Location], now: datetime, until: datetime, gathered: _Gathered
    ) -> None:
        """Read cycles from the newest back, until the hours that matter are reached."""
        places = list({_degrees(location): location for location in locations}.values())
        north, east = np.array([_degrees(location) for location in places]).T
        reader = PointReader(north, east, self._model.fields)
        begin = reach = floor_hour(now)
        asked_until = until + timedelta(hours=MAX_WINDOW_H)
        found: list[CycleReading | _KeptCycle] = []
        problems: list[str] = []
        for cycle in self._files.cycles(now):
            if cycle + timedelta(hours=self._files.length_h(cycle) + 1) <= reach:
                continue
            known: CycleReading | _KeptCycle | None
            known = self._kept_cycle(places, cycle, len(found), now, until)
            if known is None:
                try:
                    known = self._files.read(cycle, begin, asked_until, reader)
                except ForecastError as error:
                    problems.append(str(error))
                    break
            if known is None:
                continue
            if known.reach <= reach:
                problems += known.problems
                continue
            found.append(known)
            reach = known.reach
            begin = reach - timedelta(hours=1)
            if reach >= until or len(found) == MAX_CYCLES:
                break
        if not found:
            said = "; ".join(problems[:3]) or "no file for this hour (yet)"
            raise ForecastError(f"{self._model.key}: {said}")
        found[0].problems = [*problems, *found[0].problems]
        with self._kept.archive.transaction():
            for rank, one in enumerate(found):
                if isinstance(one, CycleReading):
                    self._keep(places, one, rank, now, gathered)
                else:
                    self._keep_again(one, rank, now, gathered)

    def _keep(
        self,
        places: Sequence[Location],
        reading: CycleReading,
        rank: int,
        now: datetime,
        gathered: _Gathered,
    ) -> None:
        """Keep a document for each point of a cycle, and which point each place has."""
        points, reach = reading.points, reading.reach
        assert points is not None
        archive = self._kept.archive
        for index, location in enumerate(places):
            cell = f"{points.column[index]},{points.row[index]}"
            address = f"{self._model.key}:{cell if points.inside[index] else OFF_GRID}"
            if self._known_address(location, now) != address:
                archive.add_grid_lookup(self._lookup_key(location), address, now)
            of_cell = gathered.documents.setdefault(address, [])
            if len(of_cell) > rank or not points.inside[index]:
                continue
            text = json.dumps(_document(self._model, reading, index, reach))
            of_cell.append(FileVersion(text, reading.cycle, now))
            self._kept.add(_ranked(address, rank), text, reading.cycle, now)

    def _keep_again(self, kept: _KeptCycle, rank: int, now: datetime, gathered: _Gathered) -> None:
        """Use kept documents; with what failed since then, they are kept anew."""
        for address, version in kept.versions.items():
            used = version
            if kept.problems:
                document = json.loads(version.text) | {"problems": kept.problems}
                used = FileVersion(json.dumps(document), version.issued_at, now)
                self._kept.add(_ranked(address, rank), used.text, used.issued_at, now)
            gathered.documents.setdefault(address, []).append(used)

    def _kept_cycle(
        self, places: Sequence[Location], cycle: datetime, rank: int, now: datetime, until: datetime
    ) -> _KeptCycle | None:
        """Return the documents of a cycle from the archive, if it was read whole for every place.

        Returns
        -------
        _KeptCycle or None
            None where files must be read.
        """
        versions: dict[str, FileVersion] = {}
        reach = None
        for location in places:
            address = self._known_address(location, now)
            if address is None:
                return None
            if address.endswith(OFF_GRID) or address in versions:
                continue
            version = self._kept.last(_ranked(address, rank), now)
            if version is None or version.issued_at != cycle:
                return None
            document = json.loads(version.text)
            if document["problems"] or datetime.fromisoformat(document["until"]) < until:
                return None
            versions[address] = version
            reach = datetime.fromisoformat(document["reach"])
        return None if reach is None else _KeptCycle(versions, reach)

    # -- forecasts ---------------------------------------------------------------------------------

    def _parse(self, text: str, read_at: datetime, now: datetime) -> CellForecast:
        parse = refuse_unexpected_form(parse_plannable_forecast, self._model.key, "a document")
        return parse(parse_json(text.encode()), read_at, now)

    def _parse_version(self, version: FileVersion, now: datetime, failure: str) -> CellForecast:
        """Read a document; where it stands in for files that failed, it says so."""
        try:
            cell = self._parse(version.text, version.read_at, now)
        except ForecastError as error:
            raise ForecastError(f"{failure}; but {error}" if failure else str(error)) from error
        if not failure:
            return cell
        age_h = (now - version.read_at) / timedelta(hours=1)
        reason = (
            f"{failure}; what was read {version.read_at:%Y-%m-%d %H:%M}Z stands in, {age_h:.0f} h "
            "old"
        )
        return flag_stale(cell, reason)

    def _older(self, address: str, now: datetime) -> list[CellForecast]:
        """Return what reaches further than the newest cycle, and what was read before it."""
        newest = self._kept.last(address, now)
        further: list[CellForecast] = []
        for rank in range(1, MAX_CYCLES):
            version = self._kept.last(_ranked(address, rank), now)
            if newest is None or version is None or version.issued_at >= newest.issued_at:
                continue
            try:
                further.append(self._parse(version.text, version.read_at, now))
            except ForecastError:
                continue  # it knows nothing any more
        key, archive = self._model.key, self._kept.archive
        return [
            *further,
            *read_older_copies(archive, address, now, parse_plannable_forecast, key),
        ]


def _degrees(location: Location) -> tuple[float, float]:
    return location.latitude_deg, location.longitude_deg


def _place_key(location: Location, now: datetime) -> tuple[float, float, datetime]:
    return *_degrees(location), now


def _ranked(address: str, rank: int) -> str:
    """Address of the newest cycle, and of those that reach further than it."""
    return f"{address}/further-{rank}" if rank else address


def _document(
    model: GridModel, reading: CycleReading, index: int, reach: datetime
) -> dict[str, object]:
    """Return what a cycle says at one place, to be kept."""
    points = reading.points
    assert points is not None
    return {
        "model": model.key,
        "column": int(points.column[index]),
        "row": int(points.row[index]),
        "latitude_deg": round(float(points.latitude_deg[index]), 6),
        "longitude_deg": round(float(points.longitude_deg[index]), 6),
        "cycle": reading.cycle.isoformat(),
        "until": reading.until.isoformat(),
        "reach": reach.isoformat(),
        "problems": reading.problems,
        "fields": {
            name: [[one.start_h, one.end_h, _kept_value(one.values[index])] for one in of_field]
            for name, of_field in reading.fields.items()
        },
    }


def _kept_value(value: float) -> float | None:
    return None if np.isnan(value) else round(float(value), KEPT_DECIMALS)
