"""Parsing of the brine calculator's options: volumes, temperatures, strengths, liquids.

A bare number means the unit that the option names or, failing that, the system in use; a number
with its unit is always understood. Every refusal says which option, what was typed and what would
be accepted.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Mapping

from stormplan import units
from stormplan.company.catalog import Chloride, Product
from stormplan.errors import InputError
from stormplan.liquids.batch import Salt
from stormplan.liquids.blend import Liquid, liquid_from_product, make_liquid
from stormplan.liquids.brine import CHLORIDES
from stormplan.liquids.hydrometer import StrengthBands
from stormplan.units import UnitSystem

MIN_TANK_TEMP_C, MAX_TANK_TEMP_C = -60.0, 60.0


def _parse_bare_number(text: str) -> float | None:
    """Read a bare number; None where there is something else in it."""
    try:
        value = float(text.replace(",", ""))
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def _parse_quantity(text: str, option: str, kind: str, bare_unit: str) -> float:
    try:
        return units.parse(
            text if _parse_bare_number(text) is None else f"{text} {bare_unit}", kind
        )
    except InputError as error:
        raise InputError(f"{option}: {error}") from error


def parse_volume_l(text: str, option: str, system: UnitSystem) -> float:
    """Read a volume, bare in gallons or liters by system [L]."""
    value = _parse_quantity(text, option, "volume", "gal" if system == "us" else "l")
    if not 0.0 < value < 1e9:
        raise InputError(f"{option}: '{text}' is not a volume to work with; write one above 0")
    return value


def parse_temp_c(text: str, option: str, system: UnitSystem) -> float:
    """Read a temperature, bare in °F or °C by system [°C]."""
    value = _parse_quantity(text, option, "temperature", "f" if system == "us" else "c")
    if not MIN_TANK_TEMP_C <= value <= MAX_TANK_TEMP_C:
        raise InputError(
            f"{option}: '{text}' is not a temperature for a tank or a film; accepted is "
            f"{units.c_to_f(MIN_TANK_TEMP_C):.0f} to {units.c_to_f(MAX_TANK_TEMP_C):.0f} °F "
            f"({MIN_TANK_TEMP_C:.0f} to {MAX_TANK_TEMP_C:.0f} °C)"
        )
    return value


def parse_percent(text: str, option: str) -> float:
    """Read a percentage, with or without its sign, from 0 to 100 [-]."""
    number = _parse_bare_number(text.strip().removesuffix("%"))
    if number is None or not 0.0 <= number <= 100.0:
        raise InputError(f"{option}: '{text}' is not a percentage; accepted is 0 to 100")
    return round(number / 100.0, 12)  # as written: 23.8 % is 0.238, not a hair more


def parse_blend_share(text: str, option: str) -> float:
    """Read the additive's share of a blend: ``20``, ``20%`` or, brine first, ``80/20`` [-]."""
    brine, slash, additive = text.partition("/")
    if not slash:
        return parse_percent(text, option)
    share = parse_percent(additive, option)
    if abs(parse_percent(brine, option) + share - 1.0) > 1e-9:
        raise InputError(
            f"{option}: '{text}' does not add up to 100; write brine/additive as 80/20"
        )
    return share


def parse_specific_gravity(text: str, option: str) -> float:
    """Read a hydrometer reading; one without its point is asked about [-]."""
    value = _parse_bare_number(text)
    if value is not None and 900.0 <= value <= 2000.0:
        raise InputError(
            f"{option}: '{text}' is not a specific gravity; did you mean {value / 1000:.3f}?"
        )
    return parse_number(text, option, 0.9, 2.0)


def parse_number(text: str, option: str, lowest: float, highest: float) -> float:
    """Read a plain number between two limits [-]."""
    value = _parse_bare_number(text)
    if value is None or not lowest <= value <= highest:
        raise InputError(f"{option}: '{text}' is not usable; accepted is {lowest:g} to {highest:g}")
    return value


def parse_salt(purity: str, moisture: str, insolubles: str) -> Salt:
    """Read the three shares that describe salt as delivered."""
    return Salt(
        parse_percent(purity, "--purity"),
        parse_percent(moisture, "--moisture"),
        parse_percent(insolubles, "--insolubles"),
    )


def parse_volume_at_strength(text: str, option: str, system: UnitSystem) -> tuple[float, float]:
    """Read ``1000@20``: so much at so many percent by weight [L], [-]."""
    volume, at, strength = text.partition("@")
    if not at:
        raise InputError(
            f"{option}: '{text}' is not a volume at a strength; write it as 1000@20, for 1000 "
            f"{'gal' if system == 'us' else 'L'} at 20 % by weight"
        )
    return parse_volume_l(volume.strip(), option, system), parse_percent(strength, option)


def parse_band(text: str, option: str) -> tuple[float, float]:
    """Read ``22.5-23.8``: a band of percentages by weight [-]."""
    match = re.fullmatch(r"\s*([\d.]+)\s*[-–]\s*([\d.]+)\s*%?\s*", text)
    if match is None:
        raise InputError(f"{option}: '{text}' is not a band; write it as 22.5-23.8")
    low, high = (parse_percent(edge, option) for edge in match.groups())
    return low, high


def parse_bands(target: str, accept: str, usable: str) -> StrengthBands:
    """Read how strong is good enough."""
    return StrengthBands(
        parse_percent(target, "--target"),
        parse_band(accept, "--accept"),
        parse_band(usable, "--usable"),
    )


def parse_liquid(
    text: str, option: str, products: Mapping[str, Product]
) -> tuple[Liquid, Product | None]:
    """Read a liquid: ``23.3`` (NaCl), ``cacl2=32``, ``cacl2=25,nacl=3``, or a product's key.

    Parameters
    ----------
    text, option : str
        What was typed; for which option.
    products : mapping of str to Product
        The sites file's, by key; empty without one.

    Returns
    -------
    Liquid, Product or None
        The liquid; the product where a product was named.

    Raises
    ------
    InputError
        Not a percentage, no known chloride, no known product, or stronger than water holds.
    """
    stripped = text.strip()
    bare = _parse_bare_number(stripped)
    if bare is not None and 1.0 < bare < 1.4 and "." in stripped:
        raise InputError(
            f"{option}: '{text}' looks like a hydrometer reading; accepted is percent by weight, "
            f"as 23.3 (`stormplan hydrometer --reading {stripped}` tells it); for {bare:g} % write "
            f"nacl={bare:g}"
        )
    is_strength = "=" in stripped or _parse_bare_number(stripped.removesuffix("%")) is not None
    chlorides = (
        _parse_chlorides(stripped, option) if is_strength and stripped not in products else None
    )
    try:
        if stripped in products:
            return liquid_from_product(products[stripped]), products[stripped]
        if chlorides is not None:
            return make_liquid(chlorides), None
    except InputError as error:
        raise InputError(f"{option}: {error}") from error
    near = difflib.get_close_matches(stripped, products, n=1)
    known = f"the sites file has {', '.join(products)}" if products else "name it with --sites FILE"
    raise InputError(
        f"{option}: '{text}' is not a liquid known here; write a strength as cacl2=32 or a product "
        f"of the sites file ({f'did you mean {near[0]}? ' if near else ''}{known})"
    )


def _parse_chlorides(text: str, option: str) -> dict[Chloride, float]:
    """Read ``23.3`` or ``cacl2=25,nacl=3`` into mass shares [-]."""
    shares: dict[Chloride, float] = {}
    for part in text.split(","):
        name, equals, strength = (piece.strip() for piece in part.partition("="))
        if not equals:
            name, strength = "nacl", name
        chloride = next((known for known in CHLORIDES if known == name.casefold()), None)
        if chloride is None or chloride in shares:
            raise InputError(
                f"{option}: '{part}' is not a chloride's strength; write {' or '.join(CHLORIDES)} "
                "once each, as in cacl2=32"
            )
        shares[chloride] = parse_percent(strength, option)
    if not sum(shares.values()) > 0.0:
        raise InputError(f"{option}: '{text}' has no salt in it; accepted is above 0 %")
    return shares
