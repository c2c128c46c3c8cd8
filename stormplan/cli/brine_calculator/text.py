"""The brine bench in words, for a shed lead at 04:30 with wet gloves: few lines, figure first.

Takes results, gives lines. The pound-per-gallon figure that people get wrong stands beside the
one it is confused with; every warning carries its reason; how sure a figure is stands beside it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from stormplan import units
from stormplan.company.catalog import Product
from stormplan.liquids import cold_storage
from stormplan.liquids.batch import EUTECTIC_FRAC, Batch, Caution, Correction, Salt
from stormplan.liquids.blend import Cold, Liquid
from stormplan.liquids.brine import COLDEST_C
from stormplan.liquids.hydrometer import REFERENCE_C, STRENGTH_SPREAD_FRAC, Bands, Doubt, Gauged
from stormplan.units import Speaker

CAUTIONS: Mapping[Caution, str] = {
    "low purity": "Salt below 95 % NaCl: more sludge, and what else dissolves lifts the hydrometer "
    "without lowering the freeze point. Ask for the assay.",
    "treated salt": "Treated salt carries other chlorides or organics: the hydrometer counts them "
    "as salt, so the brine is weaker in NaCl than it reads. Go by weight.",
    "over strength": "Target above 23.3 %: past that point every extra percent RAISES the freeze "
    "point by about 13 °F, and salt drops out on cooling and plugs lines.",
    "pure salt assumed": "Pure salt assumed. Delivered salt is nearer 93-95 %: give --purity, "
    "--moisture and --insolubles, or the batch comes out weak.",
}
DOUBTS: Mapping[Doubt, str] = {
    "freezing": "brine of that strength would already be freezing, and ice takes water out of what "
    "you weigh. Warm a sample to 60 °F, stir, read again.",
    "crystals": "brine of that strength is dropping salt crystals at this temperature. Warm a "
    "sample to 60 °F, stir until clear, read again.",
    "beyond saturation": "no clear salt brine is that heavy. There is additive, undissolved salt "
    "or mud in it.",
    "blend": "a blend is not plain brine, and additive reads as salt. Check the base brine before "
    "blending.",
    "treated salt": "brine from treated salt holds several chlorides, and all of them read as "
    "plain salt.",
}
TOGETHER_DC = 0.05  # closer than anyone can measure
NEAR_DC = 0.5  # so near 60 °F a hydrometer needs no correction
VERDICTS = {"accept": "GOOD", "warn": "USE WITH CARE", "reject": "DO NOT SPRAY"}
LABELS = "Product label and local rules come first."


def temp(temp_c: float, speaker: Speaker) -> str:
    """Say a temperature [°C] to the tenth."""
    shown = units.c_to_f(temp_c) if speaker.is_us else temp_c
    return f"{round(shown, 1) + 0.0:.1f} °{'F' if speaker.is_us else 'C'}"


def spread(spread_dc: float, speaker: Speaker) -> str:
    """Say how sure a temperature is, rounded up to the half degree of a difference [K]."""
    shown = spread_dc * (1.8 if speaker.is_us else 1.0)
    return f"give or take {math.ceil(2 * shown - 1e-9) / 2:g} °{'F' if speaker.is_us else 'C'}"


def freezes(strength_frac: float, first_solid_c: float, spread_dc: float, speaker: Speaker) -> str:
    """Say what plain brine does first in the cold, and when."""
    if math.isinf(first_solid_c):
        return "drops salt at any tank temperature"
    verb = "drops salt" if strength_frac > EUTECTIC_FRAC + 1e-9 else "freezes"
    return f"{verb} at {temp(first_solid_c, speaker)}, {spread(spread_dc, speaker)}"


def volume(volume_l: float, speaker: Speaker) -> str:
    """Say a volume [L], to the tenth where it is small."""
    return speaker.fine_volume(volume_l)


def load(mass_kg_l: float, speaker: Speaker) -> str:
    """Say a mass per volume [kg/L], without its volume."""
    if speaker.is_us:
        return f"{mass_kg_l / units.KG_L_PER_LB_GAL:.3f} lb"
    return f"{mass_kg_l * 1000:.0f} g"


def percent(share_frac: float) -> str:
    """Say a strength [-] to the tenth of a percent."""
    return f"{100 * share_frac:.1f} %"


def warnings(lines: list[str]) -> list[str]:
    """Mark warnings so that they are seen without colour."""
    return [f"! {line}" for line in lines]


def batch(made: Batch, salt: Salt, freeze_spread_dc: float, speaker: Speaker) -> list[str]:
    """Say what goes into a batch."""
    per = "gallon" if speaker.is_us else "litre"
    purity = "pure" if salt.purity_frac == 1.0 else f"{100 * salt.purity_frac:g} % NaCl"
    is_off = abs(made.water_temp_c - REFERENCE_C) > NEAR_DC
    lines = [
        f"{speaker.mass(made.salt_kg):>12}  salt as delivered ({purity})",
        f"{volume(made.water_l, speaker):>12}  water",
        f"{volume(made.volume_l, speaker):>12}  finished brine, {percent(made.strength_frac)}; "
        + freezes(made.strength_frac, made.freeze_point_c, freeze_spread_dc, speaker),
        "",
        f"{load(made.nacl_kg_l, speaker)} NaCl per FINISHED {per} "
        f"(= {load(made.nacl_kg_l_water, speaker)} per {per} of WATER; do not mix them up).",
        f"Hydrometer: {made.reading_sg:.3f} at {temp(made.water_temp_c, speaker)}"
        + (f", {made.sg_60f:.3f} at {_sixty(speaker)}." if is_off else "."),
        f"Fresh, it is about {_difference(made.cooling_dc, speaker)} colder than its water and "
        "reads high: wait, or read its temperature too.",
    ]
    if made.sludge_kg > 0.0:
        lines.append(f"Sludge to clean out: about {speaker.mass(made.sludge_kg)}, dry.")
    return lines


def _sixty(speaker: Speaker) -> str:
    return "60 °F" if speaker.is_us else "15.6 °C"


def _difference(difference_dc: float, speaker: Speaker) -> str:
    return f"{1.8 * difference_dc:.0f} °F" if speaker.is_us else f"{difference_dc:.1f} °C"


def correction(found: Correction, speaker: Speaker) -> list[str]:
    """Say what brings a tank to its target."""
    steps = []
    if found.draw_off_l > 0.0:
        steps.append(
            f"{volume(found.draw_off_l, speaker):>12}  to draw off first: the tank would overflow"
        )
    if found.add_salt_kg > 0.0:
        steps.append(f"{speaker.mass(found.add_salt_kg):>12}  salt to add, as delivered")
    if found.add_water_l > 0.0:
        steps.append(f"{volume(found.add_water_l, speaker):>12}  water to add")
    if not steps:
        steps.append("Nothing to add: it is at the target.")
    return [
        *steps,
        f"{volume(found.final_l, speaker):>12}  in the tank then, at "
        f"{percent(found.strength_frac)}",
    ]


def gauged(found: Gauged, bands: Bands, freeze_spread_dc: float, speaker: Speaker) -> list[str]:
    """Say what a reading means."""
    at = temp(found.temp_c, speaker)
    if found.doubts:
        return [
            "DO NOT TRUST THIS READING.",
            *warnings([DOUBTS[doubt] for doubt in found.doubts]),
            f"Taken as plain salt brine, {found.reading_sg:.3f} at {at} would be "
            f"{percent(found.strength_frac)}.",
        ]
    low, high = (percent(edge) for edge in bands.accept_frac)
    lines = [
        f"{percent(found.strength_frac)} salt: {VERDICTS[found.verdict]} (target "
        f"{percent(bands.target_frac)}, good from {low} to {high}), give or take "
        f"{100 * STRENGTH_SPREAD_FRAC:.1f} %",
        f"It {freezes(found.strength_frac, found.freeze_point_c, freeze_spread_dc, speaker)}.",
    ]
    if abs(found.temp_c - REFERENCE_C) > NEAR_DC:
        lines.append(
            f"{found.reading_sg:.3f} at {at} is {found.reading_60f_sg:.3f} at {_sixty(speaker)}."
        )
    error = found.uncorrected_frac - found.strength_frac
    if abs(error) >= STRENGTH_SPREAD_FRAC:
        side = "high" if error > 0 else "low"
        lines.append(
            f"A 60 °F table would call it {percent(found.uncorrected_frac)}: "
            f"{percent(abs(error))} too {side}. Go by the figure above."
        )
    return lines


def composition(of: Liquid) -> str:
    """Say what is in a liquid, by weight."""
    names = ("NaCl", "CaCl2", "MgCl2", "KCl")
    shares = [
        f"{100 * share:.2f} % {name}"
        for share, name in zip(of.salts_frac, names, strict=True)
        if share > 0.0
    ]
    if of.inert_frac > 0.0:
        shares.append(f"{100 * of.inert_frac:.2f} % inert solids")
    return " + ".join(shares) or "water"


def cold(found: Cold, speaker: Speaker) -> list[str]:
    """Say what a liquid does as it gets cold, warmest solid first."""
    if found.source == "supplier":
        computed = max(found.ice_beside_crystals_c, found.crystal_onset_c)
        return [
            f"{temp(found.first_solid_c, speaker):>12}  freezes, the supplier's figure (computed "
            f"from its chlorides: {temp(computed, speaker)})"
        ]
    if math.isinf(found.crystal_onset_c):
        return ["DROPS SALT at any tank temperature: too much chloride for the water."]
    ice_spread = spread(float(cold_storage.spread_dc(found.ice_onset_c)), speaker)
    if found.crystal_onset_c <= found.ice_onset_c:
        return [f"{temp(found.ice_onset_c, speaker):>12}  ice, {ice_spread}"]
    if found.crystal_onset_c - found.ice_beside_crystals_c < TOGETHER_DC:
        together = temp(found.first_solid_c, speaker)
        return [f"{together:>12}  ice and salt crystals together, {ice_spread}"]
    crystal_spread = spread(float(cold_storage.spread_dc(found.crystal_onset_c, True)), speaker)
    crystals = f"{temp(found.crystal_onset_c, speaker):>12}  SALT CRYSTALS first, {crystal_spread}"
    beside = temp(found.ice_beside_crystals_c, speaker)
    if found.ice_onset_c <= COLDEST_C:
        return [crystals, f"{beside:>12}  ice, once crystals have formed, {ice_spread}"]
    return [
        crystals,
        f"{temp(found.ice_onset_c, speaker):>12}  ice while it stays clear; {beside} once crystals "
        f"have formed, {ice_spread}",
    ]


def blended(
    of: Liquid, found: Cold, temp_c: float, parts_water: float, speaker: Speaker
) -> list[str]:
    """Say what a blend is, and when which solid comes."""
    plural = "" if parts_water == 1.0 else "s"
    after = f", after {parts_water:g} volume{plural} of water" if parts_water else ""
    density = of.density_kg_m3(temp_c) / 1000.0
    return [
        *cold(found, speaker),
        f"{composition(of)} by weight{after}",
        f"{speaker.density(density)} at {temp(temp_c, speaker)}",
    ]


def icy(of: Liquid, ice_frac: float, temp_c: float, found: Cold, speaker: Speaker) -> str:
    """Say how much of a liquid is ice."""
    if ice_frac >= of.water_frac - 1e-9:
        return f"Frozen solid at {temp(temp_c, speaker)}."
    if ice_frac == 0.0:
        salt = ", but salt crystals are due" if temp_c < found.crystal_onset_c else ""
        return f"No ice at {temp(temp_c, speaker)}{salt}."
    return f"{100 * ice_frac:.0f} % of it is ice at {temp(temp_c, speaker)}."


def poured(volumes_l: Mapping[str, float], speaker: Speaker) -> list[str]:
    """Say what to pour."""
    names = {"brine": "base brine", "additive": "additive", "water": "water"}
    return [
        f"{volume(volumes_l[key], speaker):>12}  {name}"
        for key, name in names.items()
        if volumes_l.get(key, 0.0) > 0.0
    ]


def cold_tank(found: Cold, low_c: float, speaker: Speaker) -> str:
    """Warn that a tank may drop salt."""
    if math.isinf(found.crystal_onset_c):
        return "The tank drops salt even when warm. Use a weaker base brine or less additive."
    solid = "salt crystals are" if found.crystal_onset_c > found.ice_onset_c else "ice is"
    if found.source == "supplier":
        solid = "by the supplier's figure freezing is"
    margin = "5 °F" if speaker.is_us else "3 °C"
    return (
        f"Tank at {temp(low_c, speaker)}: {solid} due at "
        f"{temp(max(found.first_solid_c, found.crystal_onset_c), speaker)}. Keep it above "
        f"{temp(found.warn_below_c, speaker)} (that plus {margin}, since the rule errs cold); "
        "crystals plug pumps and nozzles."
    )


def how_sure(found: Cold, density_spread_kg_m3: float, speaker: Speaker) -> str:
    """Say how sure the figures of a blend are."""
    parts = [f"ice {spread(float(cold_storage.spread_dc(found.ice_onset_c)), speaker)}"]
    if COLDEST_C < found.crystal_onset_c < math.inf:
        crystals_dc = float(cold_storage.spread_dc(found.crystal_onset_c, True))
        parts.append(f"salt crystals {spread(crystals_dc, speaker)}")
    return "; ".join([*parts, f"density give or take {density_spread_kg_m3:.0f} kg/m³"])


def weaker_base(match: tuple[float, float], speaker: Speaker) -> str:
    """Say which base brine makes the best of the additive."""
    return (
        f"Blend into {percent(match[0])} base brine: ice and crystals then arrive together at "
        f"{temp(match[1], speaker)}. Stronger base only brings the crystals earlier."
    )


def neat_product(product: Product, speaker: Speaker) -> str:
    """Pass on a supplier's freeze point, which holds for the neat product only."""
    stated = product.freeze_point_c if product.freeze_point_c is not None else math.nan
    return (
        f"{product.name} neat freezes at {temp(stated, speaker)} by its supplier: that holds for "
        "its own tank, not for the blend, which is computed from its chlorides."
    )


JAR_TEST = (
    "Add slowly to circulating brine. Sulfate in rock salt or water can drop gypsum with calcium: "
    "jar-test 24-48 h at the coldest storage temperature."
)
