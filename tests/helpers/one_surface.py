"""One surface, one night, planned from end to end at a wanted pavement temperature."""

import numpy as np

from helpers.published_tables import NOON, between_hours, forecast_cell, hourly
from helpers.sites import parse_sites, site_entry
from stormplan import units
from stormplan.planning.planner import SiteForecasts, make_plan
from stormplan.record.surface_history import SurfaceHistory
from stormplan.treatment.records import Treatment

F = units.f_to_c
WAIT = {"go_probability": "90 %", "go_probability_beyond_day": "90 %"}
HORIZON = {"horizon": "48 h"}  # the storms of tests are over by then; a longer look takes longer
LOT = {"class": "asphalt_lot", "area": "20000 ft2"}


def snow_series(start=12, end=18, inches_an_hour=0.2, pop=0.8):
    """Snow at ten to one."""
    amount = between_hours(start, end, 2.54 * inches_an_hour)
    return {"snowfall_swe_mm": amount, "snowfall_cm": amount, "pop": pop}


def plan_surface(
    surface=LOT, company_overrides=None, now=NOON, site_overrides=None, treated_at=None, **weather
):
    """Plan one surface under one cell of weather; by the record it was treated last then."""
    sites = {"a": site_entry(43.1, -89.4, {"here": surface}, **(site_overrides or {}))}
    overrides = company_overrides or {}
    policy = HORIZON | overrides.get("policy", {})
    return make_plan(
        parse_sites(sites, **overrides | {"policy": policy}),
        {"a": SiteForecasts(forecast_cell(**weather))},
        now,
        histories={("a", "here"): SurfaceHistory(last_treated_at=treated_at)},
    )


def treatments_at(
    pavement_f, surface=LOT, company_overrides=None, site_overrides=None, **weather
) -> list[Treatment]:
    """Plan one surface so that its coldest pavement in the first event is as wanted.

    The air is shifted as a whole until it is: only the input is set up with the model's help.
    """
    shape = hourly(weather.pop("air_temp_c", 0.0), 72)
    dew = hourly(weather.pop("dew_point_c", shape - 12.0), 72)
    overrides = dict(company_overrides or {})
    waiting = overrides | {"policy": overrides.get("policy", {}) | WAIT}
    shift = F(pavement_f) - shape.min() - 1.5  # pavement keeps a degree or two of the day

    def planned(company):
        found = plan_surface(
            surface,
            company,
            site_overrides=site_overrides,
            air_temp_c=shape + shift,
            dew_point_c=np.minimum(dew + shift, shape + shift),
            **weather,
        )
        return found.sites[0].surfaces[0]

    def coldest_c(found):
        event = found.treatments[0].event
        return found.min_pavement_temp_c if event is None else event.min_pavement_temp_c

    for _ in range(5):  # nothing is decided meanwhile: that takes most of the time
        coldest = coldest_c(planned(waiting))
        if abs(coldest - F(pavement_f)) < 0.15:
            break
        shift += F(pavement_f) - coldest
    found = planned(overrides)
    coldest = coldest_c(found)
    assert abs(coldest - F(pavement_f)) < 0.3, "the night could not be set up"
    return list(found.treatments)


def effects_by_rule(treatment: Treatment) -> dict[str, str]:
    """Return the first effect of each rule."""
    return {reason.rule: reason.effect for reason in reversed(treatment.reasons)}
