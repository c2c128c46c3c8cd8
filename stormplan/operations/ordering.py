"""How much salt and additive to order today: whole lots, against many futures of demand.

What is ordered today is there after the lead time and must last until the order after that. Lots
are enumerated: where one is large against the demand, the critical ratio alone orders too much.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

import numpy as np
from pydantic import AwareDatetime

from stormplan.arrays import Array
from stormplan.company.catalog import Product
from stormplan.company.practice_rules import Practice
from stormplan.company.validators import Record
from stormplan.company.yards import Yard
from stormplan.liquids import batch
from stormplan.operations.blend_demand import on_hand_l
from stormplan.operations.demand_futures import (
    EMPTY_SHARE,
    Futures,
    planned_uses,
    product_futures,
    salt_futures,
)
from stormplan.operations.mix_records import BlendVolume
from stormplan.record.daily_use import daily_product_l, daily_salt_kg, windows_of_season
from stormplan.record.entries import SALT_PILE
from stormplan.record.stock import StockBook
from stormplan.treatment.records import Treatment

MAX_LOTS = 200  # that are weighed; more is a slip in a lot's size


class LotOption(Record):
    """What a number of lots, ordered today, comes to.

    Attributes
    ----------
    lots : int
        Ordered [-].
    short_share : float
        Futures that run out all the same [-].
    expected_cost : float or None
        Lots and what is bought at once, less what is left over at its price and with its
        carrying cost, in the company's currency; None where a price is missing.
    """

    lots: int
    short_share: float
    expected_cost: float | None


class OrderAdvice(Record):
    """What to order today of one item, and the figures behind it.

    Attributes
    ----------
    yard, item, name : str
        Key of the yard; ``salt`` or key of the product; its name.
    unit : str
        Of every amount: kilograms of salt, liters of a product.
    lots : int
        To order [-].
    lot : float
        What comes at once [kg] or [L].
    on_hand : float
        To draw on [kg] or [L].
    on_board : float
        Part of it that sprayers carry, in what they spray before they come home [kg] or [L].
    lead_time_h : float
        From the order until it is there [h].
    covered_until : datetime
        What is on hand and ordered is weighed until then, UTC.
    known_until : datetime
        The forecast's members until here, the record beyond, UTC.
    record_stretches : int
        Stretches of the record that stand for what comes beyond; 0 where it says nothing [-].
    short_share : float
        Futures that run out where nothing is ordered [-].
    runs_out_at : datetime or None
        When half of those have, UTC; None where none does.
    order_by : datetime or None
        To be there in time in all but as many futures as the prices bear, UTC; None where none
        runs out.
    arrives_at : datetime
        When it is there if it is ordered now, UTC.
    late_share : float
        Futures that run out before that [-].
    target_share : float
        Futures that should get by: the critical ratio of the prices, else of ``demand_percentile``
        [-].
    has_prices : bool
        Whether price and emergency price are known, so that lots are chosen by cost.
    reorder_point : float
        Order when less is on hand: with it, that share gets by until the lots are there [kg] or
        [L].
    demand_median, demand_high : float
        Use until ``covered_until`` in half of the futures, and in the target share of them, at most
        [kg] or [L].
    room_lots : int or None
        Lots there is room for [-]; None where nobody said.
    options : tuple of LotOption
        From none on, each number of lots that was weighed.
    """

    yard: str
    item: str
    name: str
    unit: Literal["kg", "L"]
    lots: int
    lot: float
    on_hand: float
    lead_time_h: float
    covered_until: AwareDatetime
    known_until: AwareDatetime
    record_stretches: int
    short_share: float
    runs_out_at: AwareDatetime | None
    order_by: AwareDatetime | None
    arrives_at: AwareDatetime
    late_share: float
    target_share: float
    has_prices: bool
    reorder_point: float
    demand_median: float
    demand_high: float
    room_lots: int | None
    options: tuple[LotOption, ...]
    on_board: float = 0.0


@dataclass(frozen=True)
class OrderTerms:
    """What an item costs and how it comes.

    Attributes
    ----------
    lead_time_h : float
        From the order until it is there [h].
    lot : float
        What comes at once [kg] or [L].
    room_lots : int or None
        Lots there is room for [-].
    price, emergency_price : float or None
        Ordered ahead and at once, in the company's currency [1/kg] or [1/L].
    carrying_share : float
        Of its price, for what is left over [-].
    """

    lead_time_h: float
    lot: float
    room_lots: int | None = None
    price: float | None = None
    emergency_price: float | None = None
    carrying_share: float = 0.0

    @property
    def critical_ratio(self) -> float | None:
        """Share of futures that the prices ask to get by [-]; None without prices.

        What it costs to be short over that and what it costs to be over.
        """
        if self.price is None or self.emergency_price is None:
            return None
        short = self.emergency_price - self.price
        return short / (short + self.carrying_share * self.price)


def demand_quantile(demand: Array, level: float) -> float:
    """Return the least amount that a share of futures gets by with.

    Parameters
    ----------
    demand : array (future,)
        What each uses [kg] or [L].
    level : float
        Share of them [-].

    Examples
    --------
    >>> demand_quantile(np.array([0.0, 100.0, 200.0, 400.0]), 0.6)
    200.0
    """
    return float(np.quantile(demand, level, method="inverted_cdf")) if demand.size else 0.0


def lot_options(
    early: Array, later: Array, on_hand: float, terms: OrderTerms
) -> tuple[LotOption, ...]:
    """Return what each number of lots comes to.

    Parameters
    ----------
    early, later : array (future,)
        Demand before the lots are there, and after [kg] or [L].
    on_hand : float
        To draw on [kg] or [L].
    terms : OrderTerms
        Lots, room and prices.

    Returns
    -------
    tuple of LotOption
        From none to as many as there is room for, or as the largest demand asks.
    """
    short_early = np.maximum(early - on_hand, 0.0)
    left = np.maximum(on_hand - early, 0.0)
    largest = float((later - left).max(initial=0.0))
    most = min(math.ceil(largest / terms.lot - EMPTY_SHARE) if largest > 0.0 else 0, MAX_LOTS)
    if terms.room_lots is not None:
        most = min(most, terms.room_lots)
    found = []
    for lots in range(most + 1):
        balance = left + lots * terms.lot - later
        short = short_early + np.maximum(-balance, 0.0)
        cost = None
        if terms.price is not None and terms.emergency_price is not None:
            over = float(np.maximum(balance, 0.0).mean())
            cost = (
                lots * terms.lot * terms.price
                + terms.emergency_price * float(short.mean())
                - (1.0 - terms.carrying_share) * terms.price * over
            )
        is_short = short > EMPTY_SHARE * (1.0 + on_hand)
        found.append(LotOption(lots=lots, short_share=float(is_short.mean()), expected_cost=cost))
    return tuple(found)


def choose_lots(options: Sequence[LotOption], target_share: float) -> LotOption:
    """Return the cheapest number of lots; without prices the fewest that the target allows."""
    costs = [one.expected_cost for one in options]
    if None not in costs:
        return options[int(np.argmin(np.array(costs, dtype=float)))]
    for one in options:
        if one.short_share <= 1.0 - target_share + EMPTY_SHARE:
            return one
    best = min(one.short_share for one in options)
    return next(one for one in options if one.short_share <= best)


def order_advice(
    yard: str,
    item: str,
    name: str,
    unit: Literal["kg", "L"],
    futures: Futures,
    on_hand: float,
    terms: OrderTerms,
    usual_share: float,
    now: datetime,
    known_until: datetime,
    covered_until: datetime,
    record_stretches: int,
    on_board: float = 0.0,
) -> OrderAdvice:
    """Return what to order of one item.

    Parameters
    ----------
    yard, item, name, unit : str
        Of what.
    futures : Futures
        What is used of it.
    on_hand : float
        To draw on [kg] or [L].
    terms : OrderTerms
        How it comes, and for how much.
    usual_share : float
        Share of futures to get by where no prices say another [-].
    now, known_until, covered_until : datetime
        The present, the end of the forecast and of what is weighed, aware UTC.
    record_stretches : int
        Stretches of the record in the futures [-].
    on_board : float
        Part of what is on hand that sprayers carry [kg] or [L].

    Returns
    -------
    OrderAdvice
    """
    horizon_h = (covered_until - now) / timedelta(hours=1)
    early = futures.used_before(terms.lead_time_h)
    total = futures.used_before(horizon_h)
    options = lot_options(early, total - early, on_hand, terms)
    ratio = terms.critical_ratio
    target = usual_share if ratio is None else ratio
    chosen = choose_lots(options, target)
    out_h = futures.run_out_hours(on_hand)
    out_h = np.where(out_h < horizon_h, out_h, np.inf)
    finite = out_h[np.isfinite(out_h)]
    order_by = runs_out_at = None
    if finite.size:
        runs_out_at = now + timedelta(hours=demand_quantile(finite, 0.5))
        first_h = demand_quantile(out_h, 1.0 - target)
        first_h = first_h if math.isfinite(first_h) else float(finite.min())
        order_by = now + timedelta(hours=first_h - terms.lead_time_h)
    return OrderAdvice(
        yard=yard,
        item=item,
        name=name,
        unit=unit,
        lots=chosen.lots,
        lot=terms.lot,
        on_hand=on_hand,
        lead_time_h=terms.lead_time_h,
        covered_until=covered_until,
        known_until=known_until,
        record_stretches=record_stretches,
        short_share=options[0].short_share,
        runs_out_at=runs_out_at,
        order_by=order_by,
        arrives_at=now + timedelta(hours=terms.lead_time_h),
        late_share=float((early > on_hand * (1.0 + EMPTY_SHARE) + EMPTY_SHARE).mean()),
        target_share=target,
        has_prices=ratio is not None,
        reorder_point=demand_quantile(early, target),
        demand_median=demand_quantile(total, 0.5),
        demand_high=demand_quantile(total, target),
        room_lots=terms.room_lots,
        options=options,
        on_board=on_board,
    )


def yard_orders(
    yard_key: str,
    yard: Yard,
    treatments: Sequence[Treatment],
    brine_usable_l: float,
    blends: Sequence[BlendVolume],
    products: Mapping[str, Product],
    practice: Practice,
    stock: StockBook,
    now: datetime,
    known_until: datetime,
) -> Iterable[OrderAdvice]:
    """Yield what a yard may have to order: salt first, then the products, as ``supply`` has them.

    Parameters
    ----------
    yard_key, yard : str, Yard
        The yard with what it holds now.
    treatments : sequence of Treatment
        Everything that it serves.
    brine_usable_l : float
        Brine in its tanks that can be used [L].
    blends : sequence of BlendVolume
        What it pre-treats with; what of it sprayers carry is not taken from the yard again.
    products : mapping of str to Product
        What may be blended in.
    practice : Practice
        The company's rules.
    stock : StockBook
        The record, for what comes beyond the forecast.
    now, known_until : datetime
        The present and the end of the forecast, aware UTC.

    Yields
    ------
    OrderAdvice
    """
    if yard.supply.salt is None and not yard.supply.products:
        return
    uses = planned_uses(treatments, now)
    factor = 1.0 + practice.number("reserve")
    carrying = practice.number("order_carrying_share")
    if yard.supply.salt is not None:
        salt = yard.supply.salt
        terms = OrderTerms(
            salt.lead_time_h,
            salt.lot_kg,
            _room_lots(salt.room_kg, yard.salt.on_hand_kg, salt.lot_kg),
            yard.salt.price_per_kg,
            salt.emergency_price_per_kg,
            carrying,
        )
        brine_l = brine_usable_l + sum(one.on_board_l * (1.0 - one.additive_frac) for one in blends)
        futures = salt_futures(uses, brine_l, _salt_kg_l(yard, practice), factor)
        daily = daily_salt_kg(stock, yard_key, now)
        yield _advice(
            (yard_key, SALT_PILE, "salt"), "kg", futures, daily, yard.salt.on_hand_kg, terms,
            practice, now, known_until,
        )  # fmt: skip
    for key, supply in yard.supply.products.items():
        product = products[key]
        terms = OrderTerms(
            supply.lead_time_h,
            supply.lot_l,
            _room_lots(*_product_room_l(yard, key, supply.room_l), supply.lot_l),
            product.price_per_l,
            supply.emergency_price_per_l,
            carrying,
        )
        daily = daily_product_l(stock, yard_key, yard, product, now)
        on_board_l = sum(
            one.on_board_l * one.additive_frac for one in blends if one.additive == key
        )
        yield _advice(
            (yard_key, key, product.name), "L", product_futures(uses, key, factor), daily,
            on_hand_l(yard, key) + on_board_l, terms, practice, now, known_until, on_board_l,
        )  # fmt: skip


def _advice(
    what: tuple[str, str, str],
    unit: Literal["kg", "L"],
    futures: Futures,
    daily: Array,
    on_hand: float,
    terms: OrderTerms,
    practice: Practice,
    now: datetime,
    known_until: datetime,
    on_board: float = 0.0,
) -> OrderAdvice:
    covered_until = now + timedelta(hours=terms.lead_time_h + practice.number("order_review"))
    beyond_days = max(math.ceil((covered_until - known_until) / timedelta(days=1)), 0)
    stretches = windows_of_season(daily, beyond_days, practice.number("order_history_days") / 24.0)
    if daily.size < practice.number("order_history_min") / 24.0:
        stretches = stretches[:0]
    if len(stretches):
        futures = futures.followed_by((known_until - now) / timedelta(hours=1), stretches)
    return order_advice(
        *what, unit, futures, on_hand, terms, practice.number("demand_percentile"), now,
        known_until, covered_until, len(stretches), on_board,
    )  # fmt: skip


def _room_lots(room: float | None, on_hand: float, lot: float) -> int | None:
    return None if room is None else max(math.floor((room - on_hand) / lot + EMPTY_SHARE), 0)


def _product_room_l(yard: Yard, product: str, totes_l: float | None) -> tuple[float | None, float]:
    """Return what a yard can hold of a product, and what it holds [L]; None where nobody said."""
    tanks = [tank for tank in yard.tanks.values() if tank.product == product]
    held_l = sum(tank.on_hand_l for tank in tanks) + yard.stock_l.get(product, 0.0)
    if totes_l is None and not tanks:
        return None, held_l
    return sum(tank.capacity_l for tank in tanks) + (totes_l or 0.0), held_l


def _salt_kg_l(yard: Yard, practice: Practice) -> float:
    """Return the salt as delivered in a liter of brine; none where the yard makes none [kg/L]."""
    if yard.mixer is None:
        return 0.0
    salt = batch.Salt(yard.salt.purity_frac, yard.salt.moisture_frac, yard.salt.insolubles_frac)
    return batch.make_batch(1.0, practice.number("brine_target"), salt).salt_kg
