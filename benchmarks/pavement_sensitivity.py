"""What each class assumption is worth: change of an asphalt lot's temperature when it is another.

    .venv/bin/python benchmarks/pavement_sensitivity.py

Twenty days of invented changeable weather at 42° north in January, the last seventeen counted, dry and
bare. One assumption at a time goes to the ends of its range; printed are the mean change by night and
by day and the root of the mean square over all hours [K]. The table stands in docs/model/index.md, and
what all of them come to as independent errors: one part that is always there and one that grows with how
far the surface is from the air.
"""

import math
import sys
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))

from helpers.weather import ASPHALT, diurnal, forecast

from stormplan.physics import forcing, ground, pavement
from stormplan.physics.bias_correction import is_night
from stormplan.physics.pavement import Column, Columns

HOURS, SPIN_UP_H, LATITUDE = 24 * 20, 72, 42.0


def weather():
    """Return fronts, clouds and wind that change independently of each other."""
    rng = np.random.default_rng(3)
    air = diurnal(HOURS) + np.repeat(rng.normal(0.0, 3.0, HOURS // 24), 24)
    return forecast(
        HOURS,
        latitude=LATITUDE,
        air_temp_c=air,
        dew_point_c=air - 3.0,
        wind_10m_ms=np.repeat(rng.gamma(3.0, 1.0, HOURS // 6), 6),
        cloud_frac=np.repeat(rng.random(HOURS // 12), 12),
    )


@contextmanager
def constants(module, **values):
    """Replace constants of a module, for as long as the block lasts."""
    before = {name: getattr(module, name) for name in values}
    try:
        for name, value in values.items():
            setattr(module, name, value)
        yield
    finally:
        for name, value in before.items():
            setattr(module, name, value)


def roughness(wind_m, heat_m):
    """Return the transfer constants of other roughness lengths [m]."""
    wind = math.log(pavement.WIND_HEIGHT_M / wind_m)
    heat = math.log(pavement.AIR_HEIGHT_M / heat_m)
    neutral = pavement.VON_KARMAN**2 / (wind * heat)
    upper = math.log(pavement.WIND_HEIGHT_M / heat_m) / heat
    return {
        "NEUTRAL_TRANSFER_COEFFICIENT": neutral,
        "RICHARDSON_HEIGHT_M": pavement.WIND_HEIGHT_M * upper,
        "LOUIS_UNSTABLE_C": 9.4
        * 5.3
        * neutral
        / upper
        * math.sqrt(pavement.WIND_HEIGHT_M / wind_m),
    }


def materials(name, **values):
    """Return the catalog with one material otherwise."""
    return {"MATERIALS": {**ground.MATERIALS, name: replace(ground.MATERIALS[name], **values)}}


LOT = Column(0, ASPHALT)
#: Label, the column, and the module whose constants are others.
CASES = [
    ("roughness 5 mm: 1 mm", LOT, pavement, roughness(1e-3, 1e-4)),
    ("roughness 5 mm: 25 mm", LOT, pavement, roughness(25e-3, 25e-4)),
    ("roughness for heat 0.5 mm: 0.05 mm", LOT, pavement, roughness(5e-3, 5e-5)),
    ("roughness for heat 0.5 mm: 5 mm", LOT, pavement, roughness(5e-3, 5e-3)),
    ("free convection 1.52: 2.5", LOT, pavement, {"FREE_CONVECTION_COEFFICIENT": 2.5}),
    ("windless exchange 2 W/(m² K): 0.5", LOT, pavement, {
        "convective_coefficient_wm2k": partial(
            pavement.convective_coefficient_wm2k, windless_wm2k=0.5
        )
    }),
    ("wind at the surface: times 0.6", replace(LOT, wind_factor=0.6), pavement, {}),
    ("albedo 0.12: 0.05", replace(LOT, build_up=replace(ASPHALT, albedo=0.05)), pavement, {}),
    ("albedo 0.12: 0.20", replace(LOT, build_up=replace(ASPHALT, albedo=0.20)), pavement, {}),
    ("emissivity 0.95: 0.90", replace(LOT, build_up=replace(ASPHALT, emissivity=0.90)),
     pavement, {}),
    ("sky view 0.9: 1", replace(LOT, sky_view_frac=1.0), pavement, {}),
    ("sky view 0.9: 0.6", replace(LOT, sky_view_frac=0.6), pavement, {}),
    ("what hides the sky reflects 0.2: 0", LOT, forcing, {"SURROUNDINGS_ALBEDO": 0.0}),
    ("asphalt 1.3 W/(m K): 0.8", LOT, ground, materials("dense_asphalt", conductivity_w_mk=0.8)),
    ("asphalt 1.3 W/(m K): 2.2", LOT, ground, materials("dense_asphalt", conductivity_w_mk=2.2)),
    ("asphalt 2.0 MJ/(m³ K): 1.5", LOT, ground,
     materials("dense_asphalt", heat_capacity_j_m3k=1.5e6)),
    ("base 1.4 W/(m K): 0.7, dry", LOT, ground,
     materials("granular_base", conductivity_w_mk=0.7)),
    ("subgrade 1.4 W/(m K): 0.7, dry", LOT, ground,
     materials("subgrade", conductivity_w_mk=0.7, heat_capacity_j_m3k=1.5e6)),
    ("subgrade 1.4 W/(m K): 2.0, wet", LOT, ground,
     materials("subgrade", conductivity_w_mk=2.0, heat_capacity_j_m3k=2.9e6)),
    ("column of 5 m: 2 m", LOT, ground, {"GROUND_DEPTH_M": 2.0}),
    ("stability at one height: heights mixed", LOT, pavement, {
        "RICHARDSON_HEIGHT_M": pavement.WIND_HEIGHT_M**2 / pavement.AIR_HEIGHT_M,
        "LOUIS_UNSTABLE_C": pavement.LOUIS_UNSTABLE_C * pavement.AIR_DIFFERENCE_10M_TO_2M,
    }),
]  # fmt: skip


def lot_c(given, column, module, values):
    """Return the surface temperature of a column with a module's constants otherwise [°C]."""
    with constants(module, **values):
        found = pavement.simulate_dry(given, Columns.from_records([column]))
    return found.surface_c[SPIN_UP_H:, 0, 0]


def independent_parts(error_k, surface_minus_air_k):
    """Return the constant part and the part per kelvin of surface minus air [K], [K/K]."""
    about = np.column_stack([np.ones_like(error_k), surface_minus_air_k**2])
    variances, *_ = np.linalg.lstsq(about, error_k**2, rcond=None)
    return np.sqrt(np.maximum(variances, 0.0))


def main() -> None:
    """Print the table."""
    given = weather()
    night = is_night(given.hour_starts, LATITUDE, -88.0)[SPIN_UP_H:]
    usual = lot_c(given, LOT, pavement, {})
    print("| assumption: instead | night | day | rms |\n| --- | --- | --- | --- |")
    by_assumption: dict[str, list] = {}
    for label, column, module, values in CASES:
        change = lot_c(given, column, module, values) - usual
        print(
            f"| {label} | {change[night].mean():+.2f} | {change[~night].mean():+.2f} "
            f"| {np.sqrt(np.mean(change**2)):.2f} |"
        )
        if module is not forcing and "column of" not in label and "stability" not in label:
            by_assumption.setdefault(label.partition(":")[0], []).append(np.abs(change))
    # the ends of a range are one assumption
    together = np.sqrt(sum(np.mean(ends, axis=0) ** 2 for ends in by_assumption.values()))
    surface_minus_air_k = usual - given["air_temp_c"][SPIN_UP_H:, 0, 0]
    for when, chosen in (("night", night), ("day", ~night)):
        always, per_kelvin = independent_parts(together[chosen], surface_minus_air_k[chosen])
        print(f"all together by {when}: {always:.2f} K, and {per_kelvin:.2f} K/K of surface - air")


if __name__ == "__main__":
    main()
