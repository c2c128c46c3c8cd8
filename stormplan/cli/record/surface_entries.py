"""Commands that add what was done and seen on a surface, and what people said of a site."""

from __future__ import annotations

from typing import Annotated

import typer

from stormplan.cli.record.adding import EntryValues, entry_command
from stormplan.cli.record.options import SiteArgument, SurfaceArgument, parse_given
from stormplan.errors import InputError


@entry_command("pass", about_surface=True)
def add_pass(site: SiteArgument, surface: SurfaceArgument) -> EntryValues:
    """Add a plow, shovel or broom pass down to the pavement."""
    return {"kind": "pass", "site": site, "surface": surface}


@entry_command("application", about_surface=True)
def add_application(
    site: SiteArgument,
    surface: SurfaceArgument,
    rate: Annotated[
        str, typer.Argument(help="What went down: 0.5gal/1000ft2 of liquid, 4lb/1000ft2 of solid.")
    ],
    additive: Annotated[
        str | None, typer.Option(help="Key of the product blended into the brine.")
    ] = None,
    share: Annotated[str | None, typer.Option(help="Its part by volume, like 5%.")] = None,
    sand: Annotated[bool, typer.Option("--sand", help="The solid is sand, not salt.")] = False,
    sprayer: Annotated[
        str | None, typer.Option(help="Sprayer it came out of; its loads then account for it.")
    ] = None,
) -> EntryValues:
    """Add a liquid, salt or sand that was put down."""
    if (additive is None) is not (share is None):
        raise InputError("--additive and --share go together, like --additive calcium --share 5%")
    return {
        "kind": "application",
        "site": site,
        "surface": surface,
        "sprayer": sprayer,
        "additive": additive,
        "additive_frac": parse_given(share, "percentage") or 0.0,
        **_rate(rate, is_liquid=additive is not None, is_sand=sand),
    }


def _rate(text: str, *, is_liquid: bool, is_sand: bool) -> dict[str, float]:
    """Read a rate, of a liquid or of a solid, by its unit."""
    from stormplan.units import parse

    try:
        liquid = parse(text, "liquid rate")
    except InputError as not_liquid:
        if is_liquid:
            raise
        try:
            solid = parse(text, "solid rate")
        except InputError:
            raise InputError(f"{not_liquid}; or of solids as '4 lb/1000 ft2'") from None
        return {"sand_kg_m2" if is_sand else "salt_kg_m2": solid}
    if is_sand:
        raise InputError(f"--sand is a solid; write its rate as '4 lb/1000 ft2', not '{text}'")
    return {"rate_l_m2": liquid}


@entry_command("inspection", about_surface=True)
def add_inspection(
    site: SiteArgument,
    surface: SurfaceArgument,
    condition: Annotated[
        str, typer.Argument(help="dry, damp, wet, frost, slush, snow, 'packed snow' or ice.")
    ],
    depth: Annotated[
        str | None, typer.Option(help="How deep, of slush and snow, like 2in.")
    ] = None,
) -> EntryValues:
    """Add what was seen on a surface; the next plan starts from it.

    It counts for as long as the weather since is known, else for the rule record_max_age.
    """
    from stormplan.record.entries import WITH_DEPTH, Condition

    if condition not in tuple(Condition):
        raise InputError(f"'{condition}' is not a condition; accepted: {', '.join(Condition)}")
    if condition in WITH_DEPTH and depth is None:
        raise InputError(f"how deep is the {condition}? add --depth, like --depth 2in")
    depth_m = parse_given(depth, "length")
    return {
        "kind": "inspection",
        "site": site,
        "surface": surface,
        "condition": condition,
        "depth_cm": None if depth_m is None else 100.0 * depth_m,
    }


@entry_command("reading", about_surface=True)
def add_reading(
    site: SiteArgument,
    surface: SurfaceArgument,
    light: Annotated[
        str, typer.Option(help="Light on the spot: sun or shade; shade at night.")
    ] = "shade",
) -> EntryValues:
    """Add a pavement temperature, with --pavement 28F; plans correct the surface's nights by it."""
    return {"kind": "reading", "site": site, "surface": surface, "light": light}


@entry_command("skipped", about_surface=True)
def add_skipped(
    site: SiteArgument,
    surface: SurfaceArgument,
    reason: Annotated[str, typer.Argument(help="Why, like 'cars parked'.")],
) -> EntryValues:
    """Add work of the plan that was not done, and why."""
    return {"kind": "skipped", "site": site, "surface": surface, "reason": reason}


@entry_command("direction")
def add_direction(
    site: SiteArgument,
    said: Annotated[str, typer.Argument(help="What the client asked for.")],
    said_by: Annotated[str, typer.Argument(help="Who asked, and how, like 'J. Doe by phone'.")],
) -> EntryValues:
    """Add what a client asked for, like no salt on the deck."""
    return {"kind": "direction", "site": site, "said": said, "said_by": said_by}


@entry_command("complaint")
def add_complaint(
    site: SiteArgument,
    said: Annotated[str, typer.Argument(help="What somebody complained of.")],
    said_by: Annotated[str, typer.Argument(help="Who.")],
) -> EntryValues:
    """Add a complaint, or a fall that was told."""
    return {"kind": "complaint", "site": site, "said": said, "said_by": said_by}


@entry_command("notice")
def add_notice(
    client: Annotated[str, typer.Argument(help="Key of the client.")],
    channel: Annotated[str, typer.Argument(help="mail, text or call.")],
    recipient: Annotated[str, typer.Argument(help="Address or number.")],
    said: Annotated[str, typer.Argument(help="What was said.")],
) -> EntryValues:
    """Add that a client was told, as by phone; `notices send` adds what it sends by itself."""
    about = {"client": client, "channel": channel, "recipient": recipient}
    return {"kind": "notice", **about, "said": said}


@entry_command("void")
def add_void(
    voids: Annotated[str, typer.Argument(help="Id of the entry that does not count.")],
) -> EntryValues:
    """Void an entry: it stays in the record and counts no more."""
    return {"kind": "void", "voids": voids}
