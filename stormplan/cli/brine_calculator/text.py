"""Text of the brine calculator, for a shed lead at 04:30 with wet gloves: few lines, figure first.

Takes results, gives lines. The pound-per-gallon figure that people get wrong stands beside the
one it is confused with; every warning carries its reason; how sure a figure is stands beside it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from stormplan import units
from stormplan.company.catalog import Product
from stormplan.liquids import cold_storage
from stormplan.liquids.batch import Batch, BatchCaution, Salt, TankCorrection
from stormplan.liquids.blend import ColdBehavior, Liquid
from stormplan.liquids.brine import EUTECTIC_FRAC, MIN_LIQUID_TEMP_C
from stormplan.liquids.hydrometer import (
    REFERENCE_C,
    STRENGTH_UNCERTAINTY_FRAC,
    HydrometerResult,
    ReadingDoubt,
    StrengthBands,
    strength_from_reading,
)
from stormplan.units import UnitFormatter

CAUTIONS: Mapping[BatchCaution, str] = {
    "low purity": "Salt below 95 % NaCl: more sludge, and what else dissolves lifts the hydrometer "
    "without lowering the freeze point. Ask for the assay.",
    "treated salt": "Treated salt carries other chlorides or organics: the hydrometer counts them "
    "as salt, so the brine is weaker in NaCl than it reads. Go by weight.",
    "over strength": "Target above 23.3 %: past that point every extra percent RAISES the freeze "
    "point by about 13 °F, and salt drops out on cooling and plugs lines.",
    "pure salt assumed": "Pure salt assumed. Delivered salt is nearer 93-95 %: give --purity, "
    "--moisture and --insolubles, or the batch comes out weak.",
}
DOUBTS: Mapping[ReadingDoubt, str] = {
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
SIMULTANEOUS_ONSET_K = 0.05  # closer than anyone can measure
COLD_TANK_C = units.f_to_c(15.0)  # an example of a tank outdoors
NO_CORRECTION_K = 0.5  # so near 60 °F a hydrometer needs no correction
BAND_LABELS = {"accept": "GOOD", "warn": "USE WITH CARE", "reject": "DO NOT SPRAY"}
LABEL_NOTE = "Product label and local rules come first."


def format_temp(temp_c: float, formatter: UnitFormatter) -> str:
    """Return a temperature [°C] to the tenth."""
    shown = units.c_to_f(temp_c) if formatter.is_us else temp_c
    return f"{round(shown, 1) + 0.0:.1f} °{'F' if formatter.is_us else 'C'}"


def format_uncertainty(uncertainty_k: float, formatter: UnitFormatter) -> str:
    """Return the uncertainty of a temperature [K], rounded up to the half degree."""
    shown = uncertainty_k * (1.8 if formatter.is_us else 1.0)
    return f"give or take {math.ceil(2 * shown - 1e-9) / 2:g} °{'F' if formatter.is_us else 'C'}"


def freeze_phrase(
    strength_frac: float, first_solid_c: float, uncertainty_k: float, formatter: UnitFormatter
) -> str:
    """Return which solid plain brine forms first on cooling, and at which temperature."""
    if math.isinf(first_solid_c):
        return "drops salt at any tank temperature"
    verb = "drops salt" if strength_frac > EUTECTIC_FRAC + 1e-9 else "freezes"
    return (
        f"{verb} at {format_temp(first_solid_c, formatter)}, "
        f"{format_uncertainty(uncertainty_k, formatter)}"
    )


def format_volume(volume_l: float, formatter: UnitFormatter) -> str:
    """Return a volume [L], to the tenth where it is small."""
    return formatter.precise_volume(volume_l)


def format_mass_per_volume(mass_kg_l: float, formatter: UnitFormatter) -> str:
    """Return a mass per volume [kg/L], without the unit of volume."""
    if formatter.is_us:
        return f"{mass_kg_l / units.KG_L_PER_LB_GAL:.3f} lb"
    return f"{mass_kg_l * 1000:.0f} g"


def format_strength(strength_frac: float) -> str:
    """Return a strength [-] to the tenth of a percent."""
    return f"{100 * strength_frac:.1f} %"


def warning_lines(lines: list[str]) -> list[str]:
    """Return warnings marked with an exclamation mark."""
    return [f"! {line}" for line in lines]


def batch_lines(
    batch: Batch, salt: Salt, freeze_uncertainty_k: float, formatter: UnitFormatter
) -> list[str]:
    """Return the lines of a batch."""
    per = "gallon" if formatter.is_us else "liter"
    purity = "pure" if salt.purity_frac == 1.0 else f"{100 * salt.purity_frac:g} % NaCl"
    is_off = abs(batch.water_temp_c - REFERENCE_C) > NO_CORRECTION_K
    lines = [
        f"{formatter.mass(batch.salt_kg):>12}  salt as delivered ({purity})",
        f"{format_volume(batch.water_l, formatter):>12}  water",
        f"{format_volume(batch.volume_l, formatter):>12}  finished brine, "
        f"{format_strength(batch.strength_frac)}; "
        + freeze_phrase(batch.strength_frac, batch.freeze_point_c, freeze_uncertainty_k, formatter),
        "",
        f"{format_mass_per_volume(batch.nacl_kg_l, formatter)} NaCl per FINISHED {per} "
        f"(= {format_mass_per_volume(batch.nacl_kg_l_water, formatter)} per {per} of WATER; do "
        "not mix them up).",
        f"Hydrometer: {batch.reading_sg:.3f} at {format_temp(batch.water_temp_c, formatter)}"
        + (f", {batch.sg_60f:.3f} at {_reference_temp_text(formatter)}." if is_off else "."),
        f"Fresh, it is about {_format_temp_difference(batch.cooling_k, formatter)} colder than "
        "its water and "
        "reads high: wait, or read its temperature too.",
    ]
    if batch.sludge_kg > 0.0:
        lines.append(f"Sludge to clean out: about {formatter.mass(batch.sludge_kg)}, dry.")
    return lines


def _reference_temp_text(formatter: UnitFormatter) -> str:
    return "60 °F" if formatter.is_us else "15.6 °C"


def _format_temp_difference(difference_k: float, formatter: UnitFormatter) -> str:
    return f"{1.8 * difference_k:.0f} °F" if formatter.is_us else f"{difference_k:.1f} °C"


def dissolving_lines(
    batch: Batch, time_ratio: float, rate_left: float, hours: float | None, formatter: UnitFormatter
) -> list[str]:
    """Return how long a batch takes as far as that is known, and how to tell that it is done.

    Parameters
    ----------
    batch : Batch
        The batch.
    time_ratio : float
        How much longer salt takes in its water than in water of 60 °F [-].
    rate_left : float
        How fast the last of it dissolves, against the first [-].
    hours : float or None
        At the mixer's own rate [h].
    formatter : UnitFormatter
        The reader's units.
    """
    water = format_temp(batch.water_temp_c, formatter)
    lines = []
    if hours is not None:
        lines.append(f"At the mixer's rate it takes {60.0 * hours:.0f} min.")
    if abs(batch.water_temp_c - REFERENCE_C) > NO_CORRECTION_K:
        how = "slowly" if time_ratio > 1.0 else "fast"
        times = max(time_ratio, 1.0 / time_ratio)
        lines.append(
            f"Water of {water} dissolves salt about {times:.1f} times as {how} as at"
            f" {_reference_temp_text(formatter)} (by diffusion; nobody has measured brine makers)."
        )
    lines.append(
        f"The last of the salt dissolves at 1/{1.0 / rate_left:.0f} of the speed of the first, and"
        " coarse salt slower than fine."
        if rate_left > 0.0
        else "At saturation the last of the salt does not dissolve."
    )
    lines.append(
        "Done when no salt is left on the bottom and two readings 10 min apart, at one temperature,"
        " agree to 0.001."
    )
    return lines


def off_reading_lines(
    result: HydrometerResult,
    target_frac: float,
    on_target_temp_c: float | None,
    undissolved_kg: float,
    formatter: UnitFormatter,
) -> list[str]:
    """Return what an off reading may mean that costs nothing to mend, the cheapest first.

    Parameters
    ----------
    result : HydrometerResult
        The reading.
    target_frac : float
        What it should be [-].
    on_target_temp_c : float or None
        Temperature at which brine on target shows it [°C].
    undissolved_kg : float
        Salt on the bottom that would explain it [kg].
    formatter : UnitFormatter
        The reader's units.
    """
    lines = ["Before you add anything:", "  wash the float and the jar; no bubbles on the float"]
    if on_target_temp_c is not None:
        at = format_temp(on_target_temp_c, formatter)
        lines.append(
            f"  read its temperature again: at {at}, brine of {format_strength(target_frac)} reads"
            f" {result.reading_sg:.3f}"
        )
    if undissolved_kg > 0.0:
        lines.append(
            f"  a new batch: circulate on; {formatter.mass(undissolved_kg)} of salt still on the"
            " bottom explain it"
        )
    else:
        lines.append("  salt with other salts in it, or an additive, reads high: is there any?")
    return lines


def correction_lines(correction: TankCorrection, formatter: UnitFormatter) -> list[str]:
    """Return the lines of a tank correction."""
    steps = []
    if correction.draw_off_l > 0.0:
        steps.append(
            f"{format_volume(correction.draw_off_l, formatter):>12}  to draw off first: the tank "
            "would overflow"
        )
    if correction.add_salt_kg > 0.0:
        steps.append(f"{formatter.mass(correction.add_salt_kg):>12}  salt to add, as delivered")
    if correction.add_water_l > 0.0:
        steps.append(f"{format_volume(correction.add_water_l, formatter):>12}  water to add")
    if not steps:
        steps.append("Nothing to add: it is at the target.")
    return [
        *steps,
        f"{format_volume(correction.final_l, formatter):>12}  in the tank then, at "
        f"{format_strength(correction.strength_frac)}",
    ]


def reading_lines(
    result: HydrometerResult,
    bands: StrengthBands,
    freeze_uncertainty_k: float,
    formatter: UnitFormatter,
) -> list[str]:
    """Return the lines of a hydrometer reading."""
    at = format_temp(result.temp_c, formatter)
    if result.doubts:
        return [
            "DO NOT TRUST THIS READING.",
            *warning_lines([DOUBTS[doubt] for doubt in result.doubts]),
            f"Taken as plain salt brine, {result.reading_sg:.3f} at {at} would be "
            f"{format_strength(result.strength_frac)}.",
        ]
    low, high = (format_strength(edge) for edge in bands.accept_frac)
    lines = [
        f"{format_strength(result.strength_frac)} salt: {BAND_LABELS[result.verdict]} (target "
        f"{format_strength(bands.target_frac)}, good from {low} to {high}), give or take "
        f"{100 * STRENGTH_UNCERTAINTY_FRAC:.1f} %",
        "It "
        + freeze_phrase(
            result.strength_frac, result.freeze_point_c, freeze_uncertainty_k, formatter
        )
        + ".",
    ]
    if abs(result.temp_c - REFERENCE_C) > NO_CORRECTION_K:
        lines.append(
            f"{result.reading_sg:.3f} at {at} is {result.reading_60f_sg:.3f} at "
            f"{_reference_temp_text(formatter)}."
        )
    error = result.uncorrected_frac - result.strength_frac
    if abs(error) >= STRENGTH_UNCERTAINTY_FRAC:
        side = "high" if error > 0 else "low"
        lines.append(
            f"A 60 °F table would call it {format_strength(result.uncorrected_frac)}: "
            f"{format_strength(abs(error))} too {side}. Go by the figure above."
        )
    return lines


def assumed_temp_warning(result: HydrometerResult, formatter: UnitFormatter) -> str:
    """Return what a reading would mean in a cold tank, where no temperature was given."""
    cold = float(strength_from_reading(result.reading_sg, COLD_TANK_C))
    return (
        f"! {format_temp(result.temp_c, formatter)} assumed: no --temp was given. Cold brine reads "
        f"high: at {format_temp(COLD_TANK_C, formatter)} this reading is {format_strength(cold)}. "
        "Read its temperature, too."
    )


def composition_text(liquid: Liquid) -> str:
    """Return the composition of a liquid by weight."""
    names = ("NaCl", "CaCl2", "MgCl2", "KCl")
    shares = [
        f"{100 * share:.2f} % {name}"
        for share, name in zip(liquid.salts_frac, names, strict=True)
        if share > 0.0
    ]
    if liquid.inert_frac > 0.0:
        shares.append(f"{100 * liquid.inert_frac:.2f} % inert solids")
    return " + ".join(shares) or "water"


def freezing_lines(behavior: ColdBehavior, formatter: UnitFormatter) -> list[str]:
    """Return the onsets of ice and salt crystals, warmest first."""
    if behavior.freeze_point_source == "supplier":
        computed = max(behavior.ice_with_crystals_c, behavior.crystal_onset_c)
        return [
            f"{format_temp(behavior.first_solid_c, formatter):>12}  freezes, the supplier's "
            "figure (computed "
            f"from its chlorides: {format_temp(computed, formatter)})"
        ]
    if math.isinf(behavior.crystal_onset_c):
        return ["DROPS SALT at any tank temperature: too much chloride for the water."]
    ice_spread = format_uncertainty(
        float(cold_storage.onset_uncertainty_k(behavior.ice_onset_c)), formatter
    )
    if behavior.crystal_onset_c <= behavior.ice_onset_c:
        return [f"{format_temp(behavior.ice_onset_c, formatter):>12}  ice, {ice_spread}"]
    if behavior.crystal_onset_c - behavior.ice_with_crystals_c < SIMULTANEOUS_ONSET_K:
        together = format_temp(behavior.first_solid_c, formatter)
        return [f"{together:>12}  ice and salt crystals together, {ice_spread}"]
    crystal_spread = format_uncertainty(
        float(cold_storage.onset_uncertainty_k(behavior.crystal_onset_c, True)), formatter
    )
    crystals = (
        f"{format_temp(behavior.crystal_onset_c, formatter):>12}  SALT CRYSTALS first, "
        f"{crystal_spread}"
    )
    beside = format_temp(behavior.ice_with_crystals_c, formatter)
    if behavior.ice_onset_c <= MIN_LIQUID_TEMP_C:
        return [crystals, f"{beside:>12}  ice, once crystals have formed, {ice_spread}"]
    return [
        crystals,
        f"{format_temp(behavior.ice_onset_c, formatter):>12}  ice while it stays clear; {beside} "
        "once crystals "
        f"have formed, {ice_spread}",
    ]


def blend_lines(
    liquid: Liquid,
    behavior: ColdBehavior,
    temp_c: float,
    water_parts: float,
    formatter: UnitFormatter,
) -> list[str]:
    """Return the lines of a blend: onsets, composition, density."""
    plural = "" if water_parts == 1.0 else "s"
    after = f", after {water_parts:g} volume{plural} of water" if water_parts else ""
    density = liquid.density_kg_m3(temp_c) / 1000.0
    return [
        *freezing_lines(behavior, formatter),
        f"{composition_text(liquid)} by weight{after}",
        f"{formatter.density(density)} at {format_temp(temp_c, formatter)}",
    ]


def ice_fraction_text(
    liquid: Liquid, ice_frac: float, temp_c: float, behavior: ColdBehavior, formatter: UnitFormatter
) -> str:
    """Return the ice fraction of a liquid as text."""
    if ice_frac >= liquid.water_frac - 1e-9:
        return f"Frozen solid at {format_temp(temp_c, formatter)}."
    if ice_frac == 0.0:
        salt = ", but salt crystals are due" if temp_c < behavior.crystal_onset_c else ""
        return f"No ice at {format_temp(temp_c, formatter)}{salt}."
    return f"{100 * ice_frac:.0f} % of it is ice at {format_temp(temp_c, formatter)}."


def pour_lines(volumes_l: Mapping[str, float], formatter: UnitFormatter) -> list[str]:
    """Return the volume of each component, one line each."""
    names = {"brine": "base brine", "additive": "additive", "water": "water"}
    return [
        f"{format_volume(volumes_l[key], formatter):>12}  {name}"
        for key, name in names.items()
        if volumes_l.get(key, 0.0) > 0.0
    ]


def cold_tank_warning(
    behavior: ColdBehavior, tank_min_temp_c: float, formatter: UnitFormatter
) -> str:
    """Return the warning of a tank that may drop salt."""
    if math.isinf(behavior.crystal_onset_c):
        return "The tank drops salt even when warm. Use a weaker base brine or less additive."
    solid = "salt crystals are" if behavior.crystal_onset_c > behavior.ice_onset_c else "ice is"
    if behavior.freeze_point_source == "supplier":
        solid = "by the supplier's figure freezing is"
    margin = "5 °F" if formatter.is_us else "3 °C"
    return (
        f"Tank at {format_temp(tank_min_temp_c, formatter)}: {solid} due at "
        f"{format_temp(max(behavior.first_solid_c, behavior.crystal_onset_c), formatter)}. "
        "Keep it above "
        f"{format_temp(behavior.warn_below_c, formatter)} (that plus {margin}, since the rule "
        "errs cold); "
        "crystals plug pumps and nozzles."
    )


def uncertainty_text(
    behavior: ColdBehavior, density_uncertainty_kg_m3: float, formatter: UnitFormatter
) -> str:
    """Return the uncertainty of a blend's figures."""
    ice_k = float(cold_storage.onset_uncertainty_k(behavior.ice_onset_c))
    parts = [f"ice {format_uncertainty(ice_k, formatter)}"]
    if MIN_LIQUID_TEMP_C < behavior.crystal_onset_c < math.inf:
        crystals_k = float(cold_storage.onset_uncertainty_k(behavior.crystal_onset_c, True))
        parts.append(f"salt crystals {format_uncertainty(crystals_k, formatter)}")
    return "; ".join([*parts, f"density give or take {density_uncertainty_kg_m3:.0f} kg/m³"])


def weaker_base_advice(match: tuple[float, float], formatter: UnitFormatter) -> str:
    """Return the base brine strength at which ice and crystals form together."""
    return (
        f"Blend into {format_strength(match[0])} base brine: ice and crystals then arrive "
        "together at "
        f"{format_temp(match[1], formatter)}. Stronger base only brings the crystals earlier."
    )


def supplier_freeze_point_note(product: Product, formatter: UnitFormatter) -> str:
    """Return the supplier's freeze point, which holds for the neat product only."""
    stated = product.freeze_point_c if product.freeze_point_c is not None else math.nan
    return (
        f"{product.name} neat freezes at {format_temp(stated, formatter)} by its supplier: "
        "that holds for "
        "its own tank, not for the blend, which is computed from its chlorides."
    )


JAR_TEST = (
    "Add slowly to circulating brine; jar-test 24-48 h at the coldest storage temperature first."
)
GYPSUM = " Sulfate in rock salt or water can drop gypsum with calcium."
