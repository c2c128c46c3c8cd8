"""One ``/gridpoints`` body taken apart: who it is, its layers, and numbers in our units.

Nothing in a body is taken on trust: a layer with an unknown unit, a value that is no number or
out of any sane range, an entry without a readable time are dropped one by one and said.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from stormplan.errors import ForecastError
from stormplan.weather.forecast import Variable
from stormplan.weather.providers.intervals import (
    Notes,
    TimeBlock,
    finite_or_none,
    format_utc,
    parse_layer,
    parse_utc,
    valid_elevation_m,
)
from stormplan.weather.providers.unit_spellings import conversion

UNIT_PREFIXES = ("", "unit", "wmoUnit", "nwsUnit")
#: The one layer that comes without its unit: pressure, in inches of mercury.
DEFAULT_UNITS: Mapping[str, str] = {"pressure": "inHg"}

MAX_PAST, MAX_LEAD = timedelta(days=10), timedelta(days=30)


@dataclass(frozen=True)
class GridpointReply:
    """A body taken apart: whose it is, when it was issued, and its layers as they came.

    Attributes
    ----------
    cell_id : str
        ``OFFICE/x,y``, as the address of the grid has it.
    latitude_deg, longitude_deg : float
        Middle of the cell [°].
    elevation_m : float or None
        Height of the cell [m].
    issued_at : datetime
        When the office issued the grid, aware UTC.
    layers : mapping
        By name, as they came.
    """

    cell_id: str
    latitude_deg: float
    longitude_deg: float
    elevation_m: float | None
    issued_at: datetime
    layers: Mapping[str, object]

    def entries(self, layer: str, notes: Notes) -> list[TimeBlock[object]]:
        """Return the entries of a layer with their times; none where absent or empty."""
        content = self.layers.get(layer)
        entries = content.get("values", []) if isinstance(content, Mapping) else []
        return parse_layer(
            layer, entries, (self.issued_at - MAX_PAST, self.issued_at + MAX_LEAD), notes
        )

    def unit_conversion(self, layer: str, kind: str, notes: Notes) -> tuple[float, float] | None:
        """Return factor and offset of a layer's unit; None, with a note, where unknown."""
        content = self.layers.get(layer)
        unit_text = content.get("uom") if isinstance(content, Mapping) else None
        prefix, _, bare = str(
            DEFAULT_UNITS.get(layer) if unit_text is None else unit_text
        ).rpartition(":")
        known = conversion(bare, kind) if prefix in UNIT_PREFIXES else None
        if known is not None:
            return known
        notes.add(f"{layer}: unit {unit_text!r:.40} is not known, layer dropped")
        return None


def _corners(shape: object, depth: int = 0) -> list[tuple[float, float]]:
    """Every (longitude, latitude) in the coordinates of a GeoJSON geometry."""
    if not isinstance(shape, list) or depth > 4:
        return []
    if len(shape) >= 2:
        longitude, latitude = finite_or_none(shape[0]), finite_or_none(shape[1])
        if longitude is not None and latitude is not None:
            sane = abs(longitude) <= 180.0 and abs(latitude) <= 90.0
            return [(longitude, latitude)] if sane else []
    return [corner for part in shape for corner in _corners(part, depth + 1)]


def _cell_name(properties: Mapping[str, object]) -> str:
    address = str(properties.get("@id", ""))
    if "/gridpoints/" in address:
        return address.split("/gridpoints/")[1].strip("/")
    return "{}/{},{}".format(*(properties.get(key, "?") for key in ("gridId", "gridX", "gridY")))


def parse_reply(payload: object) -> GridpointReply:
    """Parse a reply.

    Parameters
    ----------
    payload : object
        The body as ``json.loads`` gives it.

    Returns
    -------
    GridpointReply
        With its layers still as they came.

    Raises
    ------
    ForecastError
        Not a gridded forecast, or one that does not say when it was issued or where it is.
    """
    properties = payload.get("properties") if isinstance(payload, Mapping) else None
    if not isinstance(payload, Mapping) or not isinstance(properties, Mapping):
        raise ForecastError("nws: the reply is not a gridded forecast (it has no 'properties')")
    cell = _cell_name(properties)
    issued_at = parse_utc(properties.get("updateTime"))
    if issued_at is None or not 2000 <= issued_at.year < 2200:
        raise ForecastError(
            f"nws {cell}: 'updateTime' is {properties.get('updateTime')!r:.60}, not a date and "
            "time with its offset; without it the age of the forecast is unknown"
        )
    geometry = payload.get("geometry")
    corners = _corners(geometry.get("coordinates")) if isinstance(geometry, Mapping) else []
    corners = list(dict.fromkeys(corners))  # a ring names its first corner twice
    if not corners:
        raise ForecastError(f"nws {cell}: the reply does not say where the cell is ('geometry')")
    elevation = properties.get("elevation")
    return GridpointReply(
        cell_id=cell,
        latitude_deg=float(np.mean([latitude for _, latitude in corners])),
        longitude_deg=float(np.mean([longitude for longitude, _ in corners])),
        elevation_m=valid_elevation_m(elevation.get("value"))
        if isinstance(elevation, Mapping)
        else None,
        issued_at=issued_at,
        layers=properties,
    )


def convert_entries(
    grid: GridpointReply,
    layer: str,
    kind: str,
    entries: list[TimeBlock[object]],
    limits: Variable,
    notes: Notes,
) -> list[TimeBlock[float]]:
    """Convert the entries of a layer to numbers in the internal unit.

    Parameters
    ----------
    grid : GridpointReply
        The body they are from.
    layer, kind : str
        Name of the layer, and a kind of unit.
    entries : list of TimeBlock
        Values as they came [unit of the layer].
    limits : Variable
        Our unit, and the range outside which a value is dropped.
    notes : Notes
        Told of what was dropped.

    Returns
    -------
    list of TimeBlock
        NaN where null, no number, or out of range; empty if the unit is not known [our unit].
    """
    factor_offset = grid.unit_conversion(layer, kind, notes) if entries else None
    if factor_offset is None:
        return []
    blocks = []
    for entry in entries:
        given = finite_or_none(entry.value)
        value = np.nan if given is None else factor_offset[0] * given + factor_offset[1]
        if given is None and entry.value is not None:
            notes.add(f"{layer}: value that is not a number, dropped", f"{entry.value!r:.40}")
        elif value < limits.lowest or value > limits.highest:
            allowed = f"{limits.lowest:g} to {limits.highest:g} {limits.unit}"
            notes.add(
                f"{layer}: value outside {allowed}, dropped",
                f"{value:g} at {format_utc(entry.start)}",
            )
            value = np.nan
        blocks.append(TimeBlock(entry.start, entry.end, value))
    return blocks
