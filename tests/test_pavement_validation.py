"""The benchmark of measured errors: it scores what it says, and the page quotes what it prints."""

import importlib.util
import json
import re
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import stormplan
from stormplan.physics import pavement
from stormplan.physics.bias_correction import is_night
from stormplan.weather.forecast import VARIABLES

pytestmark = pytest.mark.slow

ROOT = Path(__file__).parent.parent


def load_benchmark(name):
    spec = importlib.util.spec_from_file_location(name, ROOT / "benchmarks" / f"{name}.py")
    module = importlib.util.module_from_spec(spec)

    sys.modules[spec.name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def benchmark():
    return load_benchmark("pavement_validation")


@pytest.fixture
def folder(tmp_path):
    """A set whose sensor reads 1 K warmer than the model by night and 2 K warmer by day."""
    hours = pd.date_range("2026-01-05", periods=240, freq="h", tz="UTC")
    of_day = hours.hour.to_numpy()
    air = -3.0 + 4.0 * np.cos(2 * np.pi * (of_day - 21) / 24)
    weather = pd.DataFrame(
        {"air_temp_c": air, "dew_point_c": -8.0, "wind_10m_ms": 3.0, "cloud_frac": 0.2}, index=hours
    )
    modeled = stormplan.simulate_pavement(weather, 43.7, -79.4, fill_missing=True)
    # Toronto in January: sunrise 12:50, sunset 22:00 UTC; twilight is not measured
    warmer = np.select([of_day < 11, (of_day >= 15) & (of_day < 21)], [1.0, 2.0], np.nan)
    table = weather.assign(measured_c=modeled["surface_c"] + warmer)
    table.loc[hours[100], "measured_c"] = np.nan
    assert set(table.columns) - set(VARIABLES) == {"measured_c"}
    table.rename_axis("time").to_csv(tmp_path / "invented.csv", date_format="%Y-%m-%dT%H:%MZ")
    page = (ROOT / "docs" / "model" / "validation.md").read_text()
    site = json.loads(re.search(r"```json\n(.*?)```", page, re.DOTALL)[1])
    site["surface"], site["elevation_m"] = "asphalt_lot", 0.0
    (tmp_path / "invented.json").write_text(json.dumps(site))
    return tmp_path


def test_a_set_of_a_folder_is_scored_by_night_and_by_day(benchmark, folder):
    score = benchmark.station(folder / "invented.csv")
    # the first three of ten days are the model's spin-up, one hour by night was not measured
    assert score.error_k.size == 7 * (11 + 6) - 1
    assert score.night.sum() == 7 * 11 - 1
    assert score.error_k[score.night] == pytest.approx(-1.0, abs=1e-9)
    assert score.error_k[~score.night] == pytest.approx(-2.0, abs=1e-9)


def test_what_ships_with_pvlib_gives_the_figures_of_the_page(benchmark):
    page = (ROOT / "docs" / "model" / "index.md").read_text()
    by_name = {score.name: score for score in benchmark.shipped()}
    for name, row in (
        ("SURFRAD San Luis Valley, bare soil", "SURFRAD Alamosa, 1 January 2016 | bare soil"),
        ("BSRN Payerne, kept wet", "BSRN Payerne, June 2016, kept wet | grass"),
    ):
        score = by_name[name]
        rmse = benchmark.measured.rmse
        night, day = rmse(score.error_k[score.night]), rmse(score.error_k[~score.night])
        air = rmse(score.air_error_k[score.night]), rmse(score.air_error_k[~score.night])
        assert f"| {row} | {night:.1f} K | {day:.1f} K | {air[0]:.1f} / {air[1]:.1f} K |" in page


def test_freezes_are_false_or_missed_against_what_was_measured(benchmark):
    found = benchmark.scored(
        "four hours", np.array([-1.0, 1.0, -1.0, 1.0]), np.zeros(4),
        np.array([-2.0, -1.0, 0.0, 2.0]), np.array([True, True, False, False]),
    )  # fmt: skip
    assert (found.false_freeze_frac, found.missed_freeze_frac) == (0.25, 0.25)


def test_an_empty_folder_is_refused(benchmark, tmp_path, monkeypatch):
    monkeypatch.setenv("STORMPLAN_MEASURED", str(tmp_path))
    with pytest.raises(SystemExit, match=r"has no \.csv"):
        benchmark.main()


def test_the_page_has_the_sensitivities_that_the_benchmark_prints(capsys):
    page = (ROOT / "docs" / "model" / "index.md").read_text()
    load_benchmark("pavement_sensitivity").main()
    rows = capsys.readouterr().out.strip().splitlines()
    assert len(rows) > 15
    table = [row for row in rows[2:] if row.startswith("|")]
    for summary in rows[2 + len(table) :]:  # all of them together, by night and by day
        when, always, per_kelvin = re.findall(r"by (\w+): ([\d.]+) K, and ([\d.]+) K/K", summary)[0]
        assert f"| by {when} | {always} K | {per_kelvin} |" in page
    for row in table:
        label, *said = [cell.strip() for cell in row.strip("|").split("|")]
        (line,) = [each for each in page.splitlines() if each.startswith(f"| {label} |")]
        told = [float(cell) for cell in line.strip("|").split("|")[1:]]
        assert told == pytest.approx([float(cell) for cell in said], abs=0.015), label


def test_albedo_and_conductivity_move_a_surface_as_far_as_published_models_say():
    # parametric study in Gui et al. 2007 (J. Mater. Civ. Eng. 19, 683; from memory): darker and
    # less conducting pavement is warmer by day, and less conducting pavement is colder by night
    sensitivity = load_benchmark("pavement_sensitivity")
    given = sensitivity.weather()
    night = is_night(given.hour_starts, sensitivity.LATITUDE, -88.0)[sensitivity.SPIN_UP_H :]
    usual = sensitivity.lot_c(given, sensitivity.LOT, pavement, {})
    change = {
        label: sensitivity.lot_c(given, column, module, values) - usual
        for label, column, module, values in sensitivity.CASES
        if label in {"albedo 0.12: 0.05", "asphalt 1.3 W/(m K): 0.8"}
    }
    assert change["albedo 0.12: 0.05"][~night].mean() > 2.0 * abs(
        change["albedo 0.12: 0.05"][night].mean()
    )
    assert change["asphalt 1.3 W/(m K): 0.8"][~night].mean() > 0.2
    assert change["asphalt 1.3 W/(m K): 0.8"][night].mean() < -0.2


def test_changes_are_undone_and_done_again(benchmark, folder, capsys):
    before = benchmark.station(folder / "invented.csv")
    with benchmark.only(()):
        undone = benchmark.station(folder / "invented.csv")
    # heights mixed: nights and days colder, the only change of the three that is worth this much
    assert (undone.error_k - before.error_k).mean() < -0.1
    benchmark.print_changes(lambda: [benchmark.station(folder / "invented.csv")], benchmark.CHANGES)
    said = capsys.readouterr().out.splitlines()
    assert sum(line.startswith("-- with") for line in said) == 8
    assert said[-1] == before.row()
    assert said[1] == undone.row()
