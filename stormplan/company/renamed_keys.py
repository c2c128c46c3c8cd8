"""Former keys of the sites file and their present names, or what to do instead, by record.

A file that was written for an earlier version is told the new key; the old one is not accepted.
"""

from __future__ import annotations

from collections.abc import Mapping

from stormplan.company.policy import rules_of_scope
from stormplan.company.practice_rules import Scope

_POLICY = {
    "brine_accept_low": "brine_accept_min",
    "brine_accept_high": "brine_accept_max",
    "brine_reject_low": "brine_reject_below",
    "brine_reject_high": "brine_reject_above",
    "pretreat_rate_low": "pretreat_rate_min",
    "pretreat_rate_strong": "pretreat_rate_light_snow_max",
    "pretreat_rate_high": "pretreat_rate_max",
    "frost_rate_low": "frost_rate_min",
    "frost_rate_high": "frost_rate_max",
    "post_rate_high": "post_treat_rate_max",
    "first_storm_share": "first_use_rate_factor",
    "lead_shortest": "lead_min",
    "lead_longest": "lead_max",
    "lead_longest_frost": "lead_max_frost",
    "rain_washes_off": "max_rain_before_onset",
    "hold_share": "hold_confidence",
    "ice_tolerated": "max_ice_fraction",
    "residue_slips_above": "residue_slippery_above",
    "blend_usual": "additive_default",
    "blend_cold": "additive_cold",
    "blend_cold_below": "additive_cold_below",
    "blend_sensitive": "additive_sensitive",
    "blend_highest": "additive_max",
    "wind_hold": "max_wind",
    "act_probability": "go_probability",
    "far_probability": "go_probability_beyond_day",
    "watch_probability": "monitor_probability",
    "hose_freezes_below": "hose_freeze_below",
    "cycle": "cycle_time",
    "mix_for": "demand_percentile",
    "containment_share": "containment_ratio",
    "tell_start": "announce_start_change",
    "tell_temperature": "announce_temperature_change",
    "tell_volume": "announce_volume_change",
}


def _of_scope(scope: Scope) -> dict[str, str]:
    present = rules_of_scope(scope)
    return {old: new for old, new in _POLICY.items() if new in present}


RENAMED_KEYS: Mapping[str, Mapping[str, str]] = {
    "Sites": {"watch": "schedule"},
    "Site": {"open": "open_hours"},
    "Client": {"tell": "contact_by"},
    "LayeredBuildUp": {"under": "below", "like": "surface_properties_of"},
    "ProductEntry": {"highest_share": "max_in_blend", "smells": "odor"},
    "Tank": {"holds": "product"},
    "TankReading": {"at": "temperature", "taken": "taken_at"},
    "Mixer": {"batch": "max_batch", "rate": "production_rate"},
    "Sprayer": {
        "covers": "coverage_rate",
        "lowest_rate": "min_rate",
        "highest_rate": "max_rate",
    },
    "DeliverySettings": {"keep_sets": "keep_reports"},
    "Policy": _POLICY,
    "SitePolicy": _of_scope("site"),
    "SurfacePolicy": _of_scope("surface"),
}

REMOVED_KEYS: Mapping[str, Mapping[str, str]] = {
    "Surface": {
        "last_treated": "the record says it now; log the last treatment there:"
        " stormplan record add application SITE SURFACE RATE --at 2026-03-20T06:00-05:00"
    },
}
