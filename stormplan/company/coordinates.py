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
from geographiclib.geodesic import Geodesic  # type: ignore[import-untyped]

from stormplan import units
from stormplan.arrays import Array
from stormplan.errors import InputError

ACCEPTED_PLACE = "43.0731, -89.4012, or 43.0731 N 89.4012 W, or a map link with the coordinates"
ACCEPTED_AREA = "62000 ft2, 1.4 acre, 210 x 300 ft, or four or more corners 'lat, lon; lat, lon; …'"
MAX_VINCENTY_ROUNDS = 20
VINCENTY_SETTLED_RAD = 1e-12  # of the difference in longitude: 6 micrometres
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
    return float(Geodesic.WGS84.Inverse(*one, *other)["s12"]) / 1000.0


def distances_km(places: Sequence[tuple[float, float]]) -> Array:
    """Return the distance of every pair of places on the ellipsoid, (place, place) [km].

    Parameters
    ----------
    places : sequence of (float, float)
        North and east positive [°].

    Notes
    -----
    Vincenty's inverse formula (Survey Review 23 (176), 1975), all pairs at once; where it does not
    settle, on the far side of the Earth, pair by pair.
    """
    lat, lon = np.radians(np.array(places, dtype=float).reshape(-1, 2)).T
    flattening = float(Geodesic.WGS84.f)
    polar_m = float(Geodesic.WGS84.a) * (1.0 - flattening)
    first, second = np.triu_indices(len(lat), k=1)
    reduced = np.arctan((1.0 - flattening) * np.tan(lat))
    sin1, cos1, sin2, cos2 = (f(reduced[at]) for at in (first, second) for f in (np.sin, np.cos))
    apart = lon[second] - lon[first]
    on_sphere, moved = apart, np.full(len(first), np.inf)
    with np.errstate(divide="ignore", invalid="ignore"):
        for _ in range(MAX_VINCENTY_ROUNDS):
            sin_sigma = np.hypot(
                cos2 * np.sin(on_sphere), cos1 * sin2 - sin1 * cos2 * np.cos(on_sphere)
            )
            cos_sigma = sin1 * sin2 + cos1 * cos2 * np.cos(on_sphere)
            sigma = np.arctan2(sin_sigma, cos_sigma)
            sin_alpha = np.where(sin_sigma > 0.0, cos1 * cos2 * np.sin(on_sphere) / sin_sigma, 0.0)
            cos2_alpha = 1.0 - sin_alpha**2
            middle = np.where(cos2_alpha > 0.0, cos_sigma - 2.0 * sin1 * sin2 / cos2_alpha, 0.0)
            c = flattening / 16.0 * cos2_alpha * (4.0 + flattening * (4.0 - 3.0 * cos2_alpha))
            bow = c * cos_sigma * (2.0 * middle**2 - 1.0)
            before = on_sphere
            on_sphere = apart + (1.0 - c) * flattening * sin_alpha * (
                sigma + c * sin_sigma * (middle + bow)
            )
            moved = np.abs(on_sphere - before)
            if not (moved > VINCENTY_SETTLED_RAD).any():
                break
        u2 = cos2_alpha * ((Geodesic.WGS84.a / polar_m) ** 2 - 1.0)
        a = 1.0 + u2 / 16384.0 * (4096.0 + u2 * (-768.0 + u2 * (320.0 - 175.0 * u2)))
        b = u2 / 1024.0 * (256.0 + u2 * (-128.0 + u2 * (74.0 - 47.0 * u2)))
        last = b / 6.0 * middle * (4.0 * sin_sigma**2 - 3.0) * (4.0 * middle**2 - 3.0)
        less = b * sin_sigma * (middle + b / 4.0 * (cos_sigma * (2.0 * middle**2 - 1.0) - last))
        pairs_km = polar_m * a * (sigma - less) / 1000.0
    for pair in np.flatnonzero(~(moved <= VINCENTY_SETTLED_RAD) | (np.abs(on_sphere) > np.pi)):
        pairs_km[pair] = distance_km(places[first[pair]], places[second[pair]])
    found = np.zeros((len(lat), len(lat)))
    found[first, second] = found[second, first] = pairs_km
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
    polygon = Geodesic.WGS84.Polygon()
    for corner in corners:
        polygon.AddPoint(*corner)
    count, _perimeter, area = polygon.Compute()
    if count < 3 or abs(area) < 1e-6:
        raise InputError("a polygon has at least three corners that are not on one line")
    return float(abs(area))


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
