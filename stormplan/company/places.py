"""Places that cannot be right: a site far from its yard, a site outside a weather service's area.

Coordinates that are swapped, or east for west, are still coordinates. Only the company's other
places and the area a service covers tell that they are wrong.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from stormplan.company.coordinates import distance_km
from stormplan.company.sites import Site, Sites
from stormplan.company.yards import Yard
from stormplan.units import UnitFormatter

Degrees = tuple[float, float]  # latitude north, longitude east [°]

#: Rough boxes around the areas the National Weather Service forecasts for, from memory of its
#: NDFD grids: names, then latitude and longitude from south-west to north-east [°]. Drawn wide:
#: a place inside one may still be refused by the service.
NWS_COVERAGE: tuple[tuple[str, Degrees, Degrees], ...] = (
    ("continental US", (24.0, -125.5), (49.8, -66.0)),
    ("Alaska", (50.5, -180.0), (72.0, -129.0)),
    ("Alaska", (50.5, 172.0), (54.0, 180.0)),  # the Aleutians beyond the date line
    ("Hawaii", (18.0, -161.5), (23.0, -154.0)),
    ("Puerto Rico and the Virgin Islands", (17.0, -68.5), (19.0, -64.0)),
    ("Guam and the Northern Marianas", (12.5, 143.5), (21.0, 147.0)),
    ("American Samoa", (-15.5, -172.0), (-10.5, -168.0)),
)
#: The same of every source that does not cover the world: those of gridded models around their
#: outermost points, from their grid definitions (GRIB2 section 3), which are Lambert conformal.
COVERAGE: Mapping[str, tuple[tuple[str, Degrees, Degrees], ...]] = {
    "nws": NWS_COVERAGE,
    "nbm": (("continental US and its neighborhood", (19.2, -138.4), (57.1, -59.0)),),
    "hrrr": (("continental US and its neighborhood", (21.1, -134.1), (52.7, -60.9)),),
}
#: Parts of the first box that are Canada, from memory of maps: no place of the United States is in
#: them, and not every one of Canada.
CANADA: tuple[tuple[Degrees, Degrees], ...] = (
    ((43.37, -81.8), (49.8, -76.65)),  # Ontario from Lake Huron to Kingston
    ((42.9, -82.3), (45.9, -79.1)),  # its southwest
    ((45.05, -76.65), (49.8, -71.5)),  # Ottawa, Montreal
    ((48.25, -89.9), (49.8, -84.0)),  # north of Lake Superior
    ((49.05, -125.5), (49.8, -95.4)),  # along the 49th parallel
)


@dataclass(frozen=True)
class FarPlace:
    """A site, or a yard, that lies too far from where its company works.

    Attributes
    ----------
    section, key : str
        Where it stands in the file: ``sites`` or ``yards``, and its key there.
    other : str
        Name of what it is measured from: a site's yard, a yard's nearest site.
    distance_km, limit_km : float
        How far that is, and how far is accepted [km].
    mistake : str
        What was probably mistaken; empty where nothing that is often mistaken explains it.
    """

    section: str
    key: str
    other: str
    distance_km: float
    limit_km: float
    mistake: str


def far_places(sites: Sites) -> tuple[FarPlace, ...]:
    """Return the places further from the company's others than the rule ``max_site_distance``.

    Parameters
    ----------
    sites : Sites
        The sites file.

    Returns
    -------
    tuple of FarPlace
        Sites far from their yard, in file order. Where a yard is far from every one of several
        sites that are near each other, it is the yard.
    """
    limit_km = sites.practice().number("max_site_distance") / 1000.0
    found = []
    by_yard: dict[str, list[tuple[str, Site]]] = {key: [] for key in sites.yards}
    for key, site in sites.sites.items():
        by_yard[site.yard].append((key, site))
    for yard_key, served in by_yard.items():
        yard = sites.yards[yard_key]
        distances = [distance_km(_degrees(site), _degrees(yard)) for _, site in served]
        far = [
            (key, site, distance)
            for (key, site), distance in zip(served, distances, strict=True)
            if distance > limit_km
        ]
        if (
            len(served) > 1
            and len(far) == len(served)
            and all(
                distance_km(_degrees(site), _degrees(served[0][1])) <= limit_km
                for _, site in served
            )
        ):
            _, near, distance = min(far, key=lambda one: one[2])
            mistake = _likely_mistake(_degrees(yard), _degrees(near), limit_km)
            found.append(FarPlace("yards", yard_key, near.name, distance, limit_km, mistake))
            continue
        for key, site, distance in far:
            mistake = _likely_mistake(_degrees(site), _degrees(yard), limit_km)
            found.append(FarPlace("sites", key, yard.name, distance, limit_km, mistake))
    return tuple(found)


def _degrees(place: Site | Yard) -> Degrees:
    return place.latitude_deg, place.longitude_deg


def _likely_mistake(written: Degrees, reference: Degrees, limit_km: float) -> str:
    """Return the first mistake that, undone, brings a place near the reference; else empty."""
    lat, lon = written
    side = "east for west" if lon > 0 else "west for east"
    swapped_side = "east for west" if lat > 0 else "west for east"
    candidates = (
        ((lon, lat), "latitude and longitude swapped"),
        ((lat, -lon), side),
        ((-lat, lon), "south for north" if lat < 0 else "north for south"),
        ((lon, -lat), f"latitude and longitude swapped, and {swapped_side}"),
    )
    return next(
        (
            mistake
            for mended, mistake in candidates
            if abs(mended[0]) <= 90 and distance_km(mended, reference) <= limit_km
        ),
        "",
    )


def far_sentence(
    section: str, other: str, distance_km: float, mistake: str, units: UnitFormatter
) -> str:
    """Return how far a site or yard lies from what it is measured from, and why perhaps."""
    what = "its yard" if section == "sites" else "every site it serves, the nearest"
    asked = f": {mistake}?" if mistake else "; is that the place?"
    return f"lies {units.distance(distance_km)} from {what}, {other}{asked}"


def place_questions(sites: Sites) -> Iterator[tuple[tuple[str, str, str], str]]:
    """Yield what to ask about the places of a file: (place in the file, question).

    Parameters
    ----------
    sites : Sites
        The sites file.

    Yields
    ------
    tuple of str
        Section, key and coordinate of the site or yard.
    str
        What is odd about it, and what would be accepted.
    """
    units = UnitFormatter(sites.company.units)
    for far in far_places(sites):
        said = far_sentence(far.section, far.other, far.distance_km, far.mistake, units)
        yield (
            (far.section, far.key, "latitude"),
            f"{said} accepted: site and yard within {units.distance(far.limit_km)} of each other, "
            "or as far as max_site_distance in the company's policy says",
        )
    sources = sites.weather.sources
    for source in sources:
        areas = ", ".join(dict.fromkeys(name for name, _, _ in COVERAGE.get(source, ())))
        # a model of one country beside a service that covers the place is no mistake
        others = [] if source == "nws" else [other for other in sources if other != source]
        for key, site in sites.sites.items():
            place = _degrees(site)
            if not any(is_covered(one, place) for one in (source, *others)):
                yield (
                    ("sites", key, "latitude"),
                    f"{site.latitude_deg:g}, {site.longitude_deg:g} is outside what the source "
                    f"{source} covers; accepted: {areas}, with longitudes west negative, or "
                    "another source",
                )


def is_covered(source: str, place: Degrees) -> bool:
    """Whether a place lies in one of the rough boxes of a source, or the source has none."""
    lat, lon = place

    def is_in(corner: Degrees, opposite: Degrees) -> bool:
        return corner[0] <= lat <= opposite[0] and corner[1] <= lon <= opposite[1]

    boxes = COVERAGE.get(source, (("the world", (-90.0, -180.0), (90.0, 180.0)),))
    abroad = CANADA if source == "nws" else ()
    return any(is_in(one, other) for _, one, other in boxes) and not any(
        is_in(one, other) for one, other in abroad
    )
