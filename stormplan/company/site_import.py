"""Sites from a table or a drawn map, added to a sites file whose comments stay.

A row or a feature is one surface. Whole or not at all: every problem is named with its line.
"""

from __future__ import annotations

import csv
import io
import json
import math
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

from ruamel.yaml import YAML
from ruamel.yaml.comments import CommentedMap

from stormplan.company.catalog import SURFACE_CLASSES
from stormplan.company.coordinates import (
    Coordinates,
    distance_km,
    parse_area,
    parse_coordinates,
    polygon_area_m2,
)
from stormplan.errors import InputError, Problem, SitesError
from stormplan.units import M2_PER_FT2

COLUMNS = ("site", "place", "surface", "class", "area", "client", "yard", "priority", "open_hours")
REQUIRED_PROPERTIES = ("site", "surface", "class")
REQUIRED_COLUMNS = (*REQUIRED_PROPERTIES, "place", "area")
PRIORITIES = ("1", "2", "3", "4", "5")
DEFAULT_PRIORITY = 2
MAX_KEY_LENGTH = 40
#: Surfaces of one site lie nearer to each other [km]: own choice, a campus is smaller, and a wrong
#: digit in the second decimal of a degree is a kilometer.
MAX_SITE_EXTENT_KM = 3.0


@dataclass(frozen=True)
class ImportedSurface:
    """A surface of a site, with where it was read.

    ``client`` and ``yard`` are keys. What is None is not given: the only client or yard of the
    file, the usual priority.
    """

    line: int
    site: str
    place: Coordinates
    surface: str
    surface_class: str
    area_m2: float
    client: str | None = None
    yard: str | None = None
    priority: int | None = None
    open_hours: str | None = None


def key_of(name: str) -> str:
    """Return a key of the sites file for a name.

    Examples
    --------
    >>> key_of("Mill Court (east)")
    'mill-court-east'
    """
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:MAX_KEY_LENGTH].rstrip("-") or "a"


def read_csv(text: str, name: str) -> list[ImportedSurface]:
    """Return the surfaces of a table with the columns of ``COLUMNS``.

    Parameters
    ----------
    text : str
        The table, with a header; a byte order mark is accepted.
    name : str
        What to call it in a message.

    Raises
    ------
    SitesError
        What cannot be read, every problem with its line.
    """
    reader = csv.DictReader(io.StringIO(text.lstrip("\ufeff")))
    header = [str(column).strip() for column in reader.fieldnames or ()]
    reader.fieldnames = header
    said = [f"no column '{column}'" for column in REQUIRED_COLUMNS if column not in header]
    said += [f"column '{column}' is not known" for column in header if column not in COLUMNS]
    if said:
        accepted = ", ".join(COLUMNS)
        raise SitesError([Problem(name, 1, f"{'; '.join(said)}; accepted: {accepted}")])

    def read(line: int, row: Mapping[str, object]) -> ImportedSurface:
        given = _given(row)
        place, area = given.get("place", ""), given.get("area", "")
        return _surface(line, given, parse_coordinates(place), parse_area(area))

    return _read_all(name, ((reader.line_num, row) for row in reader), read)


def read_geojson(text: str, name: str) -> list[ImportedSurface]:
    """Return the surfaces of a GeoJSON collection of polygons (RFC 7946).

    Parameters
    ----------
    text : str
        Its features have the ``properties`` of ``COLUMNS`` but place and area, which are drawn.
    name : str
        What to call it in a message.

    Raises
    ------
    SitesError
        What cannot be read; for the line stands the number of the feature.
    """
    try:
        features = json.loads(text)["features"]
        numbered = [(at, dict(feature)) for at, feature in enumerate(features, start=1)]
    except (ValueError, TypeError, KeyError, RecursionError):
        problem = Problem(name, 1, "not a GeoJSON FeatureCollection (RFC 7946)")
        raise SitesError([problem]) from None

    def read(number: int, feature: Mapping[str, object]) -> ImportedSurface:
        properties = feature.get("properties")
        if not isinstance(properties, Mapping):
            raise InputError("a feature without properties")
        outer, *holes = _rings(feature.get("geometry"))
        area_m2 = polygon_area_m2(outer) - sum(polygon_area_m2(hole) for hole in holes)
        return _surface(number, _given(properties), _middle(outer), area_m2)

    return _read_all(name, numbered, read)


def _given(row: Mapping[str, object]) -> dict[str, str]:
    """Return what is not empty, as text."""
    if None in row:
        raise InputError("more values than columns; put one that holds a comma in quotes")
    texts = {key: str(value).strip() for key, value in row.items() if value is not None}
    return {key: text for key, text in texts.items() if text}


def _rings(geometry: object) -> list[list[Coordinates]]:
    """Return the outer ring of a polygon and its holes."""
    if not isinstance(geometry, Mapping) or geometry.get("type") != "Polygon":
        raise InputError("a surface is drawn as a Polygon")
    try:
        rings = [
            [Coordinates(float(corner[1]), float(corner[0])) for corner in ring]
            for ring in geometry["coordinates"]
        ]
    except (TypeError, ValueError, KeyError, IndexError):
        raise InputError("the corners of a polygon are [longitude, latitude]") from None
    if not rings:
        raise InputError("a polygon without corners")
    for ring in rings:
        if len(ring) < 4 or ring[0] != ring[-1]:
            raise InputError("a polygon's ring ends where it began, and has at least four points")
        for north, east in ring:
            if not (abs(north) <= 90.0 and abs(east) <= 180.0):
                raise InputError(f"corner [{east}, {north}] is not on the Earth")
    return rings


def _middle(ring: Sequence[Coordinates]) -> Coordinates:
    """Return a place inside or near a ring; a forecast cell is miles across."""
    corners = ring[:-1]
    north = sum(corner.latitude_deg for corner in corners) / len(corners)
    east = sum(corner.longitude_deg for corner in corners) / len(corners)
    return Coordinates(round(north, 6), round(east, 6))


def _read_all(
    name: str,
    rows: Iterable[tuple[int, Mapping[str, object]]],
    read: Callable[[int, Mapping[str, object]], ImportedSurface],
) -> list[ImportedSurface]:
    found, problems = [], []
    for line, row in rows:
        try:
            found.append(read(line, row))
        except InputError as error:
            problems.append(Problem(name, line, str(error)))
    if not found and not problems:
        problems.append(Problem(name, 1, "no surface in it"))
    if problems:
        raise SitesError(problems)
    return found


def _surface(
    line: int, given: Mapping[str, str], place: Coordinates, area_m2: float
) -> ImportedSurface:
    for column in REQUIRED_PROPERTIES:
        if column not in given:
            raise InputError(f"no {column}")
    if given["class"] not in SURFACE_CLASSES:
        raise InputError(
            f"'{given['class']}' is not a surface class; accepted: {', '.join(SURFACE_CLASSES)}"
        )
    priority = given.get("priority")
    if priority is not None and priority not in PRIORITIES:
        raise InputError(f"priority '{priority}' is not one of {', '.join(PRIORITIES)}")
    return ImportedSurface(
        line=line,
        site=given["site"],
        place=place,
        surface=given["surface"],
        surface_class=given["class"],
        area_m2=area_m2,
        client=given.get("client"),
        yard=given.get("yard"),
        priority=None if priority is None else int(priority),
        open_hours=given.get("open_hours"),
    )


def add_sites(text: str, imported: Iterable[ImportedSurface], name: str) -> tuple[str, int, int]:
    """Return a sites file's text with surfaces added, and how many sites and surfaces are new.

    Parameters
    ----------
    text : str
        The sites file, already checked.
    imported : iterable of ImportedSurface
        What to add; a surface that is there already, as it is, is left alone.
    name : str
        What the imported file is called in a message.

    Raises
    ------
    SitesError
        A surface is there already with another class or area, or a client or yard is missing.
    """
    yaml = YAML()
    yaml.width = 4096
    yaml.preserve_quotes = True
    tree = yaml.load(text)
    new_sites, new_surfaces, problems = 0, 0, []
    for each in imported:
        try:
            site_is_new, surface_is_new = _add(tree, each)
        except InputError as error:
            problems.append(Problem(name, each.line, str(error)))
        else:
            new_sites += site_is_new
            new_surfaces += surface_is_new
    if problems:
        raise SitesError(problems)
    stream = io.StringIO()
    yaml.dump(tree, stream)
    return stream.getvalue(), new_sites, new_surfaces


def _add(tree: CommentedMap, each: ImportedSurface) -> tuple[bool, bool]:
    """Add a surface and, where it is the first there, its site; return which of them are new."""
    sites, key, surface_key = tree["sites"], key_of(each.site), key_of(each.surface)
    site_is_new = key not in sites
    if site_is_new:
        sites[key] = _site(each, tree)
    else:
        _check_same_site(sites[key], key, each)
    there = sites[key]["surfaces"].get(surface_key)
    if there is None:
        is_metric = tree["company"].get("units") == "metric"
        sites[key]["surfaces"][surface_key] = _written_surface(each, is_metric)
    elif not _is_same(there, each):
        raise InputError(
            f"{key}.{surface_key} is in the sites file already, with another class or area; change"
            " it there, or give this one another name"
        )
    return site_is_new, there is None


def _check_same_site(site: Mapping[str, object], key: str, each: ImportedSurface) -> None:
    """Raise where a surface is far from its site, or what is given of the site is not what it has.

    Raises
    ------
    InputError
        Says what differs.
    """
    there = Coordinates(float(str(site["latitude"])), float(str(site["longitude"])))
    away_km = distance_km(there, each.place)
    if away_km > MAX_SITE_EXTENT_KM:
        raise InputError(
            f"'{each.surface}' lies {away_km:,.1f} km from where {key} is; accepted: within"
            f" {MAX_SITE_EXTENT_KM:g} km, or another name for the site"
        )
    for name in ("client", "yard", "priority", "open_hours"):
        given = getattr(each, name)
        if given is not None and given != site.get(name):
            raise InputError(
                f"{key} has {name} '{site.get(name)}' already, not '{given}'; change it there"
            )


def problems_at_source(
    error: SitesError, imported: Sequence[ImportedSurface], name: str
) -> list[Problem]:
    """Return the problems of a sites file with an import in it, at the lines they came from.

    Parameters
    ----------
    error : SitesError
        What is wrong with the sites file.
    imported : sequence of ImportedSurface
        What was added.
    name : str
        What the imported file is called in a message.
    """
    lines = {f"sites.{key_of(each.site)}.": each.line for each in reversed(imported)}
    return [
        Problem(
            name,
            next((line for at, line in lines.items() if problem.message.startswith(at)), 1),
            problem.message,
        )
        for problem in error.problems
    ]


def _site(each: ImportedSurface, tree: Mapping[str, CommentedMap]) -> CommentedMap:
    site = CommentedMap(
        name=each.site,
        latitude=each.place.latitude_deg,
        longitude=each.place.longitude_deg,
        client=_only("client", each.client, tree["clients"]),
        yard=_only("yard", each.yard, tree["yards"]),
        priority=DEFAULT_PRIORITY if each.priority is None else each.priority,
    )
    if each.open_hours is not None:
        site["open_hours"] = each.open_hours
    site["surfaces"] = CommentedMap()
    return site


def _only(what: str, key: str | None, known: Mapping[str, object]) -> str:
    if key is None and len(known) == 1:
        return next(iter(known))
    if key is None or key not in known:
        said = f"no {what} named" if key is None else f"'{key}' is not a {what}"
        raise InputError(f"{said}; accepted: {', '.join(known)}")
    return key


def _written_surface(each: ImportedSurface, is_metric: bool) -> CommentedMap:
    feet2 = f"{each.area_m2 / M2_PER_FT2:.0f} ft2"
    area = f"{each.area_m2:.1f} m2" if is_metric else feet2
    surface = CommentedMap({"class": each.surface_class, "area": area})
    if key_of(each.surface) != each.surface:
        surface.insert(1, "name", each.surface)
    return surface


def _is_same(surface: Mapping[str, object], each: ImportedSurface) -> bool:
    """Whether a surface has a class and an area, but for what writing it rounds off."""
    area_m2 = parse_area(str(surface.get("area")))
    return surface.get("class") == each.surface_class and math.isclose(
        area_m2, each.area_m2, abs_tol=M2_PER_FT2
    )
