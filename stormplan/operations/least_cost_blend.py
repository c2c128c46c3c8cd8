"""The least-cost blend: how much of which product holds a winter's water, as a linear program.

At a given temperature what products keep liquid adds up, so gallons and cost are an exact linear
program over products and cases, and a mixed-integer one where a product comes in whole lots. HiGHS
(MIT) solves it. What it does not know, crystals in a cold tank and the rules of surfaces, is
checked afterwards. Without a solution it says which limits clash: an irreducible set, of which none
can be left out.
"""

from __future__ import annotations

import importlib.util
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np

from stormplan.arrays import Array
from stormplan.errors import InputError

TOLERANCE = 1e-9  # of HiGHS, for limits and whole numbers
MIN_VOLUME_L = 1e-6  # less of a product is none of it


def is_available() -> bool:
    """Return whether highspy is installed (the extra ``buying``)."""
    return importlib.util.find_spec("highspy") is not None


@dataclass(frozen=True)
class BlendProduct:
    """A product that can go into a blend.

    Attributes
    ----------
    key : str
        Of the offer.
    price_per_l : float
        Price with delivery [1/L].
    chloride_kg_l : float
        Chloride in a liter [kg/L].
    max_vol_frac : float
        Most of it in any blend [-].
    stock_l : float or None
        Most of it that can be had in all [L]; None without limit.
    lot_l : float or None
        It is bought in whole lots of this [L]; None by the liter.
    """

    key: str
    price_per_l: float
    chloride_kg_l: float
    max_vol_frac: float = 1.0
    stock_l: float | None = None
    lot_l: float | None = None


@dataclass(frozen=True)
class BlendCase:
    """Water to be held at one temperature, on all the area that is treated so.

    Attributes
    ----------
    water_kg_m2 : float
        Water from above that the liquid is to hold [kg/m²].
    area_m2 : float
        Area times passes [m²].
    min_rate_l_m2, max_rate_l_m2 : float
        Lowest and highest rate [L/m²].
    """

    water_kg_m2: float
    area_m2: float
    min_rate_l_m2: float
    max_rate_l_m2: float


@dataclass(frozen=True, eq=False)
class BlendProblem:
    """Products, cases, and what a liter of each holds in each.

    Attributes
    ----------
    products : tuple of BlendProduct
        To choose from.
    cases : tuple of BlendCase
        To be held, each by a blend of its own.
    net_water_kg_l : array (product, case)
        Water that a liter keeps liquid besides its own [kg/L].
    chloride_budget_kg : float or None
        Most chloride over all cases [kg]; None without one.
    """

    products: tuple[BlendProduct, ...]
    cases: tuple[BlendCase, ...]
    net_water_kg_l: Array
    chloride_budget_kg: float | None = None


class LimitKind(StrEnum):
    """What a solution is held by."""

    HOLD = "water to hold"
    MIN_RATE = "lowest rate"
    MAX_RATE = "highest rate"
    SHARE = "most in a blend"
    STOCK = "most to be had"
    CHLORIDE = "chloride budget"


@dataclass(frozen=True)
class BlendLimit:
    """A limit of a problem.

    Attributes
    ----------
    kind : LimitKind
        Which.
    case, product : int or None
        Index of what it is for; None where it is for all [-].
    """

    kind: LimitKind
    case: int | None = None
    product: int | None = None


@dataclass(frozen=True, eq=False)
class BlendSolution:
    """The least-cost blends.

    Attributes
    ----------
    volumes_l : array (product, case)
        Liquid that is sprayed [L].
    bought_l : array (product,)
        What is bought of each, in whole lots where it comes so [L].
    cost : float
        Of what is bought, in the currency of the prices.
    ceiling_cost : float
        What the highest rates add to that: the cost less that without them.
    ceiling_value_per_l : array (case,)
        What one more liter under the highest rate would save, by the dual, lots taken by the liter
        [1/L].
    """

    volumes_l: Array
    bought_l: Array
    cost: float
    ceiling_cost: float
    ceiling_value_per_l: Array


@dataclass(frozen=True)
class BlendClash:
    """Limits that cannot be met together; without any one of them the others can.

    Attributes
    ----------
    limits : tuple of BlendLimit
        An irreducible set.
    """

    limits: tuple[BlendLimit, ...]


@dataclass(frozen=True, eq=False)
class _Row:
    """A row of the program: low <= coefficients on volumes and lots <= high."""

    coefficients: Mapping[int, float]
    low: float
    high: float


@dataclass(frozen=True, eq=False)
class _Program:
    """The columns: volumes, product by product and case by case, then lots where there are any."""

    costs: tuple[float, ...]
    lot_columns: Mapping[int, int]  # of a product: its column
    links: tuple[_Row, ...]  # what is sprayed is bought
    limits: Mapping[BlendLimit, _Row]


def solve_blend(problem: BlendProblem) -> BlendSolution | BlendClash:
    """Return the blends of least cost, or the limits that clash.

    Parameters
    ----------
    problem : BlendProblem
        What is to be held, of what.

    Returns
    -------
    BlendSolution or BlendClash
        Exact to 1e-9 of the limits.

    Raises
    ------
    InputError
        highspy is not installed.
    """
    if not is_available():
        raise InputError("the least-cost blend needs the extra: pip install 'stormplan[buying]'")
    program = _program(problem)
    every = tuple(program.limits)
    found = _solve(program, every, whole_lots=True)
    if found is None:
        return BlendClash(_irreducible(program, every))
    relaxed = _solve(program, every, whole_lots=False)
    free = _solve(
        program, tuple(one for one in every if one.kind is not LimitKind.MAX_RATE), whole_lots=True
    )
    if relaxed is None or free is None:
        raise ArithmeticError("HiGHS has no solution of a problem with fewer limits")
    count = (len(problem.products), len(problem.cases))
    volumes = np.maximum(np.array(found.values[: count[0] * count[1]]), 0.0).reshape(count)
    bought = volumes.sum(axis=1)
    for product, column in program.lot_columns.items():
        bought[product] = round(found.values[column]) * (problem.products[product].lot_l or 0.0)
    return BlendSolution(
        volumes_l=volumes,
        bought_l=bought,
        cost=found.cost,
        ceiling_cost=found.cost - free.cost,
        ceiling_value_per_l=np.array(
            [
                max(-relaxed.duals[BlendLimit(LimitKind.MAX_RATE, case)], 0.0)
                for case in range(count[1])
            ]
        ),
    )


def _program(problem: BlendProblem) -> _Program:
    products, cases = problem.products, problem.cases
    columns = np.arange(len(products) * len(cases)).reshape(len(products), len(cases))
    costs = [one.price_per_l for one in products for _ in cases]
    lot_columns: dict[int, int] = {}
    links = []
    for j, product in enumerate(products):
        if product.lot_l is None:
            continue
        lot_columns[j] = len(costs)
        costs[columns[j, 0] : columns[j, -1] + 1] = [0.0] * len(cases)  # the lots are paid for
        costs.append(product.price_per_l * product.lot_l)
        sprayed = dict.fromkeys(columns[j].tolist(), 1.0)
        links.append(_Row(sprayed | {lot_columns[j]: -product.lot_l}, -np.inf, 0.0))
    return _Program(tuple(costs), lot_columns, tuple(links), _limits(problem, columns, lot_columns))


def _limits(
    problem: BlendProblem, columns: np.ndarray[Any, Any], lot_columns: Mapping[int, int]
) -> dict[BlendLimit, _Row]:
    """Return every limit that may clash with others, as a row."""
    limits: dict[BlendLimit, _Row] = {}
    for k, case in enumerate(problem.cases):
        here = columns[:, k].tolist()
        held = dict(zip(here, problem.net_water_kg_l[:, k].tolist(), strict=True))
        limits[BlendLimit(LimitKind.HOLD, k)] = _Row(held, case.water_kg_m2 * case.area_m2, np.inf)
        total = dict.fromkeys(here, 1.0)
        least, most = case.min_rate_l_m2 * case.area_m2, case.max_rate_l_m2 * case.area_m2
        limits[BlendLimit(LimitKind.MIN_RATE, k)] = _Row(total, least, np.inf)
        limits[BlendLimit(LimitKind.MAX_RATE, k)] = _Row(total, -np.inf, most)
        for j, product in enumerate(problem.products):
            if product.max_vol_frac < 1.0:
                share = dict.fromkeys(here, -product.max_vol_frac)
                share[here[j]] += 1.0
                limits[BlendLimit(LimitKind.SHARE, k, j)] = _Row(share, -np.inf, 0.0)
    for j, product in enumerate(problem.products):
        if product.stock_l is None:
            continue
        if j in lot_columns and product.lot_l is not None:
            bought = {lot_columns[j]: product.lot_l}
        else:
            bought = dict.fromkeys(columns[j].tolist(), 1.0)
        limits[BlendLimit(LimitKind.STOCK, None, j)] = _Row(bought, -np.inf, product.stock_l)
    if problem.chloride_budget_kg is not None:
        chloride = {
            int(column): product.chloride_kg_l
            for product, row in zip(problem.products, columns, strict=True)
            for column in row
        }
        budget = problem.chloride_budget_kg
        limits[BlendLimit(LimitKind.CHLORIDE)] = _Row(chloride, -np.inf, budget)
    return limits


@dataclass(frozen=True)
class _Found:
    values: list[float]
    cost: float
    duals: Mapping[BlendLimit, float]


def _solve(program: _Program, limits: Sequence[BlendLimit], *, whole_lots: bool) -> _Found | None:
    """Solve with some of the limits; None where they cannot be met."""
    import highspy
    from highspy._core import _Highs  # without callbacks: with them it prints its name first

    solver = _Highs()
    for option, value in (
        ("output_flag", False),
        ("threads", 1),
        ("primal_feasibility_tolerance", TOLERANCE),
        ("dual_feasibility_tolerance", TOLERANCE),
        ("mip_feasibility_tolerance", TOLERANCE),
        ("mip_rel_gap", 0.0),
        ("mip_abs_gap", TOLERANCE),
    ):
        solver.setOptionValue(option, value)
    for cost in program.costs:
        solver.addCol(cost, 0.0, highspy.kHighsInf, 0, [], [])
    if whole_lots:
        for column in program.lot_columns.values():
            solver.changeColIntegrality(column, highspy.HighsVarType.kInteger)
    for row in (*program.links, *(program.limits[one] for one in limits)):
        low, high = (
            np.clip(end, -highspy.kHighsInf, highspy.kHighsInf) for end in (row.low, row.high)
        )
        columns, values = list(row.coefficients), list(row.coefficients.values())
        solver.addRow(low, high, len(columns), columns, values)
    solver.run()
    status = solver.getModelStatus()
    if status in (
        highspy.HighsModelStatus.kInfeasible,
        highspy.HighsModelStatus.kUnboundedOrInfeasible,  # costs and volumes are not negative
    ):
        return None
    if status != highspy.HighsModelStatus.kOptimal:
        raise ArithmeticError(f"HiGHS ended with {solver.modelStatusToString(status)}")
    solution = solver.getSolution()
    duals = list(solution.row_dual)[len(program.links) :]
    return _Found(
        list(solution.col_value),
        float(solver.getInfo().objective_function_value),
        dict(zip(limits, duals, strict=False)),
    )


def _irreducible(program: _Program, limits: Sequence[BlendLimit]) -> tuple[BlendLimit, ...]:
    """Return limits that clash, none of which can be left out, by deleting one after the other.

    What holds for all cases goes first, so that a case that clashes by itself is told by itself.
    """
    kept = list(limits)
    for limit in reversed(limits):
        fewer = [one for one in kept if one != limit]
        if _solve(program, fewer, whole_lots=True) is None:
            kept = fewer
    return tuple(kept)
