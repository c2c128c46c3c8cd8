"""The record as a ledger: each entry moves amounts between accounts, and nothing is ever dropped.

So what went onto the sites is what was drawn, less what is named as lost.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np

from stormplan.arrays import Array
from stormplan.company.practice_rules import Practice
from stormplan.company.sites import BRINE_KEY, Sites
from stormplan.company.yards import Yard
from stormplan.liquids.blend import (
    Liquid,
    liquid_at_strength,
    liquid_from_product,
    make_liquid,
)
from stormplan.liquids.hydrometer import REFERENCE_C
from stormplan.record.amounts import (
    EMPTY_KG,
    PARTS,
    amount_of_liquid,
    amount_of_salt,
    chloride_of,
    liquid_of_amount,
    strength_of,
    volume_of_amount,
)
from stormplan.record.entries import (
    CLOCK_TOLERANCE,
    SALT_PILE,
    Application,
    BatchMade,
    Calibration,
    Delivery,
    Entry,
    LoadDrawn,
    LoadReturned,
    Loss,
    LossCause,
    Measurement,
    Transfer,
    effective_entries,
)
from stormplan.record.stock import (
    Account,
    LoadCheck,
    StockBook,
    StockMovement,
    StoreCheck,
    StoreStock,
    YardStock,
    counted_at,
)

COLDEST_TANK_C = -15.0  # a tank outdoors, 5 °F; our own choice


def stock_book(sites: Sites, entries: Iterable[Entry], now: datetime) -> StockBook:
    """Return what the yards held at a moment.

    Parameters
    ----------
    sites : Sites
        The sites file; what it says is on hand is the opening balance of each store. Entries
        from before it was counted are in it already.
    entries : iterable of Entry
        The record, checked against the sites file.
    now : datetime
        The moment, aware.

    Returns
    -------
    StockBook
    """
    ledger = _Ledger(sites)
    calibrations: dict[tuple[str, str], Calibration] = {}
    for entry in effective_entries(one for one in entries if one.at <= now + CLOCK_TOLERANCE):
        match entry:
            case Application():
                ledger.apply(entry)
            case BatchMade():
                ledger.make_batch(entry)
            case Delivery():
                ledger.deliver(entry)
            case LoadDrawn():
                ledger.load(entry)
            case LoadReturned():
                ledger.end_round(entry)
            case Transfer():
                ledger.transfer(entry)
            case Measurement():
                ledger.measure(entry)
            case Loss():
                ledger.lose(entry)
            case Calibration():
                calibrations[entry.yard, entry.sprayer] = entry
    return replace(ledger.book(), calibrations=calibrations)


@dataclass
class _Round:
    """A sprayer that is out: what it took on and what its services were."""

    start: datetime
    loaded_l: float = 0.0
    services: list[tuple[Account, float]] = field(default_factory=list)


class _Ledger:
    """Accounts while the record is read."""

    def __init__(self, sites: Sites) -> None:
        self.sites = sites
        self.practice: Practice = sites.practice()
        self.zone = ZoneInfo(sites.company.timezone)
        self.balances: dict[Account, Array] = {}
        self.liquids: dict[Account, Liquid] = {}
        self.is_read: dict[Account, bool] = {}
        self.opened_at: dict[Account, datetime | None] = {}
        self.counted_at: dict[Account, datetime | None] = {}
        self.moved_at: dict[Account, datetime] = {}
        self.throughput_l: dict[Account, float] = {}
        self.rounds: dict[Account, _Round] = {}
        self.movements: list[StockMovement] = []
        self.store_checks: list[StoreCheck] = []
        self.load_checks: list[LoadCheck] = []
        self.last_entry_at: dict[str, datetime] = {}
        for yard_key, yard in sites.yards.items():
            self._open_yard(yard_key, yard)

    def _open_yard(self, yard_key: str, yard: Yard) -> None:
        products = self.sites.products
        for key, tank in yard.tanks.items():
            neat = liquid_from_product(products[tank.product])
            strength = None if tank.reading is None else strength_of(tank.reading, neat)
            liquid = neat if strength is None else liquid_at_strength(neat, strength)
            is_read = strength is not None or tank.product != BRINE_KEY
            self._open(yard_key, key, liquid, tank.on_hand_l, counted_at(yard, tank, self.zone))
            self.is_read[Account("store", yard_key, key)] = is_read
        for key in (*self.sites.purchased_products, *yard.stock_l):
            if key not in yard.tanks and Account("store", yard_key, key) not in self.balances:
                neat = liquid_from_product(products[key])
                held_l = yard.stock_l.get(key, 0.0)
                self._open(yard_key, key, neat, held_l, counted_at(yard, None, self.zone))
        pile = Account("store", yard_key, SALT_PILE)
        self.opened_at[pile] = self.counted_at[pile] = counted_at(yard, None, self.zone)
        self._post_opening(pile, amount_of_salt(yard.salt, yard.salt.on_hand_kg))

    def _open(
        self, yard: str, key: str, liquid: Liquid, volume_l: float, at: datetime | None
    ) -> None:
        account = Account("store", yard, key)
        self.liquids[account], self.is_read[account] = liquid, True
        self.opened_at[account] = self.counted_at[account] = at
        self._post_opening(account, amount_of_liquid(liquid, volume_l, None))

    def _post_opening(self, account: Account, amount: Array) -> None:
        self.balances[account] = np.zeros(len(PARTS) + 1)
        at = self.opened_at[account] or datetime.min.replace(tzinfo=UTC)
        self._move("", at, Account("opening", account.place, account.key), account, amount)

    def _move(
        self, entry: str, at: datetime, source: Account, target: Account, amount: Array
    ) -> None:
        """Move an amount; what happened before a store was counted does not touch it."""

        def counted(account: Account) -> Account:
            opened = self.opened_at.get(account)
            if opened is not None and at < opened:
                return Account("opening", account.place, account.key)
            return account

        source, target = counted(source), counted(target)
        for account, sign in ((source, -1.0), (target, 1.0)):
            before = self.balances.get(account, np.zeros(len(PARTS) + 1))
            after = before + sign * amount
            self.balances[account] = after
            if account.kind == "opening" or not entry:
                continue
            self.moved_at[account] = at
            if account.kind in ("store", "sprayer") and account.key != SALT_PILE:
                moved_l = abs(volume_of_amount(amount, None))
                self.throughput_l[account] = self.throughput_l.get(account, 0.0) + moved_l
                if after[:-1].sum() > EMPTY_KG:
                    self.liquids[account] = liquid_of_amount(after)
        masses = tuple(float(one) for one in amount[:-1])
        self.movements.append(StockMovement(entry, at, source, target, masses))

    def _note(self, yard: str, at: datetime) -> None:
        self.last_entry_at[yard] = at

    def _liquid_in(self, account: Account) -> Liquid:
        return self.liquids[account]

    def _held_kg(self, account: Account) -> float:
        return float(self.balances[account][:-1].sum())

    def apply(self, entry: Application) -> None:
        site = self.sites.sites[entry.site]
        area_m2 = site.surfaces[entry.surface].area_m2
        target = Account("surface", entry.site, entry.surface)
        self._note(site.yard, entry.at)
        if entry.salt_kg_m2 > 0.0:
            salt = amount_of_salt(self.sites.yards[site.yard].salt, entry.salt_kg_m2 * area_m2)
            pile = Account("store", site.yard, SALT_PILE)
            self._move(entry.id, entry.at, pile, target, salt)
        volume_l = entry.rate_l_m2 * area_m2
        if volume_l == 0.0:
            return
        sprayer = Account("sprayer", site.yard, entry.sprayer or "")
        out = self.rounds.get(sprayer)
        if out is not None:
            amount = amount_of_liquid(self._liquid_in(sprayer), volume_l, None)
            self._move(entry.id, entry.at, sprayer, target, amount)
            out.services.append((target, volume_l))
            return
        additive_l = entry.additive_frac * volume_l
        for product, part_l in ((BRINE_KEY, volume_l - additive_l), (entry.additive, additive_l)):
            if product is not None and part_l > 0.0:
                self._draw_product(entry, site.yard, product, part_l, target)

    def _draw_product(
        self, entry: Application, yard: str, product: str, volume_l: float, target: Account
    ) -> None:
        """Deduct a product from all stores that hold it, in proportion to what they hold."""
        keys = [k for k, tank in self.sites.yards[yard].tanks.items() if tank.product == product]
        stores = [Account("store", yard, key) for key in dict.fromkeys((*keys, product))]
        stores = [store for store in stores if store in self.balances]
        if not stores:
            neat = liquid_from_product(self.sites.products[product])
            supply = Account("supply", yard, product)
            self._move(entry.id, entry.at, supply, target, amount_of_liquid(neat, volume_l, None))
            return
        held = np.maximum([self._held_kg(store) for store in stores], 0.0)
        shares = held / held.sum() if held.sum() > 0.0 else np.eye(len(stores))[0]
        for store, share in zip(stores, shares, strict=True):
            if share > 0.0:
                amount = amount_of_liquid(self._liquid_in(store), share * volume_l, None)
                self._move(entry.id, entry.at, store, target, amount)

    def make_batch(self, entry: BatchMade) -> None:
        tank = Account("store", entry.yard, entry.tank)
        strength = strength_of(entry)
        made_frac = self.practice.number("brine_target") if strength is None else strength
        brine = make_liquid({"nacl": made_frac})
        amount = amount_of_liquid(brine, entry.volume_l, entry.temp_c)
        salt = self.sites.yards[entry.yard].salt
        salt_kg = entry.salt_kg or float(amount[0]) / salt.purity_frac
        off_pile = amount_of_salt(salt, salt_kg)
        dissolved = np.zeros_like(amount)
        dissolved[0], dissolved[4] = amount[0], off_pile[4]
        settled, surplus = np.zeros_like(amount), np.zeros_like(amount)
        settled[5], surplus[0] = off_pile[5], off_pile[0] - amount[0]
        pile = Account("store", entry.yard, SALT_PILE)
        lost = Account("loss", entry.yard, str(LossCause.SETTLED))
        self._mark_read(tank, strength is not None)
        mixer = Account("supply", entry.yard, "mixer")  # what it gives more than it gets is water
        self._move(entry.id, entry.at, pile, mixer, dissolved)
        self._move(entry.id, entry.at, mixer, tank, amount)
        self._move(entry.id, entry.at, pile, lost, settled)
        if abs(surplus[0]) > EMPTY_KG:
            off = Account("difference", entry.yard, SALT_PILE)
            self._move(entry.id, entry.at, pile, off, surplus)
        self._note(entry.yard, entry.at)

    def _mark_read(self, store: Account, is_read: bool) -> None:
        """Keep that a strength is not known until the store is read, or filled from empty."""
        if self._held_kg(store) <= EMPTY_KG:
            self.is_read[store] = is_read
        else:
            self.is_read[store] = self.is_read[store] and is_read

    def deliver(self, entry: Delivery) -> None:
        store = Account("store", entry.yard, entry.store)
        supply = Account("supply", entry.yard, entry.product)
        if entry.volume_l is None:
            amount = amount_of_salt(self.sites.yards[entry.yard].salt, entry.salt_kg or 0.0)
        else:
            neat = liquid_from_product(self.sites.products[entry.product])
            strength = strength_of(entry, neat)
            liquid = neat if strength is None else liquid_at_strength(neat, strength)
            amount = amount_of_liquid(liquid, entry.volume_l, entry.temp_c)
            self._mark_read(store, strength is not None or entry.product != BRINE_KEY)
        self._move(entry.id, entry.at, supply, store, amount)
        self._note(entry.yard, entry.at)

    def load(self, entry: LoadDrawn) -> None:
        sprayer = Account("sprayer", entry.yard, entry.sprayer)
        out = self.rounds.setdefault(sprayer, _Round(entry.at))
        for part in entry.parts:
            store = Account("store", entry.yard, part.store)
            amount = amount_of_liquid(self._liquid_in(store), part.volume_l, None)
            self._move(entry.id, entry.at, store, sprayer, amount)
            out.loaded_l += part.volume_l
        self._note(entry.yard, entry.at)

    def end_round(self, entry: LoadReturned) -> None:
        sprayer = Account("sprayer", entry.yard, entry.sprayer)
        out = self.rounds.pop(sprayer, None)
        self._note(entry.yard, entry.at)
        if out is None:
            return
        if entry.store is not None:
            amount = amount_of_liquid(self._liquid_in(sprayer), entry.volume_l, None)
            store = Account("store", entry.yard, entry.store)
            self._move(entry.id, entry.at, sprayer, store, amount)
        left = self.balances[sprayer].copy()
        service_l = sum(volume_l for _, volume_l in out.services)
        for surface, volume_l in out.services:
            share = volume_l / service_l
            self._move(entry.id, entry.at, sprayer, surface, share * left)
        if not out.services:
            nowhere = Account("difference", entry.yard, entry.sprayer)
            self._move(entry.id, entry.at, sprayer, nowhere, left)
        self.balances[sprayer] = np.zeros_like(left)
        self._check_round(sprayer, out, entry.at, entry.volume_l)

    def _check_round(
        self, sprayer: Account, out: _Round, end: datetime | None, returned_l: float
    ) -> None:
        limit_l = max(
            self.practice.number("load_difference_share") * out.loaded_l,
            self.practice.number("load_difference_min"),
        )
        service_l = sum(volume_l for _, volume_l in out.services)
        self.load_checks.append(
            LoadCheck(
                sprayer.place, sprayer.key, out.start, end, out.loaded_l, returned_l, service_l,
                limit_l,
            )
        )  # fmt: skip

    def transfer(self, entry: Transfer) -> None:
        source = Account("store", entry.yard, entry.from_store)
        target = Account("store", entry.yard, entry.to_store)
        self._mark_read(target, self.is_read[source])
        amount = amount_of_liquid(self._liquid_in(source), entry.volume_l, None)
        self._move(entry.id, entry.at, source, target, amount)
        self._note(entry.yard, entry.at)

    def measure(self, entry: Measurement) -> None:
        store = Account("store", entry.yard, entry.store)
        opened = self.opened_at[store]
        if opened is not None and entry.at < opened:
            return
        booked = self.balances[store].copy()
        if entry.salt_kg is not None:
            salt = self.sites.yards[entry.yard].salt
            measured = amount_of_salt(salt, entry.salt_kg)
            book_total, limit = (
                float(booked[:-1].sum()),
                self.practice.number("pile_difference_share") * max(float(booked[:-1].sum()), 0.0),
            )
            found = entry.salt_kg
        else:
            liquid = self._liquid_in(store)
            strength = strength_of(entry, liquid)
            if strength is not None:
                liquid = liquid_at_strength(liquid, strength)
                self.is_read[store] = True
            book_total = volume_of_amount(booked, entry.temp_c)
            found = book_total if entry.volume_l is None else entry.volume_l
            measured = amount_of_liquid(liquid, found, entry.temp_c)
            limit = self._liquid_limit_l(
                store, liquid, found, is_warmth_known=entry.temp_c is not None
            )
        off = Account("difference", entry.yard, entry.store)
        self._move(entry.id, entry.at, store, off, booked - measured)
        self.store_checks.append(
            StoreCheck(
                entry.yard, entry.store, entry.at, book_total, found, limit,
                chloride_of((booked - measured)[:-1]),
            )
        )  # fmt: skip
        self.counted_at[store] = entry.at
        self.throughput_l[store] = 0.0
        self._note(entry.yard, entry.at)

    def _liquid_limit_l(
        self, store: Account, liquid: Liquid, volume_l: float, *, is_warmth_known: bool
    ) -> float:
        """Return the difference [L] that is within what gauges and meters make."""
        limit_l = self.practice.number("stock_difference_share") * self.throughput_l.get(
            store, 0.0
        ) + self.practice.number("stock_difference_fixed")
        if not is_warmth_known:
            cold, warm = (liquid.density_kg_m3(at_c) for at_c in (COLDEST_TANK_C, REFERENCE_C))
            limit_l += volume_l * (cold / warm - 1.0)
        return limit_l

    def lose(self, entry: Loss) -> None:
        store = Account("store", entry.yard, entry.store)
        if entry.salt_kg is not None:
            amount = amount_of_salt(self.sites.yards[entry.yard].salt, entry.salt_kg)
        else:
            assert entry.volume_l is not None  # one of them is given
            amount = amount_of_liquid(self._liquid_in(store), entry.volume_l, None)
        lost = Account("loss", entry.yard, str(entry.cause))
        self._move(entry.id, entry.at, store, lost, amount)
        self._note(entry.yard, entry.at)

    def book(self) -> StockBook:
        for sprayer, out in self.rounds.items():
            self._check_round(sprayer, out, None, 0.0)
        yards = {
            yard: YardStock(
                {a.key: self._store(a) for a in self.opened_at if a.place == yard}, as_of
            )
            for yard, as_of in self.last_entry_at.items()
        }
        self.load_checks.sort(key=lambda one: (one.start, one.sprayer))
        return StockBook(
            yards, tuple(self.movements), tuple(self.store_checks), tuple(self.load_checks)
        )

    def _store(self, account: Account) -> StoreStock:
        amount = self.balances[account]
        is_liquid = account.key != SALT_PILE or account in self.liquids
        strength = None
        if is_liquid and self.is_read[account]:
            strength = float(self._liquid_in(account).salts_frac.sum())
        return StoreStock(
            tuple(float(one) for one in amount[:-1]),
            volume_of_amount(amount, None) if is_liquid else 0.0,
            strength,
            self.counted_at[account],
            self.moved_at.get(account),
        )
