"""What the yards hold by the record, as lines."""

from __future__ import annotations

from collections.abc import Iterable
from zoneinfo import ZoneInfo

from stormplan.company.sites import Sites
from stormplan.record.amounts import PARTS
from stormplan.record.entries import SALT_PILE
from stormplan.record.stock import LoadCheck, StockBook, StoreCheck, StoreStock
from stormplan.units import UnitFormatter
from stormplan.words.formatting import ReportFormat

PART_NAMES = dict(zip(PARTS, ("NaCl", "CaCl2", "MgCl2", "KCl", "water", "other"), strict=True))


def stock_lines(book: StockBook, sites: Sites) -> Iterable[str]:
    """Yield what the yards hold, book against measured, loads against services, and the sums.

    Parameters
    ----------
    book : StockBook
        What the record says.
    sites : Sites
        The sites file.

    Yields
    ------
    str
        A line.
    """
    fmt = ReportFormat(UnitFormatter(sites.company.units), ZoneInfo(sites.company.timezone))
    if not book.yards:
        yield "the record says nothing of any yard; the sites file stands"
    for heading, stores in held_lines(book, sites):
        yield heading
        yield from (f"  {line}" for line in stores)
    for check in book.store_checks:
        yield _check_line(check, fmt)
    for load in book.load_checks:
        yield _load_line(load, fmt)
    yield from _sum_lines(book, fmt)


def held_lines(book: StockBook, sites: Sites) -> list[tuple[str, list[str]]]:
    """Return what each yard holds: a heading that says as of when, and a line for each store."""
    fmt = ReportFormat(UnitFormatter(sites.company.units), ZoneInfo(sites.company.timezone))
    return [
        (
            f"{sites.yards[key].name}, by the record up to {fmt.full_datetime(yard.as_of)}",
            [_store_line(store, held, fmt) for store, held in yard.stores.items()],
        )
        for key, yard in book.yards.items()
    ]


def _store_line(store: str, held: StoreStock, fmt: ReportFormat) -> str:
    masses = zip(PARTS, held.masses_kg, strict=True)
    parts = ", ".join(f"{PART_NAMES[p]} {fmt.units.mass(m)}" for p, m in masses if abs(m) > 0.5)
    if store == SALT_PILE:
        name, amount, strength = "salt pile", fmt.units.mass(held.total_kg), ""
    else:
        name, amount = store, fmt.units.volume(held.volume_l)
        read = held.strength_frac
        strength = ", strength not read" if read is None else f", {100 * read:.1f} %"
    when = held.counted_at
    counted = "" if when is None else f"; measured {fmt.full_datetime(when)}"
    return f"{name}: {amount}{strength}{f' ({parts})' if parts else ''}{counted}"


def _check_line(check: StoreCheck, fmt: ReportFormat) -> str:
    is_pile = check.store == SALT_PILE
    say = fmt.units.mass if is_pile else fmt.units.volume
    mark = "BEYOND" if check.is_beyond else "within"
    return (
        f"{check.yard} {'salt pile' if is_pile else check.store}, {fmt.full_datetime(check.at)}:"
        f" book {say(check.booked)}, measured {say(check.measured)},"
        f" {mark} {say(check.limit)}"
    )


def _load_line(load: LoadCheck, fmt: ReportFormat) -> str:
    said = (
        f"{load.yard} {load.sprayer}, {fmt.full_datetime(load.start)}: loaded"
        f" {fmt.units.volume(load.loaded_l)}, services {fmt.units.volume(load.service_l)}"
    )
    if load.end is None:
        return f"{said}, still out"
    mark = "BEYOND" if load.is_beyond else "within"
    return (
        f"{said}, returned {fmt.units.volume(load.returned_l)}, not accounted for"
        f" {fmt.units.volume(load.difference_l)}, {mark} {fmt.units.volume(load.limit_l)}"
    )


def _sum_lines(book: StockBook, fmt: ReportFormat) -> Iterable[str]:
    """Yield the chloride that reached each site, and that is named as lost or not found."""
    sites: dict[str, float] = {}
    losses: dict[str, float] = {}
    for moved in book.movements:
        kind, place, key = moved.target
        if kind == "surface":
            sites[place] = sites.get(place, 0.0) + moved.chloride_kg
        elif kind in ("loss", "difference"):
            name = f"{place}, {key if kind == 'loss' else f'{key}, book less measured'}"
            losses[name] = losses.get(name, 0.0) + moved.chloride_kg
    for name, chloride_kg in (*sites.items(), *losses.items()):
        if abs(chloride_kg) >= 0.5:
            yield f"chloride, {name}: {fmt.units.mass(chloride_kg)}"
