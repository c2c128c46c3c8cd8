"""The page of a packet: one site, one day, what was known, planned, done and seen."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from stormplan.company.sites import Sites
from stormplan.record.entries import Entry, effective_entries
from stormplan.units import UnitFormatter
from stormplan.words import templating
from stormplan.words.entry_text import entry_text
from stormplan.words.formatting import ReportFormat

CAUTION = (
    "This is a record as it was kept, and no legal advice. What a court, an insurer or an agency"
    " asks for is for counsel to say. A model's clear pavement is not an inspection."
)
#: Variables of a forecast that the page shows; the others are in packet.json.
SHOWN = {
    "air_temp_c": "air",
    "dew_point_c": "dew point",
    "wind_10m_ms": "wind",
    "rain_mm": "rain",
    "snowfall_cm": "snow",
    "freezing_rain_mm": "freezing rain",
}


def render_html(packet: Mapping[str, Any], entries: Sequence[Entry], sites: Sites) -> str:
    """Render the page of a packet.

    Parameters
    ----------
    packet : mapping
        What ``packet.json`` has.
    entries : sequence of Entry
        Those of the day.
    sites : Sites
        The sites file.

    Returns
    -------
    str
        HTML without scripts or outside references.
    """
    fmt = ReportFormat(UnitFormatter(sites.company.units), ZoneInfo(packet["timezone"]))
    counting = {one.id for one in effective_entries(entries)}
    links = {one["id"]: one for one in packet["chain"]["links"]}
    made_at = packet["plan_made_at"]
    return templating.render(
        "packet.html",
        packet=packet,
        day=f"{datetime.fromisoformat(packet['start']).astimezone(fmt.zone):%A %Y-%m-%d}",
        plan_made_at="" if made_at is None else fmt.full_datetime(datetime.fromisoformat(made_at)),
        hours=list(_forecast_rows(packet, fmt)),
        heading=list(SHOWN.values()),
        visits=list(_visit_rows(packet["plan"], fmt)),
        entries=[
            (
                fmt.full_datetime(one.at),
                entry_text(one, fmt.units),
                one.by,
                "; ".join(_extras(one, fmt)),
                one.photos,
                one.id in counting,
                links[one.id],
            )
            for one in entries
        ],
        readings=[
            (
                fmt.full_datetime(datetime.fromisoformat(one["time"])),
                one["surface"],
                fmt.units.temperature(one["temp_c"]),
            )
            for one in packet["readings"]
        ],
        caution=CAUTION,
    )


def _extras(entry: Entry, fmt: ReportFormat) -> Iterable[str]:
    temp_c = getattr(entry, "pavement_temp_c", None)
    if temp_c is not None:
        read_with = getattr(entry, "instrument", "")
        yield f"pavement {fmt.units.temperature(temp_c)}" + (
            f" by {read_with}" if read_with else ""
        )
    plan_made_at = getattr(entry, "plan_made_at", None)
    if plan_made_at is not None:
        yield f"by the plan of {fmt.full_datetime(plan_made_at)}"
    yield from filter(None, (getattr(entry, "deviation", ""), getattr(entry, "weather", "")))
    if entry.corrects is not None:
        yield f"in place of entry {entry.corrects}"
    if entry.note:
        yield entry.note


def _forecast_rows(packet: Mapping[str, Any], fmt: ReportFormat) -> Iterable[tuple[str, list[str]]]:
    """Yield the hours of the day: when, and each variable in words."""
    forecast = packet["forecast"]
    if forecast is None:
        return
    start = datetime.fromisoformat(forecast["start"])
    end = datetime.fromisoformat(packet["end"])
    count = max((len(values) for values in forecast["values"].values()), default=0)
    for hour in range(count):
        at = start + timedelta(hours=hour)
        if at < end:
            told = [
                _quantity(name, forecast["values"].get(name, ()), hour, fmt.units) for name in SHOWN
            ]
            yield fmt.day_hour(at), told


def _quantity(name: str, values: Sequence[float | None], hour: int, fmt: UnitFormatter) -> str:
    value = values[hour] if hour < len(values) else None
    if value is None:
        return "not known"
    if name.endswith("_c"):
        return fmt.temperature(value)
    if name.endswith("_ms"):
        return fmt.speed(value)
    return fmt.snowfall(value) if name.endswith("_cm") else fmt.water_depth(value)


def _visit_rows(
    plan: Mapping[str, Any] | None, fmt: ReportFormat
) -> Iterable[tuple[str, str, str, str]]:
    """Yield what the plan asked for: surface, action, when, how much."""
    for surface in () if plan is None else plan["surfaces"]:
        for treatment in surface["treatments"]:
            for visit in treatment["visits"]:
                yield (
                    surface["name"],
                    visit["action"] + (" and plow" if visit.get("plow") else ""),
                    fmt.day_hour(datetime.fromisoformat(visit["at"])),
                    amount_text(visit, fmt.units),
                )


def amount_text(visit: Mapping[str, Any], fmt: UnitFormatter) -> str:
    """Return how much of what a visit puts down, in the reader's units."""
    parts = []
    if visit.get("volume_l"):
        rate = visit.get("rate_l_m2")
        parts.append(
            fmt.volume(visit["volume_l"]) + (f" at {fmt.liquid_rate(rate)}" if rate else "")
        )
    if visit.get("solid_kg"):
        parts.append(f"{fmt.mass(visit['solid_kg'])} of {visit['action']}")
    return ", ".join(parts)
