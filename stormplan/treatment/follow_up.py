"""What follows a pre-treat, or a storm that got none: plow passes, the last treatment, and looks.

In-storm and post-storm passes are part of the plan, not an afterthought: they use liquid, salt and
hours too. No lot handbook prints a post-treat rate in gallons, so the lot manual's salt by weight
is put down as liquid, up to policy's ceiling.
"""

from __future__ import annotations

from datetime import datetime, timedelta

from stormplan.company import solid_rates
from stormplan.company.practice_rules import Practice, Standing
from stormplan.events.detection import Hour
from stormplan.events.hazards import SNOW, Hazard
from stormplan.treatment.records import Case, Pass, Reason
from stormplan.treatment.screening import published_solid

LAST_PASS_OVER_CM = 0.25  # less snow than this is not worth a last pass, our own choice
NACL_KG_L = 0.2743  # in 23.3 % brine at 60 °F: 2.289 lb/gal (mass balance on Lange's SG 1.179)


def trigger_cm(practice: Practice, is_pedestrian: bool) -> float:
    """Give the new snow that brings plow or shovel [cm]."""
    rule = "plow_trigger_pedestrian" if is_pedestrian else "plow_trigger_vehicle"
    return 100.0 * practice.number(rule)


def plow_hours(snow_cm: list[float], trigger: float) -> tuple[int, ...]:
    """Hours at whose start a surface is plowed.

    Parameters
    ----------
    snow_cm : list of float
        New snow in each hour; NaN counts as none [cm].
    trigger : float
        New snow that brings the plow [cm].

    Returns
    -------
    tuple of int
        After each hour in which the snow since the last pass reaches the trigger, and after the
        last snow if enough of it is left.
    """
    passes: list[int] = []
    lies = 0.0
    quiet = 0
    for hour, fell in enumerate(snow_cm):
        fresh = fell if fell > 0.0 else 0.0
        lies += fresh
        quiet = 0 if fresh > 0.0 else quiet + 1
        if lies >= trigger or (quiet == 1 and lies >= LAST_PASS_OVER_CM):
            passes.append(hour + 1 if fresh > 0.0 else hour)
            lies = 0.0
    return tuple(hour for hour in passes if hour < len(snow_cm))


def later(case: Case, fails: datetime | None, sprayed: bool) -> tuple[Pass, ...]:
    """List what follows, in order of time.

    Parameters
    ----------
    case : Case
        The surface and its event [-].
    fails : datetime or None
        When the pre-treat's film fails, if it does [-].
    sprayed : bool
        Whether there was a pre-treat [-].

    Returns
    -------
    tuple of Pass
        Empty where nothing follows.
    """
    event = case.event
    passes: list[Pass] = []
    if fails is not None and event.hazard not in SNOW:
        says = "the film is expected to fail: look, and re-treat what is slick"
        passes.append(Pass(kind="look", at=fails, says=says))
    if event.hazard in SNOW:
        start, end = case.hour(event.start), case.hour(event.end)
        due = [hour for hour in case.plows if start < hour <= end + 1]
        passes += [Pass(kind="plow", at=case.time(hour), says=_plow_words(case)) for hour in due]
        passes += _post_treat(case, case.time(due[-1]) if due else event.end)
    if event.ice_until is not None:
        says = "look at dusk and before opening: what melts by day can freeze back"
        passes.append(Pass(kind="look", at=event.end + timedelta(hours=1), says=says))
    if sprayed and fails is None and event.hazard is Hazard.FROST:
        passes.append(Pass(kind="look", at=event.start, says="look at the coldest, shaded spots"))
    return tuple(sorted(passes, key=lambda item: item.at))


def _plow_words(case: Case) -> str:
    return "shovel or broom to the pavement" if case.is_pedestrian else "to the pavement"


def _post_treat(case: Case, at: datetime) -> list[Pass]:
    """Choose what goes down after the last pass, by policy and pavement temperature then."""
    wish = case.practice.choice("post_treat")
    if wish == "none" or case.surface.no_chlorides:
        return []
    after = _at(case, at)
    solid = published_solid(case)
    lot = None if after is None else solid_rates.lot_rate_kg_m2(
        str(case.event.hazard), after.surface_c, case.event.trend == "falling"
    )  # fmt: skip
    if after is None or (lot is None and solid is None):
        return []
    too_cold = after.surface_c < case.practice.number("liquid_warn_below")
    if wish == "liquid" and not too_cold and lot is not None:
        return [_liquid(case, at, lot)]
    if too_cold and wish == "liquid":
        case.because("liquid_warn_below", "refuses", "too cold for a liquid post-treat",
                     after.surface_c)  # fmt: skip
    rate = lot if lot is not None else (solid.low_kg_m2 if solid else 0.0)
    return [Pass(kind="solids", at=at, says="prewetted salt on what is left", solid_kg_m2=rate)]


def _at(case: Case, moment: datetime) -> Hour | None:
    hour = case.hour(moment)
    return case.outlook.hours[hour] if 0 <= hour < len(case.outlook.hours) else None


def _liquid(case: Case, at: datetime, lot_kg_m2: float) -> Pass:
    """Turn the lot manual's salt into brine, up to the ceiling."""
    ceiling = case.practice.number("post_rate_high")
    wanted = lot_kg_m2 / NACL_KG_L
    rate = min(wanted, ceiling)
    case.reasons.append(
        Reason(
            rule="post_rate",
            effect="sets",
            says="post-treat: the lot manual's salt, put down as brine",
            kind="liquid rate",
            limit=wanted,
            standing=Standing.FROM_MEMORY,
            source=f"{solid_rates.LOT_SOURCE}; no lot handbook prints gallons",
        )
    )
    if wanted > ceiling:
        case.because("post_rate_high", "sets", "post-treat held to the ceiling", wanted)
    return Pass(
        kind="post-treat",
        at=at,
        says="spray what is left wet or lightly covered; never on packed snow or ice",
        rate_l_m2=rate,
        volume_l=rate * case.surface.area_m2,
    )
