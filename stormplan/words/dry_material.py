"""Dry salt and sand for the shed: pounds a pass, bags or buckets, when, and in all.

The plan has decided what is spread, how much and when; here it is counted out as it is lifted. A
pass is rounded to what can be weighed, and every total is the sum of what stands above it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby

from stormplan.company.catalog import SURFACE_CLASSES
from stormplan.operations.mix_records import YardMix
from stormplan.planning.plan import SitePlan, SurfacePlan
from stormplan.treatment.records import Action, Visit
from stormplan.units import KG_PER_LB, UnitFormatter
from stormplan.words.formatting import ReportFormat, pluralize

MAX_ROWS = 16  # a page has no room for more; the rest is counted
#: Parts of a loader bucket a driver can judge by eye; our own choice.
BUCKET_PARTS = ((0.25, "1/4"), (1 / 3, "1/3"), (0.5, "1/2"), (2 / 3, "2/3"), (0.75, "3/4"))
BUCKET_TOLERANCE = 0.03  # of a bucket; our own choice


@dataclass(frozen=True)
class SpreadRow:
    """One surface and material: each pass as text, when, and the total.

    Attributes
    ----------
    first_at : datetime
        First pass, UTC.
    place : str
        Site and surface.
    material : str
        Salt or sand.
    each, lifts : str
        A pass by weight, and as bags or buckets.
    when : str
        Times of all passes.
    total : str
        All passes by weight.
    """

    first_at: datetime
    place: str
    material: str
    each: str
    lifts: str
    when: str
    total: str


@dataclass(frozen=True)
class SpreadBlock:
    """What a yard spreads dry.

    Attributes
    ----------
    rows : tuple of SpreadRow
        In the order of their first pass.
    totals : tuple of (str, str, str)
        Material, weight and lifts in all.
    prewet : str
        Brine to wet the salt, in all; empty where there is none.
    first_at : str
        When the first truck leaves.
    more : str
        What the rows leave out; empty where they are complete.
    """

    rows: tuple[SpreadRow, ...]
    totals: tuple[tuple[str, str, str], ...]
    prewet: str
    first_at: str
    more: str


def spread_block(
    sites: Iterable[SitePlan], yard: YardMix, made_at: datetime, fmt: ReportFormat
) -> SpreadBlock | None:
    """Return what a yard spreads dry at its sites; None where it spreads nothing."""
    found = sorted(
        _spread(sites, yard, made_at, fmt),
        key=lambda one: (one[0].first_at, one[0].place, one[0].material),
    )
    if not found:
        return None
    rows = [row for row, _, _ in found]
    sums: dict[str, float] = {}
    for row, weight, _ in found:
        sums[row.material] = sums.get(row.material, 0.0) + weight
    prewet_l = sum(wet_l for *_, wet_l in found)
    left = [(row.material, weight) for row, weight, _ in found[MAX_ROWS:]]
    more = ""
    if left:
        rest = fmt.units.mass(_kg(sum(weight for _, weight in left), fmt.units))
        more = f"And {pluralize(len(left), 'more row')}, {rest} in all: see the briefing."
    return SpreadBlock(
        rows=tuple(rows[:MAX_ROWS]),
        totals=tuple(
            (
                material,
                fmt.units.mass(_kg(weight, fmt.units)),
                lifts(_kg(weight, fmt.units), yard, fmt.units, by_bag=yard.bucket_kg is None),
            )
            for material, weight in sums.items()
        ),
        prewet=fmt.units.precise_volume(prewet_l) if prewet_l > 0.0 else "",
        first_at=fmt.day_hour(rows[0].first_at),
        more=more,
    )


def _spread(
    sites: Iterable[SitePlan], yard: YardMix, made_at: datetime, fmt: ReportFormat
) -> Iterable[tuple[SpreadRow, float, float]]:
    """Yield a row for each surface and dose, its total as shown, and its brine [L]."""
    for site in sites:
        for surface in site.surfaces:
            visits = [  # nobody is told an hour that has begun: it is now
                visit.model_copy(update={"at": max(visit.at, made_at)})
                for item in surface.treatments
                for visit in item.visits
                if visit.solid_kg > 0.0
            ]
            ordered = sorted(visits, key=lambda visit: (visit.action, visit.solid_kg, visit.at))
            for (action, solid_kg), group in groupby(
                ordered, key=lambda visit: (visit.action, visit.solid_kg)
            ):
                yield _row(site, surface, action, solid_kg, list(group), yard, fmt)


def _row(
    site: SitePlan,
    surface: SurfacePlan,
    action: Action,
    solid_kg: float,
    visits: list[Visit],
    yard: YardMix,
    fmt: ReportFormat,
) -> tuple[SpreadRow, float, float]:
    each = _weighed(solid_kg, fmt.units)
    total = each * len(visits)
    on_foot = SURFACE_CLASSES[surface.surface_class].use == "pedestrian"
    wet_l = sum(visit.prewet_l for visit in visits)
    row = SpreadRow(
        first_at=visits[0].at,
        place=f"{site.name}, {surface.name}",
        material="sand" if action is Action.SAND else "salt",
        each=fmt.units.mass(_kg(each, fmt.units)),
        lifts=lifts(
            _kg(each, fmt.units), yard, fmt.units, by_bag=on_foot or yard.bucket_kg is None
        ),
        when=_times(visits, fmt),
        total=fmt.units.mass(_kg(total, fmt.units)),
    )
    return row, total, wet_l


def _times(visits: list[Visit], fmt: ReportFormat) -> str:
    """Return the hours of all passes, each day named once."""
    days = groupby(visits, key=lambda visit: visit.at.astimezone(fmt.zone).date())
    parts = []
    for _, group in days:
        first, *others = group
        hours = [fmt.day_hour(first.at), *(fmt.time_of_day(each.at) for each in others)]
        parts.append(", ".join(hours))
    return "; ".join(parts)


def _weighed(mass_kg: float, formatter: UnitFormatter) -> float:
    """Return a mass [kg] in whole pounds or kilograms, rounded up: what is lifted."""
    return float(math.ceil(_shown(mass_kg, formatter) - 1e-6))


def _shown(mass_kg: float, formatter: UnitFormatter) -> float:
    """Return a mass [kg] in the reader's unit."""
    return mass_kg / KG_PER_LB if formatter.is_us else mass_kg


def _kg(weight: float, formatter: UnitFormatter) -> float:
    """Return a weight in the reader's unit as a mass [kg]."""
    return weight * KG_PER_LB if formatter.is_us else weight


def lifts(mass_kg: float, yard: YardMix, formatter: UnitFormatter, *, by_bag: bool) -> str:
    """Return a mass as bags or buckets and what is left over.

    Parameters
    ----------
    mass_kg : float
        Salt or sand [kg].
    yard : YardMix
        Whose bag and bucket.
    formatter : UnitFormatter
        The reader's units.
    by_bag : bool
        In bags, else in buckets.
    """
    unit_kg = yard.bag_kg if by_bag else yard.bucket_kg
    assert unit_kg is not None  # a yard without a bucket counts bags
    name = "bag" if by_bag else "bucket"
    return count_lifts(mass_kg, unit_kg, name, formatter)


def count_lifts(mass_kg: float, unit_kg: float, name: str, formatter: UnitFormatter) -> str:
    """Return a mass [kg] in units of one size [kg] and what is left over; nothing below one.

    Examples
    --------
    >>> us = UnitFormatter("us")
    >>> count_lifts(510 * KG_PER_LB, 50 * KG_PER_LB, "bag", us)
    '10 bags + 10 lb'
    >>> count_lifts(1000 * KG_PER_LB, 1500 * KG_PER_LB, "bucket", us)
    '2/3 bucket'
    >>> count_lifts(178 * KG_PER_LB, 1500 * KG_PER_LB, "bucket", us)
    ''
    """
    whole, rest = divmod(mass_kg / unit_kg + 1e-9, 1.0)
    number = int(whole)
    if name == "bucket":
        near, part = min(((0.0, ""), *BUCKET_PARTS, (1.0, "")), key=lambda one: abs(one[0] - rest))
        if abs(near - rest) <= BUCKET_TOLERANCE and (number or part or near):
            number += int(near == 1.0)
            text = " ".join([*([str(number)] if number else []), *([part] if part else [])])
            is_one = number + (1 if part else 0) <= 1
            return f"{text} {name}{'' if is_one else 's'}"
        if not number and rest < BUCKET_PARTS[0][0]:
            return ""
    if not number:
        return ""
    left_kg = rest * unit_kg
    left = f" + {formatter.mass(left_kg)}" if round(_shown(left_kg, formatter)) else ""
    return pluralize(number, name) + left
