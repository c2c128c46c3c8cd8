"""The brine bench for other programs: results as flat JSON whose keys carry their unit.

US customary by default, metric on request; what is dimensionless or fixed by its name
(``sg_60f``, ``density_kg_m3``) is the same in both. A value that does not exist is null.
"""

from __future__ import annotations

import math

import numpy as np

from stormplan import units
from stormplan.liquids import cold_storage
from stormplan.liquids.batch import WATER_KG_L, Batch, Correction
from stormplan.liquids.blend import Cold, Liquid
from stormplan.liquids.brine import CHLORIDES, COLDEST_C
from stormplan.liquids.density import spread_kg_m3
from stormplan.liquids.hydrometer import (
    REFERENCE_C,
    STRENGTH_SPREAD_FRAC,
    Bands,
    Gauged,
    salometer_deg,
)
from stormplan.units import System

Sheet = dict[str, object]


def rounded(value: float | None) -> float | None:
    """Round to what JSON readers need; null for what does not exist."""
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), 5)


def mass(name: str, mass_kg: float, system: System) -> Sheet:
    """Key a mass [kg]."""
    if system == "us":
        return {f"{name}_lb": rounded(mass_kg / units.KG_PER_LB)}
    return {f"{name}_kg": rounded(mass_kg)}


def volume(name: str, volume_l: float, system: System) -> Sheet:
    """Key a volume [L]."""
    if system == "us":
        return {f"{name}_gal": rounded(volume_l / units.L_PER_GAL)}
    return {f"{name}_l": rounded(volume_l)}


def temp(name: str, temp_c: float | None, system: System) -> Sheet:
    """Key a temperature [°C]."""
    if system == "us":
        return {f"{name}_f": rounded(None if temp_c is None else units.c_to_f(temp_c))}
    return {f"{name}_c": rounded(temp_c)}


def warmth(name: str, difference_dc: float, system: System) -> Sheet:
    """Key a temperature difference [K]."""
    if system == "us":
        return {f"{name}_f": rounded(1.8 * difference_dc)}
    return {f"{name}_c": rounded(difference_dc)}


def load(name: str, per: str, mass_kg_l: float, system: System) -> Sheet:
    """Key a mass per volume [kg/L]."""
    if system == "us":
        return {f"{name}_lb_per_{per}_gal": rounded(mass_kg_l / units.KG_L_PER_LB_GAL)}
    return {f"{name}_kg_per_{per}_l": rounded(mass_kg_l)}


def both(name: str, temp_c: float | None) -> Sheet:
    """Key a temperature [°C] in both scales."""
    return temp(name, temp_c, "metric") | temp(name, temp_c, "us")


def both_warmth(name: str, difference_dc: float | None) -> Sheet:
    """Key a temperature difference [K] in both scales."""
    value = math.nan if difference_dc is None else difference_dc
    return warmth(name, value, "metric") | warmth(name, value, "us")


def batch(made: Batch, freeze_spread_dc: float, cooling_spread_dc: float, system: System) -> Sheet:
    """Key a batch."""
    return {
        **mass("salt", made.salt_kg, system),
        **volume("water", made.water_l, system),
        **volume("finished", made.volume_l, system),
        "strength_wt_pct": rounded(100 * made.strength_frac),
        **mass("nacl", made.nacl_kg, system),
        **mass("sludge", made.sludge_kg, system),
        "sg_60f": rounded(made.sg_60f),
        **temp("freeze_point", made.freeze_point_c, system),
        **warmth("freeze_point_plus_minus", freeze_spread_dc, system),
        **temp("water_temp", made.water_temp_c, system),
        "reading_at_water_temp": rounded(made.reading_sg),
        **warmth("cooling", made.cooling_dc, system),
        **warmth("cooling_plus_minus", cooling_spread_dc, system),
        **load("nacl", "finished", made.nacl_kg_l, system),
        **load("salt", "finished", made.salt_kg / made.volume_l, system),
        **load("nacl", "water", made.nacl_kg_l_water, system),
    }


def added(found: Correction | None, system: System) -> Sheet:
    """Key what to draw off and add; nulls where no advice is given."""
    missing = math.nan
    return {
        **volume("draw_off", found.draw_off_l if found else missing, system),
        **volume("add_water", found.add_water_l if found else missing, system),
        **mass("add_salt", found.add_salt_kg if found else missing, system),
        **volume("final", found.final_l if found else missing, system),
    }


def correction(found: Correction, have_l: float, have_frac: float, system: System) -> Sheet:
    """Key a correction of a tank."""
    return {
        **volume("have", have_l, system),
        "have_wt_pct": rounded(100 * have_frac),
        **added(found, system),
        "strength_wt_pct": rounded(100 * found.strength_frac),
    }


def gauged(found: Gauged, bands: Bands, freeze_spread_dc: float, system: System) -> Sheet:
    """Key a hydrometer reading."""
    accept, warn = ([100 * edge for edge in band] for band in (bands.accept_frac, bands.warn_frac))
    return {
        "strength_wt_pct": rounded(100 * found.strength_frac),
        "strength_plus_minus_wt_pct": rounded(100 * STRENGTH_SPREAD_FRAC),
        "reading": rounded(found.reading_sg),
        **temp("temp", found.temp_c, system),
        "reading_at_60f": rounded(found.reading_60f_sg),
        "salometer_deg_at_60f": rounded(float(salometer_deg(found.strength_frac))),
        "uncorrected_wt_pct": rounded(100 * found.uncorrected_frac),
        **temp("freeze_point", found.freeze_point_c, system),
        **warmth("freeze_point_plus_minus", freeze_spread_dc, system),
        "verdict": found.verdict,
        "trusted": not found.doubts,
        "doubts": list(found.doubts),
        "target_wt_pct": rounded(100 * bands.target_frac),
        "accept_wt_pct": [rounded(edge) for edge in accept],
        "warn_wt_pct": [rounded(edge) for edge in warn],
    }


def composition(of: Liquid) -> Sheet:
    """Key what a liquid is made of, by weight."""
    shares = {f"{key}_wt_pct": rounded(100 * of.share(key)) for key in CHLORIDES}
    return {**shares, "inert_wt_pct": rounded(100 * of.inert_frac)}


def weight(of: Liquid, temp_c: float) -> Sheet:
    """Key what a liquid weighs at a temperature [°C] and at 60 °F."""
    nacl = of.share("nacl")
    return {
        "density_kg_m3": rounded(of.density_kg_m3(temp_c)),
        "density_plus_minus_kg_m3": rounded(float(spread_kg_m3(of.salts_frac, temp_c))),
        "sg_60f": rounded(of.density_kg_m3(REFERENCE_C) / (1000.0 * WATER_KG_L)),
        "salometer_deg": rounded(float(salometer_deg(nacl))) if of.is_plain_brine else None,
    }


def cold(found: Cold) -> Sheet:
    """Key what a liquid does as it gets cold."""
    ice, crystals = (
        None if onset_c <= COLDEST_C else onset_c
        for onset_c in (found.ice_onset_c, found.crystal_onset_c)
    )
    ice_spread = None if ice is None else float(cold_storage.spread_dc(ice))
    spread = None if crystals is None else float(cold_storage.spread_dc(crystals, True))
    return {
        **both("ice_onset", ice),
        **both_warmth("ice_onset_plus_minus", ice_spread),
        **both("ice_onset_beside_crystals", found.ice_beside_crystals_c),
        **both("crystal_onset", crystals),
        **both_warmth("crystal_onset_plus_minus", spread),
        "drops_salt_when_warm": bool(np.isposinf(found.crystal_onset_c)),
        **both("first_solid", found.first_solid_c),
        "first_solid_source": found.source,
    }


def liquid(of: Liquid, contraction: float, found: Cold, temp_c: float) -> Sheet:
    """Key all there is to say about a liquid."""
    return {
        **composition(of),
        **weight(of, temp_c),
        "contraction_pct": rounded(100 * contraction),
        **cold(found),
    }
