"""Bond of snow to a surface treated with brine: whether a plow should lift it.

Snow packs onto pavement where the layer that touches it holds too little liquid. The salt fixes
how much liquid there is at a temperature, texture and traffic fix how much snow it is spread over,
published tests on roads fix how much is enough. Pure functions of the film's masses and of the
pavement temperature, any shape; ``is_bonded`` and ``is_film_bonded`` alone read hours in order.

Snow only: frost, black ice, freezing rain, refreeze, and what remains after the plow are judged by
the film itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from stormplan.arrays import Array, BoolArray
from stormplan.compiled import compiled
from stormplan.errors import InputError
from stormplan.liquids.brine import CHLORIDES
from stormplan.physics.film_condition import FilmHours
from stormplan.physics.film_processes import FILM, N_CHLORIDES, Film, total_salt_kg_m2
from stormplan.physics.phase_equilibrium import equilibrium_liquid_kg_m2, liquid_capacity_kg_m2

Flags = BoolArray

# How many times the solution snow needs at a depression of 6 and 17 K to be as soft as at 2 K:
# Wåhlin & Klein-Paste 2015, doi 10.3141/2482-06, abstract.
EFFICIENCY_DEPRESSION_K = (2.0, 6.0, 17.0)
EFFICIENCY_FACTOR = (1.0, 1.7, 5.0)
_FIRST_SLOPE, _LAST_SLOPE = (np.diff(EFFICIENCY_FACTOR) / np.diff(EFFICIENCY_DEPRESSION_K)).tolist()

PLAIN_SALT = (1.0, 0.0, 0.0, 0.0)  # mass shares of the dry salt, in the order of CHLORIDES
MELTING_BAND_K = 1e-6  # a pavement this close to 0 °C stands at the melting point, rounding apart
AMPLE_WATER_KG_M2 = 1e12  # so much that part of it is ice at any temperature below the band


@dataclass(frozen=True)
class BondParameters:
    """What the criterion rests on; only ``base_liquid_frac`` is published.

    Attributes
    ----------
    texture_mm : float
        Slush that fills the texture, as water, where the brine stays without traffic; 0.3-1.0
        (assumed) [mm].
    base_liquid_frac : float
        Liquid share by mass that keeps snow from packing at −2 °C and above: 0.15 (published,
        NRC Canada 11796); 0.10 where a scraping edge follows, 0.05 an optimistic bound
        (published, doi 10.1061/(ASCE)CR.1943-5495.0000195, temperature not stated) [-].
    traffic_scale_vehicles_per_h : float
        Traffic over the area that works 63 % of the lying snow into the brine (assumed: fitted
        to clearing times of lots in Hossain, Fu & El-Hakim 2022, borrowed as a proxy)
        [vehicles/h].
    debond_liquid_frac : float
        Liquid share from which bonded snow counts as loose again (assumed) [-].
    residual_mm : float
        Slush left on the surface by a pass over snow that is not bonded, as water (assumed) [mm].

    Raises
    ------
    InputError
        A value out of its range.

    Examples
    --------
    >>> BondParameters(base_liquid_frac=0.10).texture_mm
    0.5
    """

    texture_mm: float = 0.5
    base_liquid_frac: float = 0.15
    traffic_scale_vehicles_per_h: float = 23.0
    debond_liquid_frac: float = 0.5
    residual_mm: float = 0.3

    def __post_init__(self) -> None:
        for name in ("texture_mm", "traffic_scale_vehicles_per_h"):
            if not 0.0 < getattr(self, name) < np.inf:
                raise InputError(f"{name} {getattr(self, name)} must be a number above 0")
        for name in ("base_liquid_frac", "debond_liquid_frac"):
            if not 0.0 < getattr(self, name) <= 1.0:
                raise InputError(f"{name} {getattr(self, name)} must be above 0 and at most 1")
        if not 0.0 <= self.residual_mm < np.inf:
            raise InputError(f"residual_mm {self.residual_mm} must be 0 or more")


DEFAULT = BondParameters()


# ------------------------------------------------------------------------------ layer


def traffic_mixing_frac(vehicles_per_h: ArrayLike, parameters: BondParameters = DEFAULT) -> Array:
    """Return the share of the lying snow that traffic works into the brine.

    Parameters
    ----------
    vehicles_per_h : array (...)
        Traffic over the area while snow lies [vehicles/h].
    parameters : BondParameters
        Parameters of the criterion.

    Returns
    -------
    array (...)
        0 for a closed lot, toward 1 for a busy lane [-].

    Notes
    -----
    ``kappa = 1 - exp(-v / v0)``. Assumed: in Hossain, Fu & El-Hakim 2022 (J. Cold Reg. Eng.,
    abstract) traffic cuts the time to bare pavement in lots by 21 % at 5 vehicles/h and by 86 %
    at 50; that is clearing, borrowed here for mixing.

    Examples
    --------
    >>> traffic_mixing_frac([0, 5, 50]).round(2)
    array([0.  , 0.2 , 0.89])
    """
    vehicles = _not_negative("traffic", vehicles_per_h, "vehicles/h")
    return np.asarray(-np.expm1(-vehicles / parameters.traffic_scale_vehicles_per_h))


def interface_layer_mm(
    water_mm: ArrayLike,
    ice_mm: ArrayLike,
    snow_mm: ArrayLike,
    mixing_frac: ArrayLike = 0.0,
    parameters: BondParameters = DEFAULT,
) -> Array:
    """Return how much of what lies on the pavement shares its brine.

    Parameters
    ----------
    water_mm, ice_mm, snow_mm : array (...)
        Liquid, frozen film and loose snow, as water [mm].
    mixing_frac : array (...)
        Share of the lying snow worked into the brine, see ``traffic_mixing_frac`` [-].
    parameters : BondParameters
        Parameters of the criterion.

    Returns
    -------
    array (...)
        As water, at most all that lies there [mm].

    Notes
    -----
    With ``W = w + i + n`` and ``B = max(W0, w + i)``, ``W_if = min(W, B + kappa (W - B))``: water
    and ice of the film lie at the pavement and always count, snow counts as far as the texture
    ``W0`` holds it or traffic works it in. The depth that mixes has not been measured (assumed).

    Examples
    --------
    >>> interface_layer_mm(0.0, 0.0, [0.2, 5.0, 5.0], mixing_frac=[0.0, 0.0, 0.2])
    array([0.2, 0.5, 1.4])
    """
    film = _not_negative("water", water_mm, "mm") + _not_negative("ice", ice_mm, "mm")
    total = film + _not_negative("snow", snow_mm, "mm")
    base = np.maximum(parameters.texture_mm, film)
    mixed = base + _share("mixing_frac", mixing_frac) * (total - base)
    return np.asarray(np.minimum(total, np.where(total > base, mixed, base)))


# ------------------------------------------------------------------------------ liquid


def held_brine_kg_m2(salts_kg_m2: ArrayLike, pavement_temp_c: ArrayLike) -> Array:
    """Return how much brine salts can make of snow at a temperature, water and salt together.

    Parameters
    ----------
    salts_kg_m2 : array (4, ...)
        Each chloride, in the order of ``CHLORIDES`` [kg/m²].
    pavement_temp_c : array (...)
        Pavement temperature [°C].

    Returns
    -------
    array (...)
        Infinite above 0 °C, 0 without salt and below the coldest eutectic [kg/m²].

    Notes
    -----
    ``S / C(T)`` for one salt, with ``C`` its share by mass on the ice line. Mixtures follow
    ``brine.liquid_water_frac``, hydrohalite included; where it takes salt out of the brine all
    salts count less in proportion, which errs on the low side.

    Examples
    --------
    >>> held_brine_kg_m2([0.0056, 0, 0, 0], [-2.78, -5.0]).round(3)
    array([0.123, 0.071])
    """
    salts, temp = _salts_beside(salts_kg_m2, pavement_temp_c)
    held = np.empty(temp.shape)
    _held_by_each(np.array(salts.reshape(len(CHLORIDES), -1).T, order="C"), temp.flatten(),
                  held.reshape(-1))  # fmt: skip
    return held


@compiled
def _held_by_each(salts_kg_m2: Array, temp_c: Array, held_kg_m2: Array) -> None:
    """Write the brine held by each row of salts, (n, 4), at its temperature, (n,)."""
    film = np.empty(1, FILM)[0]
    for i in range(len(temp_c)):
        for k in range(N_CHLORIDES):
            film.salts[k] = salts_kg_m2[i, k]
        held_kg_m2[i] = _held_kg_m2(film, temp_c[i])


@compiled
def _held_kg_m2(film: Film, temp_c: float) -> float:
    """Return the brine that the salts of a film make of snow at a temperature [kg/m²]."""
    if np.isnan(temp_c):
        return np.nan
    if temp_c > MELTING_BAND_K:
        return np.inf
    cold_c = min(temp_c, -MELTING_BAND_K)
    on_ice_line, _ = liquid_capacity_kg_m2(film.salts, cold_c)
    water = equilibrium_liquid_kg_m2(film.salts, AMPLE_WATER_KG_M2, cold_c)
    salt = total_salt_kg_m2(film)
    return water + salt * water / (on_ice_line if on_ice_line > 0.0 else 1.0)


def liquid_frac(
    water_mm: ArrayLike,
    ice_mm: ArrayLike,
    snow_mm: ArrayLike,
    salts_kg_m2: ArrayLike,
    pavement_temp_c: ArrayLike,
    mixing_frac: ArrayLike = 0.0,
    parameters: BondParameters = DEFAULT,
) -> Array:
    """Return the liquid share, by mass, of the layer at the pavement.

    Parameters
    ----------
    water_mm, ice_mm, snow_mm : array (...)
        Liquid, frozen film and loose snow, as water [mm].
    salts_kg_m2 : array (4, ...)
        Each chloride, in the order of ``CHLORIDES`` [kg/m²].
    pavement_temp_c : array (...)
        Pavement temperature [°C].
    mixing_frac : array (...)
        Share of the lying snow worked into the brine [-].
    parameters : BondParameters
        Parameters of the criterion.

    Returns
    -------
    array (...)
        1 above 0 °C and where nothing lies, NaN where unknown [-].

    Notes
    -----
    ``phi = min(1, L / (W_if + S))`` with the brine held ``L``, which is
    ``S / (C (W_if + S))`` for one salt: equilibrium on the ice line. At 0 °C, where any share
    is in equilibrium, the water that lies there counts.

    Examples
    --------
    0.5 gal/1000 ft² of salt brine under 5 mm of snow water on a closed lot, 27 °F and 23 °F:

    >>> salts = [0.005587, 0.0, 0.0, 0.0]
    >>> liquid_frac(0.0, 0.0, 5.0, salts, [-2.78, -5.0]).round(2)
    array([0.24, 0.14])
    """
    layer = interface_layer_mm(water_mm, ice_mm, snow_mm, mixing_frac, parameters)
    salts, temp = _salts_beside(salts_kg_m2, pavement_temp_c, water_mm, layer)
    salt = salts.sum(axis=0)
    mass = layer + salt
    held = held_brine_kg_m2(salts, temp)
    melting = np.abs(temp) <= MELTING_BAND_K
    held = np.where(melting, np.maximum(held, water_mm + salt), held)
    share = np.minimum(held / np.maximum(mass, 1e-300), 1.0)
    return np.asarray(np.where((mass == 0.0) & ~np.isnan(held), 1.0, share))


def required_liquid_frac(
    pavement_temp_c: ArrayLike, base_liquid_frac: float = DEFAULT.base_liquid_frac
) -> Array:
    """Return the liquid share that keeps snow from packing at a temperature.

    Parameters
    ----------
    pavement_temp_c : array (...)
        Pavement temperature [°C].
    base_liquid_frac : float
        What is needed at −2 °C and above [-].

    Returns
    -------
    array (...)
        At most 1 [-].

    Notes
    -----
    ``phi_req = phi0 f(theta)``, ``theta = -T``. ``f`` interpolates the published factors 1 at
    2 K, 1.7 at 6 K and 5 at 17 K (Wåhlin & Klein-Paste 2015, NaCl). Anchoring ``phi0`` at −2 °C,
    staying level above it and going on straight below −17 °C are assumed, and so is the use for
    blends.

    Examples
    --------
    >>> required_liquid_frac([-1.0, -2.0, -6.0, -17.0]).round(3)
    array([0.15 , 0.15 , 0.255, 0.75 ])
    """
    theta = -np.asarray(pavement_temp_c, dtype=float)
    first_k, next_k, _ = EFFICIENCY_DEPRESSION_K
    factor = EFFICIENCY_FACTOR[0] + _FIRST_SLOPE * np.maximum(theta - first_k, 0.0)
    factor += (_LAST_SLOPE - _FIRST_SLOPE) * np.maximum(theta - next_k, 0.0)
    return np.asarray(np.minimum(base_liquid_frac * factor, 1.0))


# ------------------------------------------------------------------------------ bond


def is_bonded(
    water_mm: ArrayLike,
    ice_mm: ArrayLike,
    snow_mm: ArrayLike,
    salts_kg_m2: ArrayLike,
    pavement_temp_c: ArrayLike,
    mixing_frac: ArrayLike = 0.0,
    parameters: BondParameters = DEFAULT,
    bonded_before: ArrayLike = False,
) -> Flags:
    """Return in which hours snow counts as bonded to the surface.

    Parameters
    ----------
    water_mm, ice_mm, snow_mm : array (hour, ...)
        Liquid, frozen film and loose snow, as water [mm].
    salts_kg_m2 : array (4, hour, ...)
        Each chloride, in the order of ``CHLORIDES`` [kg/m²].
    pavement_temp_c : array (hour, ...)
        Pavement temperature [°C].
    mixing_frac : array (hour, ...)
        Share of the lying snow worked into the brine; anything that broadcasts [-].
    parameters : BondParameters
        Parameters of the criterion.
    bonded_before : array of bool (...)
        Whether snow was bonded before the first hour.

    Returns
    -------
    array of bool (hour, ...)
        False where neither ice nor snow lies. Unknown masses or temperatures count as bonded.

    Notes
    -----
    Bonded from the first hour with ``phi < phi_req``; from then on until
    ``phi >= debond_liquid_frac`` or the pavement is above 0 °C, also in undisturbed snow
    (assumed, cautious). What traffic once worked into the brine stays in it, so a lot that closes
    does not get its brine back (assumed).

    Examples
    --------
    0.5 gal/1000 ft² on a closed lot, 5 mm of snow water; the pavement cools from 27 to 23 °F
    and warms again:

    >>> salts = np.zeros((4, 4))
    >>> salts[0] = 0.005587
    >>> is_bonded(0.0, 0.0, 5.0, salts, [-2.78, -5.0, -2.78, 0.5])
    array([False,  True,  True, False])
    """
    salts, temp = _salts_beside(
        salts_kg_m2, pavement_temp_c, water_mm, ice_mm, snow_mm, mixing_frac
    )
    if temp.ndim == 0:
        raise InputError("is_bonded reads hours: at least one array needs the hour as first axis")
    for what, mass in (("water", water_mm), ("ice", ice_mm), ("snow", snow_mm)):
        _not_negative(what, mass, "mm")

    def of_hours(values: ArrayLike) -> Array:
        """Line values of any shape up as members of one column: (hour, 1, member)."""
        return np.broadcast_to(np.asarray(values, dtype=float), temp.shape).reshape(
            len(temp), 1, -1
        )

    bonded = _bonded(
        of_hours(water_mm),
        of_hours(ice_mm),
        of_hours(snow_mm),
        salts.reshape(len(CHLORIDES), len(temp), 1, -1),
        slice(0, 1),
        of_hours(temp)[:, 0],
        required_liquid_frac(of_hours(temp)[:, 0], parameters.base_liquid_frac),
        of_hours(_share("mixing_frac", mixing_frac))[:, 0],
        np.broadcast_to(np.asarray(bonded_before, dtype=bool), temp.shape[1:]).reshape(-1),
        parameters,
    )
    return bonded.reshape(temp.shape)


def is_film_bonded(
    film: FilmHours,
    columns: slice,
    pavement_temp_c: Array,
    required_frac: Array,
    mixing_frac: Array,
    parameters: BondParameters,
    bonded_before: bool,
) -> Flags:
    """Return what ``is_bonded`` does for some columns of a film with one pavement under them.

    Parameters
    ----------
    film : FilmHours
        Arrays (hour, column, member).
    columns : slice
        Those asked for.
    pavement_temp_c : array (hour, member)
        For as many hours as are asked for, from the film's first [°C].
    required_frac : array (hour, member)
        What ``required_liquid_frac`` says of that pavement [-].
    mixing_frac : array (hour,)
        Share of the lying snow worked into the brine [-].
    parameters : BondParameters
        Parameters of the criterion.
    bonded_before : bool
        Whether snow was bonded before the first hour.

    Returns
    -------
    array of bool (hour, column, member)
        For those hours and columns.
    """
    return _bonded(
        film.water_mm,
        film.ice_mm,
        film.snow_mm,
        film.salts_kg_m2,
        columns,
        pavement_temp_c,
        required_frac,
        np.repeat(mixing_frac, pavement_temp_c.shape[1]).reshape(pavement_temp_c.shape),
        np.full(pavement_temp_c.shape[1], bonded_before),
        parameters,
    )


def _bonded(
    water_mm: Array,
    ice_mm: Array,
    snow_mm: Array,
    salts_kg_m2: Array,
    columns: slice,
    temp_c: Array,
    required_frac: Array,
    mixing_frac: Array,
    bonded_before: BoolArray,
    parameters: BondParameters,
) -> Flags:
    """Return where snow is bonded in some columns, (hour, column, member).

    Temperature, what is required and mixing are (hour, member), of as many hours as are asked for.
    """
    hours, members = temp_c.shape
    bonded = np.empty((hours, columns.stop - columns.start, members), dtype=np.bool_)
    _bonded_hours(
        np.require(water_mm, requirements=["C", "W"]),
        np.require(ice_mm, requirements=["C", "W"]),
        np.require(snow_mm, requirements=["C", "W"]),
        np.require(salts_kg_m2, requirements=["C", "W"]),
        columns.start,
        np.array(temp_c, order="C"),
        np.array(required_frac, order="C"),
        np.array(mixing_frac, order="C"),
        np.array(bonded_before),
        parameters.texture_mm,
        parameters.debond_liquid_frac,
        bonded,
    )
    return bonded


@compiled
def _bonded_hours(
    water_mm: Array,
    ice_mm: Array,
    snow_mm: Array,
    salts_kg_m2: Array,
    first: int,
    temp_c: Array,
    required_frac: Array,
    mixing_frac: Array,
    bonded_before: BoolArray,
    texture_mm: float,
    debond_frac: float,
    bonded: BoolArray,
) -> None:
    """Write where snow is bonded in the columns from the ``first`` on, (hour, column, member).

    What was worked into the layer stays in it as long as it lies there. An unknown mass or
    temperature makes the share of liquid unknown, and what is unknown is not enough.
    """
    hours, columns, members = bonded.shape
    layers_mm = np.zeros((columns, members))
    layer_film = np.empty(1, FILM)[0]
    for hour in range(hours):
        for column in range(columns):
            for member in range(members):
                at = hour, first + column, member
                film = water_mm[at] + ice_mm[at]
                total = film + snow_mm[at]
                layer = np.maximum(texture_mm, film)
                if total > layer:
                    layer += mixing_frac[hour, member] * (total - layer)
                earlier = np.minimum(layers_mm[column, member], total)
                layer = np.maximum(np.minimum(total, layer), earlier)
                layers_mm[column, member] = layer
                if ice_mm[at] + snow_mm[at] <= 0.0:
                    bonded[hour, column, member] = False
                    continue
                layer_film.water = water_mm[at]
                for i in range(N_CHLORIDES):
                    layer_film.salts[i] = salts_kg_m2[i, hour, first + column, member]
                liquid = _liquid_in_layer(layer_film, layer, temp_c[hour, member])
                before = bonded[hour - 1, column, member] if hour else bonded_before[member]
                is_loose = liquid >= required_frac[hour, member]
                bonded[hour, column, member] = not is_loose or (
                    before and not liquid >= debond_frac
                )


@compiled
def _liquid_in_layer(film: Film, layer_mm: float, temp_c: float) -> float:
    """Return the liquid share of a layer, the scalar form of what ``liquid_frac`` explains [-]."""
    salt = total_salt_kg_m2(film)
    held = _held_kg_m2(film, temp_c)
    if abs(temp_c) <= MELTING_BAND_K:
        held = float(np.maximum(held, film.water + salt))
    mass = layer_mm + salt
    if mass == 0.0 and not np.isnan(held):
        return 1.0
    return float(np.minimum(held / np.maximum(mass, 1e-300), 1.0))


def max_snow_before_bond_mm(
    salts_kg_m2: ArrayLike,
    pavement_temp_c: ArrayLike,
    mixing_frac: ArrayLike = 0.0,
    film_mm: ArrayLike = 0.0,
    parameters: BondParameters = DEFAULT,
) -> Array:
    """Return the plow-by amount: how much may lie on the pavement before it bonds.

    Parameters
    ----------
    salts_kg_m2 : array (4, ...)
        Each chloride, in the order of ``CHLORIDES`` [kg/m²].
    pavement_temp_c : array (...)
        Lowest pavement temperature up to the pass [°C].
    mixing_frac : array (...)
        Share of the lying snow worked into the brine [-].
    film_mm : array (...)
        Water and ice of the film, part of the amount [mm].
    parameters : BondParameters
        Parameters of the criterion.

    Returns
    -------
    array (...)
        Snow, water and ice together, as water; infinite where depth sets no limit, 0 where the
        salt is too little even for the texture [mm].

    Notes
    -----
    The salt keeps ``W_keep = L / phi_req - S`` loose (``S / (C phi_req) - S`` for one salt).
    With ``B = max(W0, w + i)``, ``W* = B + (W_keep - B) / kappa``, or 0 if ``W_keep < B``.

    Examples
    --------
    0.8 gal/1000 ft² at 27 °F: closed lot, 5 vehicles/h, busy lane.

    >>> mixing = traffic_mixing_frac([0.0, 5.0, 1000.0])
    >>> max_snow_before_bond_mm([0.00894, 0, 0, 0], -2.78, mixing).round(1)
    array([inf, 3.8, 1.1])
    """
    film = _not_negative("film", film_mm, "mm")
    salts, temp = _salts_beside(salts_kg_m2, pavement_temp_c, film, mixing_frac)
    kappa = _share("mixing_frac", mixing_frac)
    required = required_liquid_frac(temp, parameters.base_liquid_frac)
    keeps = held_brine_kg_m2(salts, temp) / required - salts.sum(axis=0)
    base = np.maximum(parameters.texture_mm, film)
    with np.errstate(over="ignore"):
        most = base + (keeps - base) / np.where(kappa > 0.0, kappa, 1.0)
    most = np.where(kappa == 0.0, np.inf, most)
    most = np.where(keeps < base, 0.0, most)
    return np.asarray(np.where(np.isnan(keeps + base + kappa), np.nan, most))


def required_salt_kg_m2(
    layer_mm: ArrayLike,
    pavement_temp_c: ArrayLike,
    salt_mass_fracs: ArrayLike = PLAIN_SALT,
    parameters: BondParameters = DEFAULT,
) -> Array:
    """Return the least salt that keeps a layer from bonding at a temperature.

    Parameters
    ----------
    layer_mm : array (...)
        Layer at the pavement, see ``interface_layer_mm``, as water [mm].
    pavement_temp_c : array (...)
        Pavement temperature [°C].
    salt_mass_fracs : array (4, ...)
        Share of each chloride in the dry salt by mass, sum 1, in the order of ``CHLORIDES`` [-].
    parameters : BondParameters
        Parameters of the criterion.

    Returns
    -------
    array (...)
        All chlorides together, losses not counted; infinite where no amount will hold. Over hours
        take the largest [kg/m²].

    Notes
    -----
    ``S = phi_req W_if / (g - phi_req)`` with ``g`` the brine that 1 kg of the salt holds; that is
    ``C phi_req W_if / (1 - C phi_req)`` for one salt.

    Examples
    --------
    A closed lot at 27 °F and 23 °F:

    >>> required_salt_kg_m2(0.5, [-2.78, -5.0]).round(4)
    array([0.0039, 0.0091])
    """
    shares, temp = _salts_beside(salt_mass_fracs, pavement_temp_c, layer_mm)
    if not np.allclose(shares.sum(axis=0), 1.0, atol=1e-6):
        raise InputError("salt_mass_fracs must sum to 1 over the chlorides")
    layer = _not_negative("layer", layer_mm, "mm")
    required = required_liquid_frac(temp, parameters.base_liquid_frac)
    spare = held_brine_kg_m2(shares, temp) - required
    salt = np.where(spare <= 0.0, np.inf, required * layer / np.where(spare <= 0.0, 1.0, spare))
    return np.asarray(np.where(layer == 0.0, 0.0 * required, salt))


def residual_after_plow(
    layer_mm: ArrayLike, salts_kg_m2: ArrayLike, parameters: BondParameters = DEFAULT
) -> tuple[Array, Array]:
    """Return what a pass leaves where snow was not bonded: a film, to be judged as one.

    Parameters
    ----------
    layer_mm : array (...)
        Layer at the pavement, see ``interface_layer_mm``, as water [mm].
    salts_kg_m2 : array (4, ...)
        Each chloride, in the order of ``CHLORIDES`` [kg/m²].
    parameters : BondParameters
        Parameters of the criterion.

    Returns
    -------
    layer_mm : array (...)
        Left of the layer, as water [mm].
    salts_kg_m2 : array (4, ...)
        Left of each chloride, in the same share [kg/m²].

    Notes
    -----
    ``min(W_if, residual_mm)`` (assumed).

    Examples
    --------
    >>> left_mm, left_kg_m2 = residual_after_plow(0.6, [0.006, 0, 0, 0])
    >>> float(left_mm), float(left_kg_m2[0])
    (0.3, 0.003)
    """
    layer = _not_negative("layer", layer_mm, "mm")
    salts, _ = _salts_beside(salts_kg_m2, layer)
    left = np.minimum(layer, parameters.residual_mm)
    return np.asarray(left), salts * np.where(layer == 0.0, 1.0, left / np.maximum(layer, 1e-300))


# ------------------------------------------------------------------------------ input


def _not_negative(what: str, values: ArrayLike, unit: str) -> Array:
    array = np.asarray(values, dtype=float)
    if np.any(array < 0.0):
        raise InputError(f"{what} {np.nanmin(array):g} {unit} is negative: 0 or more is accepted")
    return array


def _share(what: str, values: ArrayLike) -> Array:
    array = np.asarray(values, dtype=float)
    if np.any((array < 0.0) | (array > 1.0)):
        raise InputError(f"{what} must lie between 0 and 1")
    return array


def _salts_beside(salts: ArrayLike, *others: ArrayLike) -> tuple[Array, Array]:
    """Broadcast salts (4, ...) and the first of the others to the shape of all (...)."""
    masses = _not_negative("salt", salts, "kg/m²")
    if masses.ndim == 0 or masses.shape[0] != len(CHLORIDES):
        raise InputError(
            f"salts have shape {masses.shape}: the first axis runs over {', '.join(CHLORIDES)}"
        )
    shape = np.broadcast_shapes(masses.shape[1:], *(np.shape(other) for other in others))
    missing = len(shape) - (masses.ndim - 1)
    masses = masses.reshape(masses.shape[:1] + (1,) * missing + masses.shape[1:])
    first = np.broadcast_to(np.asarray(others[0], dtype=float), shape)
    return np.broadcast_to(masses, (len(CHLORIDES), *shape)), first
