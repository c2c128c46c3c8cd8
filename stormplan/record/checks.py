"""Whether an entry fits the sites file: its site, surface and product, and a time that has been."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from datetime import datetime
from difflib import get_close_matches

from stormplan.company.sites import BRINE_KEY, Sites
from stormplan.company.yards import Yard
from stormplan.errors import InputError
from stormplan.liquids.blend import liquid_from_product
from stormplan.record.amounts import check_reading
from stormplan.record.entries import (
    CLOCK_TOLERANCE,
    SALT_PILE,
    SITE_ENTRIES,
    SURFACE_ENTRIES,
    Application,
    BatchMade,
    Calibration,
    Delivery,
    Entry,
    LoadDrawn,
    LoadReturned,
    Loss,
    Measurement,
    NoticeSent,
    Transfer,
    Void,
    YardEntry,
)


def check_entry(entry: Entry, sites: Sites, now: datetime) -> None:
    """Refuse an entry that the company's sites file and the clock cannot stand for.

    Parameters
    ----------
    entry : Entry
        The entry.
    sites : Sites
        The sites file.
    now : datetime
        The present, aware.

    Raises
    ------
    InputError
        An unknown site, surface, yard, store, sprayer or product, with the nearest known one; or a
        time yet to come.
    """
    if entry.at > now + CLOCK_TOLERANCE:
        raise InputError(f"{entry.at:%Y-%m-%d %H:%M%z} is yet to come; the record holds what was")
    if isinstance(entry, Void):
        return
    if isinstance(entry, SITE_ENTRIES):
        _check_key("site", entry.site, sites.sites)
        return
    if isinstance(entry, NoticeSent):
        _check_key("client", entry.client, sites.clients)
        return
    if not isinstance(entry, SURFACE_ENTRIES):
        _check_yard_entry(entry, sites)
        return
    _check_key("site", entry.site, sites.sites)
    site = sites.sites[entry.site]
    _check_key(f"surface at {entry.site}", entry.surface, site.surfaces)
    if isinstance(entry, Application):
        if entry.additive is not None:
            _check_key("product", entry.additive, sites.products)
        if entry.sprayer is not None:
            _check_key(f"sprayer at {site.yard}", entry.sprayer, sites.yards[site.yard].sprayers)


def usable_entries(entries: Iterable[Entry], sites: Sites, now: datetime) -> list[Entry]:
    """Return the entries that the sites file and the clock can stand for."""

    def is_usable(entry: Entry) -> bool:
        try:
            check_entry(entry, sites, now)
        except InputError:
            return False
        return True

    return [one for one in entries if is_usable(one)]


def stores_of(yard: Yard, sites: Sites) -> list[str]:
    """Return what a yard can hold: its tanks, every product in totes, and salt."""
    return list(dict.fromkeys([*yard.tanks, *sites.purchased_products, SALT_PILE]))


def _check_yard_entry(entry: YardEntry, sites: Sites) -> None:
    _check_key("yard", entry.yard, sites.yards)
    yard = sites.yards[entry.yard]
    where = f"store at {entry.yard}"
    known = stores_of(yard, sites)
    if isinstance(entry, LoadDrawn | LoadReturned | Calibration):
        _check_key(f"sprayer at {entry.yard}", entry.sprayer, yard.sprayers)
    liquids = [key for key in known if key != SALT_PILE]
    if isinstance(entry, BatchMade | Delivery | Measurement):
        _check_float(entry, yard, sites)
    match entry:
        case BatchMade():
            brine = [key for key, tank in yard.tanks.items() if tank.product == BRINE_KEY]
            _check_key(f"brine tank at {entry.yard}", entry.tank, brine)
        case Delivery():
            _check_key("product", entry.product, [*sites.products, SALT_PILE])
            _check_key(where, entry.store, known)
        case LoadDrawn():
            for part in entry.parts:
                _check_key(where, part.store, liquids)
        case LoadReturned():
            if entry.store is not None:
                _check_key(where, entry.store, liquids)
        case Transfer():
            _check_key(where, entry.from_store, liquids)
            _check_key(where, entry.to_store, liquids)
        case Measurement() | Loss():
            _check_key(where, entry.store, known)


def _check_float(entry: BatchMade | Delivery | Measurement, yard: Yard, sites: Sites) -> None:
    """Refuse a float's reading that what it was read in cannot give."""
    if entry.specific_gravity is None or entry.temp_c is None:
        return
    product = BRINE_KEY
    if isinstance(entry, Delivery):
        product = entry.product
    elif isinstance(entry, Measurement):
        tank = yard.tanks.get(entry.store)
        product = entry.store if tank is None else tank.product
    if product in sites.products:
        neat = liquid_from_product(sites.products[product])
        check_reading(entry.specific_gravity, entry.temp_c, neat)


def complete_keys(values: Mapping[str, object], sites: Sites) -> dict[str, object]:
    """Return values of an entry with keys of the sites file written out.

    Parameters
    ----------
    values : mapping of str to object
        Values by field; a key may be the beginning of one, or of its name, as long as it can be
        no other.
    sites : Sites
        The sites file.

    Returns
    -------
    dict of str to object
        What fits nothing, or several, stays as it was written.
    """
    found = dict(values)

    def complete(field: str, known: Mapping[str, str]) -> str:
        written = found.get(field)
        if not isinstance(written, str):
            return ""
        found[field] = _completed(written, known)
        return str(found[field])

    client_names = {key: one.name for key, one in sites.clients.items()}
    product_names = {key: one.name for key, one in sites.products.items()}
    complete("client", client_names)
    site = sites.sites.get(complete("site", {key: one.name for key, one in sites.sites.items()}))
    yard_key = complete("yard", {key: one.name for key, one in sites.yards.items()})
    if site is not None:
        complete("surface", {key: one.label for key, one in site.surfaces.items()})
        yard_key = site.yard
    complete("additive", product_names)
    complete("product", product_names | {SALT_PILE: SALT_PILE})
    yard = sites.yards.get(yard_key)
    if yard is not None:
        complete("sprayer", {key: one.name for key, one in yard.sprayers.items()})
        stores = {key: product_names.get(key, key) for key in stores_of(yard, sites)}
        for field in ("tank", "store", "from_store", "to_store"):
            complete(field, stores)
    return found


def _completed(written: str, known: Mapping[str, str]) -> str:
    """Return the one key that a text is, or is the beginning of; else the text."""
    if written in known:
        return written
    begun = written.casefold()
    fitting = [
        key
        for key, name in known.items()
        if begun and (key.startswith(begun) or name.casefold().startswith(begun))
    ]
    return fitting[0] if len(fitting) == 1 else written


def _check_key(what: str, key: str, known: Collection[str]) -> None:
    if key in known:
        return
    near = get_close_matches(key, known, 1)
    hint = f"did you mean '{near[0]}'?" if near else f"accepted: {', '.join(sorted(known))}"
    raise InputError(f"no {what} '{key}'; {hint}")


def check_reference(entry: Entry, known: Iterable[Entry]) -> None:
    """Refuse to void or correct something that is not in the record, or that is a void itself.

    Raises
    ------
    InputError
        Says which id it is, and what would be accepted.
    """
    about = entry.voids if isinstance(entry, Void) else entry.corrects
    if about is None:
        return
    for other in known:
        if other.id == about and not isinstance(other, Void):
            return
        if other.id == about:
            raise InputError(
                f"'{about}' is a void itself; to bring back what it voids, add it anew"
            )
    raise InputError(f"no entry '{about}'; list them: stormplan record list")
