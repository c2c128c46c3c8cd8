"""What planned visits leave, run together, against each stage run by itself from now on."""

import numpy as np
from helpers.sites import parse_sites, site_entry
from helpers.weather import changeable_weather

from stormplan.company import catalog
from stormplan.physics import surface_simulation
from stormplan.physics.pavement import Column, Columns
from stormplan.treatment.candidates import Dose, Mixtures
from stormplan.treatment.coupled_stages import (
    STAGE_VARIABLES,
    CoupledModel,
    Stage,
    run_stages,
)

COLUMNS = Columns.from_records([Column(0, build_up) for build_up in catalog.BUILD_UPS.values()])
NOW = 10


def coupled_model():
    weather = changeable_weather(members=3, seed=4)
    past = surface_simulation.simulate(weather, COLUMNS, end_hour=NOW)
    return CoupledModel(weather, COLUMNS, past.restart_state)


def course(column, doses, plow_hours=(9, 18)):
    return [
        Stage(column, tuple(doses[: count + 1]), plow_hours, 1.5) for count in range(len(doses))
    ]


def test_stages_run_together_are_as_each_by_itself():
    mixtures = Mixtures(parse_sites({"a": site_entry(43.0, -89.0)}).products)
    coupled = coupled_model()
    brine, salt = Dose(3, rate_l_m2=0.15), Dose(3, solid_kg_m2=0.03, rate_l_m2=0.002)
    courses = [
        course(0, [brine, salt, Dose(9, solid_kg_m2=0.02), Dose(22, rate_l_m2=0.1)]),
        course(0, [brine, salt]),  # its last stage is one that another course passes through
        course(2, [Dose(5, solid_kg_m2=0.05)], plow_hours=()),
        course(1, [Dose(0, rate_l_m2=0.1), Dose(30, rate_l_m2=0.1)]),
    ]
    (together,) = run_stages(courses, mixtures, coupled)
    assert sorted(map(hash, together.stages)) == sorted({hash(s) for c in courses for s in c})
    for stage, row in together.rows.items():
        (alone,) = run_stages([[stage]], mixtures, coupled)
        np.testing.assert_array_equal(together.surface_c[:, row], alone.surface_c[:, 0])
        many = together.film.column(row)
        for name, values in vars(alone.film).items():
            assert values.size or name not in STAGE_VARIABLES
            np.testing.assert_array_equal(getattr(many, name), values, err_msg=name)
    assert (together.film.salts_kg_m2.sum(axis=0).max(axis=0) > 0.0).all()
