"""The least-cost blend by brute force: every vertex of every number of lots, written out anew.

A linear program over a bounded polytope has its least cost at a vertex, where as many limits hold
with equality as there are volumes (Dantzig 1963, Linear Programming and Extensions, ch. 7).
"""

from itertools import combinations, product

import numpy as np

FEASIBLE = 1e-7


def limits_of(problem, left_out=()):
    """Return names (kind, case, product), A and b of A x <= b, but for what is left out."""
    products, cases = problem.products, problem.cases
    count = len(products) * len(cases)
    names, rows, ends = [], [], []

    def add(name, row, end):
        if name not in left_out:
            names.append(name)
            rows.append(row)
            ends.append(end)

    def volume(j, k):
        return j * len(cases) + k

    for k, case in enumerate(cases):
        held, total = np.zeros(count), np.zeros(count)
        for j in range(len(products)):
            held[volume(j, k)] = problem.net_water_kg_l[j, k]
            total[volume(j, k)] = 1.0
        add(("water to hold", k, None), -held, -case.water_kg_m2 * case.area_m2)
        add(("lowest rate", k, None), -total, -case.min_rate_l_m2 * case.area_m2)
        add(("highest rate", k, None), total, case.max_rate_l_m2 * case.area_m2)
        for j, one in enumerate(products):
            if one.max_vol_frac < 1.0:
                share = -one.max_vol_frac * total
                share[volume(j, k)] += 1.0
                add(("most in a blend", k, j), share, 0.0)
    if problem.chloride_budget_kg is not None:
        row = np.repeat([one.chloride_kg_l for one in products], len(cases))
        add(("chloride budget", None, None), row, problem.chloride_budget_kg)
    for j, one in enumerate(products):
        if one.stock_l is not None and one.lot_l is None:
            add(("most to be had", None, j), _of_product(j, problem), one.stock_l)
    return names, np.array(rows).reshape(-1, count), np.array(ends)


def _of_product(j, problem):
    row = np.zeros((len(problem.products), len(problem.cases)))
    row[j] = 1.0
    return row.ravel()


def least_cost(problem, left_out=()):
    """Return the least cost over all vertices and numbers of lots; None where nothing is feasible.

    Only with highest rates, or stocks, is the polytope bounded.
    """
    products = problem.products
    _, rows, ends = limits_of(problem, left_out)
    most_l = sum(case.max_rate_l_m2 * case.area_m2 for case in problem.cases)
    choices = []
    for j, one in enumerate(products):
        if one.lot_l is None:
            choices.append([None])
            continue
        most = int(np.ceil(most_l / one.lot_l))
        if one.stock_l is not None and ("most to be had", None, j) not in left_out:
            most = min(most, int(one.stock_l // one.lot_l))
        choices.append(range(most + 1))
    least = None
    for lots in product(*choices):
        prices = [0.0 if one.lot_l else one.price_per_l for one in products]
        fixed = sum(n * one.lot_l * one.price_per_l
                    for n, one in zip(lots, products, strict=True) if n)  # fmt: skip
        if least is not None and fixed >= least:
            continue
        more = [(_of_product(j, problem), n * products[j].lot_l)
                for j, n in enumerate(lots) if n is not None]  # fmt: skip
        all_rows = np.vstack([rows, *(row[None] for row, _ in more)])
        all_ends = np.append(ends, [end for _, end in more])
        found = _least_vertex(all_rows, all_ends, np.repeat(prices, len(problem.cases)))
        if found is not None and (least is None or found + fixed < least):
            least = found + fixed
    return least


def _least_vertex(rows, ends, prices):
    """Return the least of prices · x over A x <= b, x >= 0, by trying every vertex."""
    count = len(prices)
    rows = np.vstack([rows, -np.eye(count)])
    ends = np.append(ends, np.zeros(count))
    scale = np.maximum(np.abs(rows).max(axis=1), 1e-300)
    rows, ends = rows / scale[:, None], ends / scale
    chosen = np.array(list(combinations(range(len(rows)), count)))
    squares, sides = rows[chosen], ends[chosen]
    regular = np.abs(np.linalg.det(squares)) > 1e-10
    vertices = np.linalg.solve(squares[regular], sides[regular][..., None])[..., 0]
    slack = vertices @ rows.T - ends
    inside = (slack <= FEASIBLE * (1.0 + np.abs(ends))).all(axis=1)
    if not inside.any():
        return None
    return float((vertices[inside] @ prices).min())
