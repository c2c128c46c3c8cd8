"""The mix sheet: what the shed lead makes, reads, blends, loads and is short of, on wet paper.

One page per yard, printed and ticked off with a pencil; in the briefing the same figures in short.
What is made and where it is blended was decided in the plan; here stand only its words.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import groupby
from zoneinfo import ZoneInfo

from stormplan.company.catalog import HANDLING_NOTES
from stormplan.operations.brine_guidance import (
    BlendLocation,
    BlendLocationAdvice,
    BlendReason,
    HydrometerCorrection,
    HydrometerTarget,
)
from stormplan.operations.mix_records import (
    AdditiveNeed,
    BlendVolume,
    YardMix,
    YardTankCorrection,
)
from stormplan.planning.plan import Plan, SitePlan
from stormplan.treatment.records import Action, Visit
from stormplan.units import KG_PER_LB, UnitFormatter
from stormplan.words import templating
from stormplan.words.dry_material import SpreadBlock, lifts, spread_block
from stormplan.words.formatting import (
    ReportFormat,
    blend_name,
    capitalize_first,
    format_working_time,
    join_names,
    pluralize,
)
from stormplan.words.order_text import order_sentence, orders_to_place
from stormplan.words.round_text import rounds_text, short_slack_text, travel_text
from stormplan.words.yard_mix_text import (
    LedgerRow,
    counted_text,
    ensemble_rows,
    ledger,
    shortage_lines,
    stock_text,
    tank_status_text,
)

MAX_ROOMY_LINES = 26  # of all tables; more print in smaller letters
SLOWER_RATIO = 1.1  # of dissolving time, from which on the sheet says it; our own choice
MAX_UNSERVED_NAMES = 4  # surfaces named before the rest is counted
BRINE_HANDLING = (
    "Brine and salt: goggles and gloves, rinse skin and tools. Wet floors are slippery: boots.",
    "Nobody reaches or climbs into a tank or mixer; pumps off and locked before a line is opened.",
    "Keep every liquid off drains, soil and water: stop a spill, soak it up, report it by your"
    " plan.",
    "Product labels and safety data sheets come before this sheet.",
)
READING_CONDITIONS: Mapping[str, str] = {
    "fresh": "just mixed, cold",
    "settled": "after it warms up",
    "delivered": "off the truck",
    "reference": "at 60 °F",
}


@dataclass(frozen=True)
class BlendLoadView:
    """A blend to load, as text."""

    name: str
    volume: str
    brine: str
    additive: str
    additive_name: str
    first_load_at: str


@dataclass(frozen=True)
class MixSheetView:
    """A yard's page of the mix sheet, as text."""

    name: str
    first_load_at: str
    made_at: str
    shortages: tuple[str, ...]
    orders: tuple[str, ...]
    unknown_sites: str
    ledger: tuple[LedgerRow, ...]
    making_takes: str
    making_note: str
    ensemble_note: str
    purchase: tuple[str, ...]
    batches: tuple[tuple[list[int], str], ...]
    batch_count: int
    first_corrections: tuple[str, ...]
    tank_corrections: tuple[str, ...]
    spread: SpreadBlock | None
    sprayers: tuple[tuple[str, str, str, str, str], ...]
    crew_hours: str
    unserved: tuple[str, ...]
    batch_water: str
    batch_salt: str
    batch_brine: str
    sludge: str
    hydrometer_targets: tuple[tuple[str, str, str, str], ...]
    hydrometer_corrections: tuple[tuple[str, str, str, str], ...]
    check_first: str
    hydrometer_corrections_note: str
    loads: tuple[BlendLoadView, ...]
    later_loads: tuple[BlendLoadView, ...]
    blend_locations: tuple[tuple[str, str], ...]
    tanks: tuple[tuple[str, str, str, str, str], ...]
    stock: str
    additives: tuple[tuple[str, str, str, str], ...]
    cautions: tuple[str, ...]

    @property
    def is_dense(self) -> bool:
        """Whether the sheet needs smaller letters to fit a page."""
        tables: tuple[tuple[object, ...], ...] = (
            *(self.ledger, self.batches, self.first_corrections, self.tank_corrections),
            *(self.hydrometer_corrections, self.blend_locations, self.sprayers),
            *(self.loads, self.later_loads),
            *(self.additives, self.orders, self.spread.rows if self.spread else ()),
        )
        return sum(map(len, tables)) > MAX_ROOMY_LINES


def mix_sheet_views(plan: Plan) -> tuple[MixSheetView, ...]:
    """Return the mix sheet of every yard as text.

    Parameters
    ----------
    plan : Plan
        The record.

    Returns
    -------
    tuple of MixSheetView
        One per yard, in the order of the plan.
    """
    names = {
        (site.key, surface.key): f"{site.name}, {surface.name}"
        for site in plan.sites
        for surface in site.surfaces
    }
    not_known = set(plan.unknown_sites)
    by_yard: dict[str, list[SitePlan]] = defaultdict(list)
    for site in plan.sites:
        by_yard[site.yard].append(site)
    views = []
    for yard in plan.yards:
        sites = by_yard[yard.yard]
        unknown = join_names(
            [site.name for site in sites if site.key in not_known], limit=MAX_UNSERVED_NAMES
        )
        fmt = ReportFormat(UnitFormatter(plan.units), _yard_zone(sites, plan.timezone))
        spread = spread_block(sites, yard, plan.made_at, fmt)
        orders = tuple(
            order_sentence(one, plan.made_at, fmt) for one in orders_to_place(plan, yard.yard)
        )
        view = _mix_sheet_view(yard, names, unknown, spread, orders, plan.made_at, fmt)
        views.append(replace(view, later_loads=tuple(_later_loads(sites, fmt))))
    return tuple(views)


def _yard_zone(sites: Iterable[SitePlan], company_zone: str) -> ZoneInfo:
    """Return the zone most of a yard's sites are in; the company's where they are as many."""
    zones = Counter(site.timezone for site in sites)
    most = max(zones.values(), default=0)
    if zones.get(company_zone, 0) == most:
        return ZoneInfo(company_zone)
    return ZoneInfo(zones.most_common(1)[0][0])


def render_html(plan: Plan) -> str:
    """Render the mix sheet, one printed page per yard.

    Parameters
    ----------
    plan : Plan
        The record.

    Returns
    -------
    str
        HTML without scripts or outside references.
    """
    fmt = ReportFormat(UnitFormatter(plan.units), ZoneInfo(plan.timezone))
    return templating.render(
        "mixsheet.html",
        company=plan.company,
        made_at=fmt.full_datetime(plan.made_at),
        sheets=mix_sheet_views(plan),
    )


def _batch_lines(
    yard: YardMix, made_at: datetime, fmt: ReportFormat
) -> Iterable[tuple[list[int], str]]:
    """Yield batch numbers, tank and start time, once per tank."""
    numbered = enumerate(yard.batches, start=1)
    for tank, group in groupby(numbered, key=lambda pair: pair[1].tank):
        batches = list(group)
        where = ": no tank has room, see SHORT OF" if tank is None else f" to tank {tank}"
        start, when = batches[0][1].start, ""
        if start is not None:
            late = start < made_at
            when = "; begin at once" if late else f"; begin by {fmt.day_hour(start)}"
        volume = fmt.units.volume(batches[0][1].volume_l)
        yield [number for number, _ in batches], f"{volume}{where}{when}"


def _purchase_steps(yard: YardMix, fmt: ReportFormat) -> Iterable[str]:
    """Yield what is done to have the brine that is bought, in order."""
    bought = yard.brine_purchase
    if bought is None:
        return
    when = "at once" if bought.is_late else "now"
    if bought.order_by is not None and not bought.is_late:
        when = f"by {fmt.day_hour(bought.order_by)}"
    volume = fmt.units.precise_volume(bought.volume_l)
    yield f"Order {volume} of brine, {100 * yard.target_strength_frac:.1f} % salt by weight, {when}"
    yield "Read hydrometer and temperature of every load; what is off goes back, not into a tank"
    due = "" if bought.due_at is None else f" by {fmt.day_hour(bought.due_at)}"
    for one in bought.deliveries:
        part = fmt.units.precise_volume(one.volume_l)
        if one.tank is None:
            yield f"{part}: no tank has room; have it brought when the first loads are out"
        else:
            yield f"Take {part} into tank {one.tank}{due}"


def _unserved_lines(yard: YardMix, names: Mapping[tuple[str, str], str]) -> Iterable[str]:
    """Yield surfaces not reached, once per reason, with a few by name."""
    reasons: dict[str, list[str]] = {}
    for one in yard.sprayer_schedule.unserved:
        reasons.setdefault(one.text, []).append(names.get((one.site, one.surface), one.surface))
    for says, where in reasons.items():
        yield f"{capitalize_first(says)}: {join_names(where, limit=MAX_UNSERVED_NAMES)}."


def _tank_correction_line(correction: YardTankCorrection, formatter: UnitFormatter) -> str:
    """Return the steps that bring a tank to target, in order."""
    steps = []
    if correction.draw_off_l > 0.0:
        steps.append(f"draw off {formatter.precise_volume(correction.draw_off_l)}")
    if correction.add_water_l > 0.0:
        steps.append(f"add {formatter.precise_volume(correction.add_water_l)} water")
    if correction.add_salt_kg > 0.0:
        steps.append(f"add {_fine_mass(correction.add_salt_kg, formatter)} salt")
    return f"Tank {correction.tank}: {', then '.join(steps)}; mix, read again"


def _mix_sheet_view(
    yard: YardMix,
    names: Mapping[tuple[str, str], str],
    unknown_sites: str,
    spread: SpreadBlock | None,
    orders: tuple[str, ...],
    made_at: datetime,
    fmt: ReportFormat,
) -> MixSheetView:
    formatter = fmt.units
    return MixSheetView(
        name=yard.name,
        first_load_at="" if yard.first_load_at is None else fmt.dated_hour(yard.first_load_at),
        made_at=fmt.full_datetime(made_at),
        shortages=tuple(shortage_lines(yard, formatter)),
        orders=orders,
        unknown_sites=unknown_sites,
        ledger=ledger(yard, fmt),
        making_takes=format_working_time(yard.production_h) if yard.batches else "",
        making_note=_making_note(yard, formatter),
        ensemble_note=next(
            (f"{label}: {text}." for label, text in ensemble_rows(yard, formatter)), ""
        ),
        purchase=tuple(_purchase_steps(yard, fmt)),
        batches=tuple(_batch_lines(yard, made_at, fmt)),
        batch_count=len(yard.batches),
        first_corrections=tuple(
            _tank_correction_line(step, formatter)
            for step in yard.tank_corrections
            if step.is_first
        ),
        tank_corrections=tuple(
            _tank_correction_line(step, formatter)
            for step in yard.tank_corrections
            if not step.is_first
        ),
        spread=spread,
        sprayers=tuple(
            (
                one.name,
                str(one.loads),
                formatter.volume(one.volume_l),
                format_working_time(one.working_h),
                "" if one.start is None else fmt.day_hour(one.start),
            )
            for one in yard.sprayer_schedule.sprayers
            if one.loads
        ),
        crew_hours=". ".join(
            capitalize_first(text)
            for text in (
                rounds_text([yard.sprayer_schedule]),
                short_slack_text(yard.sprayer_schedule),
                travel_text(yard.sprayer_schedule, formatter),
            )
            if text
        ),
        unserved=tuple(_unserved_lines(yard, names)),
        batch_water=formatter.precise_volume(yard.batches[0].water_l if yard.batches else 0.0),
        batch_salt=_salt_per_batch(yard, formatter),
        batch_brine=f"{formatter.precise_volume(_per_batch(yard, yard.brine_to_make_l))} at "
        f"{100 * yard.target_strength_frac:.1f} % salt by weight",
        sludge="" if yard.sludge_kg <= 0.0 else formatter.mass(yard.sludge_kg),
        hydrometer_targets=tuple(
            _hydrometer_target(row, formatter) for row in yard.hydrometer_targets
        ),
        hydrometer_corrections=tuple(
            _hydrometer_correction(row, formatter) for row in yard.hydrometer_corrections
        ),
        check_first=check_first_text(yard.hydrometer_corrections, formatter)
        if yard.hydrometer_corrections
        else "",
        hydrometer_corrections_note="For one batch of "
        f"{formatter.volume(_per_batch(yard, yard.brine_to_make_l))} at "
        f"{formatter.temperature(yard.settled_temp_c)}.",
        loads=tuple(_blend_load_view(one, fmt) for one in yard.blends if one.volume_l > 0.0),
        later_loads=(),
        blend_locations=_blend_locations(yard, fmt),
        tanks=tuple(_tank_rows(yard, fmt)),
        stock=stock_text(yard, fmt),
        additives=tuple(
            (
                item.name,
                formatter.precise_volume(item.needed_l),
                formatter.precise_volume(item.on_hand_l),
                _shortage(item, fmt),
            )
            for item in yard.additives
        ),
        cautions=_cautions(yard),
    )


def _shortage(item: AdditiveNeed, fmt: ReportFormat) -> str:
    """Return the quantity short and the time from which it is missing."""
    if item.shortage_l <= 0.0:
        return ""
    when = "" if item.runs_out_at is None else f" from {fmt.day_hour(item.runs_out_at)}"
    return f"{fmt.units.precise_volume(item.shortage_l)}{when}"


def _per_batch(yard: YardMix, total: float) -> float:
    """Return the part of a total per batch; batches are equal."""
    return total / max(len(yard.batches), 1)


def _salt_per_batch(yard: YardMix, formatter: UnitFormatter) -> str:
    """Return the salt of one batch by weight, and as bags or buckets where it is loaded by them."""
    salt_kg = yard.batches[0].salt_kg if yard.batches else 0.0
    text = _fine_mass(salt_kg, formatter)
    if yard.bucket_kg is None and not yard.is_salt_bagged:
        return text
    counted = lifts(salt_kg, yard, formatter, by_bag=yard.is_salt_bagged)
    return f"{text} = {counted}" if counted else text


def _hydrometer_target(
    row: HydrometerTarget, formatter: UnitFormatter
) -> tuple[str, str, str, str]:
    low, high = row.accept_sg
    return (
        READING_CONDITIONS[row.stage],
        formatter.temperature(row.temp_c),
        f"{row.reading_sg:.3f}",
        f"{low:.3f} to {high:.3f}",
    )


def _hydrometer_correction(
    row: HydrometerCorrection, formatter: UnitFormatter
) -> tuple[str, str, str, str]:
    steps = []
    if row.draw_off_l > 0.0:
        steps.append(f"draw off {formatter.precise_volume(row.draw_off_l)}")
    if row.add_water_l > 0.0:
        steps.append(f"add {formatter.precise_volume(row.add_water_l)} water")
    if row.add_salt_kg > 0.0:
        steps.append(f"add {_fine_mass(row.add_salt_kg, formatter)} salt")
    return (
        f"{row.reading_sg:.3f}",
        f"{100 * row.strength_frac:.1f} %",
        capitalize_first(", ".join(steps)),
        "OK to spray; fix when you can" if row.is_sprayable else "do not spray",
    )


def _making_note(yard: YardMix, formatter: UnitFormatter) -> str:
    """Return how the yard's water and salt bear on the time a batch takes; often they do not."""
    if not yard.batches or yard.dissolving_time_ratio < SLOWER_RATIO:
        return ""
    water = formatter.temperature(yard.settled_temp_c)
    ratio = f"{yard.dissolving_time_ratio:.1f}"
    return f"; salt takes {ratio} times as long in {water} water as at 60 °F, coarse salt longer"


def check_first_text(corrections: Sequence[HydrometerCorrection], formatter: UnitFormatter) -> str:
    """Return what costs nothing and is done before salt or water is added to an off batch.

    Parameters
    ----------
    corrections : sequence of HydrometerCorrection
        Of readings off target, from the weakest on.
    formatter : UnitFormatter
        The reader's units.
    """
    low = [one for one in corrections if one.undissolved_kg > 0.0]
    high = [one for one in corrections if one.add_water_l > 0.0]
    bottom = ""
    if low:
        left = _fine_mass(low[-1].undissolved_kg, formatter)
        bottom = f" ({left} of salt still on the bottom make it read {low[-1].reading_sg:.3f})"
    cold = ""
    if high and high[0].on_target_temp_c is not None:
        at = formatter.temperature(high[0].on_target_temp_c)
        cold = f" (at {at}, brine on target reads {high[0].reading_sg:.3f})"
    return f"circulate on{bottom}; read its temperature again{cold}; wash the float."


def _fine_mass(mass_kg: float, formatter: UnitFormatter) -> str:
    """Return a mass [kg] to the pound, or to the half kilogram below 100 kg."""
    if formatter.is_us:
        return f"{mass_kg / KG_PER_LB:,.0f} lb"
    return f"{mass_kg:,.{0 if mass_kg >= 100.0 else 1}f} kg"


def _blend_load_view(blend: BlendVolume, fmt: ReportFormat) -> BlendLoadView:
    formatter = fmt.units
    more = formatter.precise_volume(blend.on_board_l) if blend.on_board_l > 0.0 else ""
    return BlendLoadView(
        name=blend_name(blend.additive_name, blend.additive_frac),
        volume=formatter.precise_volume(blend.volume_l),
        brine=formatter.precise_volume(blend.brine_l),
        additive=formatter.precise_volume(blend.additive_l) if blend.additive else "none",
        additive_name=blend.additive_name or "",
        first_load_at=(
            f"{fmt.day_hour(blend.first_load_at)}, {pluralize(blend.surface_count, 'surface')}"
            f"{f'; {more} more in a sprayer already' if more else ''}"
        ),
    )


def _later_loads(sites: Iterable[SitePlan], fmt: ReportFormat) -> Iterable[BlendLoadView]:
    """Yield what is sprayed at a yard's sites after the storm, by blend, first needed first."""
    blends: dict[tuple[str | None, float], list[Visit]] = {}
    for site in sites:
        for _, item in site.treatments:
            for visit in item.visits:
                if visit.action is Action.POST_TREAT:
                    blend = visit.additive_name if visit.additive else None, visit.additive_frac
                    blends.setdefault(blend, []).append(visit)
    for (additive_name, frac), visits in sorted(
        blends.items(), key=lambda each: min(visit.at for visit in each[1])
    ):
        volume_l = sum(visit.volume_l for visit in visits)
        additive_l = frac * volume_l if additive_name else 0.0
        first_at = fmt.day_hour(min(visit.at for visit in visits))
        yield BlendLoadView(
            name=blend_name(additive_name, frac),
            volume=fmt.units.precise_volume(volume_l),
            brine=fmt.units.precise_volume(volume_l - additive_l),
            additive=fmt.units.precise_volume(additive_l) if additive_name else "none",
            additive_name=additive_name or "",
            first_load_at=f"after the storm, {first_at}",
        )


def _blend_locations(yard: YardMix, fmt: ReportFormat) -> tuple[tuple[str, str], ...]:
    """Return where the blends that are loaded are made, those with the same answer together."""
    loaded = {(blend.additive, blend.additive_frac) for blend in yard.blends}
    names: dict[str, list[str]] = {}
    for advice in yard.blend_locations:
        if (advice.additive, advice.additive_frac) in loaded:
            name = blend_name(advice.additive_name, advice.additive_frac)
            names.setdefault(blend_location_line(advice, fmt), []).append(name)
    return tuple((join_names(together), line) for line, together in names.items())


def blend_location_line(advice: BlendLocationAdvice, fmt: ReportFormat) -> str:
    """Return where a blend is made, and why."""
    formatter = fmt.units
    where = (
        "Blend in the tank"
        if advice.location is BlendLocation.TANK
        else "Blend at load-out, in the sprayer"
    )
    if advice.min_tank_temp_c is None or advice.first_solid_c is None:
        return f"{where}: in a tank, salt crystals form at any temperature."
    solid = "salt crystals form" if advice.crystals_before_ice else "ice forms"
    near = f"in a tank, {solid} below {formatter.temperature(advice.first_solid_c)}"
    keep = f"keep it above {formatter.temperature(advice.min_tank_temp_c)}"
    air = (
        ""
        if advice.min_air_temp_c is None
        else f"air gets down to {formatter.temperature(advice.min_air_temp_c)}"
    )
    why = {
        BlendReason.DROPS_SALT: f"{near}, and {air}",
        BlendReason.FREEZES: f"{near}, and {air}",
        BlendReason.SEVERAL_BLENDS: "one tank cannot hold several blends",
        BlendReason.TEMPERATURE_UNKNOWN: f"how cold it gets is not known; {near}, {keep}",
        BlendReason.WARM_ENOUGH: f"one blend serves all, {air}; {near}, {keep}",
    }[advice.reason]
    base = ""
    if advice.matching_base_frac is not None and advice.location is BlendLocation.TANK:
        base = f" It stores best with {100 * advice.matching_base_frac:.1f} % base brine."
    return f"{where}: {why}.{base}"


def _tank_rows(yard: YardMix, fmt: ReportFormat) -> Iterable[tuple[str, str, str, str, str]]:
    for tank in yard.tanks:
        strength = "" if tank.strength_frac is None else f"{100 * tank.strength_frac:.1f} %"
        held, draw = fmt.units.volume(tank.on_hand_l), fmt.units.volume(tank.usable_l)
        dates = {one.counted_at for one in yard.tanks}
        status = tank_status_text(yard, tank)
        if yard.stock_as_of is not None or len(dates) > 1:  # one date stands beside the stock
            status += f"; {counted_text(tank.counted_at, yard.stock_as_of, fmt)}"
        yield tank.tank, held, draw, strength, status


def _cautions(yard: YardMix) -> tuple[str, ...]:
    """Return the handling cautions of the liquids this yard uses today."""
    handled = dict.fromkeys(key for blending in yard.blend_locations for key in blending.chlorides)
    return (*(HANDLING_NOTES[key] for key in handled if key in HANDLING_NOTES), *BRINE_HANDLING)
