"""Brine calculator results as flat JSON whose keys carry their unit.

US customary by default, metric on request; what is dimensionless or fixed by its name
(``sg_60f``, ``density_kg_m3``) is the same in both. A value that does not exist is null.
"""

from __future__ import annotations

import math

import numpy as np

from stormplan import units
from stormplan.liquids import cold_storage
from stormplan.liquids.batch import WATER_KG_L, Batch, TankCorrection
from stormplan.liquids.blend import ColdBehavior, Liquid
from stormplan.liquids.brine import CHLORIDES, MIN_LIQUID_TEMP_C
from stormplan.liquids.density import density_uncertainty_kg_m3
from stormplan.liquids.hydrometer import (
    REFERENCE_C,
    STRENGTH_UNCERTAINTY_FRAC,
    HydrometerResult,
    StrengthBands,
    salometer_deg,
)
from stormplan.units import UnitSystem

JsonValues = dict[str, object]


def round_or_null(value: float | None) -> float | None:
    """Round to what JSON readers need; null for what does not exist."""
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), 5)


def mass_value(name: str, mass_kg: float, system: UnitSystem) -> JsonValues:
    """Return a mass [kg] under a key with its unit."""
    if system == "us":
        return {f"{name}_lb": round_or_null(mass_kg / units.KG_PER_LB)}
    return {f"{name}_kg": round_or_null(mass_kg)}


def volume_value(name: str, volume_l: float, system: UnitSystem) -> JsonValues:
    """Return a volume [L] under a key with its unit."""
    if system == "us":
        return {f"{name}_gal": round_or_null(volume_l / units.L_PER_GAL)}
    return {f"{name}_l": round_or_null(volume_l)}


def temp_value(name: str, temp_c: float | None, system: UnitSystem) -> JsonValues:
    """Return a temperature [°C] under a key with its unit."""
    if system == "us":
        return {f"{name}_f": round_or_null(None if temp_c is None else units.c_to_f(temp_c))}
    return {f"{name}_c": round_or_null(temp_c)}


def temp_difference_value(name: str, difference_k: float, system: UnitSystem) -> JsonValues:
    """Return a temperature difference [K] under a key with its unit."""
    if system == "us":
        return {f"{name}_f": round_or_null(1.8 * difference_k)}
    return {f"{name}_c": round_or_null(difference_k)}


def mass_per_volume_value(name: str, per: str, mass_kg_l: float, system: UnitSystem) -> JsonValues:
    """Return a mass per volume [kg/L] under a key with its unit."""
    if system == "us":
        return {f"{name}_lb_per_{per}_gal": round_or_null(mass_kg_l / units.KG_L_PER_LB_GAL)}
    return {f"{name}_kg_per_{per}_l": round_or_null(mass_kg_l)}


def temp_both_units(name: str, temp_c: float | None) -> JsonValues:
    """Return a temperature [°C] in both scales."""
    return temp_value(name, temp_c, "metric") | temp_value(name, temp_c, "us")


def temp_difference_both_units(name: str, difference_k: float | None) -> JsonValues:
    """Return a temperature difference [K] in both scales."""
    value = math.nan if difference_k is None else difference_k
    return temp_difference_value(name, value, "metric") | temp_difference_value(name, value, "us")


def batch_values(
    batch: Batch, freeze_uncertainty_k: float, cooling_uncertainty_k: float, system: UnitSystem
) -> JsonValues:
    """Return the values of a batch."""
    return {
        **mass_value("salt", batch.salt_kg, system),
        **volume_value("water", batch.water_l, system),
        **volume_value("finished", batch.volume_l, system),
        "strength_wt_pct": round_or_null(100 * batch.strength_frac),
        **mass_value("nacl", batch.nacl_kg, system),
        **mass_value("sludge", batch.sludge_kg, system),
        "sg_60f": round_or_null(batch.sg_60f),
        **temp_value("freeze_point", batch.freeze_point_c, system),
        **temp_difference_value("freeze_point_uncertainty", freeze_uncertainty_k, system),
        **temp_value("water_temp", batch.water_temp_c, system),
        "reading_at_water_temp": round_or_null(batch.reading_sg),
        **temp_difference_value("cooling", batch.cooling_k, system),
        **temp_difference_value("cooling_uncertainty", cooling_uncertainty_k, system),
        **mass_per_volume_value("nacl", "finished", batch.nacl_kg_l, system),
        **mass_per_volume_value("salt", "finished", batch.salt_kg / batch.volume_l, system),
        **mass_per_volume_value("nacl", "water", batch.nacl_kg_l_water, system),
    }


def explanation_values(
    on_target_temp_c: float | None, undissolved_kg: float, system: UnitSystem
) -> JsonValues:
    """Return what else an off reading may be: brine on target at another temperature, or salt left.

    Temperature [°C] and undissolved salt [kg]; nulls where there is none.
    """
    return {
        **temp_value("on_target_at", on_target_temp_c, system),
        **mass_value("undissolved_salt", undissolved_kg, system),
    }


def addition_values(correction: TankCorrection | None, system: UnitSystem) -> JsonValues:
    """Return what to draw off and add; nulls where no advice is given."""
    missing = math.nan
    return {
        **volume_value("draw_off", correction.draw_off_l if correction else missing, system),
        **volume_value("add_water", correction.add_water_l if correction else missing, system),
        **mass_value("add_salt", correction.add_salt_kg if correction else missing, system),
        **volume_value("final", correction.final_l if correction else missing, system),
    }


def correction_values(
    correction: TankCorrection, tank_l: float, tank_frac: float, system: UnitSystem
) -> JsonValues:
    """Return the values of a tank correction."""
    return {
        **volume_value("tank", tank_l, system),
        "tank_wt_pct": round_or_null(100 * tank_frac),
        **addition_values(correction, system),
        "strength_wt_pct": round_or_null(100 * correction.strength_frac),
    }


def reading_values(
    result: HydrometerResult, bands: StrengthBands, freeze_uncertainty_k: float, system: UnitSystem
) -> JsonValues:
    """Return the values of a hydrometer reading."""
    accept, usable = (
        [100 * edge for edge in band] for band in (bands.accept_frac, bands.usable_frac)
    )
    return {
        "strength_wt_pct": round_or_null(100 * result.strength_frac),
        "strength_uncertainty_wt_pct": round_or_null(100 * STRENGTH_UNCERTAINTY_FRAC),
        "reading": round_or_null(result.reading_sg),
        **temp_value("temp", result.temp_c, system),
        "reading_at_60f": round_or_null(result.reading_60f_sg),
        "salometer_deg_at_60f": round_or_null(float(salometer_deg(result.strength_frac))),
        "uncorrected_wt_pct": round_or_null(100 * result.uncorrected_frac),
        **temp_value("freeze_point", result.freeze_point_c, system),
        **temp_difference_value("freeze_point_uncertainty", freeze_uncertainty_k, system),
        "verdict": result.verdict,
        "trusted": not result.doubts,
        "doubts": list(result.doubts),
        "target_wt_pct": round_or_null(100 * bands.target_frac),
        "accept_wt_pct": [round_or_null(edge) for edge in accept],
        "usable_wt_pct": [round_or_null(edge) for edge in usable],
    }


def composition_values(liquid: Liquid) -> JsonValues:
    """Return the composition of a liquid by weight."""
    shares = {f"{key}_wt_pct": round_or_null(100 * liquid.mass_frac(key)) for key in CHLORIDES}
    return {**shares, "inert_wt_pct": round_or_null(100 * liquid.inert_frac)}


def density_values(liquid: Liquid, temp_c: float) -> JsonValues:
    """Return the density of a liquid at a temperature [°C] and at 60 °F."""
    nacl = liquid.mass_frac("nacl")
    return {
        "density_kg_m3": round_or_null(liquid.density_kg_m3(temp_c)),
        "density_uncertainty_kg_m3": round_or_null(
            float(density_uncertainty_kg_m3(liquid.salts_frac, temp_c))
        ),
        "sg_60f": round_or_null(liquid.density_kg_m3(REFERENCE_C) / (1000.0 * WATER_KG_L)),
        "salometer_deg": round_or_null(float(salometer_deg(nacl)))
        if liquid.is_plain_brine
        else None,
    }


def freezing_values(behavior: ColdBehavior) -> JsonValues:
    """Return the onsets of ice and salt crystals of a liquid."""
    ice, crystals = (
        None if onset_c <= MIN_LIQUID_TEMP_C else onset_c
        for onset_c in (behavior.ice_onset_c, behavior.crystal_onset_c)
    )
    ice_spread = None if ice is None else float(cold_storage.onset_uncertainty_k(ice))
    spread = None if crystals is None else float(cold_storage.onset_uncertainty_k(crystals, True))
    return {
        **temp_both_units("ice_onset", ice),
        **temp_difference_both_units("ice_onset_uncertainty", ice_spread),
        **temp_both_units("ice_onset_beside_crystals", behavior.ice_with_crystals_c),
        **temp_both_units("crystal_onset", crystals),
        **temp_difference_both_units("crystal_onset_uncertainty", spread),
        "drops_salt_when_warm": bool(np.isposinf(behavior.crystal_onset_c)),
        **temp_both_units("first_solid", behavior.first_solid_c),
        "first_solid_source": behavior.freeze_point_source,
    }


def liquid_values(
    liquid: Liquid, contraction: float, behavior: ColdBehavior, temp_c: float
) -> JsonValues:
    """Return every value of a liquid."""
    return {
        **composition_values(liquid),
        **density_values(liquid, temp_c),
        "contraction_pct": round_or_null(100 * contraction),
        **freezing_values(behavior),
    }
