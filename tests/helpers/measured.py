"""Natural ground under measured weather, shared by the tests that read radiation networks."""

import warnings
from pathlib import Path

import numpy as np
import pvlib

from helpers.weather import forecast, single_column
from stormplan.company.catalog import MATERIALS
from stormplan.physics import pavement
from stormplan.physics.ground import discretize, factorize

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


def bare_ground(start_c):
    """A meter of the catalog's subgrade that takes in all the sun it is given."""
    slab = pavement.initial_slab(single_column(), forecast())
    grid = discretize(np.array([0.0, 1.0]), [MATERIALS["subgrade"]], 0.0)
    slab.ground_c = np.full((len(grid.center_m), 1), start_c)
    slab.surface_c = np.full(1, start_c)
    slab.emissivity, slab.albedo = np.full(1, EMISSIVITY), np.zeros(1)
    return slab, factorize([grid], np.zeros(1, dtype=np.intp), STEP_S)


def rmse(error):
    return np.sqrt(np.mean(error**2))
