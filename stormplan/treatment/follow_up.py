"""Follow-up of an event: plow passes, post-treat and inspections.

In-storm and post-storm passes are part of the plan, not an afterthought: they use liquid, salt and
hours too. No lot handbook prints a post-treat rate in gallons, so the lot manual's salt by weight
is put down as liquid, up to policy's ceiling.
"""

from __future__ import annotations

from datetime import datetime, timedelta

from stormplan.company import solid_rates
from stormplan.company.practice_rules import Evidence, Practice
from stormplan.events.detection import Hour
from stormplan.events.hazards import SNOW_HAZARDS, Hazard
from stormplan.treatment.records import DecisionCase, FollowUpVisit, Reason
from stormplan.treatment.screening import published_solid_rates

MIN_FINAL_PASS_SNOW_CM = 0.25  # less snow than this is not worth a last pass, our own choice
BRINE_NACL_KG_L = (
    0.2743  # in 23.3 % brine at 60 °F: 2.289 lb/gal (mass balance on Lange's SG 1.179)
)


def plow_trigger_cm(practice: Practice, is_pedestrian: bool) -> float:
    """Return the snowfall that triggers plowing or shoveling [cm]."""
    rule = "plow_trigger_pedestrian" if is_pedestrian else "plow_trigger_vehicle"
    return 100.0 * practice.number(rule)


def plow_hours(snowfall_cm: list[float], trigger_cm: float) -> tuple[int, ...]:
    """Return the hours at whose start a surface is plowed.

    Parameters
    ----------
    snowfall_cm : list of float
        New snow in each hour; NaN counts as none [cm].
    trigger_cm : float
        New snow that brings the plow [cm].

    Returns
    -------
    tuple of int
        After each hour in which the snow since the last pass reaches the trigger, and after the
        last snow if enough of it is left.
    """
    passes: list[int] = []
    accumulated_cm = 0.0
    dry_hours = 0
    for hour, hourly_cm in enumerate(snowfall_cm):
        new_snow_cm = hourly_cm if hourly_cm > 0.0 else 0.0
        accumulated_cm += new_snow_cm
        dry_hours = 0 if new_snow_cm > 0.0 else dry_hours + 1
        if accumulated_cm >= trigger_cm or (
            dry_hours == 1 and accumulated_cm >= MIN_FINAL_PASS_SNOW_CM
        ):
            passes.append(hour + 1 if new_snow_cm > 0.0 else hour)
            accumulated_cm = 0.0
    return tuple(hour for hour in passes if hour < len(snowfall_cm))


def follow_up_visits(
    case: DecisionCase, fails_at: datetime | None, was_pretreated: bool
) -> tuple[FollowUpVisit, ...]:
    """Return the follow-up visits in order of time.

    Parameters
    ----------
    case : DecisionCase
        The surface and its event.
    fails_at : datetime or None
        When the pre-treat's film fails, if it does.
    was_pretreated : bool
        Whether there was a pre-treat.

    Returns
    -------
    tuple of FollowUpVisit
        Empty where nothing follows.
    """
    event = case.event
    visits: list[FollowUpVisit] = []
    if fails_at is not None and event.hazard not in SNOW_HAZARDS:
        text = "the film is expected to fail: look, and re-treat what is slick"
        visits.append(FollowUpVisit(kind="inspect", at=fails_at, text=text))
    if event.hazard in SNOW_HAZARDS:
        start, end = case.hour_index(event.start), case.hour_index(event.end)
        plow_hours_due = [hour for hour in case.plow_hours if start < hour <= end + 1]
        visits += [
            FollowUpVisit(kind="plow", at=case.hour_start(hour), text=_plow_text(case))
            for hour in plow_hours_due
        ]
        visits += _post_treat(
            case, case.hour_start(plow_hours_due[-1]) if plow_hours_due else event.end
        )
    if event.ice_until is not None:
        text = "look at dusk and before opening: what melts by day can freeze back"
        visits.append(FollowUpVisit(kind="inspect", at=event.end + timedelta(hours=1), text=text))
    if was_pretreated and fails_at is None and event.hazard is Hazard.FROST:
        visits.append(
            FollowUpVisit(kind="inspect", at=event.start, text="look at the coldest, shaded spots")
        )
    return tuple(sorted(visits, key=lambda item: item.at))


def _plow_text(case: DecisionCase) -> str:
    return "shovel or broom to the pavement" if case.is_pedestrian else "to the pavement"


def _post_treat(case: DecisionCase, at: datetime) -> list[FollowUpVisit]:
    """Return the post-treat after the last pass, by policy and pavement temperature."""
    material = case.practice.choice("post_treat")
    if material == "none" or case.surface.no_chlorides:
        return []
    hour = _hour_at(case, at)
    solid = published_solid_rates(case)
    lot_kg_m2 = None if hour is None else solid_rates.lot_rate_kg_m2(
        str(case.event.hazard), hour.surface_c, case.event.trend == "falling"
    )  # fmt: skip
    if hour is None or (lot_kg_m2 is None and solid is None):
        return []
    too_cold = hour.surface_c < case.practice.number("liquid_warn_below")
    if material == "liquid" and not too_cold and lot_kg_m2 is not None:
        return [_liquid_post_treat(case, at, lot_kg_m2)]
    if too_cold and material == "liquid":
        case.add_rule_reason("liquid_warn_below", "refuses", "too cold for a liquid post-treat",
                     hour.surface_c)  # fmt: skip
    rate = lot_kg_m2 if lot_kg_m2 is not None else (solid.low_kg_m2 if solid else 0.0)
    return [
        FollowUpVisit(
            kind="solids", at=at, text="prewetted salt on what is left", solid_rate_kg_m2=rate
        )
    ]


def _hour_at(case: DecisionCase, moment: datetime) -> Hour | None:
    hour = case.hour_index(moment)
    return case.outlook.hours[hour] if 0 <= hour < len(case.outlook.hours) else None


def _liquid_post_treat(case: DecisionCase, at: datetime, lot_kg_m2: float) -> FollowUpVisit:
    """Return the lot manual's salt as brine, limited to the maximum rate."""
    ceiling = case.practice.number("post_treat_rate_max")
    uncapped_l_m2 = lot_kg_m2 / BRINE_NACL_KG_L
    rate = min(uncapped_l_m2, ceiling)
    case.reasons.append(
        Reason(
            rule="post_rate",
            effect="sets",
            text="post-treat: the lot manual's salt, put down as brine",
            quantity_kind="liquid rate",
            limit=uncapped_l_m2,
            evidence=Evidence.FROM_MEMORY,
            source=f"{solid_rates.LOT_SOURCE}; no lot handbook prints gallons",
        )
    )
    if uncapped_l_m2 > ceiling:
        case.add_rule_reason(
            "post_treat_rate_max", "sets", "post-treat held to the ceiling", uncapped_l_m2
        )
    return FollowUpVisit(
        kind="post-treat",
        at=at,
        text="spray what is left wet or lightly covered; never on packed snow or ice",
        rate_l_m2=rate,
        volume_l=rate * case.surface.area_m2,
    )
