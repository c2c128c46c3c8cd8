"""How heat moves down through a pavement and what lies under it.

One-dimensional conduction in finite volumes, backward Euler. Below the surface nothing depends on
the weather, so the matrix is eliminated once, from the bottom up, for a build-up and a time step.
Each step then costs two sweeps, and the whole ground answers its surface with one straight line:
heat taken in = ``slope · surface − pull``. The only unknown left is the surface temperature.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stormplan.company.catalog import MATERIALS, BuildUp, Material
from stormplan.errors import InputError

Array = NDArray[np.float64]

LAYERS = 18
FIRST_LAYER_M = 0.006
GROUND_DEPTH_M = 2.0
UNDERSIDE_WM2K = 10.0  # from the underside of a slab to the air below (textbook, from memory)
DAMPING_M = 2.56  # of the annual wave, for soil of 6.5e-7 m²/s: sqrt(2 · 6.5e-7 / annual frequency)
RECENT_DAMPING_M = 0.35  # reach of the last two days' air anomaly (own choice: 48 h diffusion)
YEAR_D = 365.25


@dataclass(frozen=True)
class Grid:
    """A build-up cut into layers, from the top down.

    Attributes
    ----------
    edges_m : array (layer + 1,)
        Depth of the layers' edges [m].
    centre_m : array (layer,)
        Depth of their middles, where the temperatures are [m].
    capacity_j_m2k : array (layer,)
        Heat capacity [J/(m² K)].
    conductance_wm2k : array (layer + 1,)
        Surface to first layer, between neighbours, last layer to the air below (0 on ground)
        [W/(m² K)].
    """

    edges_m: Array
    centre_m: Array
    capacity_j_m2k: Array
    conductance_wm2k: Array


def _edges(depth_m: float, layers: int, first_m: float) -> Array:
    """Edges whose spacing grows by a constant ratio from ``first_m`` (or less) to the depth."""
    if first_m * layers >= depth_m:
        return np.linspace(0.0, depth_m, layers + 1)
    low, high = 1.0, 10.0
    for _ in range(60):
        ratio = 0.5 * (low + high)
        total = first_m * (ratio**layers - 1.0) / (ratio - 1.0)
        low, high = (ratio, high) if total < depth_m else (low, ratio)
    edges = first_m * (ratio ** np.arange(layers + 1) - 1.0) / (ratio - 1.0)
    return np.asarray(edges * (depth_m / edges[-1]))


def _strata(build_up: BuildUp) -> tuple[Array, list[Material]]:
    """Depth of the interfaces (stratum + 1,) [m] and the materials between them."""
    unknown = [name for name, _ in build_up.layers if name not in MATERIALS]
    if unknown:
        raise InputError(
            f"no such pavement material: '{unknown[0]}'; accepted: {', '.join(MATERIALS)}"
        )
    depths = np.concatenate([[0.0], np.cumsum([thickness for _, thickness in build_up.layers])])
    materials = [MATERIALS[name] for name, _ in build_up.layers]
    if build_up.underside == "ground" and depths[-1] < GROUND_DEPTH_M:
        depths = np.append(depths, GROUND_DEPTH_M)
        materials.append(MATERIALS["subgrade"])
    return depths, materials


def cut(
    depths_m: Array,
    materials: Sequence[Material],
    underside_wm2k: float,
    layers: int = LAYERS,
    first_m: float = FIRST_LAYER_M,
) -> Grid:
    """Cut a stack of materials into layers.

    Parameters
    ----------
    depths_m : array (stratum + 1,)
        Depth of the interfaces, from 0 to the bottom [m].
    materials : sequence of Material
        Of each stratum [-].
    underside_wm2k : float
        Exchange with the air below; 0 on ground, where no heat passes the bottom [W/(m² K)].
    layers : int
        How many [-].
    first_m : float
        Thickness of the first [m].

    Returns
    -------
    Grid
        Heat capacity and thermal resistance are integrated through layers that straddle an
        interface, so both are exact whatever the grid.
    """
    edges = _edges(float(depths_m[-1]), layers, first_m)
    centre = 0.5 * (edges[1:] + edges[:-1])
    thickness = np.diff(depths_m)
    heat = np.cumsum([0.0, *(thickness * [m.heat_capacity_j_m3k for m in materials])])
    resistance = np.cumsum([0.0, *(thickness / [m.conductivity_w_mk for m in materials])])
    capacity = np.diff(np.interp(edges, depths_m, heat))
    nodes = np.concatenate([[0.0], centre, [depths_m[-1]]])
    between = np.diff(np.interp(nodes, depths_m, resistance))
    conductance = 1.0 / between
    open_below = underside_wm2k > 0.0
    conductance[-1] = 1.0 / (between[-1] + 1.0 / underside_wm2k) if open_below else 0.0
    return Grid(edges, centre, capacity, conductance)


def grid(build_up: BuildUp, layers: int = LAYERS, first_m: float = FIRST_LAYER_M) -> Grid:
    """Cut a build-up of the catalogue into layers.

    Parameters
    ----------
    build_up : BuildUp
        What it is made of [-].
    layers : int
        How many [-].
    first_m : float
        Thickness of the first [m].

    Returns
    -------
    Grid
        Down to ``GROUND_DEPTH_M`` on ground, to the underside of a slab otherwise.

    Raises
    ------
    InputError
        A material that the catalogue does not have.
    """
    depths, materials = _strata(build_up)
    below = 0.0 if build_up.underside == "ground" else UNDERSIDE_WM2K
    return cut(depths, materials, below, layers, first_m)


@dataclass(frozen=True)
class Ground:
    """The eliminated ground of many columns for one time step.

    Build with ``eliminate``. Arrays are ``(layer, column)``, or ``(layer, 1)`` when all columns
    share a build-up.
    """

    step_s: float
    storage_wm2k: Array
    conductance_wm2k: Array
    _keep: Array
    _rise: Array
    _fall: Array

    @property
    def top_wm2k(self) -> Array:
        """Conductance from the bare surface to the first layer, (column,) [W/(m² K)]."""
        return np.asarray(self.conductance_wm2k[0])

    def pull(self, temp_c: Array, below_c: Array | float) -> Array:
        """Sweep upwards: what every layer would be if the one above it were at 0 °C.

        Parameters
        ----------
        temp_c : array (layer, column)
            Temperatures at the start of the step [°C].
        below_c : array (column,)
            Air under a slab; without effect on ground [°C].

        Returns
        -------
        array (layer, column)
            First row: the heat that draws on the first layer [W/m²]; others: the reduced
            right-hand side [°C].
        """
        reduced = self._keep * temp_c
        reduced[-1] += self._rise[-1] * below_c
        for layer in range(len(reduced) - 2, -1, -1):
            reduced[layer] += self._rise[layer] * reduced[layer + 1]
        return np.asarray(reduced)

    @property
    def hold_wm2k(self) -> Array:
        """How firmly the layers below and its own heat hold the first layer [W/(m² K)]."""
        return np.asarray(self._fall[0])

    def answer(self, reduced: Array, top_wm2k: Array) -> tuple[Array, Array]:
        """Heat into the ground as a straight line of the surface temperature.

        Parameters
        ----------
        reduced : array (layer, column)
            From ``pull`` [W/m²], [°C].
        top_wm2k : array (column,)
            Conductance from the surface to the first layer, snow included [W/(m² K)].

        Returns
        -------
        slope, pull : array (column,)
            Heat into the ground is ``slope · surface_c − pull`` [W/(m² K)], [W/m²].
        """
        share = top_wm2k / (self.hold_wm2k + top_wm2k)
        return share * self.hold_wm2k, share * reduced[0]

    def settle(self, reduced: Array, surface_c: Array, top_wm2k: Array) -> Array:
        """Sweep downwards: temperatures at the end of the step (overwrites ``reduced``) [°C]."""
        reduced[0] = (reduced[0] + top_wm2k * surface_c) / (self.hold_wm2k + top_wm2k)
        for layer in range(1, len(reduced)):
            reduced[layer] += self._fall[layer] * reduced[layer - 1]
        return reduced


def eliminate(grids: Sequence[Grid], which: NDArray[np.intp], step_s: float) -> Ground:
    """Eliminate the ground from the bottom up, once per build-up, and spread it over columns.

    Parameters
    ----------
    grids : sequence of Grid
        One per build-up, all with the same number of layers [-].
    which : array of int (column,)
        Each column's place in ``grids`` [-].
    step_s : float
        Time step [s].

    Returns
    -------
    Ground
        Ready for any number of steps of this length.
    """
    storage = np.stack([g.capacity_j_m2k for g in grids], axis=1) / step_s
    conductance = np.stack([g.conductance_wm2k for g in grids], axis=1)
    layers = len(storage)
    keep, rise, fall = (np.zeros_like(storage) for _ in range(3))
    below = conductance[layers]  # what the last layer loses downwards is not handed back up
    for layer in range(layers - 1, 0, -1):
        weight = 1.0 / (storage[layer] + conductance[layer] + below)
        keep[layer] = storage[layer] * weight
        rise[layer] = conductance[layer + 1] * weight
        fall[layer] = conductance[layer] * weight
        below = conductance[layer] * (1.0 - fall[layer])
    # the first row stays open, in watts: snow changes what lies between it and the surface
    keep[0], rise[0], fall[0] = storage[0], conductance[1], storage[0] + below
    if len(grids) > 1:
        # take: [:, which] would lay a column's layers side by side, and the sweeps go by layer
        storage, conductance, keep, rise, fall = (
            array.take(which, axis=1) for array in (storage, conductance, keep, rise, fall)
        )
    return Ground(step_s, storage, conductance, keep, rise, fall)


@dataclass(frozen=True)
class Climate:
    """The yearly course of air temperature at a place: enough to start the ground from.

    Attributes
    ----------
    mean_c : float
        Annual mean [°C].
    swing_dc : float
        Half the difference between the warmest and the coldest month [°C].
    warmest_day : float
        Of the year [d].
    pavement_dc : float
        Annual mean of pavement minus air [°C].
    """

    mean_c: float
    swing_dc: float
    warmest_day: float
    pavement_dc: float

    def air_c(self, day: float) -> float:
        """Mean air temperature of a day of the year [°C]."""
        phase = 2 * np.pi * (day - self.warmest_day) / YEAR_D
        return float(self.mean_c + self.swing_dc * np.cos(phase))


# Through the 1991-2020 normals of San Antonio (20.9 °C, half range 9.4), New York (12.9, 12),
# Minneapolis (8, 16), Winnipeg (3, 18) and, for height, Denver and Flagstaff (from memory). Good
# to about 3 °C inland; one degree of it moves a surface by 0.04 °C.
CLIMATE_AT_30N = Climate(mean_c=20.5, swing_dc=9.5, warmest_day=200.0, pavement_dc=4.0)
MEAN_PER_DEG = -0.8
SWING_PER_DEG = 0.42
MEAN_PER_M = -0.003
PAVEMENT_PER_DEG = -1.5 / 13.0  # 4.0 at 30 °N to 2.5 at 43 °N (measured winters)


def climate(latitude_deg: float, elevation_m: float) -> Climate:
    """Typical inland climate of a place.

    Parameters
    ----------
    latitude_deg : float
        North positive [°].
    elevation_m : float
        Above sea level [m].

    Returns
    -------
    Climate
        Straight lines in latitude and height through North American normals.
    """
    poleward = min(max(abs(latitude_deg), 20.0), 65.0) - 30.0
    base = CLIMATE_AT_30N
    return Climate(
        mean_c=base.mean_c + MEAN_PER_DEG * poleward + MEAN_PER_M * elevation_m,
        swing_dc=base.swing_dc + SWING_PER_DEG * poleward,
        warmest_day=base.warmest_day + (0.0 if latitude_deg >= 0.0 else YEAR_D / 2),
        pavement_dc=max(base.pavement_dc + PAVEMENT_PER_DEG * poleward, 0.0),
    )


def start_profile(
    centre_m: Array, climates: Sequence[Climate], day: float, recent_air_c: Array
) -> Array:
    """Temperatures to start from: the annual wave plus what the last days' air added.

    Parameters
    ----------
    centre_m : array (layer, column)
        Depths [m].
    climates : sequence of Climate
        Of each column [-].
    day : float
        Of the year [d].
    recent_air_c : array (column, member)
        Mean air temperature of the last two days, or of what is known [°C].

    Returns
    -------
    array (layer, column, member)
        Ground temperature [°C].
    """
    mean = np.array([c.mean_c + c.pavement_dc for c in climates])
    swing = np.array([c.swing_dc for c in climates])
    warmest = np.array([c.warmest_day for c in climates])
    normal = np.array([c.air_c(day) for c in climates])
    depth = centre_m / DAMPING_M
    wave = swing * np.exp(-depth) * np.cos(2 * np.pi * (day - warmest) / YEAR_D - depth)
    recent = (recent_air_c - normal[:, None]) * np.exp(-centre_m / RECENT_DAMPING_M)[:, :, None]
    return np.asarray((mean + wave)[:, :, None] + recent)
