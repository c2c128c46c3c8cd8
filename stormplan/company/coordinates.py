"""Places and areas as people have them at hand: typed, copied from a map, drawn on one.

A place is a pair of coordinates, a map link or a ``geo:`` address (RFC 5870); an area is a
quantity, a length by a width, or the corners of a polygon on the ellipsoid (WGS 84).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import NamedTuple
from urllib.parse import unquote

import numpy as np
from pyproj import Geod

from stormplan import units
from stormplan.arrays import Array
from stormplan.errors import InputError

ACCEPTED_PLACE = "43.0731, -89.4012, or 43.0731 N 89.4012 W, or a map link with the coordinates"
ACCEPTED_AREA = "62000 ft2, 1.4 acre, 210 x 300 ft, or four or more corners 'lat, lon; lat, lon; …'"
WGS84 = Geod(ellps="WGS84")
_DEGREES = r"([NSEW])?\s*([+-]?\d{1,3}(?:\.\d+)?)\s*°?\s*"
_SEXAGESIMAL = (
    r"(?:(\d{1,2}(?:\.\d+)?)\s*['′]\s*)?(?:(\d{1,2}(?:\.\d+)?)\s*(?:\"|″|'')\s*)?([NSEW])?"
)
_ANGLE = re.compile(_DEGREES + _SEXAGESIMAL, re.IGNORECASE)
_LINK = re.compile(
    r"(?:[@=/:]|^)(?P<lat>[+-]?\d{1,2}\.\d+)(?:,\s*|/|%2C|&\w+=)(?P<lon>[+-]?\d{1,3}\.\d+)"
)
_SIDES = re.compile(r"([\d.,]+)\s*(ft|m)?\s*(?:x|by|×)\s*([\d.,]+)\s*(ft|m)")


class Coordinates(NamedTuple):
    """A place on the ellipsoid, degrees north and east."""

    latitude_deg: float
    longitude_deg: float


def parse_coordinates(text: str) -> Coordinates:
    """Return the place that a text names.

    Parameters
    ----------
    text : str
        Two decimal numbers, north first; degrees with letters, also with minutes and seconds; a
        ``geo:`` address; or the link of a map that has both in it.

    Raises
    ------
    InputError
        No pair of coordinates in it, or one that is not on the Earth.

    Examples
    --------
    >>> parse_coordinates("43.0731, -89.4012")
    Coordinates(latitude_deg=43.0731, longitude_deg=-89.4012)
    >>> parse_coordinates("https://map.example/#map=18/43.0731/-89.4012")
    Coordinates(latitude_deg=43.0731, longitude_deg=-89.4012)
    """
    text = text.strip()
    found = _from_link(unquote(text)) if re.match(r"[a-z]+:", text) else _from_angles(text)
    if found is None:
        raise InputError(f"'{text[:80]}' is not a place; accepted: {ACCEPTED_PLACE}")
    if abs(found.latitude_deg) > 90.0 or abs(found.longitude_deg) > 180.0:
        raise InputError(
            f"'{text[:80]}' is not on the Earth: north or south comes first, at most 90, then east"
            " or west, at most 180"
        )
    return found


def _from_link(link: str) -> Coordinates | None:
    """Return the last pair in a link, from its fragment, where the view is, only if no other."""
    address, _, fragment = link.partition("#")
    pairs = [*_LINK.finditer(address)] or [*_LINK.finditer(fragment)]
    return Coordinates(float(pairs[-1]["lat"]), float(pairs[-1]["lon"])) if pairs else None


def _from_angles(text: str) -> Coordinates | None:
    parts = re.split(r"\s*[,;]\s*", text)
    if len(parts) == 1:
        parts = re.split(r"(?<=[NSEW])\s+(?=\d)|(?<=\d)\s+(?=[NSEW+-]?\d)", text, flags=re.I)
    if len(parts) != 2:
        return None
    angles = [_angle(part) for part in parts]
    if any(angle is None for angle in angles):
        return None
    (first, axis), (second, other_axis) = (angle for angle in angles if angle is not None)
    if axis == "EW" and other_axis == "NS":
        first, second = second, first
    elif axis == "EW" or other_axis == "NS":
        return None
    return Coordinates(first, second)


def _angle(text: str) -> tuple[float, str] | None:
    """Return degrees, south and west negative, and the axis that a letter names."""
    match = _ANGLE.fullmatch(text.strip())
    if match is None:
        return None
    before, degrees, minutes, seconds, after = match.groups()
    letter = (before or after or "").upper()
    if (before and after) or (letter and degrees.startswith(("+", "-"))):
        return None
    size = abs(float(degrees)) + float(minutes or 0) / 60 + float(seconds or 0) / 3600
    is_negative = degrees.startswith("-") or letter in ("S", "W")
    axis = "NS" if letter in ("N", "S") else "EW" if letter else ""
    return (-size if is_negative else size), axis


def distance_km(one: tuple[float, float], other: tuple[float, float]) -> float:
    """Return the distance of two places on the ellipsoid [km].

    Parameters
    ----------
    one, other : tuple of float
        North and east positive [°].

    Examples
    --------
    >>> round(distance_km((0.0, 0.0), (90.0, 0.0)))  # from the equator to the pole
    10002
    """
    return float(WGS84.inv(one[1], one[0], other[1], other[0])[2]) / 1000.0


def distances_km(places: Sequence[tuple[float, float]]) -> Array:
    """Return the distance of every pair of places on the ellipsoid, (place, place) [km].

    Parameters
    ----------
    places : sequence of (float, float)
        North and east positive [°].
    """
    lat, lon = np.array(places, dtype=float).reshape(-1, 2).T
    first, second = np.triu_indices(len(lat), k=1)
    found = np.zeros((len(lat), len(lat)))
    distance_m = WGS84.inv(lon[first], lat[first], lon[second], lat[second])[2]
    found[first, second] = found[second, first] = distance_m / 1000.0
    return found


def polygon_area_m2(corners: Sequence[Coordinates]) -> float:
    """Return the area inside a polygon [m²].

    Parameters
    ----------
    corners : sequence of Coordinates
        In order, either way round; the first need not be repeated.

    Raises
    ------
    InputError
        Fewer than three corners, or nothing inside them.
    """
    area_m2 = 0.0
    if len(corners) >= 3:
        lat, lon = zip(*corners, strict=True)
        area_m2 = abs(WGS84.polygon_area_perimeter(lon, lat)[0])
    if area_m2 < 1e-6:
        raise InputError("a polygon has at least three corners that are not on one line")
    return float(area_m2)


def parse_area(text: str) -> float:
    """Return an area [m²].

    Parameters
    ----------
    text : str
        A quantity with its unit, two sides with their unit, or the corners of a polygon.

    Raises
    ------
    InputError
        None of these.

    Examples
    --------
    >>> round(parse_area("100 x 43.56 ft") / parse_area("0.1 acre"), 6)
    1.0
    """
    text = text.strip()
    if ";" in text:
        return polygon_area_m2(
            [parse_coordinates(part) for part in text.split(";") if part.strip()]
        )
    if sides := _SIDES.fullmatch(text):
        first, unit, second, last_unit = sides.groups()
        return float(
            units.parse(f"{first} {unit or last_unit}", "length")
            * units.parse(f"{second} {last_unit}", "length")
        )
    try:
        return units.parse(text, "area")
    except InputError:
        raise InputError(f"'{text[:80]}' is not an area; accepted: {ACCEPTED_AREA}") from None
