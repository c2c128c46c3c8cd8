"""The brine calculator as its users meet it: commands, JSON keys, text, one-sentence refusals."""

import json
import re
import sys
from pathlib import Path

import pytest

from stormplan.cli import brine_calculator, main
from stormplan.company.catalog import Product


@pytest.fixture
def say(monkeypatch, capsys):
    """Run a command line; hand back exit code, output and error output."""

    def run(line):
        monkeypatch.setattr(sys, "argv", ["stormplan", *line.split()])
        code = 0
        try:
            main.run()
        except SystemExit as stop:
            code = int(stop.code or 0)
        told = capsys.readouterr()
        return code, told.out, told.err

    return run


@pytest.fixture
def sheet(say):
    def run(line):
        code, out, err = say(f"{line} --json")
        assert (code, err) == (0, "")
        return json.loads(out)

    return run


# ------------------------------------------------------------------------------ mix


def test_mix(sheet):
    # By hand from Lange's SG (1.168 at 22 %): 2500 gal weigh 24,344 lb; salt = NaCl / purity
    found = sheet("mix --gallons 2500 --strength 22 --purity 95 --moisture 1 --insolubles 3")
    assert found["nacl_lb"] == pytest.approx(2500 * 8.337 * 1.168 * 0.22, rel=0.001)
    assert found["salt_lb"] == pytest.approx(found["nacl_lb"] / 0.95, rel=1e-6)
    assert found["sludge_lb"] == pytest.approx(0.03 * found["salt_lb"], rel=1e-6)
    water_lb = found["nacl_lb"] / 0.22 * 0.78 - 0.01 * found["salt_lb"]
    assert found["water_gal"] == pytest.approx(water_lb / 8.3372, rel=1e-5)
    assert found["sg_60f"] == pytest.approx(1.168, abs=0.001)
    assert found["freeze_point_f"] == pytest.approx(-2.5, abs=0.85)  # Lange
    assert found["warnings"] == []


def test_mix_keys_carry_their_unit(sheet):
    us = sheet("mix --gallons 100")
    metric = sheet("mix --gallons 100 --units metric")
    assert metric["salt_kg"] == pytest.approx(us["salt_lb"] * 0.45359237, rel=1e-6)
    assert metric["water_l"] == pytest.approx(us["water_gal"] * 3.785411784, rel=1e-6)
    assert metric["freeze_point_c"] == pytest.approx((us["freeze_point_f"] - 32) / 1.8, abs=1e-4)
    assert not any(key.endswith(("_lb", "_gal", "_f")) for key in metric)
    assert us["nacl_lb_per_finished_gal"] == pytest.approx(2.289, abs=0.006)
    assert us["nacl_lb_per_water_gal"] == pytest.approx(2.533, abs=0.008)


def test_mix_in_words(say):
    _, out, _ = say("mix --gallons 100 --purity 90")
    assert out.splitlines()[0] == "      254 lb  salt as delivered (90 % NaCl)"
    assert "2.289 lb NaCl per FINISHED gallon (= 2.533 lb per gallon of WATER" in out
    assert "! Salt below 95 % NaCl" in out
    assert "-6.0 °F, give or take" in out


def test_mix_expects_the_reading_at_the_waters_temperature(sheet):
    # 23.3 % brine at 45 °F reads 1.1823 (Laliberte 2009)
    found = sheet("mix --gallons 100 --water-temp 45")
    assert found["reading_at_water_temp"] == pytest.approx(1.1823, abs=0.0001)
    assert found["cooling_f"] == pytest.approx(4.3, abs=0.8)


def test_mix_says_how_long_as_far_as_it_is_known(say, sheet):
    _, out, _ = say("mix --gallons 2500 --water-temp 40 --mixer-rate 2500gal/h")
    for said in (
        "it takes 60 min",
        "about 1.4 times as slowly",
        "1/7 of the speed",
        "10 min apart",
    ):
        assert said in out
    assert "mixer's rate" not in say("mix --gallons 2500")[1]
    assert "times as fast" in say("mix --gallons 2500 --water-temp 90")[1]
    assert sheet("mix --gallons 2500 --mixer-rate 1000gal/h")["mixer_h"] == pytest.approx(2.5)
    assert sheet("mix --gallons 2500")["mixer_h"] is None


def test_mix_onto_a_weak_tank(sheet):
    found = sheet("mix --tank 1000@20 --purity 95 --moisture 1 --insolubles 3")
    assert found["add_salt_lb"] == pytest.approx(436, abs=1)
    assert found["add_water_gal"] == 0


def test_mix_onto_a_strong_tank_never_overflows(sheet):
    found = sheet("mix --tank 1000@25 --tank-capacity 1050")
    assert found["final_gal"] <= 1050
    assert found["add_water_gal"] / (1000 - found["draw_off_gal"]) == pytest.approx(0.087, abs=7e-4)


def test_mix_tops_up(sheet):
    found = sheet("mix --tank 1000@20 --gallons 2500 --strength 22")
    # NaCl: 2500 gal at 2.142 lb less 1000 gal at 1.920 lb
    assert found["add_salt_lb"] == pytest.approx(2500 * 2.142 - 1000 * 1.920, abs=2)
    assert found["final_gal"] == 2500


# ------------------------------------------------------------------------------ hydrometer


def test_hydrometer(sheet):
    found = sheet("hydrometer --reading 1.190 --temp 15")
    assert found["strength_wt_pct"] == pytest.approx(23.36, abs=0.011)
    assert found["reading_at_60f"] == pytest.approx(1.1787, abs=0.0001)
    assert found["uncorrected_wt_pct"] == pytest.approx(24.74, abs=0.011)
    assert (found["verdict"], found["trusted"]) == ("accept", True)
    assert found["bands_source"] == "our own choice"


def test_hydrometer_says_what_to_add(sheet):
    # 21.5 % at 60 °F reads 1.1635; 228 lb per 1000 gal bring it to 23.3 %
    found = sheet("hydrometer --reading 1.1635 --gallons 1000")
    assert found["strength_wt_pct"] == pytest.approx(21.5, abs=0.05)
    assert found["verdict"] == "reject"
    assert found["add_salt_lb"] == pytest.approx(228, abs=7)


def test_what_is_free_is_said_before_what_is_added(say, sheet):
    _, out, _ = say("hydrometer --reading 1.190 --temp 50")
    # chemistry of brine: 23.3 % reads 1.1894 at 15 °F and 1.1916 at 0
    assert "at 12.0 °F, brine of 23.3 % reads 1.190" in out
    assert "an additive, reads high" in out
    assert out.index("Before you add anything") < out.index("water to add")
    _, weak, _ = say("hydrometer --reading 1.165 --temp 50")
    assert "of salt still on the bottom explain it" in weak
    assert "Before you add" not in say("hydrometer --reading 1.178 --temp 60")[1]
    assert sheet("hydrometer --reading 1.178 --temp 60")["undissolved_salt_lb"] == pytest.approx(
        0.0, abs=5.0
    )
    assert sheet("hydrometer --reading 1.14 --temp 0")["undissolved_salt_lb"] is None


def test_a_reading_without_its_temperature_says_what_it_took(say, sheet):
    """1.190 is strong at 60 °F, and good brine at 15 °F: it reads high when it is cold."""
    _, out, _ = say("hydrometer --reading 1.190")
    assert "60.0 °F assumed: no --temp was given" in out.splitlines()[1]
    cold = sheet("hydrometer --reading 1.190 --temp 15")
    assert f"at 15.0 °F this reading is {cold['strength_wt_pct']:.1f} %" in out
    assert (cold["verdict"], cold["temp_assumed"]) == ("accept", False)
    assert sheet("hydrometer --reading 1.190")["temp_assumed"] is True
    assert "assumed" not in say("hydrometer --reading 1.190 --temp 60")[1]


def test_hydrometer_by_salometer(sheet):
    found = sheet("hydrometer --salometer 93.5 --temp 15")
    assert found["strength_wt_pct"] == pytest.approx(23.3, abs=0.03)


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("hydrometer --reading 1.14 --temp 0", "already be freezing"),
        ("hydrometer --reading 1.21 --temp 15", "dropping salt crystals"),
        ("hydrometer --reading 1.24", "no clear salt brine is that heavy"),
        ("hydrometer --reading 1.1914 --blend", "additive reads as salt"),
        ("hydrometer --reading 1.19 --treated-salt", "several chlorides"),
    ],
)
def test_hydrometer_gives_no_advice_on_a_reading_not_to_trust(say, sheet, line, reason):
    code, out, _ = say(line)
    assert code == 0
    assert out.startswith("DO NOT TRUST THIS READING.")
    assert reason in out
    found = sheet(line)
    assert (found["trusted"], found["add_water_gal"], found["add_salt_lb"]) == (False, None, None)


# ------------------------------------------------------------------------------ blend


def test_blend(sheet):
    found = sheet("blend --brine 23.3 --additive cacl2=32 --share 10 --ice-at 10 --temp 32")
    assert found["nacl_wt_pct"] == pytest.approx(20.74, abs=0.05)
    assert found["cacl2_wt_pct"] == pytest.approx(3.51, abs=0.03)
    assert (found["mgcl2_wt_pct"], found["kcl_wt_pct"]) == (0, 0)
    assert found["sg_60f"] == pytest.approx(1.1914, abs=1e-4)
    assert found["contraction_pct"] == pytest.approx(0.023, abs=0.001)
    assert found["ice_onset_c"] == pytest.approx(-23.75, abs=0.35)
    assert found["crystal_onset_c"] == pytest.approx(-15, abs=1.5)
    assert found["first_solid_f"] == found["crystal_onset_f"]
    assert found["ice_onset_f"] == pytest.approx(32 + 1.8 * found["ice_onset_c"], abs=1e-4)
    assert found["ice_fraction"] == 0
    assert found["salometer_deg"] is None
    assert found["matching_base_wt_pct"] == pytest.approx(22.15, abs=0.35)
    assert found["density_kg_m3"] == pytest.approx(1198, abs=2)


def test_a_share_as_the_trade_says_it(sheet):
    for additive in ("mgcl2=30", "cacl2=32"):
        said = sheet(f"blend --additive {additive} --share 80/20")
        assert said == sheet(f"blend --additive {additive} --share 20%")


def test_gypsum_is_a_matter_of_calcium(say):
    for additive, warned in (("mgcl2=30", False), ("cacl2=32", True)):
        assert ("gypsum" in say(f"blend --additive {additive} --share 10")[1]) is warned


def test_blend_diluted(sheet):
    found = sheet("blend --additive cacl2=32 --share 10 --water-parts 2 --gallons 900")
    assert found["ice_onset_c"] == pytest.approx(-5.8, abs=0.08)
    assert found["tank"]["crystal_onset_c"] == pytest.approx(-15, abs=1.5)
    assert (found["brine_gal"], found["additive_gal"], found["water_gal"]) == (270, 30, 600)


def test_brine_alone(sheet):
    found = sheet("blend --brine 23.3 --water-parts 2")
    assert found["ice_onset_c"] == pytest.approx(-5.58, abs=0.08)
    assert sheet("blend")["salometer_deg"] == pytest.approx(88.3, abs=0.05)
    assert sheet("blend")["first_solid_c"] == pytest.approx(-21.1, abs=0.3)


def test_another_chloride_as_base(sheet):
    assert sheet("blend --brine cacl2=20")["ice_onset_c"] == pytest.approx(-18.4, abs=0.6)
    # Pitzer A, B: 30 % MgCl2 drops its hydrate at -16.7, -16.1 °C
    assert sheet("blend --brine mgcl2=30")["first_solid_c"] == pytest.approx(-16.4, abs=0.4)


def test_blend_warns_of_a_cold_tank(say):
    line = "blend --brine 23.3 --additive mgcl2=30 --share 20"
    _, mild, _ = say(f"{line} --tank-min-temp 40")
    _, cold, _ = say(f"{line} --tank-min-temp 25")
    assert "Keep it above" not in mild
    assert "! Tank at 25.0 °F: salt crystals are due at 21.2 °F. Keep it above 26.2 °F" in cold
    assert "Blend into 20.1 % base brine" in cold


def test_ice_in_words(say):
    assert "Frozen solid at -10.0 °F." in say("blend --brine 23.3 --ice-at -10")[1]
    assert "28 % of it is ice at 14.0 °F." in say("blend --brine 10 --ice-at 14")[1]
    line = "blend --additive mgcl2=30 --share 20 --ice-at 10"
    assert "No ice at 10.0 °F, but salt crystals are due." in say(line)[1]


def test_blend_of_a_tank_that_drops_salt_when_warm(sheet, say):
    line = "blend --brine 26 --additive cacl2=32 --share 10"
    assert sheet(line)["drops_salt_when_warm"] is True
    assert sheet(line)["first_solid_c"] is None
    assert "The tank drops salt even when warm" in say(line)[1]


PRODUCTS = {
    "calm": Product(
        key="calm",
        name="calcium blend",
        chlorides={"cacl2": 0.28, "nacl": 0.02},
        inert_frac=0.05,
        density_kg_l=1.31,
        freeze_point_c=-27.0,
        max_vol_frac=0.15,
    )
}
ASKED = {
    "base": "23.3", "additive": "calm", "share": "10", "water_parts": "0", "ice_at": None,
    "temp": None, "tank_min_temp": None, "gallons": None, "liters": None,
    "products": PRODUCTS, "units": "us",
}  # fmt: skip


def test_a_product_by_name():
    answer = brine_calculator.compute_blend(**ASKED)
    assert answer.values["additive_product"] == "calm"
    assert answer.values["inert_wt_pct"] == pytest.approx(
        100 * 0.05 * 131 / (131 + 1059.3), abs=0.01
    )
    assert any("that holds for its own tank" in line for line in answer.lines)
    neat = brine_calculator.compute_blend(
        **ASKED | {"base": "calm", "additive": None, "share": "0"}
    )
    assert neat.values["first_solid_c"] == -27.0
    assert neat.values["first_solid_source"] == "supplier"
    assert "freezes, the supplier's figure" in neat.lines[0]


def test_a_product_of_the_sites_file(sheet, say):
    example = Path(__file__).parent.parent / "sites.example.yaml"
    found = sheet(f"blend --additive walk-blend --share 10 --sites {example}")
    assert found["additive_product"] == "walk-blend"
    assert found["cacl2_wt_pct"] == pytest.approx(3.51, abs=0.06)
    _, out, _ = say(f"blend --brine walk-blend --sites {example}")
    assert out.startswith("    -17.0 °F  freezes, the supplier's figure")


def test_a_products_limit():
    with pytest.raises(
        Exception, match=r"a share of 20 % calcium blend is not usable; accepted is"
    ):
        brine_calculator.compute_blend(**ASKED | {"share": "20"})


def test_an_unknown_product():
    with pytest.raises(
        Exception, match=r"'clam' is not a liquid known here; .*\(did you mean calm\?"
    ):
        brine_calculator.compute_blend(**ASKED | {"additive": "clam"})


# ------------------------------------------------------------------------------ refusals


@pytest.mark.parametrize(
    ("line", "sentence"),
    [
        ("mix --gallons -5", "--gallons: '-5' is not a volume to work with; write one above 0"),
        ("mix --gallons lots", "--gallons: 'lots' is not a volume; write it as '2500 gal'"),
        ("mix --gallons nan", "--gallons: 'nan' is not a volume"),
        (
            "mix --gallons 100 --strength 101",
            "--strength: '101' is not a percentage; accepted is 0",
        ),
        (
            "mix --gallons 100 --strength 27",
            "a target of 27 % is not usable; accepted is 1 to 26.4",
        ),
        ("mix --gallons 100 --purity 0", "a salt purity of 0 % is not usable; accepted is 50"),
        ("mix --gallons 100 --purity 98 --moisture 3", "purity, moisture and insolubles add up to"),
        (
            "mix --gallons 100 --tank-capacity 90",
            "a batch of 100 gal (379 L) does not fit the tank",
        ),
        ("mix --gallons 100 --liters 100", "--gallons and --liters both say how much; give one"),
        ("mix", "say how much to make, as --gallons 2500, or what is in the tank"),
        ("mix --tank 1000", "--tank: '1000' is not a volume at a strength; write it as 1000@20"),
        ("mix --tank 1000@27", "a tank strength of 27 % is not usable; accepted is 0 to 26.4 %"),
        ("mix --gallons 9 --units imperial", "--units: 'imperial' is not known; accepted is us or"),
        (
            "hydrometer",
            "give one reading, as --reading 1.178 for specific gravity or --salometer 88",
        ),
        ("hydrometer --reading 1.1 --salometer 50", "give one reading"),
        (
            "hydrometer --reading 0.98",
            "a reading of 0.98 is below water; at this temperature plain salt",
        ),
        (
            "hydrometer --reading 1.5",
            "a reading of 1.5 is above any salt brine; at this temperature",
        ),
        (
            "hydrometer --reading 1.18 --temp 200",
            "--temp: '200' is not a temperature for a tank or a film",
        ),
        (
            "hydrometer --reading 1.18 --temp warm",
            "--temp: 'warm' is not a temperature; write it as",
        ),
        ("hydrometer --salometer 130", "--salometer: '130' is not usable; accepted is 0 to 120"),
        (
            "hydrometer --reading 1.18 --accept 24",
            "--accept: '24' is not a band; write it as 22.5-23.8",
        ),
        ("hydrometer --reading 1.18 --target 25", "the strength bands (target, accept, warn: 25,"),
        ("blend --share 10", "--share says how much additive; say which, as --additive cacl2=32"),
        ("blend --additive cacl2=32 --share 101", "--share: '101' is not a percentage"),
        (
            "blend --additive cacl2=101",
            "--additive: '101' is not a percentage; accepted is 0 to 100",
        ),
        ("blend --additive cacl2=60", "--additive: cacl2 of 60 % is not a solution; accepted is"),
        ("blend --additive acetate=50", "--additive: 'acetate=50' is not a chloride's strength"),
        (
            "blend --additive beet",
            "--additive: 'beet' is not a liquid known here; write a strength as",
        ),
        ("blend --additive cacl2=32", "say how much of the blend, as --share 5 for 95/5"),
        ("blend --brine 1.178", "'1.178' looks like a hydrometer reading; accepted is percent by"),
        ("blend --additive cacl2=32 --share 80/30", "'80/30' does not add up to 100; write"),
        ("hydrometer --reading 1190", "'1190' is not a specific gravity; did you mean 1.190?"),
        ("blend --brine 0", "--brine: '0' has no salt in it; accepted is above 0 %"),
        ("blend --water-parts -1", "--water-parts: '-1' is not usable; accepted is 0 to 1000"),
        ("blend --sites nowhere.yaml", "nowhere.yaml"),
    ],
)
def test_bad_input_gets_one_sentence_and_exit_2(say, line, sentence):
    code, out, err = say(line)
    assert (code, out) == (2, "")
    assert err.startswith("stormplan: ")
    assert sentence in err
    assert len(err.splitlines()) == 1


# ------------------------------------------------------------------------------ wording


@pytest.mark.parametrize(
    "line",
    [
        "mix --gallons 2500 --strength 22 --purity 95 --moisture 1 --insolubles 3",
        "mix --tank 1000@25 --tank-capacity 1050",
        "hydrometer --reading 1.190 --temp 15",
        "blend --brine 23.3 --additive cacl2=32 --share 10 --water-parts 2 --ice-at 10 --temp 32",
    ],
)
@pytest.mark.parametrize("units", ["us", "metric"])
def test_answers_say_how_sure_they_are_and_keep_to_their_units(say, sheet, line, units):
    if units == "metric":
        line = line.replace("--temp 15", "--temp -9").replace(
            "--ice-at 10 --temp 32", "--ice-at -12 --temp 0"
        )
    _, out, _ = say(f"{line} --units {units}")
    assert "give or take" in out
    assert "give or take" in sheet(f"{line} --units {units}")["uncertainty"]
    assert "nan" not in out
    figures = "\n".join(text for text in out.splitlines() if not text.startswith("!"))
    foreign = r"\d (gal|lb|°F)\b" if units == "metric" else r"\d (L|kg|°C)\b"
    assert not re.search(foreign, figures.replace("A 60 °F table", ""))


def test_help_imports_nothing_heavy():
    import subprocess

    code = (
        "import sys; sys.argv = ['stormplan', '--help']\n"
        "from stormplan.cli import main as cli\n"
        "try: cli.run()\n"
        "except SystemExit: pass\n"
        "assert not {'numpy', 'pandas'} & set(sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], capture_output=True).returncode == 0
