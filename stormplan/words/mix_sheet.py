"""The mix sheet: what the shed lead makes, reads, blends, loads and is short of, on wet paper.

One page per yard, printed and ticked off with a pencil; in the briefing the same figures in short.
What is made and where it is blended was decided in the plan; here stand only its words.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby
from zoneinfo import ZoneInfo

from stormplan.company.catalog import HANDLING
from stormplan.operations.brine_guidance import Blending, Expected, OffReading, Place, Why
from stormplan.operations.mix import Additive, Blend, Step, YardMix
from stormplan.planning.plan import Plan
from stormplan.units import KG_PER_LB, Speaker
from stormplan.words import templating
from stormplan.words.formatting import Words, blend_name, capital, count, listed, percent


@dataclass(frozen=True)
class YardView:
    """One yard's mix in words: (label, value) rows."""

    name: str
    blends: tuple[tuple[str, str, str], ...]
    rows: tuple[tuple[str, str], ...]
    shortages: tuple[str, ...]


def short_of(yard: YardMix) -> list[str]:
    """Name what a yard is short of."""
    names = {item.product: item.name for item in yard.additives}
    return [names.get(what, what) for what in yard.shortages]


def yard_view(yard: YardMix, words: Words) -> YardView:
    """Put a yard's mix into words."""
    say = words.say
    if not yard.blends and not yard.brine_needed_l:
        return YardView(
            yard.name, (), (("Mix", "nothing asked for by the sites that have a forecast"),), ()
        )
    rows = [
        *_demand(yard, say),
        *([("For later passes", say.volume(yard.later_l))] if yard.later_l > 0.0 else []),
        ("Brine needed, with reserve", say.volume(yard.brine_needed_l)),
        ("Usable in the tanks", say.volume(yard.brine_usable_l)),
        ("Brine to make", say.volume(yard.brine_to_make_l)),
    ]
    if yard.brine_to_make_l > 0.0:
        low, high = yard.accept_sg
        rows += [
            ("Salt, as delivered", say.mass(yard.salt_kg)),
            ("Water", say.volume(yard.water_l)),
            ("Strength", f"{100 * yard.strength_frac:.1f} % by weight"),
            (
                f"Hydrometer at {say.temp(yard.expected_at_c)}",
                f"{yard.expected_sg:.3f} (accept {low:.3f} to {high:.3f})",
            ),
            ("Hydrometer at 60 °F", f"{yard.target_sg_60f:.3f}"),
        ]
    for additive in yard.additives:
        short = f", SHORT {say.volume(additive.short_l)}" if additive.short_l > 0.0 else ""
        need = f"{say.volume(additive.needed_l)} of {say.volume(additive.on_hand_l)} on hand{short}"
        rows.append((additive.name, need))
    for tank in yard.tanks:
        strength = "" if tank.strength_frac is None else f"{100 * tank.strength_frac:.1f} %, "
        held = f"{say.volume(tank.on_hand_l)}, {say.volume(tank.usable_l)} to draw"
        rows.append((f"Tank {tank.tank}", f"{held}, {strength}{tank.says}"))
    for one in yard.crew.sprayers:
        if one.loads and one.start is not None:
            load = f"{count(one.loads, 'load')}, {one.hours:.1f} h from {words.day(one.start)}"
            rows.append((one.name, f"{say.volume(one.volume_l)} in {load}"))
    if yard.crew.missed:
        rows.append(("NOT REACHED in time", count(len(yard.crew.missed), "surface")))
    return YardView(
        name=yard.name,
        blends=tuple(
            (
                blend_name(blend.additive_name, blend.share),
                say.volume(blend.volume_l),
                f"first load {words.day(blend.first_use)}, {count(blend.surfaces, 'surface')}",
            )
            for blend in yard.blends
        ),
        rows=tuple(rows),
        shortages=tuple(short_of(yard)),
    )


# -- the sheet ------------------------------------------------------------------------------------

WORTH_SAYING = 1.02  # of what is sprayed; less is within what a pump is set to
MISSED_NAMED = 4  # surfaces named before the rest is counted
HANDLE_BRINE = (
    "Brine and salt: goggles and gloves, rinse skin and tools. Wet floors are slippery: boots.",
    "Nobody reaches or climbs into a tank or mixer; pumps off and locked before a line is opened.",
    "Keep every liquid off drains, soil and water: stop a spill, soak it up, report it by your"
    " plan.",
    "Product labels and safety data sheets come before this sheet.",
)
WHEN_READ: Mapping[str, str] = {
    "fresh": "just mixed, cold",
    "settled": "settled",
    "reference": "at 60 °F",
}


@dataclass(frozen=True)
class Load:
    """One blend to load, in words."""

    name: str
    volume: str
    brine: str
    additive: str
    additive_name: str
    per_hundred: str
    first: str
    place: str


@dataclass(frozen=True)
class Sheet:
    """One yard's page, in words."""

    name: str
    first_use: str
    shortages: tuple[str, ...]
    summary: tuple[tuple[str, str], ...]
    forecasts: str
    batches: tuple[tuple[list[int], str], ...]
    count: int
    corrections: tuple[str, ...]
    rounds: tuple[tuple[str, str, str, str, str], ...]
    crew: str
    missed: tuple[str, ...]
    water: str
    salt: str
    finished: str
    sludge: str
    readings: tuple[tuple[str, str, str, str], ...]
    mends: tuple[tuple[str, str, str, str], ...]
    mends_note: str
    loads: tuple[Load, ...]
    tanks: tuple[tuple[str, str, str, str, str], ...]
    additives: tuple[tuple[str, str, str, str], ...]
    cautions: tuple[str, ...]


def sheets(plan: Plan) -> tuple[Sheet, ...]:
    """Put every yard's mix into the words of its sheet.

    Parameters
    ----------
    plan : Plan
        The record [-].

    Returns
    -------
    tuple of Sheet
        One per yard, in the order of the plan.
    """
    words = Words(Speaker(plan.units), ZoneInfo(plan.timezone))
    names = {
        (site.key, surface.key): f"{site.name}, {surface.name}"
        for site in plan.sites
        for surface in site.surfaces
    }
    return tuple(_sheet(yard, names, plan.made_at, words) for yard in plan.yards)


def html(plan: Plan) -> str:
    """Render the mix sheet, one printed page per yard.

    Parameters
    ----------
    plan : Plan
        The record [-].

    Returns
    -------
    str
        HTML without scripts or outside references.
    """
    words = Words(Speaker(plan.units), ZoneInfo(plan.timezone))
    return templating.render(
        "mixsheet.html", company=plan.company, made=words.full(plan.made_at), sheets=sheets(plan)
    )


def _batches(yard: YardMix, made_at: datetime, words: Words) -> Iterable[tuple[list[int], str]]:
    """Say where batches go and when the first is begun: numbers to tick, once for each tank."""
    numbered = enumerate(yard.batches, start=1)
    for tank, group in groupby(numbered, key=lambda pair: pair[1].tank):
        found = list(group)
        where = "no tank has room: see the shortages" if tank is None else f"into tank {tank}"
        start, when = found[0][1].start, ""
        if start is not None:
            late = start < made_at
            when = ", begin at once" if late else f", begin by {words.day(start)}"
        volume = words.say.volume(found[0][1].volume_l)
        yield [number for number, _ in found], f"each {volume} {where}{when}"


def _missed(yard: YardMix, names: Mapping[tuple[str, str], str]) -> Iterable[str]:
    """Name what is not reached, once for each reason; a few by name, the rest as a number."""
    reasons: dict[str, list[str]] = {}
    for one in yard.crew.missed:
        reasons.setdefault(one.says, []).append(names.get((one.site, one.surface), one.surface))
    for says, where in reasons.items():
        yield f"{capital(says)}: {listed(where, at_most=MISSED_NAMED)}."


def _correction(step: Step, say: Speaker) -> str:
    """Say what brings a tank to target, in order."""
    steps = []
    if step.draw_off_l > 0.0:
        steps.append(f"draw off {say.fine_volume(step.draw_off_l)}")
    if step.add_water_l > 0.0:
        steps.append(f"add {say.fine_volume(step.add_water_l)} water")
    if step.add_salt_kg > 0.0:
        steps.append(f"add {_small_mass(step.add_salt_kg, say)} salt")
    return f"tank {step.tank}: {', then '.join(steps)}; mix, read again"


def _sheet(
    yard: YardMix, names: Mapping[tuple[str, str], str], made_at: datetime, words: Words
) -> Sheet:
    say = words.say
    return Sheet(
        name=yard.name,
        first_use="" if yard.first_use is None else words.day(yard.first_use),
        shortages=tuple(capital(what) for what in short_of(yard)),
        summary=tuple(_summary(yard, words)),
        forecasts=next((f"{label} {text}." for label, text in _demand(yard, say)), ""),
        batches=tuple(_batches(yard, made_at, words)),
        count=len(yard.batches),
        corrections=tuple(_correction(step, say) for step in yard.corrections),
        rounds=tuple(
            (
                one.name,
                count(one.loads, "load"),
                say.volume(one.volume_l),
                f"{one.hours:.1f} h",
                "" if one.start is None else words.day(one.start),
            )
            for one in yard.crew.sprayers
            if one.loads
        ),
        crew=f"{yard.crew.hours_needed:.1f} of {yard.crew.hours_there:.0f} sprayer hours before"
        " it starts",
        missed=tuple(_missed(yard, names)),
        water=say.fine_volume(_each(yard, yard.water_l)),
        salt=_salt(yard, say),
        finished=f"{say.fine_volume(_each(yard, yard.brine_to_make_l))} at "
        f"{100 * yard.strength_frac:.1f} % salt by weight",
        sludge="" if yard.sludge_kg <= 0.0 else say.mass(yard.sludge_kg),
        readings=tuple(_reading(row, say) for row in yard.expected),
        mends=tuple(_mend(row, say) for row in yard.off_readings),
        mends_note=f"Read at {say.temp(yard.expected_at_c)}, for one batch of "
        f"{say.volume(_each(yard, yard.brine_to_make_l))}.",
        loads=tuple(_load(blend, yard, words) for blend in yard.blends),
        tanks=tuple(_tank(yard, words)),
        additives=tuple(
            (
                item.name,
                say.fine_volume(item.needed_l),
                say.fine_volume(item.on_hand_l),
                _short(item, words),
            )
            for item in yard.additives
        ),
        cautions=_cautions(yard),
    )


def _short(item: Additive, words: Words) -> str:
    """Say how much is missing, and when it bites."""
    if item.short_l <= 0.0:
        return ""
    when = "" if item.short_at is None else f" from {words.day(item.short_at)}"
    return f"{words.say.fine_volume(item.short_l)}{when}"


def _each(yard: YardMix, whole: float) -> float:
    """Share a whole out over the yard's batches, which are equal."""
    return whole / max(len(yard.batches), 1)


def _mixes_more(yard: YardMix) -> bool:
    return yard.more_l > (WORTH_SAYING - 1.0) * yard.sprayed_l


def _demand(yard: YardMix, say: Speaker) -> Iterable[tuple[str, str]]:
    """Say what the forecasts would spray, and what is mixed for more than the plan sprays."""
    wanted = yard.demand
    if wanted is None or wanted.most_l <= WORTH_SAYING * wanted.median_l:
        return
    half, most, all_of_it = map(say.volume, (wanted.median_l, wanted.high_l, wanted.most_l))
    share = percent(wanted.share)
    yield (
        "Over the forecasts",
        f"half would spray up to {half}, {share} up to {most}, the most {all_of_it}",
    )
    if _mixes_more(yard):
        yield f"More, for {share} of them", say.volume(yard.more_l)


def _summary(yard: YardMix, words: Words) -> Iterable[tuple[str, str]]:
    say = words.say
    yield "To spray", say.volume(yard.sprayed_l)
    if _mixes_more(yard) and yard.demand is not None:
        yield f"More, for {percent(yard.demand.share)} of forecasts", say.volume(yard.more_l)
    if yard.later_l > 0.0:
        yield "For later passes", say.volume(yard.later_l)
    yield "Brine needed, reserve included", say.volume(yard.brine_needed_l)
    yield "Usable in the tanks", say.volume(yard.brine_usable_l)
    yield "Brine to make", say.volume(yard.brine_to_make_l)
    if yard.brine_to_make_l > 0.0:
        yield "Making takes", f"{yard.making_h:.1f} h"


def _salt(yard: YardMix, say: Speaker) -> str:
    """Say the salt of one batch, in weight and in what the yard loads it by."""
    salt_kg = _each(yard, yard.salt_kg)
    text = say.mass(salt_kg)
    if yard.salt_unit is not None and yard.salt_unit_kg is not None:
        units = salt_kg / yard.salt_unit_kg
        text += f" = {units:.2f} {yard.salt_unit}{'s' if units > 1.0 else ''}"
        text += f" of {say.mass(yard.salt_unit_kg)}"
    return text


def _reading(row: Expected, say: Speaker) -> tuple[str, str, str, str]:
    low, high = row.accept_sg
    return (
        WHEN_READ[row.when],
        say.temp(row.at_c),
        f"{row.reading_sg:.3f}",
        f"{low:.3f} to {high:.3f}",
    )


def _mend(row: OffReading, say: Speaker) -> tuple[str, str, str, str]:
    steps = []
    if row.draw_off_l > 0.0:
        steps.append(f"draw off {say.fine_volume(row.draw_off_l)}")
    if row.add_water_l > 0.0:
        steps.append(f"add {say.fine_volume(row.add_water_l)} water")
    if row.add_salt_kg > 0.0:
        steps.append(f"add {_small_mass(row.add_salt_kg, say)} salt")
    return (
        f"{row.reading_sg:.3f}",
        f"{100 * row.strength_frac:.1f} %",
        capital(", ".join(steps)),
        "usable meanwhile" if row.is_sprayable else "do not spray",
    )


def _small_mass(mass_kg: float, say: Speaker) -> str:
    """Say a mass [kg] that a shovel can dose: to the pound, or to the half kilogram."""
    if say.is_us:
        return f"{mass_kg / KG_PER_LB:,.0f} lb"
    return f"{mass_kg:,.{0 if mass_kg >= 100.0 else 1}f} kg"


def _load(blend: Blend, yard: YardMix, words: Words) -> Load:
    say = words.say
    found = next(
        (b for b in yard.blendings if b.additive == blend.additive and b.share == blend.share), None
    )
    share = 100 * blend.share
    unit = "gal" if say.is_us else "L"
    return Load(
        name=blend_name(blend.additive_name, blend.share),
        volume=say.fine_volume(blend.volume_l),
        brine=say.fine_volume(blend.brine_l),
        additive=say.fine_volume(blend.additive_l) if blend.additive else "none",
        additive_name=blend.additive_name or "",
        per_hundred=f"{100 - share:g} + {share:g} {unit}" if blend.additive else "brine only",
        first=f"{words.day(blend.first_use)}, {count(blend.surfaces, 'surface')}",
        place="" if found is None else place_line(found, words),
    )


def place_line(found: Blending, words: Words) -> str:
    """Say where a blend is put together, and why."""
    say = words.say
    where = (
        "Blend in the tank" if found.place is Place.TANK else "Blend at load-out, in the sprayer"
    )
    if found.keep_above_c is None or found.first_solid_c is None:
        return f"{where}: stored, this blend drops salt at any temperature."
    solid = "salt crystals" if found.crystals_first else "ice"
    near = f"{solid} come near {say.temp(found.first_solid_c)}"
    keep = f"keep a tank of it above {say.temp(found.keep_above_c)}"
    air = "" if found.coldest_air_c is None else f"air gets down to {say.temp(found.coldest_air_c)}"
    why = {
        Why.DROPS_SALT: f"{near} in a standing blend, {air}; {keep}",
        Why.FREEZES: f"{near} in a standing blend, {air}; {keep}",
        Why.SEVERAL_BLENDS: f"one tank cannot hold several blends; {near}, {keep}",
        Why.COLD_NOT_KNOWN: f"how cold it gets is not known; {near}, {keep}",
        Why.WARM_ENOUGH: f"one blend serves all, {air}; {near}, {keep}",
    }[found.why]
    base = ""
    if found.base_frac is not None:
        base = f" A base brine of {100 * found.base_frac:.1f} % would store best."
    return f"{where}: {why}.{base}"


def _tank(yard: YardMix, words: Words) -> Iterable[tuple[str, str, str, str, str]]:
    for tank in yard.tanks:
        strength = "" if tank.strength_frac is None else f"{100 * tank.strength_frac:.1f} %"
        held, draw = words.say.volume(tank.on_hand_l), words.say.volume(tank.usable_l)
        yield tank.tank, held, draw, strength, tank.says


def _cautions(yard: YardMix) -> tuple[str, ...]:
    """Collect what concerns the liquids this yard handles today."""
    handled = dict.fromkeys(key for blending in yard.blendings for key in blending.chlorides)
    return (*(HANDLING[key] for key in handled if key in HANDLING), *HANDLE_BRINE)
