"""The brine calculator: typed options in, a result out, as text and as JSON.

Joins what was typed, the chemistry and the wording for the commands ``mix``, ``hydrometer`` and
``blend``. No chemistry of its own.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import get_args

from stormplan.cli.brine_calculator import arguments, figures, text
from stormplan.cli.brine_calculator.figures import JsonValues
from stormplan.company.catalog import HANDLING_NOTES, Product
from stormplan.errors import InputError
from stormplan.liquids import batch, blend, brine, cold_storage, dissolving, hydrometer
from stormplan.liquids.batch import Salt, TankCorrection
from stormplan.liquids.blend import ColdBehavior, Liquid
from stormplan.liquids.density import density_uncertainty_kg_m3
from stormplan.liquids.hydrometer import HydrometerResult
from stormplan.units import L_PER_GAL, UnitFormatter, UnitSystem, parse

COOLING_UNCERTAINTY_FRAC = (
    0.2  # of the cooling: heat of solution and heat capacity are that well known
)
DEFAULT_VOLUME_GAL, DEFAULT_VOLUME_L = 1000, 5000  # a correction is said for this much unless told


@dataclass(frozen=True)
class CalculatorResult:
    """A result: lines for people, flat values for programs."""

    lines: list[str]
    values: JsonValues


def parse_system(typed: str) -> UnitSystem:
    """Read which units to speak."""
    for known in get_args(UnitSystem):
        if typed == known:
            return "us" if known == "us" else "metric"
    raise InputError(f"--units: '{typed}' is not known; accepted is us or metric")


def _freeze_uncertainty_k(strength_frac: float, strength_spread_frac: float = 0.0) -> float:
    """Return the uncertainty of the freeze point of plain brine [K]."""

    def freezes_c(strength: float) -> float:
        held = min(max(strength, 0.0), hydrometer.SALOMETER_FULL_FRAC - 0.002)
        return cold_storage.brine_first_solid_c(held)

    molality = brine.molality(brine.plain_brine(strength_frac))
    drops = bool(brine.hydrohalite_saturation_temp_c(molality) > brine.freeze_point_c(molality))
    here = freezes_c(strength_frac)
    edges = (strength_frac - strength_spread_frac, strength_frac + strength_spread_frac)
    return float(cold_storage.onset_uncertainty_k(here, drops)) + max(
        abs(freezes_c(e) - here) for e in edges
    )


# ------------------------------------------------------------------------------ mix


def compute_mix(
    *,
    gallons: str | None,
    liters: str | None,
    strength: str,
    purity: str,
    moisture: str,
    insolubles: str,
    treated: bool,
    tank: str | None,
    tank_capacity: str | None,
    water_temp: str | None,
    mixer_rate: str | None,
    units: str,
) -> CalculatorResult:
    """Compute a batch of brine, or the correction of a tank."""
    system = parse_system(units)
    target = arguments.parse_percent(strength, "--strength")
    salt = arguments.parse_salt(purity, moisture, insolubles)
    wanted_l = _requested_volume_l(gallons, liters)
    capacity = _parse_capacity_l(tank_capacity, system)
    water_c = _parse_temp_c(water_temp, "--water-temp", system)
    if tank is not None:
        return _correct_tank(tank, wanted_l, target, salt, capacity, treated, system)
    if wanted_l is None:
        raise InputError(
            "say how much to make, as --gallons 2500, or what is in the tank, as --tank 1000@20"
        )
    batch.check_fits(wanted_l, capacity, "a batch")
    return _new_batch(wanted_l, target, salt, treated, water_c, mixer_rate, system)


def _parse_capacity_l(said: str | None, system: UnitSystem) -> float | None:
    return None if said is None else arguments.parse_volume_l(said, "--tank-capacity", system)


def _parse_temp_c(said: str | None, option: str, system: UnitSystem) -> float:
    """Read a temperature [°C], 60 °F where none was given."""
    return hydrometer.REFERENCE_C if said is None else arguments.parse_temp_c(said, option, system)


def _requested_volume_l(gallons: str | None, liters: str | None) -> float | None:
    if gallons is not None and liters is not None:
        raise InputError("--gallons and --liters both say how much; give one")
    if gallons is not None:
        return arguments.parse_volume_l(gallons, "--gallons", "us")
    return None if liters is None else arguments.parse_volume_l(liters, "--liters", "metric")


def _new_batch(
    volume_l: float,
    target: float,
    salt: Salt,
    treated: bool,
    water_c: float,
    mixer_rate: str | None,
    system: UnitSystem,
) -> CalculatorResult:
    made = batch.make_batch(volume_l, target, salt, water_c)
    time_ratio, rate_left = dissolving.time_ratio_of_water(water_c), dissolving.rate_left(target)
    hours = None if mixer_rate is None else volume_l / parse(mixer_rate, "pumping rate")
    cautions = [text.CAUTIONS[key] for key in batch.cautions(target, salt, treated)]
    spread_k = _freeze_uncertainty_k(target)
    formatter = UnitFormatter(system)
    return CalculatorResult(
        [
            *text.batch_lines(made, salt, spread_k, formatter),
            *text.dissolving_lines(made, time_ratio, rate_left, hours, formatter),
            *text.warning_lines(cautions),
        ],
        {
            **figures.batch_values(
                made, spread_k, COOLING_UNCERTAINTY_FRAC * made.cooling_k, system
            ),
            "dissolving_time_ratio": figures.round_or_null(time_ratio),
            "last_dissolving_rate": figures.round_or_null(rate_left),
            "mixer_h": None if hours is None else figures.round_or_null(hours),
            "uncertainty": "mass balance exact to the purity given; freeze point "
            + text.format_uncertainty(spread_k, formatter),
            "warnings": cautions,
        },
    )


def _correct_tank(
    tank: str,
    wanted_l: float | None,
    target: float,
    salt: Salt,
    capacity: float | None,
    treated: bool,
    system: UnitSystem,
) -> CalculatorResult:
    tank_l, tank_frac = arguments.parse_volume_at_strength(tank, "--tank", system)
    if wanted_l is None:
        found = batch.correct_tank(tank_l, tank_frac, target, salt, capacity)
    else:
        found = batch.top_up_tank(tank_l, tank_frac, wanted_l, target, salt, capacity)
    # What salt is worth is no matter where only water goes in.
    reasons = batch.cautions(target, salt, treated)
    kept = [key for key in reasons if found.add_salt_kg > 0.0 or key == "over strength"]
    cautions = [text.CAUTIONS[key] for key in kept]
    spread_k = _freeze_uncertainty_k(target)
    freezes_c = cold_storage.brine_first_solid_c(target)
    sg_60f = hydrometer.brine_reading_sg(target, hydrometer.REFERENCE_C)
    formatter = UnitFormatter(system)
    said = text.format_uncertainty(spread_k, formatter)
    return CalculatorResult(
        [
            *text.correction_lines(found, formatter),
            f"It then {text.freeze_phrase(target, freezes_c, spread_k, formatter)}.",
            "Circulate, then read it again before you spray.",
            *text.warning_lines(cautions),
        ],
        {
            **figures.correction_values(found, tank_l, tank_frac, system),
            **figures.temp_value("freeze_point", freezes_c, system),
            **figures.temp_difference_value("freeze_point_uncertainty", spread_k, system),
            "sg_60f": figures.round_or_null(sg_60f),
            "uncertainty": f"as sure as the strength given for the tank; freeze point {said}",
            "warnings": cautions,
        },
    )


# ------------------------------------------------------------------------------ hydrometer


def read_hydrometer(
    *,
    reading: str | None,
    salometer: str | None,
    temp: str | None,
    target: str,
    accept: str,
    usable: str,
    is_blend: bool,
    treated: bool,
    gallons: str | None,
    liters: str | None,
    purity: str,
    moisture: str,
    insolubles: str,
    tank_capacity: str | None,
    units: str,
) -> CalculatorResult:
    """Compute the strength of a tank from a hydrometer reading, and its correction."""
    system = parse_system(units)
    bands = arguments.parse_bands(target, accept, usable)
    salt = arguments.parse_salt(purity, moisture, insolubles)
    temp_c = _parse_temp_c(temp, "--temp", system)
    found = hydrometer.interpret_reading(
        _parse_sg(reading, salometer), temp_c, bands, is_blend=is_blend, is_treated_salt=treated
    )
    capacity = _parse_capacity_l(tank_capacity, system)
    volume_l = _requested_volume_l(gallons, liters) or (
        DEFAULT_VOLUME_GAL * L_PER_GAL if system == "us" else float(DEFAULT_VOLUME_L)
    )
    spread_k = _freeze_uncertainty_k(found.strength_frac, hydrometer.STRENGTH_UNCERTAINTY_FRAC)
    formatter = UnitFormatter(system)
    lines = text.reading_lines(found, bands, spread_k, formatter)
    if temp is None and not found.doubts:
        lines.insert(1, text.assumed_temp_warning(found, formatter))
    values = figures.reading_values(found, bands, spread_k, system)
    correction, on_target_c, undissolved_kg = None, None, math.nan
    if not found.doubts:
        # Doubtful readings get no advice: water or salt added on a wrong reading costs twice.
        correction = batch.correct_tank(
            volume_l, found.strength_frac, bands.target_frac, salt, capacity
        )
        at_c = float(hydrometer.temp_of_reading_c(found.reading_sg, bands.target_frac))
        on_target_c = None if math.isnan(at_c) else at_c
        undissolved_kg = batch.undissolved_salt_kg(
            volume_l, found.strength_frac, bands.target_frac, salt
        )
        if found.verdict != "accept":
            lines += text.off_reading_lines(
                found, bands.target_frac, on_target_c, undissolved_kg, formatter
            )
        lines += _correction_lines(found, correction, volume_l, formatter)
    has_default_bands = bands == hydrometer.DEFAULT_BANDS
    if not found.doubts and has_default_bands:
        lines.append("The bands are our own choice: no published one was found.")
    if salometer is not None:
        lines.append("Salometer taken as 100° = 26.4 % at 60 °F; other scales exist, check yours.")
    sure = f"strength give or take {100 * hydrometer.STRENGTH_UNCERTAINTY_FRAC:g} %"
    return CalculatorResult(
        lines,
        {
            **values,
            **figures.volume_value("for", volume_l, system),
            **figures.addition_values(correction, system),
            **figures.explanation_values(on_target_c, undissolved_kg, system),
            "temp_assumed": temp is None,
            "bands_source": "our own choice" if has_default_bands else "given",
            "uncertainty": f"{sure}; freeze point {text.format_uncertainty(spread_k, formatter)}",
            "warnings": [text.DOUBTS[doubt] for doubt in found.doubts],
        },
    )


def _parse_sg(reading: str | None, salometer: str | None) -> float:
    if (reading is None) == (salometer is None):
        raise InputError(
            "give one reading, as --reading 1.178 for specific gravity or --salometer 88"
        )
    if reading is not None:
        return arguments.parse_specific_gravity(reading, "--reading")
    degrees = arguments.parse_number(str(salometer), "--salometer", 0.0, 120.0)
    return float(hydrometer.sg_from_salometer(degrees))


def _correction_lines(
    found: HydrometerResult, correction: TankCorrection, volume_l: float, formatter: UnitFormatter
) -> list[str]:
    per = text.format_volume(volume_l, formatter)
    if found.verdict == "accept":
        return [f"Leave it. (To hit the target exactly, {per} would take:)"] + [
            f"  {line}" for line in text.correction_lines(correction, formatter)
        ]
    return [f"For {per} in the tank:", *text.correction_lines(correction, formatter)]


# ------------------------------------------------------------------------------ blend


def compute_blend(
    *,
    base: str,
    additive: str | None,
    share: str,
    water_parts: str,
    ice_at: str | None,
    temp: str | None,
    tank_min_temp: str | None,
    gallons: str | None,
    liters: str | None,
    products: Mapping[str, Product],
    units: str,
) -> CalculatorResult:
    """Compute a blend of base brine, additive and water, and its freezing behavior."""
    system = parse_system(units)
    poured_base, base_product = arguments.parse_liquid(base, "--brine", products)
    additive_vol_frac, added, product = _parse_additive(additive, share, products)
    temp_c = _parse_temp_c(temp, "--temp", system)
    recipe = Recipe(
        base=poured_base,
        additive=added,
        product=product or base_product,
        additive_vol_frac=additive_vol_frac,
        water_parts=arguments.parse_number(water_parts, "--water-parts", 0.0, 1000.0),
        finished_l=_requested_volume_l(gallons, liters),
    )
    temps = BlendTemps(
        liquid_temp_c=temp_c,
        ice_at_c=None if ice_at is None else _parse_temp_c(ice_at, "--ice-at", system),
        tank_min_temp_c=temp_c
        if tank_min_temp is None
        else _parse_temp_c(tank_min_temp, "--tank-min-temp", system),
    )
    result = _blend_result(recipe, temps, system)
    result.values["base_product"] = base_product.key if base_product else None
    result.values["additive_product"] = product.key if product else None
    return result


@dataclass(frozen=True)
class BlendTemps:
    """Temperatures asked about: of the liquid, of the ice question, the tank's coldest [°C]."""

    liquid_temp_c: float
    ice_at_c: float | None
    tank_min_temp_c: float


@dataclass(frozen=True)
class Recipe:
    """A blend recipe: base, additive and its volume fraction, parts of water [-].

    ``product`` is a bought product in it; ``finished_l`` the volume wanted of it all [L].
    """

    base: Liquid
    additive: Liquid | None
    product: Product | None
    additive_vol_frac: float
    water_parts: float
    finished_l: float | None

    def mix_with_water(self, water_parts: float) -> tuple[Liquid, float]:
        """Mix it with so much water; the liquid and its contraction [-]."""
        parts = [
            (1.0 - self.additive_vol_frac, self.base),
            (self.additive_vol_frac, self.additive or blend.PLAIN_WATER),
            (water_parts, blend.PLAIN_WATER),
        ]
        return blend.mix_liquids(parts)

    def matching_base(self) -> tuple[float, float] | None:
        """Find the base with which ice and crystals arrive together, where that is a question."""
        if self.additive is None or self.additive_vol_frac == 0.0 or not self.base.is_plain_brine:
            return None
        return blend.matching_base_brine(self.additive, self.additive_vol_frac)

    def component_volumes_l(self) -> dict[str, float]:
        """Return the volume of each component [L]; contraction (below 0.1 %) is neglected."""
        if self.finished_l is None:
            return {}
        blended_l = self.finished_l / (1.0 + self.water_parts)
        return {
            "finished": self.finished_l,
            "brine": blended_l * (1.0 - self.additive_vol_frac),
            "additive": blended_l * self.additive_vol_frac,
            "water": blended_l * self.water_parts,
        }


def _blend_result(recipe: Recipe, temps: BlendTemps, system: UnitSystem) -> CalculatorResult:
    formatter = UnitFormatter(system)
    stored, stored_contraction = recipe.mix_with_water(0.0)
    final, contraction = recipe.mix_with_water(recipe.water_parts)
    in_tank, in_the_end = blend.cold_behavior(stored), blend.cold_behavior(final)
    match, at_c = recipe.matching_base(), temps.ice_at_c
    ice_frac = None if at_c is None else blend.ice_mass_frac(final, at_c)
    cautions = _blend_cautions(recipe, stored, in_tank, temps.tank_min_temp_c, match, formatter)

    lines = text.blend_lines(final, in_the_end, temps.liquid_temp_c, recipe.water_parts, formatter)
    if at_c is not None and ice_frac is not None:
        lines.append(text.ice_fraction_text(final, ice_frac, at_c, in_the_end, formatter))
    if recipe.water_parts > 0.0:
        lines += ["Undiluted, in the tank:", *text.freezing_lines(in_tank, formatter)]
    lines += text.pour_lines(recipe.component_volumes_l(), formatter)
    values: JsonValues = {
        **figures.liquid_values(final, contraction, in_the_end, temps.liquid_temp_c),
        **figures.temp_both_units("temp", temps.liquid_temp_c),
        **figures.temp_both_units("ice_at", at_c),
        "ice_fraction": figures.round_or_null(ice_frac),
        "additive_share_vol_pct": figures.round_or_null(100 * recipe.additive_vol_frac),
        "water_parts": figures.round_or_null(recipe.water_parts),
        "matching_base_wt_pct": figures.round_or_null(100 * match[0]) if match else None,
        **figures.temp_both_units("matching_base_onset", match[1] if match else None),
        "tank": {
            **figures.liquid_values(stored, stored_contraction, in_tank, temps.liquid_temp_c),
            **figures.temp_both_units("warn_below", in_tank.warn_below_c),
        },
    }
    for name, volume_l in recipe.component_volumes_l().items():
        values |= figures.volume_value(name, volume_l, system)
    density_spread = float(density_uncertainty_kg_m3(final.salts_frac, temps.liquid_temp_c))
    values["uncertainty"] = text.uncertainty_text(in_the_end, density_spread, formatter)
    values["warnings"] = cautions
    return CalculatorResult(lines + text.warning_lines(cautions), values)


def _parse_additive(
    additive: str | None, share: str, products: Mapping[str, Product]
) -> tuple[float, Liquid | None, Product | None]:
    """Read what is added and how much of it; without additive, nothing."""
    additive_vol_frac = arguments.parse_blend_share(share, "--share")
    if additive is None:
        if additive_vol_frac > 0.0:
            raise InputError("--share says how much additive; say which, as --additive cacl2=32")
        return 0.0, None, None
    added, product = arguments.parse_liquid(additive, "--additive", products)
    if additive_vol_frac == 0.0:
        raise InputError("--additive says which; say how much of the blend, as --share 5 for 95/5")
    blend.check_additive_vol_frac(additive_vol_frac, product)
    return additive_vol_frac, added, product


def _blend_cautions(
    recipe: Recipe,
    stored: Liquid,
    in_tank: ColdBehavior,
    tank_min_temp_c: float,
    match: tuple[float, float] | None,
    formatter: UnitFormatter,
) -> list[str]:
    """Return the cautions for a tank of this blend, most severe first."""
    cautions = []
    if tank_min_temp_c <= in_tank.warn_below_c:
        cautions.append(text.cold_tank_warning(in_tank, tank_min_temp_c, formatter))
    if match is not None and match[0] < recipe.base.mass_frac("nacl") - 0.001:
        cautions.append(text.weaker_base_advice(match, formatter))
    product = recipe.product
    if product and product.freeze_point_c is not None and in_tank.freeze_point_source == "computed":
        cautions.append(text.supplier_freeze_point_note(product, formatter))
    held = {key: stored.mass_frac(key) for key in brine.CHLORIDES if stored.mass_frac(key) > 0.0}
    if len(held) > 1:
        cautions.append(text.JAR_TEST + (text.GYPSUM if "cacl2" in held else ""))
    cautions += [words for key, words in HANDLING_NOTES.items() if key in held]
    if cautions:
        cautions.append(text.LABEL_NOTE)
    return cautions
