"""The plan for other programs: tables and a map, in open formats.

CSV (RFC 4180) in the company's units with the unit in every heading, GeoJSON (RFC 7946). Names come
out inert: no cell runs as a formula.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Collection, Iterable, Sequence
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from stormplan import units
from stormplan.events.hazards import SEVERITY_ORDER
from stormplan.operations.mix_records import YardMix
from stormplan.planning.plan import Plan, SitePlan, SurfacePlan
from stormplan.treatment.records import Action, Treatment
from stormplan.units import UnitSystem
from stormplan.words import diagnostic_text
from stormplan.words.formatting import ReportFormat, blend_name, plan_format
from stormplan.words.ice_text import ice_periods


def csv_text(heading: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """Write a table.

    Parameters
    ----------
    heading : sequence of str
        Names of the columns.
    rows : iterable of sequence
        Cells; None is left empty, moments are written in ISO 8601.

    Returns
    -------
    str
        CSV (RFC 4180). Text that a spreadsheet would take for a formula gets a leading apostrophe,
        and line breaks become blanks.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(heading)
    for row in rows:
        writer.writerow([_cell(value) for value in row])
    return out.getvalue()


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, datetime):
        return value.isoformat(timespec="minutes")
    return escape_formula(value) if isinstance(value, str) else str(value)


def escape_formula(text: str) -> str:
    """Return text that a spreadsheet does not run as a formula, on one line."""
    line = " ".join(text.split())
    return f"'{line}" if line[:1] in ("=", "+", "-", "@") else line


# -- tables ---------------------------------------------------------------------------------------


def _all_treatments(plan: Plan) -> Iterable[tuple[SitePlan, SurfacePlan, Treatment]]:
    return ((site, s, item) for site in plan.sites for s, item in site.treatments)


def treatments_csv(plan: Plan) -> str:
    """Write one row per surface and event: what comes, what is done, when, with what."""
    us = plan.units == "us"
    volume_l, volume = (units.L_PER_GAL, "gal") if us else (1.0, "L")
    area, area_unit = (units.M2_PER_FT2, "ft2") if us else (1.0, "m2")
    rate, rate_unit = (units.L_M2_PER_GAL_KFT2, "gal_1000ft2") if us else (1.0, "L_m2")
    temp_unit = "F" if us else "C"
    heading = [
        *("site", "surface", "client", "yard", "priority", f"area_{area_unit}", "hazard"),
        *("event_start", "event_end", "probability", f"min_pavement_temp_{temp_unit}", "action"),
        *("blend", f"rate_{rate_unit}", f"volume_{volume}", "earliest", "start", "end"),
        *("latest", "sprayer", "holds_until", "recheck_at", "not_sprayed"),
        *("ice_until", "ice_probability"),
    ]

    unknown = set(plan.unknown_sites)

    def row(site: SitePlan, surface: SurfacePlan, item: Treatment) -> list[object]:
        event = item.event
        sprays = item.action is Action.PRETREAT
        coldest_c = None if event is None else event.min_pavement_temp_c
        return [
            *(site.name, surface.name, site.client, site.yard, site.priority),
            round(surface.area_m2 / area),
            None if event is None else str(event.hazard),
            None if event is None else _local(event.start, site),
            None if event is None else _local(event.end, site),
            None if event is None else round(event.probability, 2),
            None if coldest_c is None else round(units.c_to_f(coldest_c) if us else coldest_c, 1),
            _action_name(unknown, site, item),
            blend_name(item.additive_name, item.additive_frac) if sprays else None,
            round(item.rate_l_m2 / rate, 3) if sprays else None,
            round(item.volume_l / volume_l, 1) if sprays else None,
            *(
                _local(item.earliest_start, site),
                _local(item.scheduled_start, site),
                _local(item.scheduled_end, site),
                _local(item.latest_start, site),
                item.sprayer_name,
                _local(item.holds_until, site),
                _local(item.recheck_at, site),
                None if item.missed is None else item.missed.text,
                None if event is None else _local(event.ice_until, site),
                None if event is None else _round_known(event.ice_probability),
            ),
        ]

    return csv_text(heading, (row(*found) for found in _all_treatments(plan)))


def _local(moment: datetime | None, site: SitePlan) -> datetime | None:
    """Return a moment in the site's zone."""
    return None if moment is None else moment.astimezone(ZoneInfo(site.timezone))


def _action_name(unknown: Collection[str], site: SitePlan, item: Treatment) -> str:
    """Return the action; "not known" where nothing is planned for want of knowledge."""
    is_unknown = item.event is None and site.key in unknown
    return "not known" if is_unknown else str(item.action)


def refreeze_csv(plan: Plan) -> str:
    """Write one row per surface and stretch in which it can freeze back."""
    heading = [
        "client",
        "site",
        "surface",
        "start",
        "end",
        "timezone",
        "probability",
        "probability_as_planned",
        "water_source",
    ]
    return csv_text(
        heading,
        (
            [
                *(site.client, site.name, surface.name),
                *(_local(one.start, site), _local(one.end, site), site.timezone),
                *(round(one.probability, 2), _round_known(one.probability_as_planned)),
                one.water_source,
            ]
            for site in plan.sites
            for surface in site.surfaces
            for one in surface.refreeze_periods
        ),
    )


def _round_known(probability: float | None) -> float | str:
    return "" if probability is None else round(probability, 2)


def mix_csv(yards: Iterable[YardMix], system: UnitSystem) -> str:
    """Write the mix: yard, item, quantity, unit.

    Parameters
    ----------
    yards : iterable of YardMix
        The plan's yards.
    system : str
        ``"us"`` or ``"metric"``.

    Returns
    -------
    str
        CSV in the company's units.
    """
    us = system == "us"
    unit_l, volume = (units.L_PER_GAL, "gal") if us else (1.0, "L")
    unit_kg, mass = (units.KG_PER_LB, "lb") if us else (1.0, "kg")
    rows: list[list[object]] = []
    for yard in yards:
        for blend in yard.blends:
            name = f"spray {blend_name(blend.additive_name, blend.additive_frac)}"
            rows.append(
                [yard.name, name, f"{(blend.volume_l + blend.on_board_l) / unit_l:.1f}", volume]
            )
        for what, volume_l in (
            ("more for the forecasts", yard.ensemble_extra_l),
            ("later passes", yard.follow_up_l),
            ("prewetting brine", yard.prewet_l),
            ("brine needed with reserve", yard.brine_needed_l),
            ("brine usable in tanks", yard.brine_usable_l),
            ("brine to make", yard.brine_to_make_l),
            ("brine to buy", yard.brine_purchase.volume_l if yard.brine_purchase else 0.0),
            ("water", yard.water_l),
        ):
            rows.append([yard.name, what, f"{volume_l / unit_l:.1f}", volume])
        for what, mass_kg in (
            ("salt as delivered, for brine", yard.salt_kg),
            ("dry salt to spread", yard.spread_salt_kg),
            ("sand to spread", yard.spread_sand_kg),
        ):
            rows.append([yard.name, what, f"{mass_kg / unit_kg:.1f}", mass])
        for item in yard.additives:
            short = f"{item.shortage_l / unit_l:.1f}"
            rows.append(
                [yard.name, f"additive {item.name}", f"{item.needed_l / unit_l:.1f}", volume]
            )
            rows.append([yard.name, f"additive {item.name} short", short, volume])
    return csv_text(["yard", "item", "quantity", "unit"], rows)


# -- map ------------------------------------------------------------------------------------------


def sites_geojson(plan: Plan) -> str:
    """Write the sites as points with their worst hazard, ice it leaves and what is done."""
    unknown, fmt = set(plan.unknown_sites), plan_format(plan)
    features = [_feature(site, plan, unknown, fmt.in_zone(site.timezone)) for site in plan.sites]
    return json.dumps({"type": "FeatureCollection", "features": features}, indent=1) + "\n"


def _feature(
    site: SitePlan, plan: Plan, unknown: Collection[str], fmt: ReportFormat
) -> dict[str, Any]:
    events = [item.event for _, item in site.treatments if item.event is not None]
    worst = max(events, key=lambda event: SEVERITY_ORDER.index(event.hazard), default=None)
    first = min((event.start for event in events), default=None)
    actions = dict.fromkeys(_action_name(unknown, site, item) for _, item in site.treatments)
    problem = diagnostic_text.site_problem(plan, site.key, fmt)
    ice = ice_periods([site])
    ice_until = max((one.end for one in ice), default=None)
    return {
        "type": "Feature",
        "id": site.key,
        # RFC 7946: longitude first, WGS 84; 1e-5 degrees is a meter
        "geometry": {
            "type": "Point",
            "coordinates": [round(site.longitude_deg, 5), round(site.latitude_deg, 5)],
        },
        "properties": {
            "name": site.name,
            "client": site.client,
            "yard": site.yard,
            "priority": site.priority,
            "hazard": None if worst is None else str(worst.hazard),
            "first_hazard_at": None if first is None else first.isoformat(timespec="minutes"),
            "probability": None if worst is None else round(worst.probability, 2),
            "ice_until": None if ice_until is None else ice_until.isoformat(timespec="minutes"),
            "ice_probability": max((round(one.probability, 2) for one in ice), default=None),
            "actions": list(actions),
            "problem": None if problem is None else ": ".join(problem),
            "made_at": plan.made_at.isoformat(timespec="minutes"),
        },
    }
