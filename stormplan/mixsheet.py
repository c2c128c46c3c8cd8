"""The mix in words and as a table: what the shed lead makes, loads and is short of."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from dataclasses import dataclass

from stormplan import units
from stormplan.mix import Blend, YardMix
from stormplan.units import System
from stormplan.wording import Words, blend_name, count


@dataclass(frozen=True)
class YardView:
    """One yard's mix in words: (label, value) rows."""

    name: str
    blends: tuple[tuple[str, str, str], ...]
    rows: tuple[tuple[str, str], ...]
    shortages: tuple[str, ...]


def blend_line(blend: Blend, words: Words) -> str:
    """Say a blend's volume and name."""
    return f"{words.say.volume(blend.volume_l)} {blend_name(blend.additive_name, blend.share)}"


def short_of(yard: YardMix) -> list[str]:
    """Name what a yard is short of."""
    names = {item.product: item.name for item in yard.additives}
    return [names.get(what, what) for what in yard.shortages]


def yard_view(yard: YardMix, words: Words) -> YardView:
    """Put a yard's mix into words."""
    say = words.say
    if not yard.blends:
        return YardView(yard.name, (), (("Mix", "nothing"),), ())
    rows = [
        ("Brine needed, with reserve", say.volume(yard.brine_needed_l)),
        ("Usable in the tanks", say.volume(yard.brine_usable_l)),
        ("Brine to make", say.volume(yard.brine_to_make_l)),
    ]
    if yard.brine_to_make_l > 0.0:
        low, high = yard.accept_sg
        rows += [
            ("Salt, as delivered", say.mass(yard.salt_kg)),
            ("Water", say.volume(yard.water_l)),
            ("Strength", f"{100 * yard.strength_frac:.1f} % by weight"),
            (
                f"Hydrometer at {say.temp(yard.expected_at_c)}",
                f"{yard.expected_sg:.3f} (accept {low:.3f} to {high:.3f})",
            ),
            ("Hydrometer at 60 °F", f"{yard.target_sg_60f:.3f}"),
        ]
    for additive in yard.additives:
        short = f", SHORT {say.volume(additive.short_l)}" if additive.short_l > 0.0 else ""
        need = f"{say.volume(additive.needed_l)} of {say.volume(additive.on_hand_l)} on hand{short}"
        rows.append((additive.name, need))
    for tank in yard.tanks:
        strength = "" if tank.strength_frac is None else f"{100 * tank.strength_frac:.1f} %, "
        rows.append((f"Tank {tank.tank}", f"{say.volume(tank.on_hand_l)}, {strength}{tank.says}"))
    return YardView(
        name=yard.name,
        blends=tuple(
            (
                blend_name(blend.additive_name, blend.share),
                say.volume(blend.volume_l),
                f"first load {words.day(blend.first_use)}, {count(blend.surfaces, 'surface')}",
            )
            for blend in yard.blends
        ),
        rows=tuple(rows),
        shortages=tuple(short_of(yard)),
    )


def mix_csv(yards: Iterable[YardMix], system: System) -> str:
    """Write the mix as a table for other programs, in the company's units.

    Parameters
    ----------
    yards : iterable of YardMix
        The plan's yards [-].
    system : str
        ``"us"`` or ``"metric"`` [-].

    Returns
    -------
    str
        CSV (RFC 4180): yard, item, quantity, unit. Cells that a spreadsheet would take for a
        formula are quoted with a leading apostrophe.
    """
    us = system == "us"
    litre, volume = (units.L_PER_GAL, "gal") if us else (1.0, "L")
    kilo, mass = (units.KG_PER_LB, "lb") if us else (1.0, "kg")
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\r\n")
    table.writerow(["yard", "item", "quantity", "unit"])
    for yard in yards:
        rows: list[tuple[str, float, str]] = [
            (
                f"spray {blend_name(blend.additive_name, blend.share)}",
                blend.volume_l / litre,
                volume,
            )
            for blend in yard.blends
        ]
        rows += [
            ("brine needed with reserve", yard.brine_needed_l / litre, volume),
            ("brine usable in tanks", yard.brine_usable_l / litre, volume),
            ("brine to make", yard.brine_to_make_l / litre, volume),
            ("salt as delivered", yard.salt_kg / kilo, mass),
            ("water", yard.water_l / litre, volume),
        ]
        for item in yard.additives:
            rows.append((f"additive {item.name}", item.needed_l / litre, volume))
            rows.append((f"additive {item.name} short", item.short_l / litre, volume))
        for what, quantity, unit in rows:
            table.writerow([_inert(yard.name), _inert(what), f"{quantity:.1f}", unit])
    return out.getvalue()


def _inert(text: str) -> str:
    """Keep a spreadsheet from running a name as a formula."""
    return f"'{text}" if text[:1] in ("=", "+", "-", "@", "\t", "\r") else text
