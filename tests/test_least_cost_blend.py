"""The least-cost blend against brute force over vertices, and against costs worked beforehand."""

from dataclasses import replace

import numpy as np
import pytest
from helpers.blend_vertices import least_cost, limits_of

from stormplan import units
from stormplan.liquids import offer_value
from stormplan.liquids.blend import make_liquid
from stormplan.operations import least_cost_blend as lcb
from stormplan.operations.least_cost_blend import (
    BlendCase,
    BlendClash,
    BlendProblem,
    BlendProduct,
    BlendSolution,
    solve_blend,
)

GAL, KFT2 = units.L_PER_GAL, units.L_M2_PER_GAL_KFT2
AREA_M2 = 100_000 * units.M2_PER_FT2
NEAT = {"brine": {"nacl": 0.233}, "calcium": {"cacl2": 0.32}, "magnesium": {"mgcl2": 0.30}}
PRICES = {"brine": 0.17, "calcium": 1.35, "magnesium": 1.45}  # USD/gal


def three_products(*cases, most_gal=0.8, **changes):
    """Home-made brine and two additives on 100,000 ft²: cases of water [mm] and pavement [°F]."""
    liquids = {key: make_liquid(neat) for key, neat in NEAT.items()}
    products = tuple(
        BlendProduct(key, PRICES[key] / GAL, offer_value.chloride_kg_l(liquid),
                     1.0 if key == "brine" else 0.2)
        for key, liquid in liquids.items()
    )  # fmt: skip
    net = [
        [offer_value.water_held_kg_l(liquid, units.f_to_c(temp_f))
         - offer_value.own_water_kg_l(liquid) for _, temp_f in cases]
        for liquid in liquids.values()
    ]  # fmt: skip
    wanted = tuple(BlendCase(mm, AREA_M2, 0.3 * KFT2, most_gal * KFT2) for mm, _ in cases)
    return BlendProblem(products, wanted, np.array(net), **changes)


@pytest.mark.parametrize(
    # worked beforehand with another solver (scipy) at 0.3 to 0.8 gal/1000 ft², at most 20 % of each
    # additive: water to hold [mm], pavement [°F], cost [USD], gallons of each
    ("mm", "temp_f", "usd", "gallons"),
    [
        (0.09, 25, 11.69, (68.8, 0.0, 0.0)),
        (0.105, 25, 14.13, (79.6, 0.0, 0.4)),
        (0.052, 20, 16.78, (77.5, 0.0, 2.5)),
        (0.032, 15, 21.89, (73.5, 0.0, 6.5)),
        (0.04, 15, 44.68, (55.0, 9.0, 16.0)),
    ],
)
def test_cases_worked_beforehand(mm, temp_f, usd, gallons):
    found = solve_blend(three_products((mm, temp_f)))
    assert found.cost == pytest.approx(usd, abs=0.006)
    assert found.volumes_l[:, 0] / GAL == pytest.approx(gallons, abs=0.06)
    # the ceiling on gallons, not chemistry, buys additive: without it, brine alone
    free = solve_blend(three_products((mm, temp_f), most_gal=8.0))
    assert free.volumes_l[1:, 0] == pytest.approx([0.0, 0.0], abs=1e-6)
    assert found.ceiling_cost == pytest.approx(found.cost - free.cost, abs=1e-6)
    assert (found.ceiling_cost > 1e-6) is (gallons[0] != 68.8)


@pytest.mark.parametrize(("mm", "temp_f"), [(0.09, 25), (0.105, 25), (0.052, 20), (0.04, 15)])
def test_the_dual_says_what_a_gallon_more_would_save(mm, temp_f):
    # by the difference between two ceilings a thousandth apart (the slope of the optimal value:
    # Dantzig 1963, ch. 12)
    costs = [solve_blend(three_products((mm, temp_f), most_gal=0.8 + d)).cost for d in (0, 0.0008)]
    saved = (costs[0] - costs[1]) / (0.08 * GAL)  # a liter: 0.0008 gal/1000 ft² on 100,000 ft²
    dual = solve_blend(three_products((mm, temp_f))).ceiling_value_per_l[0]
    assert dual == pytest.approx(saved, rel=1e-5, abs=1e-9)


def random_problem(rng, n_products, n_cases, lots=0, scale=1.0):
    """A small case around those of the trade; the later products come in lots."""
    products = tuple(
        BlendProduct(
            f"p{j}",
            price_per_l=rng.uniform(0.03, 0.1) if j == 0 else rng.uniform(0.1, 0.6),
            chloride_kg_l=rng.uniform(0.1, 0.3),
            max_vol_frac=1.0 if j == 0 else rng.uniform(0.05, 0.5),
            stock_l=rng.uniform(50.0, 600.0) if rng.random() < 0.4 else None,
            lot_l=rng.uniform(30.0, 120.0) if j >= n_products - lots else None,
        )
        for j in range(n_products)
    )
    cases = tuple(
        BlendCase(
            water_kg_m2=rng.uniform(0.01, 0.06) * scale,
            area_m2=rng.uniform(2000.0, 12000.0),
            min_rate_l_m2=rng.uniform(0.005, 0.02),
            max_rate_l_m2=rng.uniform(0.02, 0.04),
        )
        for _ in range(n_cases)
    )
    net = np.vstack([rng.uniform(0.8, 2.0, n_cases)]
                    + [rng.uniform(0.5, 4.0, n_cases) for _ in range(n_products - 1)])  # fmt: skip
    budget = rng.uniform(10.0, 120.0) if rng.random() < 0.4 else None
    return BlendProblem(products, cases, net, budget)


SHAPES = [(2, 1, 0), (3, 1, 0), (2, 2, 0), (3, 1, 1), (2, 2, 1)]


@pytest.mark.parametrize("block", range(10))
def test_two_hundred_random_cases_against_every_vertex(block):
    rng = np.random.default_rng(500 + block)
    solved = 0
    for n in range(20):
        problem = random_problem(rng, *SHAPES[n % len(SHAPES)])
        expected, found = least_cost(problem), solve_blend(problem)
        if expected is None:
            assert isinstance(found, BlendClash)
            continue
        solved += 1
        assert isinstance(found, BlendSolution)
        assert found.cost == pytest.approx(expected, rel=1e-6, abs=1e-6)
        _, rows, ends = limits_of(problem)
        assert (rows @ found.volumes_l.ravel() - ends <= 1e-6 * (1.0 + np.abs(ends))).all()
        for j, product in enumerate(problem.products):
            if product.lot_l is not None:
                lots = found.bought_l[j] / product.lot_l
                assert lots == pytest.approx(round(lots), abs=1e-9)
            assert found.bought_l[j] >= found.volumes_l[j].sum() - 1e-6
    assert 4 <= solved < 20  # both ends are met


@pytest.mark.parametrize("seed", range(6))
def test_three_products_in_two_cases_against_every_vertex(seed):
    problem = random_problem(np.random.default_rng(seed), 3, 2)
    expected, found = least_cost(problem), solve_blend(problem)
    if expected is None:
        assert isinstance(found, BlendClash)
    else:
        assert found.cost == pytest.approx(expected, rel=1e-6, abs=1e-6)


def test_what_clashes_is_an_irreducible_set():
    rng = np.random.default_rng(77)
    seen = 0
    while seen < 25:
        problem = random_problem(rng, *SHAPES[seen % len(SHAPES)], scale=1.6)
        found = solve_blend(problem)
        if isinstance(found, BlendSolution):
            continue
        seen += 1
        clash = {(str(one.kind), one.case, one.product) for one in found.limits}
        every = {(str(one.kind), one.case, one.product) for one in lcb._program(problem).limits}
        assert least_cost(problem, left_out=every - clash) is None
        for one in clash:  # without any one of them there is a solution
            others = every - clash | {one}
            assert least_cost(replace_rates(problem, others), left_out=others) is not None


def replace_rates(problem, left_out):
    """Bound what a highest rate that is left out no longer bounds, far away."""
    cases = tuple(replace(case, max_rate_l_m2=50.0) for case in problem.cases)
    kept = {k for k in range(len(cases)) if ("highest rate", k, None) not in left_out}
    return replace(
        problem,
        cases=tuple(problem.cases[k] if k in kept else cases[k] for k in range(len(cases))),
    )


def test_the_clash_names_the_water_the_ceiling_and_the_shares():
    # 0.06 mm at 15 °F is more than 80 gal hold with 20 % of each additive (0.04 mm takes 16 of the
    # stronger one and 9 of the other)
    found = solve_blend(three_products((0.09, 25), (0.06, 15)))
    assert {(one.kind, one.case) for one in found.limits} >= {
        (lcb.LimitKind.HOLD, 1), (lcb.LimitKind.MAX_RATE, 1),
    }  # fmt: skip
    assert all(one.case == 1 for one in found.limits)


def test_a_chloride_budget_below_the_lowest_rate_clashes_with_it():
    # 30 gal of brine at the lowest rate carry 30 x 1.39 lb chloride (atomic weights, Lange)
    found = solve_blend(three_products((0.001, 25), chloride_budget_kg=20 * 1.39 * 0.4536))
    assert {one.kind for one in found.limits} == {
        lcb.LimitKind.MIN_RATE, lcb.LimitKind.CHLORIDE,
    }  # fmt: skip


def test_whole_totes_are_paid_for():
    problem = three_products((0.04, 15))
    totes = tuple(
        replace(one, lot_l=None if one.key == "brine" else 275.0 * GAL) for one in problem.products
    )
    found = solve_blend(replace(problem, products=totes))
    # both additives are needed (worked above): one tote of each
    assert found.bought_l[1:] / (275.0 * GAL) == pytest.approx([1.0, 1.0])
    assert found.cost == pytest.approx(found.volumes_l[0, 0] / GAL * 0.17 + 275 * (1.35 + 1.45))


def test_the_same_case_twice_has_the_same_answer():
    first, second = (solve_blend(three_products((0.04, 15), (0.052, 20))) for _ in range(2))
    assert first.volumes_l.tolist() == second.volumes_l.tolist()
