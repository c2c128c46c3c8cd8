"""Forms about yards: loads and what came back, batches, deliveries, measurements, losses."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from stormplan.company.sites import Sites
from stormplan.record.entries import (
    SALT_PILE,
    BatchMade,
    Delivery,
    LoadDrawn,
    LoadPart,
    LoadReturned,
    Loss,
    Measurement,
    Transfer,
    WorkEntry,
)
from stormplan.web.form_fields import Fields, decimal_of, field_units, pair_of, quantity_of


def _liquid_read(fields: Fields, unit: Mapping[str, str]) -> dict[str, float | None]:
    return {
        "specific_gravity": decimal_of(fields, "gravity"),
        "temp_c": quantity_of(fields, "temperature", unit["temperature"], "temperature"),
    }


def _amount(fields: Fields, store: str, unit: Mapping[str, str]) -> dict[str, float | None]:
    """Return how much: of the pile a mass, of anything else a volume."""
    if store == SALT_PILE:
        return {"salt_kg": quantity_of(fields, "amount", unit["mass"], "mass")}
    return {"volume_l": quantity_of(fields, "amount", unit["volume"], "volume")}


def tank_entries(fields: Fields, common: Mapping[str, Any], sites: Sites) -> list[WorkEntry]:
    """Return what a tank, totes or the pile were measured to hold."""
    unit, (yard, store) = field_units(sites), pair_of(fields, "store")
    read = {} if store == SALT_PILE else _liquid_read(fields, unit)
    return [Measurement(**common, yard=yard, store=store, **_amount(fields, store, unit), **read)]


def batch_entries(fields: Fields, common: Mapping[str, Any], sites: Sites) -> list[WorkEntry]:
    """Return a batch of brine that was made."""
    unit, (yard, tank) = field_units(sites), pair_of(fields, "store")
    return [
        BatchMade(
            **common,
            **_liquid_read(fields, unit),
            yard=yard,
            tank=tank,
            volume_l=quantity_of(fields, "amount", unit["volume"], "volume") or 0.0,
            salt_kg=quantity_of(fields, "salt", unit["mass"], "mass"),
        )
    ]


def delivery_entries(fields: Fields, common: Mapping[str, Any], sites: Sites) -> list[WorkEntry]:
    """Return a liquid or salt that was delivered; a tank takes its own product."""
    unit, (yard, store) = field_units(sites), pair_of(fields, "store")
    about = {**common, "yard": yard, "store": store, **_amount(fields, store, unit)}
    if store == SALT_PILE:
        return [Delivery(**about, product=SALT_PILE)]
    tank = sites.yards[yard].tanks.get(store) if yard in sites.yards else None
    product = store if tank is None else tank.product
    return [Delivery(**about, **_liquid_read(fields, unit), product=product)]


def load_entries(fields: Fields, common: Mapping[str, Any], sites: Sites) -> list[WorkEntry]:
    """Return a load that a sprayer took on, from one store or two."""
    unit, (yard, sprayer) = field_units(sites)["volume"], pair_of(fields, "sprayer")
    parts = tuple(
        LoadPart(store=pair_of(fields, store)[1], volume_l=volume_l)
        for store, amount in (("store", "amount"), ("more_store", "more"))
        if (volume_l := quantity_of(fields, amount, unit, "volume")) is not None
    )
    return [LoadDrawn(**common, yard=yard, sprayer=sprayer, parts=parts)]


def return_entries(fields: Fields, common: Mapping[str, Any], sites: Sites) -> list[WorkEntry]:
    """Return what a sprayer brought back; nothing written is nothing left."""
    unit, (yard, sprayer) = field_units(sites)["volume"], pair_of(fields, "sprayer")
    left_l = quantity_of(fields, "amount", unit, "volume") or 0.0
    store = pair_of(fields, "store")[1] if left_l else None
    return [LoadReturned(**common, yard=yard, sprayer=sprayer, store=store, volume_l=left_l)]


def transfer_entries(fields: Fields, common: Mapping[str, Any], sites: Sites) -> list[WorkEntry]:
    """Return a liquid that was pumped from one store into another."""
    yard, from_store = pair_of(fields, "store")
    return [
        Transfer(
            **common,
            yard=yard,
            from_store=from_store,
            to_store=pair_of(fields, "more_store")[1],
            volume_l=quantity_of(fields, "amount", field_units(sites)["volume"], "volume") or 0.0,
        )
    ]


def loss_entries(fields: Fields, common: Mapping[str, Any], sites: Sites) -> list[WorkEntry]:
    """Return what is gone without having been used."""
    unit, (yard, store) = field_units(sites), pair_of(fields, "store")
    about = {**common, "yard": yard, "store": store, **_amount(fields, store, unit)}
    return [Loss(**about, cause=fields.get("cause", ""))]
