"""The Python interface: published values, the index kept, and what it refuses."""

import inspect
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from importlib.resources import files

import numpy as np
import pandas as pd
import pytest
from helpers.service import LOT, PLACE, serve_storm
from helpers.sites import parse_sites, site_entry
from helpers.weather import single_column

import stormplan
from stormplan import api
from stormplan.errors import ForecastError, InputError
from stormplan.physics.surface_simulation import simulate
from stormplan.service.pipeline import DEMO_NOW
from stormplan.weather.forecast import stack

MADISON = (43.1, -89.4)
FROST_NIGHT = {
    "air_temp_c": -2.0,
    "dew_point_c": -3.0,
    "wind_10m_ms": 1.5,
    "cloud_frac": 0.0,
    "precip_mm": 0.0,
}


def hours(count=48, start="2026-01-10T12:00", zone="America/Chicago"):
    return pd.date_range(start, periods=count, freq="h", tz=zone)


def weather(index=None, **columns):
    return pd.DataFrame(FROST_NIGHT | columns, index=hours() if index is None else index)


# ------------------------------------------------------------------------------ the package


def test_the_package_exports_what_the_module_does():
    assert sorted([*api.__all__, "__version__"]) == sorted(stormplan.__all__)
    for name in api.__all__:
        assert getattr(stormplan, name) is getattr(api, name)
    with pytest.raises(AttributeError, match="no attribute 'brew'"):
        _ = stormplan.brew


def test_importing_the_package_loads_neither_numpy_nor_pandas():
    code = "import sys, stormplan; print({'numpy', 'pandas', 'pydantic'} & set(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "set()"


def test_only_the_interface_and_where_tables_are_written_import_pandas():
    package = files("stormplan")
    users = {
        str(path.relative_to(package))
        for path in package.rglob("*.py")
        if "import pandas" in path.read_text()
    }
    tables = {"api/weather_table.py", "api/pavement.py", "api/plans.py", "api/liquids.py"}
    assert users <= tables | {"words/exports.py"}


@pytest.mark.parametrize(
    "function",
    [one for _, one in inspect.getmembers(api, inspect.isfunction) if one.__name__ in api.__all__],
    ids=lambda function: function.__name__,
)
def test_every_function_says_what_it_takes_returns_and_shows_an_example(function):
    text = inspect.getdoc(function)
    sections = ["Returns\n", "Examples\n"]
    if inspect.signature(function).parameters:
        sections += ["Parameters\n", "Raises\n"]
    assert [name for name in sections if name not in text] == []
    for name in inspect.signature(function).parameters:
        assert name in text.split("Returns\n")[0]


# ------------------------------------------------------------------------------ brine

# NaCl by weight [%] and freezing point [°C]: handbook of chemistry's table of aqueous solutions as
# cited in FHWA-RD-95-202 App. A and Bodnar 1993 (Geochim. Cosmochim. Acta 57, 683), both rounded
HANDBOOK_NACL = [(5.0, -3.05), (10.0, -6.56), (15.0, -10.9), (20.0, -16.5), (23.3, -21.1)]


@pytest.mark.parametrize(("wt_pct", "freezes_c"), HANDBOOK_NACL)
def test_plain_salt_brine_freezes_where_the_handbook_says(wt_pct, freezes_c):
    assert stormplan.brine_freeze_point_c(wt_pct) == pytest.approx(freezes_c, abs=0.25)


def test_overmade_brine_drops_salt_before_it_freezes():
    # Pitzer models (Toner & Catling 2017; Marion & Kargel 2008): hydrohalite at -8.4 and -8.1 °C
    assert stormplan.brine_freeze_point_c(25.0) == pytest.approx(-8.4, abs=1.5)


@pytest.mark.parametrize(
    ("chlorides", "freezes_c", "within"),
    [
        # FHWA-RD-95-202 App. A: eutectics, and a handbook's table within its own scatter
        ({"cacl2": 20.0}, -18.3, 0.6),
        ({"mgcl2": 15.0}, -15.6, 0.3),
        # nine parts of 23.3 % brine and one of 32 % calcium chloride: crystals, PHREEQC with two
        # Pitzer models -15.1 and -14.5 °C
        ({"nacl": 20.74, "cacl2": 3.51}, -15.1, 1.5),
    ],
)
def test_other_chlorides_freeze_where_published(chlorides, freezes_c, within):
    assert stormplan.brine_freeze_point_c(**chlorides) == pytest.approx(freezes_c, abs=within)


def test_brine_takes_and_returns_numbers_arrays_and_series():
    strengths = pd.Series([0.0, 10.0, 20.0], index=["a", "b", "c"])
    point = stormplan.brine_freeze_point_c(strengths)
    assert list(point.index) == ["a", "b", "c"]
    assert point["a"] == 0.0
    array = stormplan.brine_freeze_point_c(strengths.to_numpy())
    np.testing.assert_array_equal(array, point.to_numpy())
    assert isinstance(stormplan.brine_freeze_point_c(10), float)
    assert stormplan.brine_freeze_point_c(nacl=10) == stormplan.brine_freeze_point_c(10)


@pytest.mark.parametrize(
    ("call", "says"),
    [
        ({"wt_pct": -1}, r"nacl of -1 % by weight is not a solution; accepted is 0 to 26\.4 %"),
        ({"wt_pct": 28}, "accepted is 0 to 26.4 %"),
        ({"wt_pct": float("nan")}, "nacl of nan %"),
        ({"wt_pct": "strong"}, "nacl 'strong' is not a number"),
        ({"cacl2": 45}, "cacl2 of 45 %"),
        ({"wt_pct": 20, "nacl": 3}, "give one of them"),
        ({"nacl": 26, "cacl2": 40, "mgcl2": 34}, "leave no water"),
        ({"nacl": 25, "mgcl2": 20}, "salt drops out"),
        ({"nacl": pd.Series([1.0], [0]), "kcl": pd.Series([1.0], [1])}, "different index"),
    ],
)
def test_brine_that_cannot_be_is_refused(call, says):
    with pytest.raises(InputError, match=says):
        stormplan.brine_freeze_point_c(**call)


def test_a_fraction_where_percent_is_meant_is_told():
    with pytest.warns(UserWarning, match=r"0\.233 % by weight is nearly water"):
        assert stormplan.brine_freeze_point_c(0.233) == pytest.approx(-0.14, abs=0.01)


def test_a_column_of_strengths_from_nil_up_is_not_told():
    assert stormplan.brine_freeze_point_c(np.linspace(0.0, 23.0, 200))[-1] < -20.0


def test_density_and_hydrometer_are_those_of_the_tables():
    # Lange's Handbook of Chemistry, 15th ed., Table 5.13: 20 % NaCl at 20 °C 1147.8 kg/m³
    assert stormplan.brine_density_kg_m3(20.0, 20.0) == pytest.approx(1147.8, abs=1.0)
    # Laliberté 2009 and SeaFreeze with a glass of 25e-6/K: 23.3 % at 15 °F reads 1.1894, 1.1889
    assert stormplan.hydrometer_reading_sg(23.3, -9.44) == pytest.approx(1.1894, abs=0.0012)
    assert stormplan.brine_strength_pct(1.1894, -9.44) == pytest.approx(23.3, abs=0.15)


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: stormplan.brine_density_kg_m3(20.0, 80.0), "80 °C is not usable"),
        (lambda: stormplan.hydrometer_reading_sg(30.0), "nacl of 30 %"),
        (lambda: stormplan.brine_strength_pct(0.9), "below water"),
        (lambda: stormplan.brine_strength_pct(23.3), "above any salt brine"),
        (lambda: stormplan.blend(23.3, {"calcium": 32}, 10), "no part 'calcium'"),
        (lambda: stormplan.blend(23.3, {"cacl2": 32}, 110), "110 % additive is not usable"),
        (lambda: stormplan.batch(-1.0), "is not usable"),
        (lambda: stormplan.batch(100.0, purity_pct=30.0), "purity of 30 %"),
        (lambda: stormplan.batch(100.0, water_temp_c=100.0), "100 °C is not usable"),
    ],
)
def test_tank_work_that_cannot_be_is_refused(call, says):
    with pytest.raises(InputError, match=says):
        call()


def test_a_blend_has_the_mass_balance_and_the_onsets_of_published_models():
    made = stormplan.blend(23.3, {"cacl2": 32}, 10)
    # mass balance with densities of Laliberté 2009; onsets PHREEQC, two Pitzer models
    assert made.nacl_pct == pytest.approx(20.74, abs=0.05)
    assert made.cacl2_pct == pytest.approx(3.51, abs=0.03)
    assert made.ice_onset_c == pytest.approx(-23.75, abs=0.35)
    assert made.crystal_onset_c == pytest.approx(-14.8, abs=1.5)
    assert made.first_solid_c == max(made.ice_onset_c, made.crystal_onset_c)
    assert made.warn_below_c > made.first_solid_c


def test_a_batch_is_the_mass_balance():
    # 100 gal of 23.3 % from 90 % salt: 228.9 lb NaCl / 0.90 = 254.3 lb
    made = stormplan.batch(378.541, 23.3, purity_pct=90.0)
    assert made.salt_kg / 0.45359237 == pytest.approx(254.3, abs=0.8)


# ------------------------------------------------------------------------------ tables


def test_a_table_keeps_its_hours_whatever_its_zone():
    cell = stormplan.forecast_from_dataframe(weather(), *MADISON)
    assert cell.start == datetime(2026, 1, 10, 18, tzinfo=UTC)
    assert cell.n_hours == 48
    # clocks go back on 1 November 2026: 25 hours of a local day, all of them one after the other
    autumn = hours(25, "2026-11-01T00:00")
    assert stormplan.forecast_from_dataframe(weather(autumn), *MADISON).n_hours == 25


def test_what_can_be_derived_from_a_table_is_derived_and_flagged():
    # dew point of 50 % at 20 °C: 9.3 °C (psychrometric tables; Alduchov & Eskridge 1996)
    moist = pd.DataFrame({"air_temp_c": 20.0, "rel_humidity_pct": 50.0}, index=hours(3))
    cell = stormplan.forecast_from_dataframe(moist, *MADISON)
    assert dict(cell.values)["dew_point_c"][0, 0] == pytest.approx(9.3, abs=0.1)
    assert cell.flags["dew_point_c"].all()
    assert not cell.flags["air_temp_c"].any()


def test_unknown_hours_stay_unknown():
    table = weather()
    table.iloc[5:9, table.columns.get_loc("precip_mm")] = np.nan
    cell = stormplan.forecast_from_dataframe(table, *MADISON)
    arrays = dict(cell.values)
    for name in ("precip_mm", "rain_mm", "snowfall_swe_mm"):
        assert np.isnan(arrays[name][5:9]).all()
        assert np.isfinite(arrays[name][:5]).all()


@pytest.mark.parametrize(
    ("table", "says"),
    [
        (weather().rename(columns={"dew_point_c": "dewpoint_c"}), "did you mean 'dew_point_c'"),
        (weather(operator="ann"), r"column 'operator' is not a variable; accepted: .*air_temp_c"),
        (weather().drop(columns="air_temp_c"), "no column 'air_temp_c'"),
        (weather(cloud_frac=80.0), r"'cloud_frac', row 2026-01-10 12:00:00-06:00: .*80.*0 to 1"),
        (weather(air_temp_c="cold"), "'air_temp_c', row 2026-01-10 12.*'cold' is not usable"),
        (weather(dew_point_c=0.0), "0 °C is above the air temperature of -2 °C"),
        (weather(index=hours(zone=None)), "DatetimeIndex with a time zone"),
        (weather().reset_index(drop=True), "DatetimeIndex with a time zone"),
        (weather().iloc[::-1], "does not follow"),
        (weather().iloc[[0, 1, 3]], r"15:00:00-06:00 does not follow 2026-01-10 13:00:00-06:00"),
        (weather().iloc[[0, 1, 1]], "give each hour once"),
        (weather().iloc[:0], "no hours"),
        (weather(index=hours(zone="Asia/Kolkata")), "not on a whole hour of UTC"),
    ],
)
def test_a_table_that_cannot_be_used_is_refused_with_its_place(table, says):
    with pytest.raises(InputError, match=says):
        stormplan.forecast_from_dataframe(table, *MADISON)


def test_every_problem_of_a_table_is_told_at_once():
    wrong = weather(cloud_frac=80.0, wind_10m_ms=-1.0, gust=3.0)
    with pytest.raises(InputError) as told:
        stormplan.forecast_from_dataframe(wrong, *MADISON)
    assert len(str(told.value).splitlines()) == 3


def test_a_place_that_is_none_is_refused():
    with pytest.raises(InputError, match=r"latitude 143\.1"):
        stormplan.forecast_from_dataframe(weather(), 143.1, -89.4)


# ------------------------------------------------------------------------------ pavement


@pytest.fixture(scope="module")
def frost_night():
    return stormplan.simulate_pavement(weather(), *MADISON, depths_m=[0.05])


def test_the_index_is_kept(frost_night):
    pd.testing.assert_index_equal(frost_night.index, weather().index)
    assert frost_night.index.tz is weather().index.tz


def test_a_clear_calm_night_cools_a_surface_below_the_air_and_frosts_it(frost_night):
    night = frost_night.between_time("02:00", "06:00").iloc[-5:]
    # nocturnal cooling below the air of a clear, calm night is 2 to 6 K (common practice)
    assert ((night["surface_c"] + 2.0 < -1.0) & (night["surface_c"] + 2.0 > -8.0)).all()
    assert (night["condition"] == "frost").all()
    # Hewson & Gait 1992 (Meteorol. Mag. 121, 1): hoar frost forms at some 0.01-0.05 mm a night
    assert 0.01 < night["frost_mm"].iloc[-1] < 0.3
    # the ground is warmer below by night
    assert (night["at_0.05m_c"] > night["surface_c"]).all()


def test_a_pretreat_buys_time_against_frost():
    sprayed = stormplan.simulate_pavement(
        weather(),
        *MADISON,
        treatments=[stormplan.LiquidApplication(hours()[5], 0.0204)],
    )
    assert (sprayed["salt_g_m2"].iloc[:5] == 0.0).all()
    # 0.0204 L/m² of 23.3 % brine of 1.177 kg/L: 5.6 g/m² of salt
    assert sprayed["salt_g_m2"].iloc[5] == pytest.approx(5.6, abs=0.1)
    untreated = stormplan.simulate_pavement(weather(), *MADISON)
    first_ice = (sprayed["ice_mm"] > 0.005).idxmax()
    assert first_ice - (untreated["ice_mm"] > 0.005).idxmax() >= pd.Timedelta("4h")
    # the film is liquid as long as it is warmer than its own freeze point, and no longer
    held = sprayed.loc[hours()[5] : first_ice].iloc[:-1]
    assert set(held["condition"]) == {"brine"}
    clear = held[held["ice_mm"] == 0.0]
    assert len(clear) >= 5
    assert (clear["freeze_point_c"] < clear["surface_c"]).all()
    assert sprayed.loc[first_ice, "freeze_point_c"] > sprayed.loc[first_ice, "surface_c"]


def test_a_narrow_view_of_the_sky_keeps_a_surface_warmer_by_night(frost_night):
    # Oke 1987, Boundary Layer Climates, ch. 8: longwave loss falls with the sky view factor; street
    # canyons have 0.2 to 0.5
    yard = stormplan.simulate_pavement(weather(), *MADISON, sky_view_frac=0.3)
    night = yard["surface_c"] - frost_night["surface_c"]
    assert (night.between_time("22:00", "06:00").iloc[-8:] > 0.5).all()
    for no_view in (0.0, 1.1):
        with pytest.raises(InputError, match="sky_view_frac"):
            stormplan.simulate_pavement(weather(), *MADISON, sky_view_frac=no_view)


def test_snow_lies_until_it_is_plowed():
    snow = np.zeros(48)
    snow[4:8] = 2.0
    table = weather(precip_mm=snow, snowfall_swe_mm=snow)
    plowed = stormplan.simulate_pavement(
        table, *MADISON, treatments=[stormplan.PlowPass(hours()[12], 1.0)]
    )
    assert plowed["snow_mm"].iloc[11] > 6.0
    assert plowed["snow_mm"].iloc[12] == pytest.approx(1.0, abs=0.02)  # hoar falls on it


def test_a_gap_stays_unknown_and_the_pavement_starts_anew_after_it():
    table = weather()
    table.iloc[20:24, table.columns.get_loc("air_temp_c")] = np.nan
    found = stormplan.simulate_pavement(table, *MADISON)
    gap = found.iloc[20:24]
    assert gap["surface_c"].isna().all()
    assert set(gap["condition"]) == {"unknown"}
    assert found["surface_c"].drop(gap.index).notna().all()


def test_what_the_table_lacks_is_modeled_only_when_asked_for_and_said():
    sparse = weather()[["air_temp_c"]]
    with pytest.raises(InputError, match="fill_missing=True"):
        stormplan.simulate_pavement(sparse, *MADISON)
    filled = stormplan.simulate_pavement(sparse, *MADISON, fill_missing=True)
    assert filled["surface_c"].notna().all()
    for name in ("dew_point_c", "wind_10m_ms", "cloud_frac"):
        assert filled["modeled"].str.contains(name).all()


def test_the_same_night_by_hand_and_by_the_interface_is_one_model(frost_night):
    cell = stormplan.forecast_from_dataframe(weather(), *MADISON, elevation_m=0.0)
    columns = single_column(sky_view_frac=0.9)
    direct = simulate(stack([cell], cell.start, 48), columns)
    np.testing.assert_array_equal(frost_night["surface_c"], direct.surface_c[:, 0, 0])


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"surface": "gravel"}, "surface 'gravel' is not known; accepted: asphalt_lot"),
        ({"sky_view_frac": 90}, "sky_view_frac 90 is not usable"),
        ({"wind_factor": -1}, "wind_factor -1 is not usable"),
        ({"depths_m": [5.0]}, r"5\.0 is not usable; accepted: 0 to 2 m"),
        ({"treatments": ["brine"]}, "'brine' is not a treatment"),
        (
            {"treatments": [api.PlowPass(datetime(2026, 2, 1, tzinfo=UTC))]},
            "is outside the table, which runs from 2026-01-10 12:00:00-06:00",
        ),
        ({"treatments": [api.PlowPass(datetime(2026, 1, 11))]}, "has no time zone"),  # noqa: DTZ001
        ({"treatments": [api.LiquidApplication(hours()[3], -0.1)]}, "amount of -0.1"),
        ({"treatments": [api.LiquidApplication(hours()[3], 0.02, nacl_pct=40)]}, "nacl of 40 %"),
    ],
)
def test_a_simulation_that_cannot_be_is_refused(options, says):
    with pytest.raises(InputError, match=says):
        stormplan.simulate_pavement(weather(), *MADISON, **options)


# ------------------------------------------------------------------------------ plans


@pytest.fixture(scope="module")
def two_sites():
    return parse_sites({"a": site_entry(43.1, -89.4), "b": site_entry(43.2, -89.5)})


def test_a_plan_from_tables_acts_on_their_weather(two_sites):
    index = hours(72, "2026-01-10T12:00")
    made = stormplan.plan(two_sites, {"a": weather(index)}, now=index[2])
    by_key = {site.key: site for site in made.sites}
    assert made.verdict == "go"
    lot = by_key["a"].surfaces[0]
    assert any(one.action == "pre-treat" for one in lot.treatments)
    assert by_key["a"].source.cell == "a"
    assert by_key["b"].source is None
    assert made.no_forecast_reason("b")  # and it says so: unknown is not calm
    assert made.made_at == index[2]


def test_a_warm_dry_forecast_asks_for_nothing(two_sites):
    index = hours(96, "2026-01-10T12:00")
    mild = weather(index, air_temp_c=15.0, dew_point_c=5.0)
    made = stormplan.plan(two_sites, {"a": mild, "b": mild}, now=index[2])
    assert made.verdict == "nothing"


def test_a_plan_takes_forecasts_as_records_too(two_sites):
    index = hours(72, "2026-01-10T12:00")
    cell = stormplan.forecast_from_dataframe(
        weather(index), 43.1, -89.4, name="a", issued_at=index[2]
    )
    from_record = stormplan.plan(two_sites, {"a": cell}, now=index[2])
    from_table = stormplan.plan(two_sites, {"a": weather(index)}, now=index[2])
    assert from_record.model_dump_json() == from_table.model_dump_json()


def test_a_plan_without_forecasts_asks_the_sources_of_the_sites_file(replay, tmp_path):
    serve_storm(replay)
    sites = parse_sites({"a": site_entry(*map(float, PLACE), LOT)}, replay.base_url)
    made = stormplan.plan(sites, now=DEMO_NOW, archive=tmp_path / "archive.sqlite")
    assert made.sites[0].source.source == "nws"
    assert made.verdict == "go"
    assert (tmp_path / "archive.sqlite").exists()


def test_plans_that_cannot_be_are_refused(two_sites):
    index = hours(72)
    with pytest.raises(InputError, match="no site 'c' in the sites file; accepted: a, b"):
        stormplan.plan(two_sites, {"c": weather(index)}, now=index[0])
    with pytest.raises(InputError, match=r"now 2026-01-10 .* has no time zone"):
        stormplan.plan(two_sites, {}, now=datetime(2026, 1, 10))  # noqa: DTZ001
    for later_h, problem in (
        (5, r"is not known for 24 of the next 24 h \(the first of them this hour\)"),
        (-15, r"is not known for 8 of the next 24 h \(the first of them 16 h from now\)"),
    ):
        now = index[-1] + timedelta(hours=later_h)
        with pytest.raises(ForecastError, match=problem):
            stormplan.plan(two_sites, {"a": weather(index)}, now=now)


def test_a_plan_is_read_back_as_it_was_written(tmp_path):
    path = tmp_path / "plan.json"
    path.write_text(stormplan.demo_plan().model_dump_json(), encoding="utf-8")
    assert stormplan.read_plan(path).model_dump_json() == path.read_text(encoding="utf-8")
    (tmp_path / "other.json").write_text("{}")
    with pytest.raises(InputError, match="is not a plan of this version"):
        stormplan.read_plan(tmp_path / "other.json")
