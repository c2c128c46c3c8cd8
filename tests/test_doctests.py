"""Examples in docstrings run, and say what they print."""

import doctest
import importlib

import pytest

MODULES = [
    "stormplan.api.liquids",
    "stormplan.api.pavement",
    "stormplan.api.plans",
    "stormplan.api.weather_table",
    "stormplan.liquids.brine",
    "stormplan.liquids.density",
    "stormplan.physics.radiation",
    "stormplan.units",
    "stormplan.weather.moist_air",
]


@pytest.mark.parametrize("name", MODULES)
def test_the_examples_of_a_module_run(name):
    result = doctest.testmod(importlib.import_module(name), optionflags=doctest.ELLIPSIS)
    assert result.attempted > 0, f"{name} has no example"
    assert result.failed == 0
