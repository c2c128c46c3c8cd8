"""Commands that add what went through a yard: batches, deliveries, loads, measurements, losses."""

from __future__ import annotations

from typing import Annotated

import typer

from stormplan.cli.record.adding import EntryValues, entry_command
from stormplan.cli.record.options import (
    AmountArgument,
    GravityOption,
    SprayerArgument,
    StoreArgument,
    StrengthOption,
    TemperatureOption,
    YardArgument,
    parse_given,
)
from stormplan.errors import InputError


@entry_command("batch")
def add_batch(
    yard: YardArgument,
    tank: Annotated[str, typer.Argument(help="Tank it went into.")],
    volume: Annotated[str, typer.Argument(help="Finished brine, like 2000gal.")],
    salt: Annotated[str | None, typer.Option(help="Salt off the pile, like 4000lb.")] = None,
    sg: GravityOption = None,
    strength: StrengthOption = None,
    temperature: TemperatureOption = None,
) -> EntryValues:
    """Add a batch of brine that was made, with its reading."""
    return {
        "kind": "batch",
        "yard": yard,
        "tank": tank,
        "volume_l": parse_given(volume, "volume"),
        "salt_kg": parse_given(salt, "mass"),
        **_liquid_read(sg, strength, temperature),
    }


@entry_command("delivery")
def add_delivery(
    yard: YardArgument,
    product: Annotated[str, typer.Argument(help="What came: a product, brine, or salt.")],
    amount: AmountArgument,
    into: Annotated[
        str | None, typer.Option(help="Tank it went into; default totes, or the pile.")
    ] = None,
    sg: GravityOption = None,
    strength: StrengthOption = None,
    temperature: TemperatureOption = None,
) -> EntryValues:
    """Add a liquid or salt that was delivered."""
    return {
        "kind": "delivery",
        "yard": yard,
        "product": product,
        "store": into or product,
        **_amount(product, amount),
        **_liquid_read(sg, strength, temperature),
    }


@entry_command("load")
def add_load(
    yard: YardArgument,
    sprayer: SprayerArgument,
    parts: Annotated[list[str], typer.Argument(help="From which store how much: t1=450gal.")],
) -> EntryValues:
    """Add a load that a sprayer took on; what it sprays from now on comes out of it."""
    drawn = tuple(_load_part(part) for part in parts)
    return {"kind": "load", "yard": yard, "sprayer": sprayer, "parts": drawn}


def _load_part(text: str) -> EntryValues:
    store, is_split, volume = text.partition("=")
    if not is_split:
        raise InputError(f"'{text}' is not a part of a load; accepted: t1=450gal")
    return {"store": store, "volume_l": parse_given(volume, "volume")}


@entry_command("return")
def add_return(
    yard: YardArgument,
    sprayer: SprayerArgument,
    volume: Annotated[str, typer.Option(help="What was left in it, like 40gal.")] = "0 gal",
    into: Annotated[str | None, typer.Option(help="Tank it went back into.")] = None,
) -> EntryValues:
    """Add that a sprayer is back, and what it brought: its round ends."""
    left_l = parse_given(volume, "volume")
    return {"kind": "return", "yard": yard, "sprayer": sprayer, "store": into, "volume_l": left_l}


@entry_command("transfer")
def add_transfer(
    yard: YardArgument,
    from_store: StoreArgument,
    to_store: Annotated[str, typer.Argument(help="Where to.")],
    volume: Annotated[str, typer.Argument(help="How much, like 100gal.")],
) -> EntryValues:
    """Add a liquid pumped from one store into another, as for a blend in the tank."""
    about = {"yard": yard, "from_store": from_store, "to_store": to_store}
    return {"kind": "transfer", **about, "volume_l": parse_given(volume, "volume")}


@entry_command("measurement")
def add_measurement(
    yard: YardArgument,
    store: StoreArgument,
    amount: Annotated[
        str | None, typer.Argument(help="What is there: 1800gal; of salt, 30ton.")
    ] = None,
    sg: GravityOption = None,
    strength: StrengthOption = None,
    temperature: TemperatureOption = None,
) -> EntryValues:
    """Add what a tank, totes or the pile were measured to hold; it corrects the book."""
    return {
        "kind": "measurement",
        "yard": yard,
        "store": store,
        **({} if amount is None else _amount(store, amount)),
        **_liquid_read(sg, strength, temperature),
    }


@entry_command("loss")
def add_loss(
    yard: YardArgument,
    store: StoreArgument,
    amount: AmountArgument,
    cause: Annotated[
        str, typer.Argument(help="spill, leak, flush, 'settled salt', evaporated or other.")
    ],
) -> EntryValues:
    """Add what is gone without having been used, and why."""
    from stormplan.record.entries import LossCause

    if cause not in tuple(LossCause):
        raise InputError(f"'{cause}' is not a cause; accepted: {', '.join(LossCause)}")
    return {"kind": "loss", "yard": yard, "store": store, "cause": cause, **_amount(store, amount)}


@entry_command("calibration")
def add_calibration(
    yard: YardArgument,
    sprayer: SprayerArgument,
    rate: Annotated[
        str | None, typer.Option(help="What it truly puts down, like 0.5gal/1000ft2.")
    ] = None,
    speed: Annotated[str | None, typer.Option(help="Speed it was driven at, like 8mph.")] = None,
    swath: Annotated[str | None, typer.Option(help="Width it wets, like 12ft.")] = None,
    pressure: Annotated[str | None, typer.Option(help="At the boom, like 30psi.")] = None,
    liquid_sg: Annotated[
        float | None, typer.Option(help="Specific gravity of the liquid the rate holds for.")
    ] = None,
    nozzles: Annotated[
        list[str] | None,
        typer.Option("--nozzle", help="What a nozzle gave, like 0.8gal/min; repeat it for each."),
    ] = None,
) -> EntryValues:
    """Add that a sprayer was calibrated, and what was found; pages show its rate card from it."""
    return {
        "kind": "calibration",
        "yard": yard,
        "sprayer": sprayer,
        "rate_l_m2": parse_given(rate, "liquid rate"),
        "speed_ms": parse_given(speed, "speed"),
        "swath_m": parse_given(swath, "length"),
        "pressure_pa": parse_given(pressure, "pressure"),
        "liquid_sg": liquid_sg,
        "nozzle_flows_l_h": tuple(parse_given(one, "pumping rate") for one in nozzles or ()),
    }


def _amount(store: str, text: str) -> dict[str, float | None]:
    """Read the amount of what is in a store: a mass of salt, a volume of anything else."""
    from stormplan.record.entries import SALT_PILE

    if store == SALT_PILE:
        return {"salt_kg": parse_given(text, "mass")}
    return {"volume_l": parse_given(text, "volume")}


def _liquid_read(
    sg: float | None, strength: str | None, temperature: str | None
) -> dict[str, float | None]:
    return {
        "specific_gravity": sg,
        "strength_frac": parse_given(strength, "percentage"),
        "temp_c": parse_given(temperature, "temperature"),
    }
