"""What members would spray, added up, and what a miss makes of a chance."""

import numpy as np
import pytest
from helpers.published_tables import NOON, between_hours, forecast_cell
from helpers.sites import BASE_SECTIONS, parse_sites, site_entry
from hypothesis import given
from hypothesis import strategies as st

from stormplan.company import practice_rules
from stormplan.company.practice_rules import Practice
from stormplan.planning.planner import SiteForecasts, make_plan
from stormplan.treatment import cost_loss, ensemble_demand
from stormplan.treatment.candidates import Dose, DoseResult
from stormplan.treatment.records import Action
from stormplan.units import L_PER_GAL, UnitFormatter
from stormplan.weather.forecast import CellForecast
from stormplan.words import briefing, decision_trace, mix_sheet
from stormplan.words.formatting import cost_loss_line


def outcome(rate, held, start=3, additive=None):
    held = np.array(held, dtype=np.bool_)
    dose = Dose(start, additive, rate_l_m2=rate)
    return DoseResult((dose,), None, held.mean(), held.tobytes(), (9, 9), 1.0, rate)


def test_every_member_takes_the_least_that_holds_in_it():
    tried = [
        outcome(0.3, [1, 1, 1, 1], start=9),  # another start
        outcome(0.3, [1, 1, 1, 1], additive="calcium"),  # another blend
        outcome(0.03, [0, 0, 0, 0]),
        outcome(0.01, [1, 0, 0, 0]),
        outcome(0.02, [1, 0, 1, 0]),
    ]
    found = ensemble_demand.member_volumes_l(
        tried, tried[-1].doses[0], [True, True, True, False], 1000.0
    )
    assert found == pytest.approx((10.0, 30.0, 20.0, 0.0))  # none holds in the second: the most


def test_needs_add_up_member_by_member_before_a_share_of_them_is_taken():
    # a day on which one lot or the other needs a lot: the sum never does
    one = ensemble_demand.aggregate([(10, 20, 30, 40, 50), (50, 40, 30, 20, 10)], 0.8)
    assert (one.median_l, one.quantile_l, one.max_l) == (60, 60, 60)
    both = ensemble_demand.aggregate([(10, 20, 30, 40, 50), (10, 20, 30, 40, 50)], 0.8)
    assert (both.median_l, both.quantile_l, both.max_l) == (60, 80, 100)
    # of another source with other members: large together
    apart = ensemble_demand.aggregate([(10, 20, 30, 40, 50), (0, 100)], 0.8)
    assert (apart.median_l, apart.quantile_l) == (30, 140)
    assert ensemble_demand.aggregate([], 0.8) is None


@given(st.lists(st.lists(st.floats(0, 1e4), min_size=9, max_size=9), min_size=1, max_size=5))
def test_a_larger_share_never_needs_less(needs):
    low, high = ensemble_demand.aggregate(needs, 0.5), ensemble_demand.aggregate(needs, 0.9)
    assert (
        low.median_l
        <= low.quantile_l
        <= high.quantile_l
        <= high.max_l
        <= sum(map(max, needs)) + 1e-6
    )


FROSTY = {
    "air_temp_c": {0: 4.0, 6: 1.0, 12: -1.0, 20: 5.0}, "dew_point_c": {0: 0.0, 20: 1.0},
    "cloud_frac": {0: 0.0, 20: 0.9}, "wind_10m_ms": 2.0,
}  # fmt: skip
LOT = {"lot": {"class": "asphalt_lot", "area": "50000 ft2"}}


def planned(weather=None, policy=None, salt_price="80 /ton", **more):
    north = BASE_SECTIONS["yards"]["north"]
    yards = {"north": north | {"salt": north["salt"] | {"price": salt_price}}}
    ours = parse_sites(
        {"a": site_entry(43.1, -89.4, LOT, **more)}, yards=yards, policy=policy or {}
    )
    answer = SiteForecasts(
        weather if isinstance(weather, CellForecast) else forecast_cell(**(weather or FROSTY))
    )
    return make_plan(ours, {"a": answer}, NOON)


#: Traffic works snow into the brine (docs/model/bond.md): how much snow lies is felt while it runs.
BUSY = {"open_hours": "18:00-06:00"}


def ensemble(rates_cm_h, air_c=-2.0):
    """Snow in three hours from hour 10, as much in each as a member says [cm/h], at ten to one."""
    one = forecast_cell(air_temp_c=air_c, dew_point_c=air_c - 2.0, pop=1.0)
    values = {name: np.repeat(array, len(rates_cm_h), axis=1) for name, array in one.values.items()}
    for member, rate in enumerate(rates_cm_h):
        for name in ("snowfall_swe_mm", "precip_mm", "snowfall_cm"):
            values[name][10:13, member] = rate
    return CellForecast(**{**vars(one), "values": values})


def test_the_yard_mixes_for_what_most_of_the_forecasts_would_spray():
    # in eight of ten members a trace that little brine holds, in two more than any rate holds
    weather = ensemble([0.08] * 8 + [1.2] * 2, -3.0)
    policy = {"hold_target": "end", "reserve": "0 %", "demand_percentile": "90 %"}
    plan = planned(weather, policy, **BUSY)
    (yard,) = plan.yards
    pretreat = next(t for _, t in plan.sites[0].treatments if t.action is Action.PRETREAT)
    assert len(pretreat.member_volumes_l) == 10
    assert pretreat.member_volumes_l[0] < pretreat.member_volumes_l[9]
    # what holds in most; the coupled model may ask for a step more than the search
    assert pretreat.member_volumes_l[0] <= yard.pretreat_l <= 1.25 * pretreat.member_volumes_l[0]
    assert yard.ensemble_volume.median_l == pytest.approx(pretreat.member_volumes_l[0])
    assert yard.ensemble_volume.quantile_l == pytest.approx(pretreat.member_volumes_l[9])
    assert yard.ensemble_extra_l == pytest.approx(pretreat.member_volumes_l[9] - yard.pretreat_l)
    later = [visit for _, t in plan.sites[0].treatments for visit in t.follow_up]
    made = yard.brine_needed_l - sum(visit.brine_l for visit in later)
    assert made == pytest.approx(pretreat.member_volumes_l[9] * (1 - pretreat.additive_frac))
    (additive,) = yard.additives
    ahead_l = additive.needed_l - sum(visit.additive_l for visit in later)
    assert ahead_l == pytest.approx(pretreat.member_volumes_l[9] * pretreat.additive_frac)
    sheet = mix_sheet.render_html(plan)
    assert "Spray in the forecasts: half need" in sheet
    assert "More, to cover 90 % of forecasts" in sheet
    # policy that is content with fewer mixes what is sprayed
    (modest,) = planned(weather, {"hold_target": "end", "demand_percentile": "80 %"}, **BUSY).yards
    assert modest.ensemble_extra_l == 0.0
    assert modest.brine_to_make_l < 1.1 * yard.brine_to_make_l


def test_a_film_must_hold_in_the_share_of_forecasts_that_policy_names():
    def rate(share):
        policy = {"hold_target": "end", "hold_confidence": share}
        plan = planned(ensemble([0.08] * 8 + [1.2] * 2, -5.0), policy, **BUSY)
        return next(t for _, t in plan.sites[0].treatments if t.action is Action.PRETREAT)

    bold, usual, careful = rate("50 %"), rate("75 %"), rate("90 %")
    assert bold.rate_l_m2 == usual.rate_l_m2 < careful.rate_l_m2
    assert usual.hold_probability == pytest.approx(0.8)
    assert usual.holds_until is None
    first, last = usual.hold_range  # in two of ten it fails before the target
    assert first < last == usual.hold_target
    assert careful.holds_until is not None  # no rate that practice allows holds in two of ten


def test_a_plan_never_mixes_less_than_it_sprays():
    # three of ten members have the storm: most of them would spray nothing, and the plan goes
    plan = planned(ensemble([0.0] * 6 + [0.5] * 4))
    (yard,) = plan.yards
    assert yard.ensemble_volume.median_l == 0.0
    assert yard.pretreat_l > 0.0
    assert yard.ensemble_extra_l == 0.0


def test_the_choice_flips_where_expected_costs_meet():
    # cost-loss: treating costs 60, a miss 1000, the film averts 3/4 of it. Worked by hand:
    # 60 + p · 0.25 · 1000 = p · 1000 at p = 0.08
    practice = Practice(("company", {"miss_cost": 1000.0, "pass_cost": 40.0}))
    found = cost_loss.from_practice(practice, 20.0, 0.75)
    assert found.break_even_probability == pytest.approx(0.08)
    for chance, pays in ((0.079, False), (0.081, True)):
        assert found.is_cheaper(chance) is pays
        treated, untreated = 60 + chance * 0.25 * 1000, chance * 1000
        assert (treated < untreated) is pays
    assert cost_loss.from_practice(practice, None, 0.75) is None
    assert cost_loss.from_practice(Practice(), 20.0, 0.75) is None
    assert not cost_loss.from_practice(practice, 20.0, 0.0).is_cheaper(1.0)
    dear = cost_loss_line(cost_loss.from_practice(practice, 2000.0, 1.0), 0.9, "USD")
    assert "does not pay for it (bonding is not counted)" in dear
    assert "covering 75 % of the time it pays from a chance of 8 % on: at 50 % it does" in (
        cost_loss_line(found, 0.5, "USD")
    )


def test_stakes_stand_beside_the_decision_and_change_none():
    policy = {"miss_cost": "1500 /miss", "pass_cost": "35 /pass"}
    free, told = planned(), planned(policy=policy)
    (one,) = (t for _, t in free.sites[0].treatments if t.action is Action.PRETREAT)
    (two,) = (t for _, t in told.sites[0].treatments if t.action is Action.PRETREAT)
    assert one.cost_loss is None
    assert two.cost_loss.miss_cost == 1500.0
    assert two.cost_loss.treatment_cost == pytest.approx(35.0 + two.cost)
    assert two.model_copy(update={"cost_loss": None}) == one
    facts = {fact.label: fact.text for fact in briefing.build_view(told).summary_rows}
    assert facts["In money"] == "every choice of the day agrees with your cost of a miss"
    assert "In money" not in {fact.label for fact in briefing.build_view(free).summary_rows}
    said = "\n".join(decision_trace.trace_lines(told, "a"))
    assert "to treat against USD 1,500 for a miss, by your policy; " in said
    assert "it pays from a chance of" in said
    assert (
        planned(policy=policy, salt_price="0 /ton").sites[0].treatments[0][1].cost_loss is not None
    )


def test_a_hold_says_from_which_chance_on_it_would_pay():
    amount = between_hours(9, 12, 1.0)
    snow = {"snowfall_swe_mm": amount, "snowfall_cm": amount, "pop": 0.2, "air_temp_c": -3.0}
    plan = planned(snow, {"miss_cost": "1500 /miss"})
    held = plan.sites[0].treatments[0][1]
    assert held.action is Action.WAIT
    # 0.5 gal/1000 ft² of brine at 2.29 lb of salt a gallon (handbooks), 96 % pure, 80 USD a ton
    gallons = 0.5 * 50
    salt_usd = gallons * 2.29 / 0.96 * 80 / 2000
    assert held.cost_loss.treatment_cost == pytest.approx(salt_usd, rel=0.01)
    assert held.cost_loss.break_even_probability == pytest.approx(salt_usd / 1500, rel=0.01)
    facts = {fact.label: fact.text for fact in briefing.build_view(plan).summary_rows}
    assert facts["In money"].startswith(
        "1 of 1 choices go against it: Site 43.1, asphalt lot (left to wait at 20 %, pays from 0."
    )
    assert "at 20 % it does" in cost_loss_line(
        held.cost_loss, held.event.probability, plan.currency
    )


def test_costs_are_written_by_the_miss_and_by_the_pass():
    ours = parse_sites({"a": site_entry(43.1, -89.4, LOT)}, policy={"miss_cost": "2,500 /miss"})
    assert ours.practice().number("miss_cost") == 2500.0
    assert (
        practice_rules.format_rule_value("cost of a miss", 2500.0, UnitFormatter("us")) == "2,500"
    )
    with pytest.raises(Exception, match="has no unit; write it as '2500 /miss'"):
        parse_sites({"a": site_entry(43.1, -89.4, LOT)}, policy={"miss_cost": 2500})


def test_gallons_on_the_sheet_are_those_of_the_plan():
    more = {"hold_target": "end", "demand_percentile": "90 %"}
    plan = planned(ensemble([0.08] * 8 + [1.2] * 2, -3.0), more, **BUSY)
    (yard,) = plan.yards
    assert f"{yard.ensemble_volume.quantile_l / L_PER_GAL:.0f} gal" in mix_sheet.render_html(plan)
