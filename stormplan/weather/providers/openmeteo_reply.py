"""One Open-Meteo body taken apart: its hours in UTC, and its columns in our units by member.

Local times come without their offset and one offset for the whole answer: they are resolved with
it, but never across a change of the clock, where it is wrong for a part of them.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np

from stormplan.arrays import Array
from stormplan.errors import ForecastError
from stormplan.weather.providers.intervals import (
    Notes,
    finite_or_none,
    format_utc,
    parse_utc,
    valid_coordinates,
    valid_elevation_m,
)
from stormplan.weather.providers.unit_spellings import conversion

UTC_ZONES = frozenset({"GMT", "UTC"})
_MEMBER = re.compile(r"(?P<name>\w+?)_member(?P<number>\d+)")
EARLIEST, LATEST = datetime(2000, 1, 1, tzinfo=UTC), datetime(2200, 1, 1, tzinfo=UTC)


@dataclass(frozen=True)
class OpenMeteoReply:
    """One block of a body.

    Attributes
    ----------
    label : str
        Source and place, for messages.
    latitude_deg, longitude_deg : float
        Middle of the cell [°].
    elevation_m : float or None
        Height the values are brought to [m].
    times : tuple of datetime
        Stamps of the rows, aware UTC.
    columns, units : mapping
        By name, as they came.
    """

    label: str
    latitude_deg: float
    longitude_deg: float
    elevation_m: float | None
    times: tuple[datetime, ...]
    columns: Mapping[str, object]
    units: Mapping[str, object]

    def member_columns(self, name: str) -> list[str]:
        """Columns of a variable: the control run, then its members in order."""
        found = {
            int(match["number"]): column
            for column in self.columns
            if (match := _MEMBER.fullmatch(column)) and match["name"] == name
        }
        control = [name] if name in self.columns else []
        return control + [found[key] for key in sorted(found)]

    @property
    def n_members(self) -> int:
        """Number of members: the most any variable has."""
        names = {
            match["name"] if (match := _MEMBER.fullmatch(column)) else column
            for column in self.columns
        }
        return max((len(self.member_columns(name)) for name in names), default=1)

    def values(self, name: str, kind: str, notes: Notes) -> Array:
        """Return a variable in the internal unit.

        Parameters
        ----------
        name, kind : str
            As the service calls it, and a kind of unit.
        notes : Notes
            Told of a unit that is not known.

        Returns
        -------
        array (row, member)
            NaN where null, absent or of an unknown unit; a variable that comes without members
            is the same for all of them.
        """
        out = np.full((len(self.times), self.n_members), np.nan)
        columns = self.member_columns(name)
        for index, column in enumerate(columns):
            unit = conversion(self.units.get(column), kind)
            if unit is None:
                notes.add(f"{name}: unit {self.units.get(column)!r:.40} is not known, dropped")
                return np.full(out.shape, np.nan)
            out[:, index] = unit[0] * _numbers(self.columns[column], len(self.times)) + unit[1]
        return out[:, :1].repeat(self.n_members, axis=1) if len(columns) == 1 else out


def _numbers(given: object, rows: int) -> Array:
    """Read a column; NaN where it is null, no number, or shorter than the rows."""
    out = np.full(rows, np.nan)
    if isinstance(given, Sequence) and not isinstance(given, str):
        read = [np.nan if (v := finite_or_none(value)) is None else v for value in given[:rows]]
        out[: len(read)] = read
    return out


def parse_reply(payload: object, block: str = "hourly") -> OpenMeteoReply:
    """Parse one block of a reply.

    Parameters
    ----------
    payload : object
        The body as ``json.loads`` gives it.
    block : str
        ``"hourly"``, or ``"minutely_15"``.

    Raises
    ------
    ForecastError
        Not such a body, or one that does not say where and when.
    """
    body = payload if isinstance(payload, Mapping) else {}
    columns, units = body.get(block), body.get(f"{block}_units")
    if not isinstance(columns, Mapping) or not isinstance(units, Mapping):
        reason = f": {body['reason']}" if "reason" in body else ""
        raise ForecastError(f"openmeteo: the reply has no '{block}' table{reason}")
    coordinates = valid_coordinates(body.get("latitude"), body.get("longitude"))
    if coordinates is None:
        raise ForecastError("openmeteo: the reply does not say where it is for")
    who = f"openmeteo {coordinates[0]:g},{coordinates[1]:g}"
    times = _times(who, body, columns.get("time"))
    return OpenMeteoReply(
        label=who,
        latitude_deg=coordinates[0],
        longitude_deg=coordinates[1],
        elevation_m=valid_elevation_m(body.get("elevation")),
        times=times,
        columns={name: values for name, values in columns.items() if name != "time"},
        units=units,
    )


def _times(who: str, body: Mapping[str, object], given: object) -> tuple[datetime, ...]:
    """Read the stamps as UTC."""
    stamps = given if isinstance(given, list) else []
    naive: list[datetime] = []
    times: list[datetime] = []
    for stamp in stamps:
        moment = _parse_stamp(stamp)
        if moment is None or not EARLIEST < moment.replace(tzinfo=moment.tzinfo or UTC) < LATEST:
            raise ForecastError(f"{who}: {stamp!r:.40} is not a time")
        (times if moment.tzinfo else naive).append(moment)
    if naive:
        times += _from_local(who, body, naive)
    if not times or any(later <= sooner for sooner, later in itertools.pairwise(times)):
        raise ForecastError(f"{who}: the times of the reply do not rise from row to row")
    return tuple(times)


def _parse_stamp(stamp: object) -> datetime | None:
    """Read seconds since 1970, or ISO 8601 with or without an offset."""
    seconds = finite_or_none(stamp)
    try:
        if seconds is not None:
            return datetime.fromtimestamp(seconds, UTC)
        return parse_utc(stamp) or datetime.fromisoformat(str(stamp))
    except (ValueError, OverflowError, OSError):
        return None


def _from_local(who: str, body: Mapping[str, object], naive: Sequence[datetime]) -> list[datetime]:
    """Resolve local times by the one offset of the body, where it holds for all of them."""
    zone, seconds = str(body.get("timezone")), finite_or_none(body.get("utc_offset_seconds"))
    if zone in UTC_ZONES:
        return [moment.replace(tzinfo=UTC) for moment in naive]
    try:
        clock = ZoneInfo(zone)
    except (ZoneInfoNotFoundError, ValueError, OSError):  # the last: too long a name
        raise ForecastError(
            f"{who}: times are local and without offset, and '{zone:.40}' is not a time zone; "
            "ask for timezone=GMT or timeformat=unixtime"
        ) from None
    offsets = [moment.replace(tzinfo=clock).utcoffset() for moment in naive]
    wrong = [
        moment
        for moment, offset in zip(naive, offsets, strict=True)
        if offset is None or offset.total_seconds() != seconds
    ]
    if wrong:
        raise ForecastError(
            f"{who}: times are local ({zone}) and without offset, and the one offset of the "
            f"reply, {seconds} s, does not hold for all of them (first "
            f"{wrong[0]:%Y-%m-%d %H:%M}): the clock changes; "
            "ask for timezone=GMT or timeformat=unixtime"
        )
    return [moment.replace(tzinfo=clock).astimezone(UTC) for moment in naive]


def check_hourly(reply: OpenMeteoReply) -> None:
    """Raise unless the rows are consecutive whole hours.

    Raises
    ------
    ForecastError
        Says where the hours break.
    """
    for row, time in enumerate(reply.times):
        if time != reply.times[0] + timedelta(hours=row) or (time.minute, time.second) != (0, 0):
            raise ForecastError(
                f"{reply.label}: the rows are not whole hours one after the other at "
                f"{format_utc(time)}"
            )
