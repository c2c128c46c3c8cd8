"""Calibration of sprayers: published worked examples, and printed errors that are not repeated."""

import math

import pytest
from helpers.one_surface import snow_series
from helpers.published_tables import NOON, forecast_cell
from helpers.sites import parse_sites, site_entry, sites_text
from typer.testing import CliRunner

from stormplan import units
from stormplan.cli.main import app
from stormplan.company.practice_rules import Practice
from stormplan.liquids import brine, density
from stormplan.operations import sprayer_calibration as bench
from stormplan.planning.planner import SiteForecasts, make_plan
from stormplan.record.entries import Calibration
from stormplan.record.stock_ledger import stock_book

GAL, FT, MPH = units.L_PER_GAL, units.M_PER_FT, units.M_PER_MI / 3600
OZ, GPM = GAL / 128, GAL / 60
GPA = GAL / units.M2_PER_ACRE
KFT2 = units.L_M2_PER_GAL_KFT2
LB_GAL = units.KG_L_PER_LB_GAL
BRINE_SG = 1.179  # 23.3 % at 60 °F


# UNL CropWatch 2016, "Setting sprayer flow rate for non-water solutions": weight of the liquid and
# factor, water 8.34 lb/gal; 8 lb/gal is .98, not the .88 that a nozzle maker's page prints
@pytest.mark.parametrize(
    ("lb_gal", "factor"),
    [(6.6, 0.89), (7, 0.92), (8, 0.98), (9, 1.04), (10, 1.10), (11, 1.15), (11.4, 1.17),
     (12, 1.20)],
)  # fmt: skip
def test_density_factors(lb_gal, factor):
    found = bench.density_factor(bench.specific_gravity(lb_gal * LB_GAL))
    assert found == pytest.approx(factor, abs=0.0055)


def test_density_of_solutions_in_worked_examples():
    # UNL and Oklahoma State: 28 % nitrogen of 10.65 lb/gal, SG 1.28, 20 gal/acre is 22.6 of water
    sg = bench.specific_gravity(10.65 * LB_GAL)
    assert sg == pytest.approx(1.28, abs=0.005)
    assert 20 * bench.density_factor(sg) == pytest.approx(22.6, abs=0.05)
    # Oklahoma State: 20 % calcium chloride of 9.91 lb/gal has 1.09
    assert bench.density_factor(bench.specific_gravity(9.91 * LB_GAL)) == pytest.approx(
        1.09, abs=0.005
    )
    # one sheet prints SG 1.68 and a factor of 1.3 for 12 lb/gal; it is 1.44 and 1.20
    sg = bench.specific_gravity(12 * LB_GAL)
    assert (round(sg, 2), round(bench.density_factor(sg), 2)) == (1.44, 1.2)


def test_speeds():
    # Oklahoma State turf sheet: 200 ft in 45 and 27 s, printed 3 and 5 mph
    for seconds, mph in ((45, 3.03), (27, 5.05)):
        assert bench.travel_speed_ms(200 * FT, [seconds]) / MPH == pytest.approx(mph, abs=0.005)
    assert bench.travel_speed_ms(200 * FT, [26, 27, 28]) == pytest.approx(200 * FT / 27)


def test_rates_by_catch():
    # the same sheet: 101 oz a minute, 3 mph, 18 in, which prints 88 gal/acre for 86.8
    found = bench.by_catch([101 * OZ], 60, 1.5 * FT, 3 * MPH, 1.0, 1.0)
    assert found.flow_l_s / GPM == pytest.approx(0.789, abs=0.0005)
    assert found.rate_l_m2 / GPA == pytest.approx(86.8, abs=0.05)
    # Florida examination manual: 0.15 gal/min, 48 in, 5 mph, which prints 327 for 3.71 (its speed
    # is in miles where feet a minute belong)
    found = bench.by_catch([0.15 * GAL], 60, 4 * FT, 5 * MPH, 1.0, 1.0)
    assert found.rate_l_m2 / GPA == pytest.approx(3.71, abs=0.005)
    # pesticidestewardship.org: 250 ft2 walked in 20 s, 1.25 gal caught in 20 s: 5.0 gal/1000 ft2
    found = bench.by_catch([1.25 * GAL], 20, 10 * FT, 25 * FT / 20, 1.0, 1.0)
    assert found.rate_l_m2 / KFT2 == pytest.approx(5.0)


def test_rates_by_refill():
    # Florida examination manual: 12 gal over 660 ft by 10 ft are 79.2 gal/acre
    found = bench.by_refill(12 * GAL, 660 * FT, 10 * FT, 3 * MPH, 1.0, 1.0)
    assert found.rate_l_m2 / GPA == pytest.approx(79.2)


def test_the_constants_of_field_sheets():
    # UF/IFAS WG013: gal/min = gal/acre x mph x in / 5940; Mesa County: 495 for feet
    flow = bench.required_flow_l_s(1 * GPA, 1 * MPH, 1 * FT / 12)
    assert GPM / flow == pytest.approx(5940)
    assert GPM / flow / 12 == pytest.approx(495)
    # a trade page: with a 7-ft bar 1000 ft2 take 143 ft
    assert bench.run_length_m(1000 * FT**2, 7 * FT) / FT == pytest.approx(143, abs=0.2)


def test_spreaders():
    # Minnesota handbook, spreader calibration: 200 lb/min at 20 mph are 3 min and 600 lb a mile
    lb_min = units.KG_PER_LB / 60
    along = bench.spreader_output_kg_m(200 * lb_min, 20 * MPH)
    assert along * units.M_PER_MI / units.KG_PER_LB == pytest.approx(600)
    on_12_ft = bench.spreader_rate_kg_m2(200 * lb_min, 20 * MPH, 12 * FT)
    assert on_12_ft == pytest.approx(along / (12 * FT))


def test_what_a_brine_bar_takes():
    # by hand: 0.5 gal/1000 ft2 on 12 ft at 8 mph; a chart for water then shows 8.6 % more
    flow = bench.required_flow_l_s(0.5 * KFT2, 8 * MPH, 12 * FT)
    assert flow / GPM == pytest.approx(4.22, abs=0.005)
    assert flow * bench.density_factor(BRINE_SG) / GPM == pytest.approx(4.59, abs=0.005)
    # Iowa DOT: 50 gal a lane-mile at 20 mph, and 110 lb of salt in it; 23.3 % brine has 114.5
    rate = units.parse("50 gal/lane-mile", "liquid rate")
    assert bench.required_flow_l_s(rate, 20 * MPH, 12 * FT) / GPM == pytest.approx(16.7, abs=0.05)
    kg_l = float(density.density_kg_m3(brine.plain_brine(0.233), units.f_to_c(60))) / 1000
    assert 0.233 * kg_l * 50 * GAL / units.KG_PER_LB == pytest.approx(114.5, abs=0.2)


def test_the_metric_form_and_pressure():
    # CRAN package AgroTech: 190 L/ha at 10 km/h and 50 cm take 1.583 L/min (flowrat); 0.80 L/min
    # at 2.80 bar are 0.478 at 1 bar (flowpres)
    assert 60 * bench.required_flow_l_s(190 / 1e4, 10 / 3.6, 0.5) == pytest.approx(1.583, abs=5e-4)
    assert 0.80 * bench.pressure_factor(2.8e5, 1e5) == pytest.approx(0.478, abs=5e-4)


def test_worn_nozzles():
    # Florida examination manual: of .78 .80 .81 .70 the last is replaced
    assert bench.worn_nozzles([0.78, 0.80, 0.81, 0.70], 0.10) == (3,)
    assert bench.worn_nozzles([0.78, 0.80, 0.81], 0.10) == ()


def test_rules_of_a_calibration_are_felt():
    caught = ([0.78, 0.80, 0.81, 0.70], 60, 12 * FT, 8 * MPH, 1.0, 1.0, None)
    usual = bench.by_catch(*caught)
    other = bench.by_catch(
        *caught, Practice(("company", {"nozzle_deviation_max": 0.2, "field_efficiency": 0.35}))
    )
    assert (usual.worn, other.worn) == ((3,), ())
    assert other.coverage_rate_m2_h == pytest.approx(usual.coverage_rate_m2_h / 2)


def test_brine_out_of_a_sprayer_that_was_calibrated_with_water():
    # by hand: 1 / sqrt(1.179) is 0.921: 0.50 becomes 0.460
    found = bench.by_refill(0.5 * GAL, 100 * FT, 10 * FT, 3 * MPH, 1.0, BRINE_SG)
    assert found.rate_l_m2 / KFT2 == pytest.approx(0.460, abs=0.0005)
    again = bench.by_refill(0.46 * GAL, 100 * FT, 10 * FT, 3 * MPH, BRINE_SG, BRINE_SG)
    assert again.rate_l_m2 / KFT2 == pytest.approx(0.460)


def test_speed_or_pressure_for_the_wanted_rate():
    found = bench.by_catch([GAL] * 4, 60, 8 * FT, 5 * MPH, 1.0, BRINE_SG, 40 * units.PA_PER_PSI)
    wanted = 1.2 * found.rate_l_m2
    assert found.rate_at(found.speed_for(wanted)) == pytest.approx(wanted)
    pressure = found.pressure_for(wanted)
    assert pressure / units.PA_PER_PSI == pytest.approx(40 * 1.44)
    assert found.rate_at(found.speed_ms, pressure) == pytest.approx(wanted)


# -- the command ----------------------------------------------------------------------------------


def told(*words):
    return CliRunner().invoke(app, ["calibrate", *words])


def test_the_command_says_what_to_do():
    result = told("--width", "8ft", "--run", "200ft", "--times", "27s,27s,27s",
                  "--caught", "78oz,80oz,81oz,70oz", "--pressure", "40psi",
                  "--speeds", "3mph,8mph", "--pressures", "20psi,60psi",
                  "--wanted", "0.5gal/1000ft2")  # fmt: skip
    assert result.exit_code == 0, result.output
    lines = result.output.splitlines()
    assert lines[0].endswith("5.1 mph")
    flow = 309 / 128 / math.sqrt(BRINE_SG)
    assert f"{flow:.2f} gal/min; of water {309 / 128:.2f} gal/min" in lines[1]
    rate = flow / (8 * 200 / 27 * 60 / 1000)
    assert f"{rate:.2f} gal/1000 ft²" in lines[2]
    assert "REPLACE OR CLEAN nozzle 4" in result.output
    low = rate * math.sqrt(20 / 40) * 5.05 / 8
    high = rate * math.sqrt(60 / 40) * 5.05 / 3
    assert f"{low:.2f} gal/1000 ft² up to {high:.2f} gal/1000 ft²" in result.output
    assert f"drive {5.05 * rate / 0.5:.1f} mph, or set {40 * (0.5 / rate) ** 2:.0f} psi" in (
        result.output
    )
    spread = told("--width", "12ft", "--speed", "20mph", "--spread", "200lb")
    assert "600 lb/mile" in spread.output


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--width", "8ft", "--speed", "5mph"], "caught"),
        (["--width", "8ft", "--speed", "5mph", "--times", "3s", "--caught", "9oz"], "not both"),
        (["--width", "8ft", "--times", "3s", "--caught", "9oz"], "need their length"),
        (["--width", "8ft", "--speed", "5mph", "--caught", "9"], "has no unit"),
        (["--width", "8ft", "--speed", "0mph", "--caught", "9oz"], "above zero"),
        (["--width", "8ft", "--speed", "5mph", "--caught", "9oz", "--speeds", "3mph"], "two"),
        (["--width", "8ft", "--speed", "5mph", "--caught", "9oz", "--pressures", "1psi,2psi"],
         "needs the pressure"),
    ],
)  # fmt: skip
def test_what_is_missing_is_said(words, said):
    result = told(*words)
    assert result.exit_code != 0
    assert said in str(result.exception)


def test_a_calibration_is_kept_and_planned_with(tmp_path):
    path = tmp_path / "sites.yaml"
    path.write_text(sites_text({"a": site_entry(43.1, -89.4)}))
    result = told("--width", "12ft", "--speed", "8mph", "--caught", "4gal", "--keep",
                  "north/truck", "--sites", str(path), "--out", str(tmp_path))  # fmt: skip
    assert result.exit_code == 0, result.output
    assert "north truck: calibrated, 0.44 gal/1000 ft²" in result.output
    sites = parse_sites({"a": site_entry(43.1, -89.4, {"lot": {"class": "asphalt_lot",
                                                             "area": "20000 ft2"}})})  # fmt: skip
    slow = Calibration(id="c", at=NOON, yard="north", sprayer="truck",
                       coverage_rate_m2_h=20_000 * units.M2_PER_FT2)  # fmt: skip
    low = slow.model_copy(update={"min_rate_l_m2": 2 * KFT2, "max_rate_l_m2": 3 * KFT2})
    cell = forecast_cell(air_temp_c=-3.0, dew_point_c=-7.0, **snow_series())

    def plan(*entries):
        book = stock_book(sites, entries, NOON)
        return make_plan(sites, {"a": SiteForecasts(cell)}, NOON, stock=book).yards[0]

    (stop,) = plan(slow).sprayer_schedule.sprayers[0].stops
    assert (stop.end - stop.start).total_seconds() == pytest.approx(3600, abs=1)
    assert plan(low).sprayer_schedule.unserved[0].reason == "no sprayer"
