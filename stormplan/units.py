"""Every conversion factor in the program, both ways.

Inside, everything is SI and the unit is in the name. Here stand the factors, a parser that turns
what a person writes (``0.5 gal/1000 ft2``, ``15 F``, ``95 %``) into SI, and a formatter that
turns SI back into text. A number without a unit is refused: nothing is guessed.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Any, Literal

from stormplan.errors import InputError

UnitSystem = Literal["us", "metric"]

# Exact by definition: international yard and pound (1959), US liquid gallon = 231 in3.
ZERO_CELSIUS_K = 273.15  # 0 °C, exact by definition (SI)
M_PER_FT = 0.3048
M_PER_IN = 0.0254
M_PER_MI = 1609.344
M2_PER_FT2 = M_PER_FT**2
M2_PER_ACRE = 43_560 * M2_PER_FT2
L_PER_GAL = 231 * (M_PER_IN * 10) ** 3
KG_PER_LB = 0.45359237
KG_PER_TON = 2000 * KG_PER_LB  # the short ton, as salt is sold in the United States
FT2_PER_LANE_MILE = 12 * 5280  # one 12-ft lane, one mile: the road handbooks' area unit

L_M2_PER_GAL_KFT2 = L_PER_GAL / (1000 * M2_PER_FT2)
KG_M2_PER_LB_KFT2 = KG_PER_LB / (1000 * M2_PER_FT2)
KG_M2_PER_LB_LANE_MILE = KG_PER_LB / (FT2_PER_LANE_MILE * M2_PER_FT2)
KG_L_PER_LB_GAL = KG_PER_LB / L_PER_GAL
PA_PER_PSI = KG_PER_LB * 9.80665 / M_PER_IN**2  # pound-force: standard gravity (CGPM 1901)


def c_to_f(temp_c: float) -> float:
    """Convert a temperature from [°C] to [°F]."""
    return temp_c * 1.8 + 32.0


def f_to_c(temp_f: float) -> float:
    """Convert a temperature from [°F] to [°C].

    Examples
    --------
    >>> round(f_to_c(15.0), 2)
    -9.44
    """
    return (temp_f - 32.0) / 1.8


@dataclass(frozen=True)
class QuantityKind:
    """A kind of quantity: the unit it has inside, and every unit a person may write.

    ``units`` maps the accepted spelling (lower case, no blanks) to ``(factor, offset)`` with
    ``inside = factor * (written + offset)``.
    """

    unit_suffix: str
    example: str
    units: dict[str, tuple[float, float]]


def _scaled(**factors: float) -> dict[str, tuple[float, float]]:
    return {name: (factor, 0.0) for name, factor in factors.items()}


QUANTITY_KINDS: dict[str, QuantityKind] = {
    "area": QuantityKind(
        "m2",
        "42000 ft2",
        _scaled(ft2=M2_PER_FT2, sqft=M2_PER_FT2, acre=M2_PER_ACRE, acres=M2_PER_ACRE)
        | _scaled(m2=1.0, ha=1e4),
    ),
    "volume": QuantityKind("l", "2500 gal", _scaled(gal=L_PER_GAL, l=1.0, m3=1000.0)),
    "caught volume": QuantityKind(
        "l",
        "96 oz",
        _scaled(oz=L_PER_GAL / 128, qt=L_PER_GAL / 4, gal=L_PER_GAL, ml=0.001, l=1.0),
    ),
    "seconds": QuantityKind("s", "30 s", _scaled(s=1.0, sec=1.0, min=60.0)),
    "pressure": QuantityKind("pa", "40 psi", _scaled(psi=PA_PER_PSI, bar=1e5, kpa=1e3)),
    "mass": QuantityKind(
        "kg",
        "1500 lb",
        _scaled(lb=KG_PER_LB, ton=KG_PER_TON, tons=KG_PER_TON, kg=1.0, t=1000.0, tonne=1000.0),
    ),
    "temperature": QuantityKind("c", "15 F", {"f": (1 / 1.8, -32.0), "c": (1.0, 0.0)}),
    "temperature difference": QuantityKind("k", "5 F", _scaled(f=1 / 1.8, c=1.0, k=1.0)),
    "speed": QuantityKind(
        "ms",
        "15 mph",
        _scaled(mph=M_PER_MI / 3600, kn=1852 / 3600, kt=1852 / 3600)
        | {"m/s": (1.0, 0.0), "km/h": (1 / 3.6, 0.0)},
    ),
    "percentage": QuantityKind("frac", "95 %", {"%": (0.01, 0.0)}),
    "liquid rate": QuantityKind(
        "l_m2",
        "0.5 gal/1000 ft2",
        {
            "gal/1000ft2": (L_M2_PER_GAL_KFT2, 0.0),
            "gal/1000sqft": (L_M2_PER_GAL_KFT2, 0.0),
            "gal/acre": (L_PER_GAL / M2_PER_ACRE, 0.0),
            "gal/lane-mile": (L_PER_GAL / (FT2_PER_LANE_MILE * M2_PER_FT2), 0.0),
            "l/m2": (1.0, 0.0),
            "ml/m2": (0.001, 0.0),
            "l/100m2": (0.01, 0.0),
        },
    ),
    "solid rate": QuantityKind(
        "kg_m2",
        "2.5 lb/1000 ft2",
        {
            "lb/1000ft2": (KG_M2_PER_LB_KFT2, 0.0),
            "lb/1000sqft": (KG_M2_PER_LB_KFT2, 0.0),
            "lb/acre": (KG_PER_LB / M2_PER_ACRE, 0.0),
            "lb/lane-mile": (KG_M2_PER_LB_LANE_MILE, 0.0),
            "g/m2": (0.001, 0.0),
            "kg/m2": (1.0, 0.0),
        },
    ),
    "prewet rate": QuantityKind(
        "l_kg",
        "10 gal/ton",
        {"gal/ton": (L_PER_GAL / KG_PER_TON, 0.0), "l/t": (1e-3, 0.0), "l/kg": (1.0, 0.0)},
    ),
    "traffic": QuantityKind("vehicles_h", "5 /h", {"/h": (1.0, 0.0), "vehicles/h": (1.0, 0.0)}),
    "pumping rate": QuantityKind(
        "l_h",
        "3000 gal/h",
        {"gal/h": (L_PER_GAL, 0.0), "gal/min": (60 * L_PER_GAL, 0.0)}
        | {"l/h": (1.0, 0.0), "l/min": (60.0, 0.0), "m3/h": (1000.0, 0.0)},
    ),
    "area rate": QuantityKind(
        "m2_h",
        "2 acre/h",
        {"ft2/h": (M2_PER_FT2, 0.0), "acre/h": (M2_PER_ACRE, 0.0)}
        | {"acres/h": (M2_PER_ACRE, 0.0), "m2/h": (1.0, 0.0), "ha/h": (1e4, 0.0)},
    ),
    "duration": QuantityKind("h", "2 h", _scaled(min=1 / 60, h=1.0, hours=1.0, d=24.0, days=24.0)),
    "length": QuantityKind(
        "m",
        "4 in",
        {"in": (M_PER_IN, 0.0)}
        | _scaled(ft=M_PER_FT, mi=M_PER_MI, m=1.0, km=1000.0, cm=0.01, mm=0.001),
    ),
    "snowfall rate": QuantityKind(
        "cm_h", "0.5 in/h", {"in/h": (2.54, 0.0), "cm/h": (1.0, 0.0), "mm/h": (0.1, 0.0)}
    ),
    "density": QuantityKind(
        "kg_l",
        "10.9 lb/gal",
        {"lb/gal": (KG_L_PER_LB_GAL, 0.0), "kg/l": (1.0, 0.0), "kg/m3": (0.001, 0.0)},
    ),
    "price by volume": QuantityKind(
        "per_l", "1.40 /gal", {"/gal": (1 / L_PER_GAL, 0.0), "/l": (1.0, 0.0), "/m3": (1e-3, 0.0)}
    ),
    "price by mass": QuantityKind(
        "per_kg",
        "85 /ton",
        {"/ton": (1 / KG_PER_TON, 0.0), "/lb": (1 / KG_PER_LB, 0.0)}
        | {"/kg": (1.0, 0.0), "/t": (0.001, 0.0), "/tonne": (0.001, 0.0)},
    ),
    "cost of a miss": QuantityKind("each", "1500 /miss", {"/miss": (1.0, 0.0)}),
    "cost of a pass": QuantityKind("each", "40 /pass", {"/pass": (1.0, 0.0)}),
    "count": QuantityKind("times", "3 times", _scaled(times=1.0, time=1.0)),
    "heat": QuantityKind("wm2", "5 W/m2", {"w/m2": (1.0, 0.0)}),
}

_QUANTITY_PATTERN = re.compile(r"\s*([+-]?(?:\d[\d,]*\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(\S.*?)?\s*")


def parse(written: object, kind: str) -> float:
    """Read a quantity with its unit.

    Parameters
    ----------
    written : object
        What was written, such as ``"0.5 gal/1000 ft2"``.
    kind : str
        A key of ``QUANTITY_KINDS``.

    Returns
    -------
    float
        The quantity in the kind's inside unit.

    Raises
    ------
    InputError
        No number, no unit, or a unit of another kind; the message names what is accepted.

    Examples
    --------
    >>> round(parse("0.5 gal/1000 ft2", "liquid rate"), 4)  # L/m²
    0.0204
    """
    quantity_kind = QUANTITY_KINDS[kind]
    accepted = f"write it as '{quantity_kind.example}' (units: {', '.join(quantity_kind.units)})"
    match = _QUANTITY_PATTERN.fullmatch(str(written))
    if match is None or isinstance(written, bool):
        raise InputError(f"'{written}' is not a {kind}; {accepted}")
    number, unit = match.groups()
    if unit is None:
        usual = quantity_kind.example.partition(" ")[2]
        hint = f"write it as '{number} {usual}' (units: {', '.join(quantity_kind.units)})"
        raise InputError(f"'{written}' has no unit; {hint}")
    spelling = re.sub(r"[\s°]", "", unit).casefold().replace("²", "2").replace("³", "3")
    if spelling not in quantity_kind.units:
        raise InputError(f"'{written}' is not a {kind}; {accepted}")
    factor, offset = quantity_kind.units[spelling]
    value = factor * (float(number.replace(",", "")) + offset)
    if not math.isfinite(value):
        raise InputError(f"'{written}' is not a finite {kind}; {accepted}")
    return value


@dataclass(frozen=True)
class UnitFormatter:
    """Formats SI quantities in the reader's units.

    ``system`` is ``"us"`` or ``"metric"``. Every method returns text with its unit, rounded to
    what a crew can act on.
    """

    system: UnitSystem

    @property
    def is_us(self) -> bool:
        """Whether the units are US customary."""
        return self.system == "us"

    def temperature(self, temp_c: float) -> str:
        """Format a temperature [°C], to the degree Fahrenheit or a tenth of a degree Celsius."""
        # adding nothing turns a rounded minus zero into zero
        return f"{round(c_to_f(temp_c)):d} °F" if self.is_us else f"{round(temp_c, 1) + 0.0:.1f} °C"

    def temperature_difference(self, difference_k: float, digits: int | None = None) -> str:
        """Format a temperature difference [K]; to the degree Fahrenheit by default."""
        if self.is_us:
            return f"{1.8 * difference_k:.{digits or 0}f} °F"
        return f"{difference_k:.{1 if digits is None else digits}f} K"

    def volume(self, volume_l: float) -> str:
        """Format a volume [L]."""
        return f"{volume_l / L_PER_GAL:,.0f} gal" if self.is_us else f"{volume_l:,.0f} L"

    def to_reader_scale(self, temp_c: Any) -> Any:
        """Convert temperatures [°C], one or an array, to the reader's scale."""
        return c_to_f(temp_c) if self.is_us else temp_c

    def precise_volume(self, volume_l: float) -> str:
        """Format a volume [L], to the tenth where it is small."""
        shown = volume_l / L_PER_GAL if self.is_us else volume_l
        return f"{shown:,.{0 if shown >= 100 else 1}f} {'gal' if self.is_us else 'L'}"

    def mass(self, mass_kg: float) -> str:
        """Format a mass [kg]."""
        return f"{mass_kg / KG_PER_LB:,.0f} lb" if self.is_us else f"{mass_kg:,.0f} kg"

    def liquid_rate(self, rate_l_m2: float) -> str:
        """Format a liquid application rate [L/m²]."""
        if self.is_us:
            return f"{rate_l_m2 / L_M2_PER_GAL_KFT2:.2f} gal/1000 ft²"
        return f"{rate_l_m2 * 1000:.0f} mL/m²"

    def solid_rate(self, rate_kg_m2: float) -> str:
        """Format a solid application rate [kg/m²]."""
        if self.is_us:
            return f"{rate_kg_m2 / KG_M2_PER_LB_KFT2:.2g} lb/1000 ft²"
        return f"{rate_kg_m2 * 1000:.0f} g/m²"

    def prewet_rate(self, rate_l_kg: float) -> str:
        """Format a prewetting rate [L/kg]."""
        if self.is_us:
            return f"{rate_l_kg * KG_PER_TON / L_PER_GAL:.3g} gal/ton"
        return f"{1000 * rate_l_kg:.3g} L/t"

    def area(self, area_m2: float) -> str:
        """Format an area [m²]."""
        return f"{area_m2 / M2_PER_FT2:,.0f} ft²" if self.is_us else f"{area_m2:,.0f} m²"

    def speed(self, speed_ms: float) -> str:
        """Format a wind speed [m/s]."""
        return f"{speed_ms * 3600 / M_PER_MI:.0f} mph" if self.is_us else f"{speed_ms:.0f} m/s"

    def driving_speed(self, speed_ms: float) -> str:
        """Format the speed of a sprayer [m/s], to the tenth."""
        if self.is_us:
            return f"{speed_ms * 3600 / M_PER_MI:.1f} mph"
        return f"{3.6 * speed_ms:.1f} km/h"

    def flow(self, flow_l_h: float) -> str:
        """Format what a nozzle or boom gives [L/h]."""
        if self.is_us:
            return f"{flow_l_h / 60 / L_PER_GAL:.2f} gal/min"
        return f"{flow_l_h / 60:.2f} L/min"

    def pressure(self, pressure_pa: float) -> str:
        """Format a pressure [Pa]."""
        return (
            f"{pressure_pa / PA_PER_PSI:.0f} psi" if self.is_us else f"{pressure_pa / 1e5:.1f} bar"
        )

    def distance(self, distance_km: float) -> str:
        """Return a distance between places [mi or km]."""
        if self.is_us:
            return f"{1000.0 * distance_km / M_PER_MI:,.0f} mi"
        return f"{distance_km:,.0f} km"

    def water_depth(self, depth_mm: float) -> str:
        """Format a depth of water [mm]."""
        return f"{depth_mm / 25.4:.2f} in" if self.is_us else f"{depth_mm:.1f} mm"

    def snowfall(self, depth_cm: float) -> str:
        """Format a depth of new snow [cm]."""
        return f"{depth_cm / 2.54:.1f} in" if self.is_us else f"{depth_cm:.0f} cm"

    def density(self, density_kg_l: float) -> str:
        """Format a density [kg/L]."""
        return (
            f"{density_kg_l / KG_L_PER_LB_GAL:.2f} lb/gal"
            if self.is_us
            else f"{density_kg_l:.3f} kg/L"
        )
