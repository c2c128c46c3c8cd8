"""A yard's mix in short: rows for briefing and terminal, and what the mix sheet says too."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from stormplan.operations.mix_records import (
    TankState,
    YardMix,
)
from stormplan.units import L_PER_GAL, UnitFormatter
from stormplan.words.formatting import (
    ReportFormat,
    blend_name,
    format_percent,
    format_working_time,
    pluralize,
)
from stormplan.words.round_text import short_slack_text, travel_text

NOTHING, NOT_KNOWN = "Nothing to mix.", "NOT KNOWN: no site has a forecast."
MIN_ENSEMBLE_RATIO = 1.02  # of what is sprayed; less is within what a pump is set to
TANK_STATUS_TEXT = {
    "usable": "OK",
    "correct when time": "OK to spray; correct it when there is time",
    "too weak": "too weak: correct it first",
    "too strong": "too strong: correct it first",
    "no reading": "no reading: take one before counting on it",
}


@dataclass(frozen=True)
class YardMixView:
    """A yard's mix as (label, value) rows."""

    name: str
    blends: tuple[tuple[str, str, str], ...]
    rows: tuple[tuple[str, str], ...]
    shortages: tuple[str, ...]


def yard_mix_view(yard: YardMix, fmt: ReportFormat, *, is_known: bool = True) -> YardMixView:
    """Return the text view of a yard's mix; without any forecast nothing to mix is no answer."""
    formatter = fmt.units
    if not yard.blends and not yard.brine_needed_l and not spread_rows(yard, formatter):
        return YardMixView(yard.name, (), (("Mix", NOTHING if is_known else NOT_KNOWN),), ())
    rows = [
        *ensemble_rows(yard, formatter),
        *spread_rows(yard, formatter),
        *((label, value) for _, label, value, _ in ledger(yard, fmt)),
        *_purchase_rows(yard, fmt),
    ]
    if yard.brine_to_make_l > 0.0:
        low, high = yard.settled_accept_sg
        rows += [
            ("Salt, as delivered", formatter.mass(yard.salt_kg)),
            ("Water", formatter.volume(yard.water_l)),
            ("Strength", f"{100 * yard.target_strength_frac:.1f} % by weight"),
            (
                f"Hydrometer at {formatter.temperature(yard.settled_temp_c)}",
                f"{yard.settled_sg:.3f} (accept {low:.3f} to {high:.3f})",
            ),
            ("Hydrometer at 60 °F", f"{yard.target_sg_60f:.3f}"),
        ]
    for additive in yard.additives:
        short = (
            f", SHORT {formatter.volume(additive.shortage_l)}" if additive.shortage_l > 0.0 else ""
        )
        need = (
            f"{formatter.volume(additive.needed_l)} of {formatter.volume(additive.on_hand_l)} "
            f"on hand{short}"
        )
        rows.append((additive.name, need))
    for tank in yard.tanks:
        strength = "" if tank.strength_frac is None else f"{100 * tank.strength_frac:.1f} %, "
        held = f"{formatter.volume(tank.on_hand_l)}, {formatter.volume(tank.usable_l)} to draw"
        status = tank_status_text(yard, tank)
        counted = counted_text(tank.counted_at, yard.stock_as_of, fmt)
        rows.append((f"Tank {tank.tank}", f"{held}, {strength}{status}; {counted}"))
    rows.append(("Stock", stock_text(yard, fmt)))
    for one in yard.sprayer_schedule.sprayers:
        if one.loads and one.start is not None:
            load = (
                f"{pluralize(one.loads, 'load')}, {format_working_time(one.working_h)} from "
                f"{fmt.day_hour(one.start)}"
            )
            rows.append((one.name, f"{formatter.volume(one.volume_l)} in {load}"))
    if yard.sprayer_schedule.unserved:
        rows.append(
            ("NOT REACHED in time", pluralize(len(yard.sprayer_schedule.unserved), "surface"))
        )
    rows += [
        (label, text)
        for label, text in (
            ("Time left", short_slack_text(yard.sprayer_schedule)),
            ("Driving", travel_text(yard.sprayer_schedule, formatter)),
        )
        if text
    ]
    return YardMixView(
        name=yard.name,
        blends=tuple(
            (
                blend_name(blend.additive_name, blend.additive_frac),
                formatter.volume(blend.volume_l),
                f"first load {fmt.day_hour(blend.first_load_at)}, "
                f"{pluralize(blend.surface_count, 'surface')}",
            )
            for blend in yard.blends
            if blend.volume_l > 0.0
        ),
        rows=tuple(rows),
        shortages=tuple(shortage_lines(yard, formatter)),
    )


def shortage_lines(yard: YardMix, formatter: UnitFormatter) -> list[str]:
    """Return what a yard is short of, and of salt and additives by how much."""
    salt_short_kg = yard.salt_kg + yard.spread_salt_kg - yard.salt_on_hand_kg
    bought_l = 0.0 if yard.brine_purchase is None else yard.brine_purchase.volume_l
    amounts = {
        "salt": f"{formatter.mass(salt_short_kg)} of salt",
        "bought brine": f"{formatter.volume(bought_l)} of brine in time for the first load",
    } | {
        item.product: f"{formatter.volume(item.shortage_l)} of {item.name}"
        for item in yard.additives
    }
    return [amounts.get(what, what) for what in yard.shortages]


def stock_text(yard: YardMix, fmt: ReportFormat) -> str:
    """Return where the stock of a yard is known from, and as of when."""
    if yard.stock_as_of is None:
        dates = {counted_text(tank.counted_at, None, fmt) for tank in yard.tanks}
        counted = f", {dates.pop()}" if len(dates) == 1 else ""
        return f"by the sites file{counted}"
    return f"by the record up to {fmt.full_datetime(yard.stock_as_of)}"


def counted_text(
    counted_at: datetime | None, stock_as_of: datetime | None, fmt: ReportFormat
) -> str:
    """Return when a tank was measured or counted; it is dated, as that may be weeks ago."""
    if counted_at is None:
        return "nobody said when it was measured"
    if stock_as_of is not None:
        return f"measured {fmt.full_datetime(counted_at)}"
    return f"counted {counted_at.astimezone(fmt.zone):%Y-%m-%d}"


LedgerRow = tuple[str, str, str, bool]
FINE_BELOW = 20.0  # gallons or liters in all from which on whole ones will do; our own choice


def ledger(yard: YardMix, fmt: ReportFormat) -> tuple[LedgerRow, ...]:
    """Return the brine as a sum that adds up on paper.

    Returns
    -------
    tuple of (str, str, str, bool)
        Sign, label, volume and whether it is a result.
    """
    need = yard.brine_need
    volume = yard.ensemble_volume
    share = "all" if volume is None else format_percent(volume.quantile_level)
    labels = (
        ("In the blends to load", need.pretreat_l),
        (f"More, to cover {share} of forecasts", need.ensemble_extra_l),
        ("For spraying after the storm", need.follow_up_l),
        ("To wet dry salt", need.prewet_l),
        ("Reserve", need.reserve_l),
    )
    per_l = 1.0 / L_PER_GAL if fmt.units.is_us else 1.0
    digits = 1 if per_l * need.total_l < FINE_BELOW else 0
    parts = _rounded_parts([per_l * value_l for _, value_l in labels], digits)

    def shown(value: float) -> str:
        return f"{value:,.{digits}f} {'gal' if fmt.units.is_us else 'L'}"

    rows: list[LedgerRow] = []
    for (label, _), value in zip(labels, parts, strict=True):
        if value > 0.0:
            rows.append(("+" if rows else "", label, shown(value), False))
    needed = round(sum(parts), digits)
    rows.append(("=", "Brine needed", shown(needed), True))
    usable = round(per_l * yard.brine_usable_l, digits)
    rows.append(("−", "On hand and usable", shown(usable), False))
    for each in yard.tank_corrections:
        if each.is_first:
            gained = round(per_l * each.gained_l, digits)
            usable += gained
            rows.append(("−", f"In tank {each.tank} once it is corrected", shown(gained), False))
    label = "Brine to make" if yard.makes_brine else "Brine to buy"
    rows.append(("=", label, shown(max(needed - usable, 0.0)), True))
    return tuple(rows)


def _rounded_parts(parts: Sequence[float], digits: int) -> list[float]:
    """Round parts so that they add up to the rounded total: the largest remainders go up.

    Examples
    --------
    >>> _rounded_parts([1.4, 1.4, 1.4], 0)
    [2.0, 1.0, 1.0]
    """
    scale = 10.0**digits
    floors = [math.floor(scale * part + 1e-9) for part in parts]
    missing = round(scale * sum(parts)) - sum(floors)
    by_remainder = sorted(range(len(parts)), key=lambda at: floors[at] - scale * parts[at])
    for at in by_remainder[:missing]:
        floors[at] += 1
    return [floor / scale for floor in floors]


def _purchase_rows(yard: YardMix, fmt: ReportFormat) -> list[tuple[str, str]]:
    """Return when bought brine is ordered and due."""
    bought = yard.brine_purchase
    rows = []
    if bought is not None and bought.order_by is not None:
        when = "at once" if bought.is_late else f"by {fmt.day_hour(bought.order_by)}"
        rows.append(("Order it", when))
    if bought is not None and bought.due_at is not None:
        rows.append(("In the tanks", f"by {fmt.day_hour(bought.due_at)}"))
    return rows


def ensemble_rows(yard: YardMix, formatter: UnitFormatter) -> Iterable[tuple[str, str]]:
    """Yield the spray volume over the ensemble and the reserve mixed for it."""
    demand = yard.ensemble_volume
    if demand is None or demand.max_l <= MIN_ENSEMBLE_RATIO * demand.median_l:
        return
    median, high, maximum = map(
        formatter.volume, (demand.median_l, demand.quantile_l, demand.max_l)
    )
    share = format_percent(demand.quantile_level)
    half = f"half need {median} or less" if demand.median_l > 0.0 else "half need none"
    yield "Spray in the forecasts", f"{half}, {share} {high} or less, the most {maximum}"


def spread_rows(yard: YardMix, formatter: UnitFormatter) -> list[tuple[str, str]]:
    """Return what is spread dry, and the brine that wets it, where there is any."""
    rows = []
    if yard.spread_salt_kg > 0.0:
        rows.append(("Dry salt to spread", formatter.mass(yard.spread_salt_kg)))
    if yard.spread_sand_kg > 0.0:
        rows.append(("Sand to spread", formatter.mass(yard.spread_sand_kg)))
    return rows


def tank_status_text(yard: YardMix, tank: TankState) -> str:
    """Return what a tank's reading means here; nobody corrects what the yard cannot mend."""
    is_off = tank.status in ("too weak", "too strong", "correct when time")
    if is_off and not yard.makes_brine and all(c.tank != tank.tank for c in yard.tank_corrections):
        use = "OK to spray" if tank.status == "correct when time" else "do not spray"
        return f"too weak: {use}; ask the supplier"
    return TANK_STATUS_TEXT[tank.status]
