"""Heat conduction through a pavement and the ground below.

One-dimensional conduction in finite volumes, backward Euler. Below the surface nothing depends on
the weather, so the matrix is eliminated once, from the bottom up, for a build-up and a time step.
Each step then costs two sweeps, and the whole ground answers its surface with one straight line:
heat taken in = ``slope · surface − pull``. The only unknown left is the surface temperature.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from stormplan.company.catalog import MATERIALS, BuildUp, Material
from stormplan.compiled import compiled
from stormplan.errors import InputError

Array = NDArray[np.float64]

LAYER_COUNT = 18
FIRST_LAYER_THICKNESS_M = 0.006
GROUND_DEPTH_M = 5.0  # two damping depths of the annual wave: no flux below
UNDERSIDE_COEFFICIENT_WM2K = (
    10.0  # from the underside of a slab to the air below (textbook, from memory)
)
ANNUAL_DAMPING_DEPTH_M = (
    2.56  # of the annual wave, for soil of 6.5e-7 m²/s: sqrt(2 · 6.5e-7 / annual frequency)
)
RECENT_DAMPING_DEPTH_M = (
    0.35  # reach of the last two days' air anomaly (own choice: 48 h diffusion)
)
YEAR_D = 365.25


@dataclass(frozen=True)
class LayerGrid:
    """Build-up discretized into layers, from the top down.

    Attributes
    ----------
    edges_m : array (layer + 1,)
        Depth of the layers' edges [m].
    center_m : array (layer,)
        Depth of their middles, where the temperatures are [m].
    heat_capacity_j_m2k : array (layer,)
        Heat capacity [J/(m² K)].
    conductance_wm2k : array (layer + 1,)
        Surface to first layer, between neighbors, last layer to the air below (0 on ground)
        [W/(m² K)].
    """

    edges_m: Array
    center_m: Array
    heat_capacity_j_m2k: Array
    conductance_wm2k: Array


def _edges(depth_m: float, layers: int, first_m: float) -> Array:
    """Return edges whose spacing grows by a constant ratio from ``first_m`` (or less)."""
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
    """Return the depth of the interfaces (stratum + 1,) [m] and the materials between them."""
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


def discretize(
    depths_m: Array,
    materials: Sequence[Material],
    underside_wm2k: float,
    layers: int = LAYER_COUNT,
    first_m: float = FIRST_LAYER_THICKNESS_M,
) -> LayerGrid:
    """Discretize a stack of materials into layers.

    Parameters
    ----------
    depths_m : array (stratum + 1,)
        Depth of the interfaces, from 0 to the bottom [m].
    materials : sequence of Material
        Of each stratum.
    underside_wm2k : float
        Exchange with the air below; 0 on ground, where no heat passes the bottom [W/(m² K)].
    layers : int
        How many [-].
    first_m : float
        Thickness of the first [m].

    Returns
    -------
    LayerGrid
        Heat capacity and thermal resistance are integrated through layers that straddle an
        interface, so both are exact whatever the grid.
    """
    edges = _edges(float(depths_m[-1]), layers, first_m)
    center = 0.5 * (edges[1:] + edges[:-1])
    thickness = np.diff(depths_m)
    heat = np.cumsum([0.0, *(thickness * [m.heat_capacity_j_m3k for m in materials])])
    resistance = np.cumsum([0.0, *(thickness / [m.conductivity_w_mk for m in materials])])
    capacity = np.diff(np.interp(edges, depths_m, heat))
    nodes = np.concatenate([[0.0], center, [depths_m[-1]]])
    between = np.diff(np.interp(nodes, depths_m, resistance))
    conductance = 1.0 / between
    open_below = underside_wm2k > 0.0
    conductance[-1] = 1.0 / (between[-1] + 1.0 / underside_wm2k) if open_below else 0.0
    return LayerGrid(edges, center, capacity, conductance)


def layer_grid(
    build_up: BuildUp, layers: int = LAYER_COUNT, first_m: float = FIRST_LAYER_THICKNESS_M
) -> LayerGrid:
    """Discretize a build-up of the catalog into layers.

    Parameters
    ----------
    build_up : BuildUp
        What it is made of.
    layers : int
        How many [-].
    first_m : float
        Thickness of the first [m].

    Returns
    -------
    LayerGrid
        Down to ``GROUND_DEPTH_M`` on ground, to the underside of a slab otherwise.

    Raises
    ------
    InputError
        A material that the catalog does not have.
    """
    depths, materials = _strata(build_up)
    below = 0.0 if build_up.underside == "ground" else UNDERSIDE_COEFFICIENT_WM2K
    return discretize(depths, materials, below, layers, first_m)


class GroundWeights(NamedTuple):
    """Weights of a factorized conduction matrix, for compiled sweeps (Thomas algorithm).

    Attributes
    ----------
    storage, below, above : array (layer, column)
        What a layer's temperature takes from itself before the step, from the layer below and
        from the one above [-].
    top_conductance_wm2k : array (column,)
        From the surface to the first layer [W/(m² K)].
    """

    storage: Array
    below: Array
    above: Array
    top_conductance_wm2k: Array


@compiled
def columns_of(values: Array, begin: int, end: int) -> Array:
    """Return a copy of some columns of (layer, column), side by side in memory."""
    some = np.empty((values.shape[0], end - begin))
    for layer in range(values.shape[0]):
        for i in range(begin, end):
            some[layer, i - begin] = values[layer, i]
    return some


@compiled
def put_columns(values: Array, begin: int, columns: Array, share: float) -> None:
    """Set columns of (layer, column) from one on to a share of others."""
    for layer in range(columns.shape[0]):
        for k in range(columns.shape[1]):
            values[layer, begin + k] = share * columns[layer, k]


@compiled
def add_columns(total: Array, columns: Array, share: float) -> None:
    """Add a share of (layer, column) to as many."""
    for layer in range(columns.shape[0]):
        for k in range(columns.shape[1]):
            total[layer, k] += share * columns[layer, k]


@compiled
def weights_of(weights: GroundWeights, begin: int, end: int) -> GroundWeights:
    """Return the weights of the columns from one to before another, side by side in memory."""
    top_wm2k = np.empty(end - begin)
    for i in range(begin, end):
        top_wm2k[i - begin] = weights.top_conductance_wm2k[i]
    return GroundWeights(
        columns_of(weights.storage, begin, end),
        columns_of(weights.below, begin, end),
        columns_of(weights.above, begin, end),
        top_wm2k,
    )


@compiled
def eliminate_upward(weights: GroundWeights, temp_c: Array, below_c: Array) -> None:
    """Turn temperatures into what they would be if the layer above each were at 0 °C.

    Parameters
    ----------
    weights : GroundWeights
        A column for each.
    temp_c : array (layer, column)
        At the start of the step, changed in place [°C].
    below_c : array (column,)
        Air under a slab [°C].
    """
    layers, columns = temp_c.shape
    # two short loops: of both in one a compiler makes no vector instructions
    for i in range(columns):
        temp_c[layers - 1, i] *= weights.storage[layers - 1, i]
    for i in range(columns):
        temp_c[layers - 1, i] += weights.below[layers - 1, i] * below_c[i]
    for above in range(1, layers):
        layer = layers - 1 - above
        for i in range(columns):
            temp_c[layer, i] *= weights.storage[layer, i]
        for i in range(columns):
            temp_c[layer, i] += weights.below[layer, i] * temp_c[layer + 1, i]


@compiled
def substitute_downward(weights: GroundWeights, reduced: Array, surface_c: Array) -> None:
    """Turn ``reduced`` (layer, column) into temperatures at the end of the step [°C]."""
    layers, columns = reduced.shape
    for i in range(columns):
        reduced[0, i] += weights.above[0, i] * surface_c[i]
    for layer in range(1, layers):
        for i in range(columns):
            reduced[layer, i] += weights.above[layer, i] * reduced[layer - 1, i]


@dataclass(frozen=True)
class GroundSolver:
    """Factorized conduction matrix of many columns for one time step (Thomas algorithm).

    Build with ``factorize``. Arrays are ``(layer, column)``.
    """

    step_s: float
    storage_wm2k: Array
    conductance_wm2k: Array
    weights: GroundWeights

    @property
    def top_conductance_wm2k(self) -> Array:
        """Conductance from the surface to the first layer, (column,) [W/(m² K)]."""
        return self.weights.top_conductance_wm2k

    def forward_elimination(self, temp_c: Array, below_c: Array | float) -> Array:
        """Sweep upward: each layer's temperature if the layer above it were at 0 °C.

        Parameters
        ----------
        temp_c : array (layer, column)
            Temperatures at the start of the step [°C].
        below_c : array (column,)
            Air under a slab; without effect on ground [°C].

        Returns
        -------
        array (layer, column)
            The reduced right-hand side; above the first layer is the surface [°C].
        """
        reduced = temp_c.copy()
        eliminate_upward(self.weights, reduced, below_c + np.zeros(temp_c.shape[1]))
        return reduced

    def linear_response(self, reduced: Array) -> tuple[Array, Array]:
        """Return the heat flux into the ground as a linear function of surface temperature.

        Parameters
        ----------
        reduced : array (layer, column)
            From ``forward_elimination`` [°C].

        Returns
        -------
        slope, pull : array (column,)
            Heat into the ground is ``slope · surface_c − pull`` [W/(m² K)], [W/m²].
        """
        slope = self.top_conductance_wm2k * (1.0 - self.weights.above[0])
        return slope, self.top_conductance_wm2k * reduced[0]

    def back_substitution(self, reduced: Array, surface_c: Array) -> Array:
        """Sweep downward to temperatures at the end of the step (overwrites ``reduced``) [°C]."""
        substitute_downward(self.weights, reduced, surface_c)
        return reduced


def factorize(
    grids: Sequence[LayerGrid], grid_index: NDArray[np.intp], step_s: float
) -> GroundSolver:
    """Factorize the conduction matrix from the bottom up, once per build-up, for all columns.

    Parameters
    ----------
    grids : sequence of LayerGrid
        One per build-up, all with the same number of layers.
    grid_index : array of int (column,)
        Each column's place in ``grids`` [-].
    step_s : float
        Time step [s].

    Returns
    -------
    GroundSolver
        Ready for any number of steps of this length.
    """
    storage = np.stack([g.heat_capacity_j_m2k for g in grids], axis=1) / step_s
    conductance = np.stack([g.conductance_wm2k for g in grids], axis=1)
    layers = len(storage)
    storage_weight, below_weight, above_weight = (np.zeros_like(storage) for _ in range(3))
    below = conductance[layers]  # what the last layer loses downwards is not handed back up
    for layer in range(layers - 1, -1, -1):
        weight = 1.0 / (storage[layer] + conductance[layer] + below)
        storage_weight[layer] = storage[layer] * weight
        below_weight[layer] = conductance[layer + 1] * weight
        above_weight[layer] = conductance[layer] * weight
        below = conductance[layer] * (1.0 - above_weight[layer])
    # take: [:, which] would lay a column's layers side by side, and the sweeps go by layer
    storage, conductance, storage_weight, below_weight, above_weight = (
        array.take(grid_index, axis=1)
        for array in (storage, conductance, storage_weight, below_weight, above_weight)
    )
    weights = GroundWeights(storage_weight, below_weight, above_weight, conductance[0].copy())
    return GroundSolver(step_s, storage, conductance, weights)


@dataclass(frozen=True)
class Climate:
    """Annual cycle of air temperature at a location, for the initial ground profile.

    Attributes
    ----------
    annual_mean_c : float
        Annual mean [°C].
    amplitude_k : float
        Half the difference between the warmest and the coldest month [°C].
    warmest_day : float
        Of the year [d].
    pavement_minus_air_k : float
        Annual mean of pavement minus air [°C].
    """

    annual_mean_c: float
    amplitude_k: float
    warmest_day: float
    pavement_minus_air_k: float

    def air_c(self, day: float) -> float:
        """Mean air temperature of a day of the year [°C]."""
        phase = 2 * np.pi * (day - self.warmest_day) / YEAR_D
        return float(self.annual_mean_c + self.amplitude_k * np.cos(phase))


# Through the 1991-2020 normals of San Antonio (20.9 °C, half range 9.4), New York (12.9, 12),
# Minneapolis (8, 16), Winnipeg (3, 18) and, for height, Denver and Flagstaff (from memory). Good
# to about 3 °C inland; one degree of it moves a surface by 0.04 °C.
CLIMATE_AT_30N = Climate(
    annual_mean_c=20.5, amplitude_k=9.5, warmest_day=200.0, pavement_minus_air_k=4.0
)
MEAN_C_PER_DEG_LATITUDE = -0.8
AMPLITUDE_DC_PER_DEG_LATITUDE = 0.42
MEAN_C_PER_M = -0.003
PAVEMENT_DC_PER_DEG_LATITUDE = -1.5 / 13.0  # 4.0 at 30 °N to 2.5 at 43 °N (measured winters)


def typical_climate(latitude_deg: float, elevation_m: float) -> Climate:
    """Return the typical inland climate of a location.

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
        annual_mean_c=base.annual_mean_c
        + MEAN_C_PER_DEG_LATITUDE * poleward
        + MEAN_C_PER_M * elevation_m,
        amplitude_k=base.amplitude_k + AMPLITUDE_DC_PER_DEG_LATITUDE * poleward,
        warmest_day=base.warmest_day + (0.0 if latitude_deg >= 0.0 else YEAR_D / 2),
        pavement_minus_air_k=max(
            base.pavement_minus_air_k + PAVEMENT_DC_PER_DEG_LATITUDE * poleward, 0.0
        ),
    )


def initial_profile(
    center_m: Array, climates: Sequence[Climate], day: float, recent_air_c: Array
) -> Array:
    """Return the initial temperature profile: the annual wave plus the recent air anomaly.

    Parameters
    ----------
    center_m : array (layer, column)
        Depths [m].
    climates : sequence of Climate
        Of each column.
    day : float
        Of the year [d].
    recent_air_c : array (column, member)
        Mean air temperature of the last two days, or of what is known [°C].

    Returns
    -------
    array (layer, column, member)
        Ground temperature [°C].
    """
    mean = np.array([c.annual_mean_c + c.pavement_minus_air_k for c in climates])
    amplitude = np.array([c.amplitude_k for c in climates])
    warmest = np.array([c.warmest_day for c in climates])
    normal = np.array([c.air_c(day) for c in climates])
    depth = center_m / ANNUAL_DAMPING_DEPTH_M
    wave = amplitude * np.exp(-depth) * np.cos(2 * np.pi * (day - warmest) / YEAR_D - depth)
    recent = (recent_air_c - normal[:, None]) * np.exp(-center_m / RECENT_DAMPING_DEPTH_M)[
        :, :, None
    ]
    return np.asarray((mean + wave)[:, :, None] + recent)
