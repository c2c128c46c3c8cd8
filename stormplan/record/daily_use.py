"""What went out of a yard by the record, day by day: what a company's own winters ask for."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

import numpy as np

from stormplan.arrays import Array
from stormplan.company.catalog import Product
from stormplan.company.yards import Yard
from stormplan.liquids.blend import liquid_from_product
from stormplan.liquids.hydrometer import REFERENCE_C
from stormplan.record.entries import SALT_PILE, LossCause
from stormplan.record.stock import Account, StockBook, StockMovement

DAY = timedelta(days=1)
DAYS_OF_YEAR = 365.25
#: Kinds of accounts that use what goes into them.
USING = ("surface", "sprayer")


def daily_salt_kg(stock: StockBook, yard_key: str, now: datetime) -> Array:
    """Return the salt that left the pile, for brine or spread dry.

    Parameters
    ----------
    stock : StockBook
        What the record moved.
    yard_key : str
        The yard.
    now : datetime
        The present, aware.

    Returns
    -------
    array (day,)
        In each 24 hours up to now since the yard's first entry, the oldest first [kg].
    """
    return _daily(stock, yard_key, [Account("store", yard_key, SALT_PILE)], now)


def daily_product_l(
    stock: StockBook, yard_key: str, yard: Yard, product: Product, now: datetime
) -> Array:
    """Return the volume of a product that left its tanks and totes.

    Parameters
    ----------
    stock : StockBook
        What the record moved.
    yard_key, yard : str, Yard
        The yard.
    product : Product
        Which.
    now : datetime
        The present, aware.

    Returns
    -------
    array (day,)
        In each 24 hours up to now since the yard's first entry, the oldest first, at 60 °F [L].
    """
    keys = [key for key, tank in yard.tanks.items() if tank.product == product.key]
    stores = [Account("store", yard_key, key) for key in dict.fromkeys((*keys, product.key))]
    density_kg_l = liquid_from_product(product).density_kg_m3(REFERENCE_C) / 1000.0
    return _daily(stock, yard_key, stores, now) / density_kg_l


def _daily(stock: StockBook, yard_key: str, stores: Sequence[Account], now: datetime) -> Array:
    entered = stock.movements_by_yard.get(yard_key, ())
    first = min((one.at for one in entered), default=now)
    daily = np.zeros(max(-(-(now - first) // DAY), 0))
    for one in entered:
        day = (now - one.at) // DAY
        if 0 <= day < daily.size:
            daily[daily.size - 1 - day] += _used_kg(one, stores)
    return np.maximum(daily, 0.0)  # what came back may have gone out the day before


def _used_kg(movement: StockMovement, stores: Sequence[Account]) -> float:
    """Return what a movement takes out of some stores for use, less what it brings back [kg]."""
    mass_kg = sum(movement.masses_kg)
    if movement.source in stores and _is_use(movement.target):
        return mass_kg
    if movement.target in stores and movement.source.kind == "sprayer":
        return -mass_kg
    return 0.0


def _is_use(target: Account) -> bool:
    """Whether what goes there is used: put down, loaded, or dissolved with what settles of it."""
    if target.kind in USING or (target.kind == "supply" and target.key == "mixer"):
        return True
    return target.kind == "loss" and target.key == str(LossCause.SETTLED)


def windows_of_season(daily: Array, days: int, season_days: float) -> Array:
    """Return every stretch of days of the record that lies near a date, of this year or another.

    Parameters
    ----------
    daily : array (day,)
        Use up to now, the oldest first.
    days : int
        Length of a stretch [d].
    season_days : float
        How far the middle of a stretch may be from today's date, in any year [d].

    Returns
    -------
    array (stretch, day)
        In the unit of ``daily``.
    """
    if days < 1 or daily.size < days:
        return np.zeros((0, max(days, 0)))
    stretches = np.lib.stride_tricks.sliding_window_view(daily, days)
    age_days = daily.size - np.arange(len(stretches)) - 0.5 * days
    apart = np.abs((age_days + 0.5 * DAYS_OF_YEAR) % DAYS_OF_YEAR - 0.5 * DAYS_OF_YEAR)
    return np.asarray(stretches[apart <= season_days])
