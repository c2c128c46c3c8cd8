"""Each vehicle's round for its crew: a card to print or open on a phone, and a route to follow.

The card has a page a sprayer, spreader or plow, a box a stop and a ``geo:`` link (RFC 5870) a site,
which a phone opens in its own map. The route is GPX 1.1, one route a load.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import groupby
from zoneinfo import ZoneInfo

from stormplan.company.catalog import SURFACE_CLASSES
from stormplan.operations.pass_schedule import PassStop
from stormplan.operations.sprayer_schedule import SprayerPlan, Stop
from stormplan.planning.plan import Plan, SitePlan, SurfacePlan
from stormplan.treatment.records import Treatment
from stormplan.units import UnitFormatter
from stormplan.words import templating
from stormplan.words.formatting import ReportFormat, blend_name, format_working_time
from stormplan.words.round_text import PASS_NOUNS

#: Site, surface, and the start of the event.
PlaceKey = tuple[str, str, datetime]

GPX_NAMESPACE = "http://www.topografix.com/GPX/1/1"


@dataclass(frozen=True)
class StopView:
    """A stop as text."""

    start: str
    site: str
    geo: str
    surface: str
    drive: str
    amount: str
    rate: str
    done: str
    cautions: tuple[str, ...]


@dataclass(frozen=True)
class LoadView:
    """A load and its stops as text."""

    heading: str
    stops: tuple[StopView, ...]


@dataclass(frozen=True)
class RoundView:
    """A vehicle's round as text."""

    vehicle: str
    yard: str
    leave: str
    back: str
    takes: str
    loads: tuple[LoadView, ...]


@dataclass(frozen=True)
class _Place:
    """What is sprayed at a stop."""

    site: SitePlan
    surface: SurfacePlan
    item: Treatment


def _places(plan: Plan) -> dict[PlaceKey, _Place]:
    return {
        (site.key, surface.key, item.event.start): _Place(site, surface, item)
        for site in plan.sites
        for surface, item in site.treatments
        if item.event is not None
    }


def _by_load(
    sprayer: SprayerPlan, places: Mapping[PlaceKey, _Place]
) -> Iterator[tuple[int, datetime, list[Stop]]]:
    """Yield the number of each load, when it leaves the yard, and its stops at the plan's sites."""
    known = [one for one in sprayer.stops if (one.site, one.surface, one.onset) in places]
    for number, stops in groupby(known, key=lambda stop: stop.load):
        of_load = list(stops)
        yield number, of_load[0].start - timedelta(hours=of_load[0].drive_h), of_load


def round_views(plan: Plan) -> tuple[RoundView, ...]:
    """Return the round of every vehicle that goes out, as text.

    Parameters
    ----------
    plan : Plan
        The record.
    """
    places = _places(plan)
    fmt = ReportFormat(UnitFormatter(plan.units), ZoneInfo(plan.timezone))
    names = {site.key: site.name for site in plan.sites}
    rounds = [
        RoundView(
            vehicle=sprayer.name,
            yard=yard.name,
            leave=fmt.dated_hour(sprayer.start) + _from_where(names, sprayer),
            back=fmt.day_hour(sprayer.back_at),
            takes=format_working_time(sprayer.working_h),
            loads=tuple(
                _load_view(number, leave, stops, places, fmt)
                for number, leave, stops in _by_load(sprayer, places)
            ),
        )
        for yard in plan.yards
        for sprayer in yard.sprayer_schedule.sprayers
        if sprayer.start is not None and sprayer.back_at is not None
    ]
    return (*rounds, *_pass_views(plan, fmt))


def _from_where(names: Mapping[str, str], sprayer: SprayerPlan) -> str:
    """Return from which site, by name, a sprayer leaves that is out already; empty at the yard."""
    return "" if sprayer.from_site is None else f" from {names[sprayer.from_site]}"


def _pass_views(plan: Plan, fmt: ReportFormat) -> Iterator[RoundView]:
    """Yield the rounds in and after the storm."""
    yards = {yard.yard: yard.name for yard in plan.yards}
    surfaces = {(site.key, one.key): (site, one) for site in plan.sites for one in site.surfaces}
    for schedule in plan.passes:
        for vehicle in schedule.vehicles:
            if vehicle.start is None or vehicle.back_at is None:
                continue
            loads: list[LoadView] = []
            for number, of_load in groupby(vehicle.stops, key=lambda stop: stop.load):
                stops = list(of_load)
                leave = stops[0].start - timedelta(hours=stops[0].drive_h)
                leave = leave if loads else vehicle.start
                loads.append(_pass_load(number, leave, stops, surfaces, fmt))
            yield RoundView(
                vehicle=f"{vehicle.name}, {PASS_NOUNS[vehicle.kind]}",
                yard=yards[schedule.yard],
                leave=fmt.dated_hour(vehicle.start),
                back=fmt.day_hour(vehicle.back_at),
                takes=format_working_time(vehicle.working_h),
                loads=tuple(loads),
            )


def _pass_load(
    number: int,
    leave: datetime,
    stops: Sequence[PassStop],
    surfaces: Mapping[tuple[str, str], tuple[SitePlan, SurfacePlan]],
    fmt: ReportFormat,
) -> LoadView:
    views = []
    for stop in stops:
        site, surface = surfaces[stop.site, stop.surface]
        is_walked = SURFACE_CLASSES[surface.surface_class].use == "pedestrian"
        amount, rate = "shovel" if is_walked else "plow", ""
        if stop.solid_kg > 0.0:
            amount = fmt.units.mass(stop.solid_kg)
            rate = fmt.units.solid_rate(stop.solid_rate_kg_m2)
        elif stop.volume_l > 0.0:
            amount = fmt.units.volume(stop.volume_l)
            rate = fmt.units.liquid_rate(stop.rate_l_m2)
        views.append(
            StopView(
                start=fmt.day_hour(stop.start),
                site=site.name,
                geo=geo_link(site),
                surface=surface.name,
                drive=format_working_time(stop.drive_h) if stop.drive_h > 0.0 else "",
                amount=amount,
                rate=rate,
                done=f"Done by {fmt.time_of_day(stop.end)}.",
                cautions=(),
            )
        )
    what = _load_text(stops, fmt)
    return LoadView(f"{what[0]} {number}{what[1]}, leave {fmt.day_hour(leave)}", tuple(views))


def _load_text(stops: Sequence[PassStop], fmt: ReportFormat) -> tuple[str, str]:
    """Return what a load is called, and what it is of."""
    solid_kg, volume_l = sum(one.solid_kg for one in stops), sum(one.volume_l for one in stops)
    first = stops[0]
    if solid_kg > 0.0:
        return "Load", f": {fmt.units.mass(solid_kg)} of {first.material}"
    if volume_l > 0.0:
        blend = blend_name(first.material, first.additive_frac)
        return "Load", f": {fmt.units.volume(volume_l)} of {blend}"
    return "Round", ""


def _load_view(
    number: int,
    leave: datetime,
    stops: Iterable[Stop],
    places: dict[PlaceKey, _Place],
    fmt: ReportFormat,
) -> LoadView:
    found = [(stop, places[stop.site, stop.surface, stop.onset]) for stop in stops]
    first = found[0][1].item
    volume = fmt.units.volume(sum(stop.volume_l for stop, _ in found))
    blend = blend_name(first.additive_name, first.additive_frac)
    return LoadView(
        heading=f"Load {number}: {volume} of {blend}, leave {fmt.day_hour(leave)}",
        stops=tuple(
            StopView(
                start=fmt.day_hour(stop.start),
                site=place.site.name,
                geo=geo_link(place.site),
                surface=place.surface.name,
                drive=format_working_time(stop.drive_h) if stop.drive_h > 0.0 else "",
                amount=fmt.units.volume(stop.volume_l),
                rate=fmt.units.liquid_rate(place.item.rate_l_m2),
                done=f"Done {format_working_time(stop.slack_h)} before it starts.",
                cautions=place.item.cautions,
            )
            for stop, place in found
        ),
    )


def geo_link(site: SitePlan) -> str:
    """Return a link to a site's place that a phone opens in its map (RFC 5870)."""
    return f"geo:{site.latitude_deg:.5f},{site.longitude_deg:.5f}"


def render_html(plan: Plan) -> str:
    """Render the cards, one printed page a vehicle.

    Parameters
    ----------
    plan : Plan
        The record.

    Returns
    -------
    str
        HTML without scripts or anything fetched.
    """
    fmt = ReportFormat(UnitFormatter(plan.units), ZoneInfo(plan.timezone))
    return templating.render(
        "rounds.html",
        company=plan.company,
        made_at=fmt.full_datetime(plan.made_at),
        rounds=round_views(plan),
    )


def rounds_gpx(plan: Plan) -> str:
    """Write the rounds as routes, one a load, with a point a site.

    Parameters
    ----------
    plan : Plan
        The record.

    Returns
    -------
    str
        GPX 1.1; equal plans give equal files.
    """
    places = _places(plan)
    root = ET.Element("gpx", {"version": "1.1", "creator": "stormplan", "xmlns": GPX_NAMESPACE})
    metadata = ET.SubElement(root, "metadata")
    ET.SubElement(metadata, "name").text = _xml_text(f"{plan.company}: rounds")
    ET.SubElement(metadata, "time").text = _utc(plan.made_at)
    formatter = UnitFormatter(plan.units)
    for yard in plan.yards:
        for sprayer in yard.sprayer_schedule.sprayers:
            for number, _, stops in _by_load(sprayer, places):
                route = ET.SubElement(root, "rte")
                ET.SubElement(route, "name").text = _xml_text(f"{sprayer.name}, load {number}")
                for _, at_site in groupby(stops, key=lambda stop: stop.site):
                    found = [(one, places[one.site, one.surface, one.onset]) for one in at_site]
                    site = found[0][1].site
                    point = _route_point(route, site, found[0][0].start)
                    ET.SubElement(point, "desc").text = _xml_text(
                        "; ".join(
                            f"{place.surface.name} {formatter.volume(stop.volume_l)}"
                            for stop, place in found
                        )
                    )
    sites = {site.key: site for site in plan.sites}
    for vehicle in (one for schedule in plan.passes for one in schedule.vehicles):
        for number, passes in groupby(vehicle.stops, key=lambda stop: stop.load):
            route = ET.SubElement(root, "rte")
            name = f"{vehicle.name}, {vehicle.kind} {number}"
            ET.SubElement(route, "name").text = _xml_text(name)
            for site_key, of_site in groupby(passes, key=lambda one: one.site):
                first = next(of_site)
                point = _route_point(route, sites[site_key], first.start)
                ET.SubElement(point, "desc").text = vehicle.kind
    ET.indent(root)
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{ET.tostring(root, encoding="unicode")}\n'


def _route_point(route: ET.Element, site: SitePlan, at: datetime) -> ET.Element:
    """Return a new point of a route at a site, with its time and name."""
    place = {"lat": f"{site.latitude_deg:.5f}", "lon": f"{site.longitude_deg:.5f}"}
    point = ET.SubElement(route, "rtept", place)
    ET.SubElement(point, "time").text = _utc(at)
    ET.SubElement(point, "name").text = _xml_text(site.name)
    return point


def _xml_text(text: str) -> str:
    """Return text on one line, without what XML 1.0 has no way to write."""
    return "".join(c for c in " ".join(text.split()) if c.isprintable())


def _utc(moment: datetime) -> str:
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
