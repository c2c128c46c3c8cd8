"""What the yards hold by the record: tanks, totes and piles, in kilograms of each salt and water.

Everything is moved from one account to another; ``stock_ledger`` reads the record that way.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property
from typing import Literal, NamedTuple
from zoneinfo import ZoneInfo

from stormplan.company.yards import Tank, TankReading, Yard
from stormplan.record.amounts import chloride_of
from stormplan.record.entries import SALT_PILE, Calibration

AccountKind = Literal["store", "sprayer", "surface", "loss", "difference", "supply", "opening"]


class Account(NamedTuple):
    """Where something is, comes from or goes to.

    Attributes
    ----------
    kind : str
        What it is; ``difference`` is book less measured, ``opening`` what the sites file has.
    place, key : str
        Yard and store, sprayer, cause or product; for a surface its site and itself.
    """

    kind: AccountKind
    place: str
    key: str


@dataclass(frozen=True)
class StockMovement:
    """What one entry moved.

    Attributes
    ----------
    entry : str
        Its id; empty for an opening balance.
    at : datetime
        When, aware.
    source, target : Account
        From where to where.
    masses_kg : tuple of float
        In the order of ``PARTS``; below zero it moved the other way [kg].
    """

    entry: str
    at: datetime
    source: Account
    target: Account
    masses_kg: tuple[float, ...]

    @property
    def chloride_kg(self) -> float:
        """Chloride in it [kg]."""
        return chloride_of(self.masses_kg)


@dataclass(frozen=True)
class StoreStock:
    """What one tank, tote or pile holds by the record.

    Attributes
    ----------
    masses_kg : tuple of float
        In the order of ``PARTS`` [kg].
    volume_l : float
        Of a liquid at 60 °F; below zero more was drawn than was in it [L].
    strength_frac : float or None
        All chlorides by weight; None where nobody has read what it holds [-].
    counted_at : datetime or None
        When it was measured last, or counted for the sites file, aware; None where nobody said.
    moved_at : datetime or None
        When something last went in or out, aware.
    """

    masses_kg: tuple[float, ...]
    volume_l: float
    strength_frac: float | None
    counted_at: datetime | None
    moved_at: datetime | None

    @property
    def total_kg(self) -> float:
        """All of it [kg]."""
        return sum(self.masses_kg)


@dataclass(frozen=True)
class StoreCheck:
    """Book against measured, at the temperature it was measured at.

    Attributes
    ----------
    yard, store : str
        Which.
    at : datetime
        When, aware.
    booked, measured, limit : float
        Of a liquid in liters, of the pile in kilograms.
    missing_chloride_kg : float
        Chloride in the book less what was measured [kg].
    """

    yard: str
    store: str
    at: datetime
    booked: float
    measured: float
    limit: float
    missing_chloride_kg: float

    @property
    def is_beyond(self) -> bool:
        """Whether they differ by more than the limit."""
        return abs(self.booked - self.measured) > self.limit


@dataclass(frozen=True)
class LoadCheck:
    """The loads of one round of a sprayer against what its services say.

    Attributes
    ----------
    yard, sprayer : str
        Which.
    start, end : datetime or None
        First load and return, aware; no end while it is out.
    loaded_l, returned_l, service_l, limit_l : float
        As told [L].
    """

    yard: str
    sprayer: str
    start: datetime
    end: datetime | None
    loaded_l: float
    returned_l: float
    service_l: float
    limit_l: float

    @property
    def difference_l(self) -> float:
        """What the services do not account for [L]."""
        return self.loaded_l - self.returned_l - self.service_l

    @property
    def is_beyond(self) -> bool:
        """Whether that is more than the limit; not asked of a round that is still out."""
        return self.end is not None and abs(self.difference_l) > self.limit_l + 1e-9


@dataclass(frozen=True)
class YardStock:
    """What one yard holds by the record.

    Attributes
    ----------
    stores : mapping of str to StoreStock
        By tank, product in totes, and ``salt``.
    as_of : datetime
        Its last entry, aware.
    """

    stores: Mapping[str, StoreStock]
    as_of: datetime


@dataclass(frozen=True)
class StockBook:
    """All yards by the record, and how they came there.

    Attributes
    ----------
    yards : mapping of str to YardStock
        Those that the record says something of.
    movements : tuple of StockMovement
        In order of time, opening balances first.
    store_checks : tuple of StoreCheck
        Each measurement against the book.
    load_checks : tuple of LoadCheck
        Each round of a sprayer.
    calibrations : mapping of (str, str) to Calibration
        The last of each sprayer, by yard and sprayer.
    """

    yards: Mapping[str, YardStock]
    movements: tuple[StockMovement, ...]
    store_checks: tuple[StoreCheck, ...]
    load_checks: tuple[LoadCheck, ...]
    calibrations: Mapping[tuple[str, str], Calibration] = field(default_factory=dict)

    @cached_property
    def movements_by_yard(self) -> Mapping[str, Sequence[StockMovement]]:
        """The movements in and out of each yard's stores that entries tell of, in order of time."""
        found: dict[str, list[StockMovement]] = {}
        for one in self.movements:
            sides = (one.source, one.target) if one.entry else ()
            for yard in dict.fromkeys(side.place for side in sides if side.kind == "store"):
                found.setdefault(yard, []).append(one)
        return found


NO_STOCK = StockBook({}, (), (), ())


def yard_with_calibrations(
    key: str, yard: Yard, calibrations: Mapping[tuple[str, str], Calibration]
) -> Yard:
    """Return a yard whose sprayers can what they were last measured to.

    Parameters
    ----------
    key : str
        The yard's key.
    yard : Yard
        As the sites file has it.
    calibrations : mapping of (str, str) to Calibration
        The last of each sprayer, by yard and sprayer.

    Returns
    -------
    Yard
        What a calibration does not say stays as written.
    """
    sprayers = {}
    for name, sprayer in yard.sprayers.items():
        found = calibrations.get((key, name))
        measured = (
            {}
            if found is None
            else {
                one: getattr(found, one)
                for one in ("min_rate_l_m2", "max_rate_l_m2", "coverage_rate_m2_h")
                if getattr(found, one) is not None
            }
        )
        sprayers[name] = sprayer.model_copy(update=measured)
    return yard.model_copy(update={"sprayers": sprayers})


def yard_with_stock(yard: Yard, stock: YardStock) -> Yard:
    """Return a yard with what the record says it holds in place of what the sites file says.

    Where more was drawn than was there, nothing is on hand.
    """
    tanks = {
        key: tank.model_copy(
            update={
                "on_hand_l": max(stock.stores[key].volume_l, 0.0),
                "reading": _reading_of(stock.stores[key], stock.as_of),
            }
        )
        for key, tank in yard.tanks.items()
    }
    totes = {
        key: max(stock.stores[key].volume_l, 0.0)
        for key in stock.stores
        if key not in yard.tanks and key != SALT_PILE
    }
    pile_kg = max(stock.stores[SALT_PILE].total_kg, 0.0)
    return yard.model_copy(
        update={
            "tanks": tanks,
            "stock_l": totes,
            "salt": yard.salt.model_copy(update={"on_hand_kg": pile_kg}),
        }
    )


def _reading_of(store: StoreStock, as_of: datetime) -> TankReading | None:
    if store.strength_frac is None:
        return None
    return TankReading.model_construct(
        specific_gravity=None,
        salometer_deg=None,
        strength_frac=store.strength_frac,
        temp_c=None,
        taken_at=store.counted_at or as_of,
    )


def counted_at(yard: Yard, tank: Tank | None, zone: ZoneInfo) -> datetime | None:
    """Return when what the sites file has on hand was counted; a day counts from its beginning."""
    moment = yard.counted_at
    if moment is None and tank is not None and tank.reading is not None:
        moment = tank.reading.taken_at
    if moment is None or isinstance(moment, datetime):
        return moment
    return datetime(moment.year, moment.month, moment.day, tzinfo=zone)
