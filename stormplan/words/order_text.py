"""What to order, as a sentence, and the figures behind it."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

from stormplan.operations.ordering import LotOption, OrderAdvice
from stormplan.planning.plan import Plan
from stormplan.units import KG_PER_TON, L_PER_GAL
from stormplan.words.formatting import (
    ReportFormat,
    format_percent,
    pluralize,
)

#: Largest lots that come as drums and as totes, in the trade's sizes of 55 and 330 gal [L], and as
#: pallets of bags, of a ton and a quarter [kg].
DRUM_L, TOTE_L, PALLET_KG = 60.0 * L_PER_GAL, 335.0 * L_PER_GAL, 1.5 * KG_PER_TON
WEEKDAY_IS_CLEAR_FOR = timedelta(days=6)  # later days are told with their date


def orders_to_place(plan: Plan, yard: str | None = None) -> tuple[OrderAdvice, ...]:
    """Return what is to be ordered, of one yard or of all."""
    return tuple(one for one in plan.orders if one.lots and yard in (None, one.yard))


def lots_text(advice: OrderAdvice, lots: int, fmt: ReportFormat) -> str:
    """Return a number of lots with what they hold, like ``2 totes (550 gal)``."""
    if advice.unit == "kg":
        amount = fmt.units.mass(lots * advice.lot)
        noun = "pallet" if advice.lot <= PALLET_KG else "truckload"
    else:
        amount = fmt.units.volume(lots * advice.lot)
        noun = "tote" if DRUM_L < advice.lot <= TOTE_L else "load"
        noun = "drum" if advice.lot <= DRUM_L else noun
    return f"{pluralize(lots, noun)} ({amount})"


def futures_text(share: float) -> str:
    """Return a share of futures in tenths.

    Examples
    --------
    >>> futures_text(0.31), futures_text(0.02), futures_text(0.99)
    ('3 of 10 futures', 'fewer than 1 of 10 futures', '9 of 10 futures')
    """
    if 0.0 < share < 0.05:
        return "fewer than 1 of 10 futures"
    return f"{_tenths(share)} of 10 futures"


def _tenths(share: float) -> int:
    """Return a share in tenths; only all of them are ten."""
    tenths = round(10.0 * share)
    return 9 if share < 1.0 and tenths == 10 else tenths


def order_sentence(advice: OrderAdvice, made_at: datetime, fmt: ReportFormat) -> str:
    """Return what to order by when, and what happens otherwise.

    Parameters
    ----------
    advice : OrderAdvice
        Of one item.
    made_at : datetime
        When the plan was made, aware.
    fmt : ReportFormat
        The reader's units and zone.
    """
    when = _when(advice, made_at, fmt)
    lots = lots_text(advice, advice.lots, fmt)
    short = futures_text(advice.short_share)
    verb = "runs" if _tenths(advice.short_share) == 1 else "run"
    out = ""
    if advice.runs_out_at is not None:
        near = "about" if advice.runs_out_at > advice.known_until else "on"
        out = f" {near} {_day(advice.runs_out_at, made_at, fmt)}"
    text = f"Order {lots} of {advice.name} {when}: {short} {verb} out{out} otherwise."
    if advice.late_share > 0.0:
        there = _day_hour(advice.arrives_at, made_at, fmt)
        text += f" Ordered now it is there {there}, too late in {futures_text(advice.late_share)}."
    return text


def order_summary(plan: Plan, yard: str, fmt: ReportFormat) -> str:
    """Return what a yard is to order by when, in few words; empty where nothing."""
    return ", ".join(
        f"{lots_text(one, one.lots, fmt).split(' (')[0]} of {one.name}"
        f" {_when(one, plan.made_at, fmt)}"
        for one in orders_to_place(plan, yard)
    )


def _when(advice: OrderAdvice, made_at: datetime, fmt: ReportFormat) -> str:
    if advice.order_by is None or advice.order_by <= made_at:
        return "now"
    return f"by {_day_hour(advice.order_by, made_at, fmt)}"


def _is_near(moment: datetime, made_at: datetime) -> bool:
    return moment - made_at < WEEKDAY_IS_CLEAR_FOR


def _day(moment: datetime, made_at: datetime, fmt: ReportFormat) -> str:
    local = moment.astimezone(fmt.zone)
    if _is_near(moment, made_at):
        return f"{local:%A}"
    return fmt.dated_hour(moment).split(",", 1)[0]


def _day_hour(moment: datetime, made_at: datetime, fmt: ReportFormat) -> str:
    return fmt.day_hour(moment) if _is_near(moment, made_at) else fmt.dated_hour(moment)


def order_lines(plan: Plan, fmt: ReportFormat) -> Iterable[str]:
    """Yield every item that yards order, with the figures behind it."""
    names = {yard.yard: yard.name for yard in plan.yards}
    yield f"By the plan of {fmt.full_datetime(plan.made_at)}"
    if not plan.orders:
        yield "Nothing to say: no yard has `supply` in the sites file."
    for advice in plan.orders:
        yield f"{names[advice.yard]}, {advice.name}"
        if advice.lots:
            yield f"  {order_sentence(advice, plan.made_at, fmt)}"
        else:
            yield f"  {_no_order_text(advice, plan.made_at, fmt)}"
        yield from (f"  {line}" for line in _figures(advice, plan, fmt))
    unknown = [site.name for site in plan.sites if site.key in plan.unknown_sites]
    if unknown:
        yield f"Not known, and not counted: {', '.join(unknown)}."


def _no_order_text(advice: OrderAdvice, made_at: datetime, fmt: ReportFormat) -> str:
    if advice.short_share == 0.0:
        until = _day(advice.covered_until, made_at, fmt)
        return f"Nothing to order: what is on hand does until {until} in every future."
    short = futures_text(advice.short_share)
    if advice.room_lots == 0:
        return f"NO ROOM for one more lot, and {short} run out: make room, or take a smaller lot."
    if advice.late_share >= advice.short_share:
        there = _day_hour(advice.arrives_at, made_at, fmt)
        return (
            f"Too late to order: {short} run out before it is there, {there}. Get it elsewhere,"
            " at once."
        )
    return f"Nothing to order: {short} run out, and buying at once then costs less than a lot now."


def _figures(advice: OrderAdvice, plan: Plan, fmt: ReportFormat) -> Iterable[str]:
    def amount(value: float) -> str:
        return fmt.units.mass(value) if advice.unit == "kg" else fmt.units.volume(value)

    until = _day_hour(advice.covered_until, plan.made_at, fmt)
    share = format_percent(advice.target_share)
    on_board = f", {amount(advice.on_board)} of it on trucks" if advice.on_board > 0.0 else ""
    yield (
        f"On hand {amount(advice.on_hand)}{on_board}; used until {until}: half of the futures"
        f" {amount(advice.demand_median)} or less, {share} {amount(advice.demand_high)} or less"
    )
    yield (
        f"Reorder point {amount(advice.reorder_point)}: what {share} of the futures use at most in"
        f" the {advice.lead_time_h / 24.0:.3g} d until an order is there"
    )
    if advice.has_prices:
        yield f"{share} is the critical ratio: what being short costs, over that plus being over"
    for option in _shown(advice):
        lots = lots_text(advice, option.lots, fmt) if option.lots else "none"
        runs = futures_text(option.short_share) if option.short_share else "no future"
        yield f"  {lots:28s} {runs} short{_cost_text(advice, option, plan.currency)}"
    if not advice.has_prices:
        yield "No price, or no emergency_price: lots are chosen by demand_percentile, not by cost"
    if advice.room_lots is None:
        yield "Room is not known: nobody wrote it into the sites file"
    if advice.record_stretches:
        yield (
            f"Until {_day_hour(advice.known_until, plan.made_at, fmt)} by the forecast's members,"
            " beyond by"
            f" {pluralize(advice.record_stretches, 'stretch', 'stretches')} of your record"
        )
    elif advice.covered_until > advice.known_until:
        yield (
            f"Only the forecast counts, until {_day_hour(advice.known_until, plan.made_at, fmt)}:"
            " the record is too short to say what comes after"
        )


def _cost_text(advice: OrderAdvice, option: LotOption, currency: str) -> str:
    """Return what an option costs more than the one that is chosen; what is left over keeps."""
    chosen = advice.options[advice.lots].expected_cost
    if option.lots == advice.lots:
        return "; this one" if chosen is None else "; the cheapest"
    if option.expected_cost is None or chosen is None:
        return ""
    return f"; {option.expected_cost - chosen:,.0f} {currency} more"


MAX_OPTIONS = 6  # shown beside the one that is chosen


def _shown(advice: OrderAdvice) -> Iterable[LotOption]:
    """Yield none, those around the choice, and no more than a reader takes in."""
    first = max(advice.lots - MAX_OPTIONS // 2, 1)
    yield advice.options[0]
    yield from advice.options[first : first + MAX_OPTIONS]
