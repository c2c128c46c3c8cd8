"""Whether a delivered load is taken, and what is paid for it.

Papers, look, sieve, settling, float or refractometer and the weight ticket each come to a finding;
the worst one stands for the load. What was not looked at is named, and never counts as good.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from itertools import pairwise
from math import prod

from stormplan.company.material_specs import (
    GRADATIONS,
    MOISTURE_SCHEDULES,
    SIEVES,
    TENTH_PERCENT,
    TRACE_LIMITS_PPM,
    TRACE_SOURCE,
)
from stormplan.company.practice_rules import Evidence, Practice
from stormplan.errors import InputError
from stormplan.liquids import assay
from stormplan.liquids.assay import MeasuredStrength
from stormplan.liquids.blend import Liquid, cold_behavior, liquid_at_strength
from stormplan.liquids.hydrometer import REFERENCE_C


class Outcome(StrEnum):
    """What a finding means for a load, or all of them together."""

    ACCEPT = "accept"
    DEDUCT = "deduct"
    HOLD = "hold"
    REJECT = "reject"


#: From the mildest to the worst; the worst finding stands for the load.
OUTCOME_ORDER = tuple(Outcome)


class Check(StrEnum):
    """What is looked at before a load is taken."""

    PAPERS = "papers"
    LOOK = "look and smell"
    TREATED = "treated salt"
    SIEVE = "sieve No. 10"
    SEDIMENT = "settling"
    STRENGTH = "strength"
    REFRACTOMETER = "refractometer"
    WEIGHT = "weight ticket"
    ROOM = "room in the tank"
    MOISTURE = "moisture"
    PURITY = "NaCl, dry"
    GRADATION = "gradation"
    TRACE = "trace elements"


#: Without these a load is held; the others are named where nobody did them.
LIQUID_CHECKS = (Check.PAPERS, Check.LOOK, Check.STRENGTH)
SALT_CHECKS = (Check.PAPERS, Check.LOOK)
FURTHER_LIQUID_CHECKS = (Check.SIEVE, Check.SEDIMENT, Check.WEIGHT, Check.TRACE)
FURTHER_SALT_CHECKS = (Check.MOISTURE, Check.PURITY, Check.GRADATION)


@dataclass(frozen=True)
class Standing:
    """Where a limit stands, and how firm it is.

    Attributes
    ----------
    source : str
        Where it stands; empty where nobody wrote it down.
    evidence : Evidence
        How firm it is.
    """

    source: str = ""
    evidence: Evidence = Evidence.COMMON_PRACTICE


@dataclass(frozen=True)
class Finding:
    """What one check found.

    Attributes
    ----------
    check : Check
        Which.
    outcome : Outcome
        What it means.
    kind : str
        A key of ``units.QUANTITY_KINDS``, ``"ppm"``, or empty where nothing was measured.
    observed : float or None
        What was measured, in SI [-].
    half_width : float
        How sure that is; either way [-].
    low, high : float or None
        What is accepted [-].
    pay_factor : float
        Part of the price it leaves [-].
    is_close : bool
        Beyond the limit, and by less than instruments tell: it counts for the seller.
    of : str
        Which sieve, element or instrument.
    standing : Standing
        Of the limit.
    """

    check: Check
    outcome: Outcome
    kind: str = ""
    observed: float | None = None
    half_width: float = 0.0
    low: float | None = None
    high: float | None = None
    pay_factor: float = 1.0
    is_close: bool = False
    of: str = ""
    standing: Standing = Standing()


@dataclass(frozen=True)
class LoadJudgment:
    """What becomes of a load.

    Attributes
    ----------
    outcome : Outcome
        The worst of its findings.
    pay_factor : float
        Part of the price to be paid [-]; 0 of a rejected load.
    findings : tuple of Finding
        In the order in which they are made.
    not_done : tuple of Check
        What nobody looked at.
    strength : MeasuredStrength or None
        Of a liquid, as read.
    volume_l : float or None
        Of a liquid: as told, by its weight where that says less [L].
    first_solid_c : float or None
        Ice or crystals, whichever comes first in it as it was read [°C]; None where the supplier
        has a freeze point of his own, which holds for the stated strength only.
    """

    outcome: Outcome
    pay_factor: float
    findings: tuple[Finding, ...]
    not_done: tuple[Check, ...]
    strength: MeasuredStrength | None = None
    volume_l: float | None = None
    first_solid_c: float | None = None


@dataclass(frozen=True)
class Inspected:
    """What was seen at the truck, of a liquid or of salt; None where nobody looked.

    Attributes
    ----------
    papers_good, looks_good : bool or None
        Whether papers are complete and agree with the order; whether it looks and smells right.
    net_kg : float or None
        Weight by the ticket [kg].
    """

    papers_good: bool | None = None
    looks_good: bool | None = None
    net_kg: float | None = None


@dataclass(frozen=True)
class LiquidLoad:
    """A tanker of liquid as it stands before the pump is started.

    Attributes
    ----------
    stated : Liquid
        The product, with the strength that the papers state.
    volume_l : float
        As told, at its own temperature [L].
    room_l : float or None
        In the tank it is for [L]; None where it stands in totes.
    is_brine : bool
        Whether it is plain salt brine, which the yard would otherwise make.
    states_solids : bool
        Whether the papers state solids and not a chloride: the two cannot be compared.
    inspected : Inspected
        What was seen.
    temp_c : float or None
        Of the liquid [°C].
    sg, freeze_point_c : float or None
        By float [-] and by refractometer [°C].
    sediment_vol_frac, through_sieve_frac : float or None
        Settled from a liter; of a pail through a No. 10 sieve [-].
    trace_ppm : mapping of str to float
        By the analysis, by element [ppm].
    """

    stated: Liquid
    volume_l: float
    room_l: float | None = None
    is_brine: bool = False
    states_solids: bool = False
    inspected: Inspected = field(default_factory=Inspected)
    temp_c: float | None = None
    sg: float | None = None
    freeze_point_c: float | None = None
    sediment_vol_frac: float | None = None
    through_sieve_frac: float | None = None
    trace_ppm: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class SaltLoad:
    """A truck of salt.

    Attributes
    ----------
    inspected : Inspected
        What was seen.
    is_treated : bool
        Whether it has been treated with a liquid.
    is_for_brine : bool
        Whether the yard makes brine from its pile.
    moisture_frac, nacl_frac : float or None
        Water by weight as delivered; NaCl of the dry salt [-].
    passing_frac : sequence of float
        What passes each of ``SIEVES`` [-]; empty where nobody sieved.
    """

    inspected: Inspected = field(default_factory=Inspected)
    is_treated: bool = False
    is_for_brine: bool = False
    moisture_frac: float | None = None
    nacl_frac: float | None = None
    passing_frac: Sequence[float] = ()


def judge_liquid(load: LiquidLoad, practice: Practice) -> LoadJudgment:
    """Judge a load of liquid.

    Parameters
    ----------
    load : LiquidLoad
        What is known of it.
    practice : Practice
        The company's rules.

    Returns
    -------
    LoadJudgment

    Raises
    ------
    InputError
        A reading that the product cannot give, or an element that no limit is known of.
    """
    strength = None
    if load.sg is not None:
        if load.temp_c is None:
            raise InputError("a float's reading needs the temperature of the liquid")
        strength = assay.strength_by_float(load.stated, load.sg, load.temp_c)
    second = None
    if load.freeze_point_c is not None:
        second = assay.strength_by_freeze_point(load.stated, load.freeze_point_c)
    findings = [
        *_inspection(load.inspected),
        *_shares(load, practice),
        *_strength(load, strength or second, practice),
        *_second_opinion(strength, second),
        *_weight(load, practice),
        *_room(load),
        *_trace(load.trace_ppm),
    ]
    volume_l = load.volume_l
    for one in findings:
        if one.check is Check.WEIGHT and one.outcome is Outcome.DEDUCT:
            volume_l *= one.pay_factor
    judged = _judged(findings, LIQUID_CHECKS, FURTHER_LIQUID_CHECKS)
    found = strength or second
    first_solid_c = None
    if found is not None and load.stated.supplier_freeze_point_c is None:
        behavior = cold_behavior(liquid_at_strength(load.stated, found.strength_frac))
        first_solid_c = max(behavior.first_solid_c, behavior.crystal_onset_c)
    return replace(judged, strength=found, volume_l=volume_l, first_solid_c=first_solid_c)


def judge_salt(load: SaltLoad, practice: Practice) -> LoadJudgment:
    """Judge a load of salt.

    Parameters
    ----------
    load : SaltLoad
        What is known of it.
    practice : Practice
        The company's rules.

    Returns
    -------
    LoadJudgment

    Raises
    ------
    InputError
        A sieve analysis of other sieves.
    """
    findings = [*_inspection(load.inspected)]
    if load.is_treated and load.is_for_brine:
        findings.append(Finding(Check.TREATED, Outcome.HOLD))
    if load.moisture_frac is not None:
        findings.append(_moisture(load.moisture_frac, practice.choice("salt_moisture_schedule")))
    if load.nacl_frac is not None:
        reported = round(load.nacl_frac / TENTH_PERCENT) * TENTH_PERCENT
        least = practice.number("salt_nacl_min")
        findings.append(
            Finding(
                Check.PURITY,
                Outcome.ACCEPT if reported >= least - 1e-9 else Outcome.REJECT,
                "percentage", load.nacl_frac, low=least,
                standing=_standing("salt_nacl_min", practice),
            )
        )  # fmt: skip
    if load.passing_frac:
        findings += _gradation(load.passing_frac, practice.choice("salt_gradation"))
    return _judged(findings, SALT_CHECKS, FURTHER_SALT_CHECKS)


def _judged(
    findings: Sequence[Finding],
    needed: Sequence[Check],
    further: Sequence[Check],
) -> LoadJudgment:
    done = {one.check for one in findings}
    outcomes = [one.outcome for one in findings]
    if not set(needed) <= done:
        outcomes.append(Outcome.HOLD)
    worst = max(outcomes, key=OUTCOME_ORDER.index, default=Outcome.HOLD)
    pay_factor = prod(one.pay_factor for one in findings)
    return LoadJudgment(
        outcome=worst,
        pay_factor=0.0 if worst is Outcome.REJECT else pay_factor,
        findings=tuple(findings),
        not_done=tuple(one for one in (*needed, *further) if one not in done),
    )


def _inspection(seen: Inspected) -> Iterable[Finding]:
    """Yield papers and look: what is not in order is held until somebody has spoken for it."""
    for check, is_good in ((Check.PAPERS, seen.papers_good), (Check.LOOK, seen.looks_good)):
        if is_good is not None:
            yield Finding(check, Outcome.ACCEPT if is_good else Outcome.HOLD)


def _shares(load: LiquidLoad, practice: Practice) -> Iterable[Finding]:
    for check, share, rule, is_most in (
        (Check.SIEVE, load.through_sieve_frac, "delivery_sieve_min", False),
        (Check.SEDIMENT, load.sediment_vol_frac, "delivery_sediment_max", True),
    ):
        if share is None:
            continue
        limit = practice.number(rule)
        is_good = share <= limit + 1e-9 if is_most else share >= limit - 1e-9
        yield Finding(
            check,
            Outcome.ACCEPT if is_good else Outcome.HOLD,
            "percentage", share,
            low=None if is_most else limit, high=limit if is_most else None,
            standing=_standing(rule, practice),
        )  # fmt: skip


def _strength(
    load: LiquidLoad, found: MeasuredStrength | None, practice: Practice
) -> Iterable[Finding]:
    if load.states_solids:
        yield Finding(Check.STRENGTH, Outcome.HOLD, of="states solids")
        return
    if found is None:
        return
    if load.is_brine:
        low, high = practice.number("brine_accept_min"), practice.number("brine_accept_max")
        worst = practice.number("brine_reject_below"), practice.number("brine_reject_above")
        standing = _standing("brine_accept_min", practice)
    else:
        stated = assay.strength_of_liquid(load.stated)
        tolerance = practice.number("delivery_strength_tolerance")
        low, high = stated - tolerance, stated + tolerance
        worst = 0.0, 1.0  # a product is judged by what it is worth
        standing = _standing("delivery_strength_tolerance", practice)
    outcome, factor = Outcome.ACCEPT, 1.0
    if found.high_frac < low - 1e-9:
        factor = _active_factor(load.stated, found.strength_frac)
        outcome = Outcome.DEDUCT
        at_best = _active_factor(load.stated, found.high_frac)
        if found.high_frac < worst[0] - 1e-9 or at_best < practice.number("delivery_pay_min"):
            outcome = Outcome.REJECT
    elif found.low_frac > worst[1] + 1e-9:
        outcome = Outcome.REJECT
    is_outside = not low - 1e-9 <= found.strength_frac <= high + 1e-9
    yield Finding(
        Check.STRENGTH, outcome, "percentage", found.strength_frac, found.half_width_frac,
        low, high, factor, is_close=is_outside and outcome is Outcome.ACCEPT,
        of="hydrometer" if load.sg is not None else "refractometer", standing=standing,
    )  # fmt: skip


def _active_factor(stated: Liquid, strength_frac: float) -> float:
    """Return delivered over stated salt per volume; more than was ordered is not paid for [-]."""
    delivered = liquid_at_strength(stated, strength_frac)
    return min(assay.active_salt_kg_l(delivered) / assay.active_salt_kg_l(stated), 1.0)


def _second_opinion(
    first: MeasuredStrength | None, second: MeasuredStrength | None
) -> Iterable[Finding]:
    """Yield whether float and refractometer can both be right."""
    if first is None or second is None:
        return
    apart = abs(first.strength_frac - second.strength_frac)
    agree = apart <= first.half_width_frac + second.half_width_frac
    yield Finding(
        Check.REFRACTOMETER,
        Outcome.ACCEPT if agree else Outcome.HOLD,
        "percentage", second.strength_frac, second.half_width_frac,
        first.low_frac, first.high_frac,
        standing=Standing("float and refractometer, each with what it is good to"),
    )  # fmt: skip


def _weight(load: LiquidLoad, practice: Practice) -> Iterable[Finding]:
    """Yield the ticket against gallons times density; a short one is paid by weight."""
    net_kg = load.inspected.net_kg
    if net_kg is None:
        return
    at_c = REFERENCE_C if load.temp_c is None else load.temp_c
    density = (
        load.stated.density_kg_m3(at_c)
        if load.sg is None
        else assay.density_from_reading_kg_m3(load.sg, at_c)
    )
    expected_kg = load.volume_l * density / 1000.0
    tolerance = practice.number("delivery_weight_tolerance")
    ratio = net_kg / expected_kg
    outcome, factor = Outcome.ACCEPT, 1.0
    if ratio < 1.0 - tolerance - 1e-9:
        outcome, factor = Outcome.DEDUCT, ratio
    elif ratio > 1.0 + tolerance + 1e-9:
        outcome = Outcome.HOLD  # gallons, float or ticket is wrong
    yield Finding(
        Check.WEIGHT, outcome, "mass", net_kg, 0.0,
        (1.0 - tolerance) * expected_kg, (1.0 + tolerance) * expected_kg, factor,
        standing=_standing("delivery_weight_tolerance", practice),
    )  # fmt: skip


def _room(load: LiquidLoad) -> Iterable[Finding]:
    """Yield whether the tank takes the load."""
    if load.room_l is not None:
        fits = load.volume_l <= load.room_l * (1.0 + 1e-9)
        yield Finding(
            Check.ROOM, Outcome.ACCEPT if fits else Outcome.HOLD, "volume", load.room_l,
            low=load.volume_l,
        )  # fmt: skip


def _trace(found_ppm: Mapping[str, float]) -> Iterable[Finding]:
    for element, value in found_ppm.items():
        limit = TRACE_LIMITS_PPM.get(element)
        if limit is None:
            known = ", ".join(TRACE_LIMITS_PPM)
            raise InputError(f"no limit is known of '{element}'; accepted: {known}")
        yield Finding(
            Check.TRACE, Outcome.ACCEPT if value <= limit else Outcome.REJECT,
            "ppm", value, high=limit, of=element,
            standing=Standing(TRACE_SOURCE, Evidence.PUBLISHED),
        )  # fmt: skip


def _moisture(moisture_frac: float, name: str) -> Finding:
    schedule = MOISTURE_SCHEDULES[name]
    factor = schedule.pay_factor(moisture_frac)
    outcome = Outcome.ACCEPT
    if factor is None:
        outcome = Outcome.REJECT
    elif factor < 1.0:
        outcome = Outcome.DEDUCT
    return Finding(
        Check.MOISTURE,
        outcome,
        "percentage",
        schedule.counted(moisture_frac),
        high=schedule.accepted_frac,
        pay_factor=1.0 if factor is None else factor,
        of="of dry weight" if schedule.is_of_dry_weight else "",
        standing=Standing(schedule.source, schedule.evidence),
    )


def _gradation(passing_frac: Sequence[float], name: str) -> Iterable[Finding]:
    """Yield each sieve, to the whole percent as gradations are reported."""
    if len(passing_frac) != len(SIEVES):
        raise InputError(f"a gradation has what passes {', '.join(SIEVES)}: {len(SIEVES)} numbers")
    if any(fine > coarse for coarse, fine in pairwise(passing_frac)):
        raise InputError("a finer sieve cannot pass more than a coarser one; the coarsest is first")
    wanted = GRADATIONS[name]
    standing = Standing(wanted.source, Evidence.PUBLISHED)
    for sieve, found, (low, high) in zip(SIEVES, passing_frac, wanted.passing_frac, strict=True):
        is_good = low - 1e-9 <= round(found, 2) <= high + 1e-9
        yield Finding(
            Check.GRADATION, Outcome.ACCEPT if is_good else Outcome.REJECT, "percentage",
            found, low=low, high=high, of=sieve, standing=standing,
        )  # fmt: skip


def _standing(rule: str, practice: Practice) -> Standing:
    found = practice.rule_value(rule).rule
    return Standing(found.source, found.evidence)
