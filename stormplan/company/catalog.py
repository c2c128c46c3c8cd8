"""Typed tables of what is out there: materials, surface build-ups, surface classes, products.

Every number has its source beside it. The owner's own products and build-ups arrive from the
sites file through the same records.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

Underside = Literal["ground", "open air", "heated room"]
SurfaceUse = Literal["vehicle", "pedestrian"]
Chloride = Literal["nacl", "cacl2", "mgcl2", "kcl"]


@dataclass(frozen=True)
class Material:
    """A layer's thermal properties: conductivity [W/(m K)], heat capacity [J/(m³ K)]."""

    conductivity_w_mk: float
    heat_capacity_j_m3k: float


# Conductivity and heat capacity: textbook values, from memory, within the ranges measured on
# field cores (asphalt 0.8-2.2 W/(m K)); a night surface moves < 0.5 K over those ranges.
MATERIALS: Mapping[str, Material] = {
    "dense_asphalt": Material(1.3, 2.0e6),
    "open_asphalt": Material(0.85, 1.6e6),
    "concrete": Material(1.6, 2.1e6),
    "pervious_concrete": Material(0.95, 1.6e6),
    "pavers": Material(1.2, 2.0e6),
    "granular_base": Material(1.4, 1.8e6),
    "open_base": Material(0.7, 1.5e6),
    "subgrade": Material(1.4, 2.3e6),
}


@dataclass(frozen=True)
class BuildUp:
    """Layers of a surface from the top down, its underside and surface properties.

    Attributes
    ----------
    layers : tuple of (str, float)
        Material and thickness [m]; on ground, subgrade goes on below the last.
    underside : str
        ``"ground"``, ``"open air"`` (open deck) or ``"heated room"`` (enclosed below).
    albedo : float
        Shortwave reflected when dry [-].
    emissivity : float
        Longwave emissivity [-].
    texture_mm : float
        Water the texture holds before it drains [mm].
    drain_time_s : float
        Time in which the rest drains to a third [s].
    """

    layers: tuple[tuple[str, float], ...]
    underside: Underside
    albedo: float
    emissivity: float
    texture_mm: float
    drain_time_s: float = 900.0


# Albedo: aged asphalt 0.10-0.20, concrete 0.25-0.40, pavers 0.25 (field cores and textbook, from
# memory). Texture: class assumptions, our own choice (asphalt 0.5, walks 0.3, pavers 0.5 mm).
# Draining: 15 min over a surface, 5 min where water goes down through it (class assumptions).
BUILD_UPS: Mapping[str, BuildUp] = {
    "asphalt": BuildUp(
        (("dense_asphalt", 0.10), ("granular_base", 0.25)), "ground", 0.12, 0.95, 0.5
    ),
    "permeable_asphalt": BuildUp(
        (("open_asphalt", 0.10), ("open_base", 0.30)), "ground", 0.12, 0.95, 0.5, 300.0
    ),
    "concrete": BuildUp((("concrete", 0.18), ("granular_base", 0.15)), "ground", 0.30, 0.93, 0.3),
    "concrete_walk": BuildUp(
        (("concrete", 0.10), ("granular_base", 0.10)), "ground", 0.30, 0.93, 0.3
    ),
    "pervious_concrete": BuildUp(
        (("pervious_concrete", 0.15), ("open_base", 0.25)), "ground", 0.30, 0.93, 0.5, 300.0
    ),
    "pavers": BuildUp(
        (("pavers", 0.08), ("granular_base", 0.20)), "ground", 0.25, 0.93, 0.5, 300.0
    ),
    "open_deck": BuildUp((("concrete", 0.20),), "open air", 0.30, 0.93, 0.3),
    "enclosed_deck": BuildUp((("concrete", 0.20),), "heated room", 0.30, 0.93, 0.3),
}


@dataclass(frozen=True)
class SurfaceClass:
    """A class of surface the trade treats as one: who uses it and what it is usually made of.

    Attributes
    ----------
    label : str
        What the trade calls it.
    use : str
        ``"vehicle"`` or ``"pedestrian"``: pedestrians need a film that is all liquid.
    build_up : str
        Key of ``BUILD_UPS`` unless the sites file says otherwise.
    sky_view_frac : float
        Share of the sky the surface sees, unless the sites file says otherwise [-].
    sensitive : bool
        Gets the strong blend by common practice: walks, entries, structures.
    """

    label: str
    use: SurfaceUse
    build_up: str
    sky_view_frac: float
    sensitive: bool


# Sky view: open lot 0.9, beside buildings 0.5-0.7, under a canopy less (class assumptions).
SURFACE_CLASSES: Mapping[str, SurfaceClass] = {
    "asphalt_lot": SurfaceClass("asphalt lot", "vehicle", "asphalt", 0.9, False),
    "concrete_lot": SurfaceClass("concrete lot", "vehicle", "concrete", 0.9, False),
    "asphalt_lane": SurfaceClass("drive lane", "vehicle", "asphalt", 0.85, False),
    "concrete_walk": SurfaceClass("walk", "pedestrian", "concrete_walk", 0.8, True),
    "concrete_entry": SurfaceClass("entry", "pedestrian", "concrete_walk", 0.6, True),
    "concrete_ramp": SurfaceClass("ramp", "vehicle", "concrete", 0.8, True),
    "open_deck": SurfaceClass("open deck", "vehicle", "open_deck", 0.9, True),
    "enclosed_deck": SurfaceClass("deck over a room", "vehicle", "enclosed_deck", 0.9, True),
    "paver_walk": SurfaceClass("paver walk", "pedestrian", "pavers", 0.8, True),
}


@dataclass(frozen=True)
class Product:
    """A liquid the yard makes or buys.

    Attributes
    ----------
    key, name : str
        The sites file's key, and what people call it.
    chlorides : mapping of str to float
        Mass share of each chloride in the product: nacl, cacl2, mgcl2, kcl [-].
    inert_frac : float
        Mass share of dissolved solids with no freeze-point credit (sugars, inhibitor) [-].
    density_kg_l : float or None
        As the supplier states it at 60 °F; None to compute it from the chlorides [kg/L].
    freeze_point_c : float or None
        As the supplier states it; where given it wins over the computed one [°C].
    max_vol_frac : float
        Largest share of a blend by volume [-].
    inhibited, odor, tracks_indoors : bool
        Corrosion inhibitor; odor; carried indoors on shoes.
    price_per_l : float or None
        In the company's currency [1/L].
    """

    key: str
    name: str
    chlorides: Mapping[Chloride, float]
    inert_frac: float = 0.0
    density_kg_l: float | None = None
    freeze_point_c: float | None = None
    max_vol_frac: float = 1.0
    inhibited: bool = False
    odor: bool = False
    tracks_indoors: bool = False
    price_per_l: float | None = None
    notes: tuple[str, ...] = field(default_factory=tuple)

    @property
    def is_straight_chloride(self) -> bool:
        """Only salts and water: bought calcium, magnesium or well brine with nothing else in it."""
        return self.inert_frac == 0.0 and not self.inhibited


# What to mind when handling a salt's solution: safety data sheets in public filings, and a
# producer's technical notes for the heat of calcium chloride.
HANDLING_NOTES: Mapping[Chloride, str] = {
    "cacl2": "Calcium chloride burns eyes and moist skin: goggles, face shield, long sleeves, "
    "chemical-resistant gloves (no leather), eyewash at hand. Flake or pellets heat the "
    "water strongly: add them slowly to cold water, never water to them.",
    "mgcl2": "Magnesium chloride: goggles and gloves; spills stay wet and slippery.",
}
