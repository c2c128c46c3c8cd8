"""What must hold of decisions whatever the weather: more snow, colder nights, fewer products."""

import itertools

import numpy as np
import pytest
from helpers.one_surface import LOT, plan_surface, snow_series
from helpers.published_tables import NOON, between_hours, forecast_cell, hourly
from helpers.sites import BASE_SECTIONS, parse_sites, site_entry
from hypothesis import given, settings
from hypothesis import strategies as st

from stormplan import units
from stormplan.planning.planner import SiteForecasts, make_plan
from stormplan.treatment import plowing
from stormplan.treatment.records import Action

pytestmark = pytest.mark.slow

BEET = {
    "name": "beet magnesium",
    "mgcl2": "22 %",
    "inert": "12 %",
    "inhibited": True,
    "odor": True,
    "tracks_indoors": True,
    "price": "1.10 /gal",
}
PRICED = BASE_SECTIONS["yards"]["north"] | {
    "salt": BASE_SECTIONS["yards"]["north"]["salt"] | {"price": "90 /ton"}
}


def first(plan):
    return plan.sites[0].surfaces[0].treatments[0]


def held_h(treatment):
    end = treatment.holds_until or treatment.hold_target
    return (end - treatment.event.start).total_seconds() / 3600


def test_more_snow_never_lowers_the_rate_nor_lengthens_the_hold():
    # FHWA-RD-95-202: traffic works snow into the brine and packs it: more snow asks for more
    rates, holds = [], []
    for inches in (0.1, 0.15, 0.2, 0.3, 0.4, 0.7):
        only = first(
            plan_surface(
                site_overrides={"open_hours": "18:00-17:00"},
                air_temp_c=-3.0,
                dew_point_c=-7.0,
                **snow_series(inches_an_hour=inches),
            )
        )
        if only.action is Action.PRETREAT:
            rates.append(only.rate_l_m2)
            holds.append(held_h(only))
    assert len(rates) >= 5
    assert all(after >= before - 1e-12 for before, after in itertools.pairwise(rates))
    assert rates[-1] > rates[0]
    assert all(after <= before for before, after in itertools.pairwise(holds))


def test_colder_pavement_never_lengthens_the_hold():
    fixed = {"policy": {"pretreat_rate_min": "0.5 gal/1000 ft2",
                        "pretreat_rate_light_snow_max": "0.5 gal/1000 ft2"}}  # fmt: skip
    holds = []
    for air_c in (-0.5, -1.5, -2.5, -3.5, -5.0):
        only = first(
            plan_surface(
                LOT, fixed, air_temp_c=air_c, dew_point_c=-9.0, **snow_series(inches_an_hour=0.05)
            )
        )
        assert only.action is Action.PRETREAT
        holds.append(held_h(only))
    assert all(after <= before for before, after in itertools.pairwise(holds))
    assert holds[0] > holds[-1]


#: Salt by weight of the brine that freezes at 20 °F (CRC Handbook, from memory), and the density
#: of what the supplier sells [kg/L] (its usual data sheets, from memory).
FREEZES_AT_20F = {"calcium": ("cacl2", 0.11, 1.31), "beet": ("mgcl2", 0.09, 1.25)}


def price_of_water_kept_liquid(key, product):
    """Dollars a gallon over what a liter keeps liquid at 20 °F besides its own water [kg]."""
    salt, freezes_frac, kg_l = FREEZES_AT_20F[key]
    frac, inert = (float(product.get(name, "0 %").rstrip(" %")) / 100 for name in (salt, "inert"))
    held_kg_l = kg_l * (frac / freezes_frac * (1.0 - freezes_frac) - (1.0 - frac - inert))
    return float(product["price"].split()[0]) / held_kg_l


@pytest.mark.parametrize("beet_price", ["0.80 /gal", "1.00 /gal", "1.30 /gal", "1.60 /gal"])
def test_removing_a_product_never_makes_water_cheaper_to_keep_liquid(beet_price):
    products = BASE_SECTIONS["products"] | {"beet": BEET | {"price": beet_price}}
    price = {key: price_of_water_kept_liquid(key, products[key]) for key in FREEZES_AT_20F}
    weather = {"air_temp_c": -3.0, "dew_point_c": -7.0, **snow_series()}

    def chosen(*keys):
        stock = dict.fromkeys(keys, "500 gal")
        both = {"products": products, "yards": {"north": PRICED | {"stock": stock}}}
        return first(plan_surface(LOT, both, **weather)).additive

    full = chosen("calcium", "beet")
    assert all(price[chosen(left)] >= price[full] for left in ("calcium", "beet"))


@settings(deadline=None, max_examples=8)
@given(
    air_c=st.floats(-9, 0),
    inches=st.floats(0.02, 1.2),
    start=st.integers(3, 30),
    hours=st.integers(1, 12),
)
def test_no_plan_passes_a_ceiling_and_volumes_add_up(air_c, inches, start, hours):
    weather = {
        "air_temp_c": air_c,
        "dew_point_c": air_c - 4,
        **snow_series(start, start + hours, inches),
    }
    places = {"a": site_entry(43.1, -89.4), "b": site_entry(43.2, -89.4)}
    plan = make_plan(
        parse_sites(places), dict.fromkeys(places, SiteForecasts(forecast_cell(**weather))), NOON
    )
    every = [item for one in plan.sites for _, item in one.treatments]
    for item in every:
        # MPCA 2015: 0.8 gal/1000 ft2 at most; common practice: 20 % additive at most
        assert item.rate_l_m2 <= 0.8 * units.L_M2_PER_GAL_KFT2 + 1e-12
        assert item.additive_frac <= 0.2 + 1e-12
        if item.action is Action.PRETREAT:
            assert item.earliest_start <= item.best_start <= item.latest_start < item.event.start
            assert item.earliest_start >= plan.made_at.replace(minute=0)
    (yard,) = plan.yards
    assert yard.pretreat_l == pytest.approx(sum(item.volume_l for item in every))
    assert yard.chloride_kg == pytest.approx(
        sum(visit.chloride_kg for item in every for visit in item.visits)
    )
    assert sum(batch.volume_l for batch in yard.batches) == pytest.approx(yard.brine_to_make_l)
    placed = sum(len(one.stops) for one in yard.sprayer_schedule.sprayers) + len(
        yard.sprayer_schedule.unserved
    )
    assert placed == sum(item.action is Action.PRETREAT for item in every)


@given(
    st.lists(st.floats(0, 4), min_size=1, max_size=60),
    st.floats(0.5, 8),
    st.floats(0, 12),
    st.floats(0.1, 2),
)
def test_every_snow_is_plowed_what_lies_there_counted(snow_cm, trigger, lying, final):
    passes = plowing.plow_hours(snow_cm, trigger, final, lying)
    assert list(passes) == sorted(set(passes))
    lies = lying
    for hour, fell in enumerate(snow_cm):
        lies = 0.0 if hour in passes else lies
        assert lies < trigger or hour in passes
        lies += fell
    if 0.0 in snow_cm:  # when it has stopped, no more is left than is worth a pass
        stopped = max(hour for hour, fell in enumerate(snow_cm) if fell == 0.0)
        since = [hour for hour in passes if hour <= stopped]
        left = sum(snow_cm[since[-1] if since else 0 : stopped]) + (0 if since else lying)
        assert left < max(final, 1e-9)


@pytest.mark.parametrize(
    ("snow_in", "lying_in", "passes"),
    [
        # common practice, no source: a 2-in contract trigger counts from the last pass, and what
        # lies there already; 0.5 in is still worth a pass when it has stopped. By hand
        ([1, 1, 1, 1, 0, 0], 0.0, (2, 4)),
        ([1, 1, 1, 0, 0, 0], 0.0, (2, 3)),
        ([1, 1, 0.4, 0, 0, 0], 0.0, (2,)),
        ([1, 0, 0, 0, 0, 0], 1.0, (1,)),
        ([1, 0, 0, 0, 0, 0], 2.0, (0, 1)),
        ([0, 0, 0, 1, 0, 0], 1.5, (0, 4)),
        ([0, 0, 0, 0.3, 0, 0], 0.4, (4,)),
        ([0, 0, 0, 0, 0, 0], 0.4, ()),
    ],
)
def test_passes_by_hand(snow_in, lying_in, passes):
    snow_cm = [2.54 * inches for inches in snow_in]
    assert plowing.plow_hours(snow_cm, 5.08, 1.27, 2.54 * lying_in) == passes


def test_a_short_window_names_what_is_not_reached_in_order_of_priority():
    # one truck at 3 acre/h, 130,000 ft2 an hour: four hours are enough for two of three large lots
    lot = {"class": "asphalt_lot", "area": "200000 ft2"}
    places = {
        key: site_entry(43.1, -89.4, {"lot": lot}, priority=priority)
        for key, priority in (("first", 1), ("second", 2), ("third", 3))
    }
    weather = {"air_temp_c": -3.0, "dew_point_c": -7.0, **snow_series(start=4, end=9)}
    plan = make_plan(
        parse_sites(places), dict.fromkeys(places, SiteForecasts(forecast_cell(**weather))), NOON
    )
    crew = plan.yards[0].sprayer_schedule
    served = [one.site for sprayer in crew.sprayers for one in sprayer.stops]
    assert served == ["first", "second"]
    assert [one.site for one in crew.unserved] == ["third"]
    assert crew.hours_available == pytest.approx(4, abs=0.1)


def test_loads_and_refills_take_their_time():
    # 62,000 ft2 at 0.8 gal/1000 ft2 is 49.6 gal: ten loads of a 5-gal sprayer
    small = PRICED | {"sprayers": {"pack": PRICED["sprayers"]["truck"] | {
        "tank": "5 gal", "coverage_rate": "62000 ft2/h", "refill": "6 min"}}}  # fmt: skip
    lot = {"class": "asphalt_lot", "area": "62000 ft2"}
    weather = {"air_temp_c": -4.0, "dew_point_c": -8.0, **snow_series(inches_an_hour=0.7)}
    full = dict.fromkeys(
        (
            "pretreat_rate_min",
            "pretreat_rate_usual",
            "pretreat_rate_light_snow_max",
            "pretreat_rate_max",
        ),
        "0.8 gal/1000 ft2",
    )
    company = {"yards": {"north": small}, "policy": full}
    (sprayer,) = plan_surface(lot, company, **weather).yards[0].sprayer_schedule.sprayers
    assert sprayer.loads == 10
    # and twenty drives of a minute: the site is at the yard
    assert sprayer.working_h == pytest.approx(1.0 + 9 * 0.1 + 20 / 60, rel=1e-3)
    assert sprayer.driving_h == pytest.approx(20 / 60)


def test_a_shortage_says_what_and_when_it_bites():
    salt = PRICED["salt"] | {"on_hand": "10 lb"}
    scarce = {"yards": {"north": PRICED | {"stock": {"calcium": "0.3 gal"}, "salt": salt}}}
    plan = plan_surface(LOT, scarce, air_temp_c=-4.0, dew_point_c=-8.0, **snow_series())
    (yard,) = plan.yards
    assert set(yard.shortages) == {"salt", "calcium"}
    assert yard.additives[0].runs_out_at == yard.sprayer_schedule.sprayers[0].start


def test_members_give_the_chance_to_hold():
    hours = 48
    one = forecast_cell(hours=hours, air_temp_c=-3.0, dew_point_c=-7.0, pop=0.9)
    members = {name: np.repeat(array, 4, axis=1) for name, array in one.values.items()}
    for name, amount in (("snowfall_swe_mm", 0.05), ("snowfall_cm", 0.06), ("precip_mm", 0.05)):
        members[name] = members[name] + hourly(between_hours(12, 15, amount), hours)[:, None]
    for name in ("snowfall_swe_mm", "snowfall_cm", "precip_mm"):
        members[name][:, 3] *= 20.0
    ensemble = type(one)(**{**vars(one), "values": members})
    plan = make_plan(
        parse_sites({"a": site_entry(43.1, -89.4, {"lot": LOT})}),
        {"a": SiteForecasts(ensemble)},
        NOON,
    )
    only = first(plan)
    assert only.action is Action.PRETREAT
    assert only.hold_probability in (0.0, 0.25, 0.5, 0.75, 1.0)


def test_a_tank_holds_one_blend_at_a_time():
    # a lot (95/5) and a deck (80/20): two loads though both would fit one tank, and one refill
    places = {
        "a": site_entry(
            43.1, -89.4, {"lot": LOT, "deck": {"class": "open_deck", "area": "20000 ft2"}}
        )
    }
    weather = {"air_temp_c": -4.0, "dew_point_c": -8.0, **snow_series()}
    plan = make_plan(parse_sites(places), {"a": SiteForecasts(forecast_cell(**weather))}, NOON)
    (truck,) = plan.yards[0].sprayer_schedule.sprayers
    assert truck.volume_l < 500 * units.L_PER_GAL
    assert truck.loads == 2
    # common practice, no source: 3 acre/h is 130,680 ft2 an hour; the yard's refill takes 20 min
    # and four drives of a minute: the site is at the yard
    assert truck.working_h == pytest.approx(2 * 20_000 / 130_680 + 20 / 60 + 4 / 60, rel=1e-3)
    assert truck.start.minute % 5 == 0
    assert plan.first_start == truck.start
    batches = plan.yards[0].batches
    assert all(batch.start < truck.start for batch in batches)
