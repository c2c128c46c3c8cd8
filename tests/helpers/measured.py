"""Natural ground under measured weather, shared by the tests that read radiation networks."""

import gzip
import warnings
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pvlib

from helpers.weather import forecast, single_column
from stormplan.company.catalog import MATERIALS
from stormplan.physics import pavement, sun
from stormplan.physics.film import FilmState
from stormplan.physics.forcing import StepForcing
from stormplan.physics.ground import discretize, factorize
from stormplan.physics.surface_simulation import CoupledSurface
from stormplan.weather import moist_air
from stormplan.weather.forecast import CellForecast, stack

# Natural ground is not pavement: leaves and loose soil lie between its skin and its store of heat.
# ECMWF's surface scheme gives the skin's conductance to a first soil layer of 7 cm by the kind of
# vegetation (van den Hurk et al. 2000, ECMWF Technical Memorandum 295, table of skin
# conductivities): 15 W/(m² K) for bare soil, 10 for short grass.
FIRST_SOIL_LAYER_M = 0.07
BARE_SOIL_SKIN_WM2K, SHORT_GRASS_SKIN_WM2K = 15.0, 10.0

DATA = Path(pvlib.__file__).parent / "data"  # releases up to 0.11 carry measured files
STEP_S = 600.0
EMISSIVITY = 0.98  # of soil and grass (textbook, from memory)


def call_pvlib(function, *given, **how):
    """Call pvlib without the deprecation warnings of its older releases."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        return function(*given, **how)


def skin_temp_c(up_wm2, down_wm2):
    """Skin temperature from longwave upwards, less the sky's reflected in it."""
    emitted = up_wm2 - (1.0 - EMISSIVITY) * down_wm2
    return (emitted / (EMISSIVITY * 5.670374e-8)) ** 0.25 - 273.15


def natural_ground(start_c, skin_wm2k):
    """A skin over a meter of the catalog's subgrade; takes in all the sun it is given."""
    slab = pavement.initial_slab(single_column(), forecast())
    depths_m, soil = np.array([0.0, 1.0]), [MATERIALS["subgrade"]]
    grid = discretize(depths_m, soil, 0.0, layers=6, first_m=FIRST_SOIL_LAYER_M)
    grid.conductance_wm2k[0] = skin_wm2k
    slab.ground_c = np.full((len(grid.center_m), 1), start_c)
    slab.surface_c = np.full(1, start_c)
    slab.emissivity, slab.albedo = np.full(1, EMISSIVITY), np.zeros(1)
    return slab, factorize([grid], np.zeros(1, dtype=np.intp), STEP_S)


def read_greensboro():
    """A typical year of Greensboro, North Carolina (TMY3), hour by hour from its new year on."""
    table, place = call_pvlib(
        pvlib.iotools.read_tmy3, DATA / "723170TYA.CSV", coerce_year=2015, map_variables=True
    )
    start = datetime(2015, 1, 1, 5, tzinfo=UTC)  # midnight, Eastern Standard Time
    values = {
        "air_temp_c": table["temp_air"],
        "dew_point_c": np.minimum(table["temp_dew"], table["temp_air"]),
        "wind_10m_ms": table["wind_speed"],
        "cloud_frac": table["TotCld (tenths)"] / 10.0,
        "sw_down_wm2": table["ghi"],
    }
    arrays = {name: np.asarray(value, dtype=float)[:, None] for name, value in values.items()}
    return CellForecast(
        "tmy3", "0", place["latitude"], place["longitude"], place["altitude"], start, start, start,
        arrays,
    )  # fmt: skip


def simulate_hours(year, first, end):
    """Dry asphalt through some hours of a year, begun without any before them [°C]."""
    weather = stack([year], year.start + timedelta(hours=first), end - first)
    return pavement.simulate_dry(weather, single_column()).surface_c[:, 0, 0]


def first_night_rmse_k(year, days, begin_h, pasts_h):
    """Of nights 6 PM to 7 AM after runs from an hour of each day on, by the hours run before it.

    Against runs with ten days before: by then the surface has forgotten how it began.
    """
    errors = {past_h: [] for past_h in pasts_h}
    for day in days:
        now, end = 24 * day + begin_h, 24 * day + 31
        known = simulate_hours(year, now - 240, end)[-13:]
        for past_h, found in errors.items():
            found.append(simulate_hours(year, now - past_h, end)[-13:] - known)
    return {past_h: rmse(np.concatenate(found)) for past_h, found in errors.items()}


def rmse(error):
    return np.sqrt(np.mean(error**2))


# ------------------------------------------------------------------- one day of SURFRAD


def read_surfrad():
    """Alamosa, Colorado, 1 January 2016: minutes as shipped with pvlib, here means of ten."""
    minutes, _ = call_pvlib(pvlib.iotools.read_surfrad, DATA / "surfrad-slv16001.dat")
    wanted = ["ghi", "uw_solar", "dw_ir", "uw_ir", "temp_air", "relative_humidity", "wind_speed"]
    means = minutes[[*wanted, "pressure"]].resample("10min").mean()
    assert means.shape == (144, 8)
    assert not means.isna().any(axis=None)
    return {name: means[name].to_numpy() for name in means}


def air_at_2m_c(air_10m_c, surface_c):
    """Air at 2 m from air at 10 m, along the logarithmic profile of the model's roughness [°C]."""
    upper, lower = (
        np.log(height / pavement.HEAT_ROUGHNESS_M)
        for height in (pavement.WIND_HEIGHT_M, pavement.AIR_HEIGHT_M)
    )
    return surface_c + (air_10m_c - surface_c) * lower / upper


def follow_surfrad(day, wet=False):
    """Skin of bare soil through the day, once the ground knows it [°C].

    The files have air at 10 m (SURFRAD's description of its fields, and pvlib's). Kept wet, there
    is a millimeter of ice at every step.
    """
    measured = skin_temp_c(day["uw_ir"], day["dw_ir"])
    # bare soil: it reflects 19 % of the sun
    slab, ground = natural_ground(measured.mean(), BARE_SOIL_SKIN_WM2K)
    film = FilmState(np.zeros(1), np.full(1, 900.0), np.zeros(1))
    film_on_slab = CoupledSurface(slab, film)
    dew = moist_air.dew_point_c(day["temp_air"], day["relative_humidity"])
    absorbed = np.maximum(day["ghi"] - day["uw_solar"], 0.0)
    vapor_pa = moist_air.saturation_vapor_pressure_pa(dew)
    drivers = np.stack([day["wind_speed"], vapor_pa, absorbed, day["dw_ir"]])
    nothing = np.zeros(1)
    modeled = []
    for _ in range(6):  # the same day again and again, until the ground knows it
        modeled.clear()
        for now in range(measured.size):
            air_c = air_at_2m_c(day["temp_air"][now : now + 1], slab.surface_c)
            weather = StepForcing(air_c, *drivers[:, now : now + 1])
            pressure_pa = 100.0 * day["pressure"][now : now + 1]
            if wet:
                film.water[:], film.ice[:] = 0.0, 1.0
                film_on_slab.step(ground, weather, pressure_pa, (nothing,) * 3, nothing)
            else:
                slab.step(ground, weather, pressure_pa)
            modeled.append(slab.surface_c[0])
    return np.array(modeled)


# ------------------------------------------------------------------- a month of Payerne

FILE = DATA / "bsrn-pay0616.dat.gz"
LATITUDE, LONGITUDE, HEIGHT_M = 46.815, 6.944, 491.0  # logical record 0004
# Wind stands in no radiation record, but record 1000 keeps the station's SYNOP of every three hours
# (WMO FM 12). It does not say its unit; soundings of record 1100, which are in m/s, start from half
# its figure (59 pairs, 1.81 to 3.59), so it is in knots. Between reports: straight lines.
KNOT_MS = 0.5144


def synops():
    """Times, wind [m/s] and cloud an observer saw [eighths; 9 where fog hides the sky]."""
    with gzip.open(FILE, "rt", encoding="latin-1") as file:
        lines = file.read().splitlines()
    reports = [line.split() for line in lines[lines.index("*U1000") + 1 : lines.index("*U1100")]]
    when = pd.to_datetime([f"2016-06-{day[:2]}T{day[2:4]}:00Z" for day, *_ in reports])
    cloud_wind = [groups[2] for groups in reports]  # Nddff
    knots = np.array([float(group[3:]) for group in cloud_wind])
    return when, knots * KNOT_MS, np.array([int(group[0]) for group in cloud_wind])


def read_payerne():
    """Everything measured, as means of ten minutes."""
    records = ("0100", "0300")
    minutes, _ = call_pvlib(pvlib.iotools.read_bsrn, FILE, logical_records=records)
    wanted = ["ghi", "gri", "lwd", "lwu", "temp_air", "relative_humidity", "pressure"]
    means = minutes[wanted].resample("10min").mean()
    assert means.shape == (30 * 144, 7)
    assert not means.isna().any(axis=None)
    middles = (means.index + pd.Timedelta("5min")).tz_localize(None).to_numpy()
    air_c = means["temp_air"].to_numpy()
    up, down = means["lwu"].to_numpy(), means["lwd"].to_numpy()
    when, wind_ms, cloud = synops()
    at_synop = means.index.get_indexer(when)
    height_deg = sun.elevation_deg(middles, LATITUDE, LONGITUDE)[:, 0]
    return SimpleNamespace(
        minutes=minutes,
        air_c=air_c,
        dew_c=moist_air.dew_point_c(air_c, means["relative_humidity"].to_numpy()),
        wind_ms=np.interp(np.arange(len(means)), at_synop, wind_ms),
        absorbed=np.maximum(means["ghi"] - means["gri"], 0.0).to_numpy(),
        down=down,
        pressure_pa=100.0 * means["pressure"].to_numpy(),
        skin_c=skin_temp_c(up, down),
        height_deg=height_deg,
        night=height_deg < 0.0,
        at_synop=at_synop,
        cloud=cloud,
    )


def follow_payerne(month, wet=False, evenings_given=False):
    """Skin of short grass from the first day's mean air on [°C].

    Kept wet, it has a millimeter of water at every step. With evenings given, it takes the
    measured skin while the sun is up and is left to itself at sundown.
    """
    slab, ground = natural_ground(month.air_c[:144].mean(), SHORT_GRASS_SKIN_WM2K)
    film = FilmState(np.full(1, 5.0), np.full(1, 900.0), np.zeros(1))
    film_on_slab = CoupledSurface(slab, film)
    drivers = np.stack(
        [
            month.air_c,
            month.wind_ms,
            moist_air.saturation_vapor_pressure_pa(month.dew_c),
            month.absorbed,
            month.down,
        ]
    )
    nothing = np.zeros(1)
    modeled = []
    for now in range(month.air_c.size):
        weather, pressure_pa = (
            StepForcing(*drivers[:, now : now + 1]),
            month.pressure_pa[now : now + 1],
        )
        if evenings_given and not month.night[now]:
            reduced = ground.forward_elimination(slab.ground_c, 0.0)
            slab.surface_c = month.skin_c[now : now + 1]
            slab.ground_c = ground.back_substitution(reduced, slab.surface_c)
        elif wet:
            film.water[:], film.ice[:] = 1.0, 0.0
            film_on_slab.step(ground, weather, pressure_pa, (nothing,) * 3, nothing)
        else:
            slab.step(ground, weather, pressure_pa)
        modeled.append(slab.surface_c[0])
    return np.array(modeled)
