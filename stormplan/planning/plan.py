"""The plan: one frozen record, from which every report is rendered.

SI throughout, aware UTC times; words are somebody else's work. The record's JSON Schema is
published by ``stormplan schema``.
"""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from typing import Any, Literal

from pydantic import AwareDatetime

from stormplan.company.validators import Record
from stormplan.errors import ExitCode
from stormplan.events.crew_weather import CrewWeatherWindow
from stormplan.events.detection import ForecastGap
from stormplan.operations.mix import YardMix
from stormplan.planning.plan_diff import Change
from stormplan.planning.source_choice import SourceChoice
from stormplan.planning.source_comparison import SourceDifference
from stormplan.treatment.records import Action, Treatment
from stormplan.weather.alerts import Alert

SCHEMA_VERSION = "2"

#: What is known for less leaves tonight or the morning after in the dark: our own choice.
MIN_KNOWN_HORIZON = timedelta(hours=36)

PlanVerdict = Literal["go", "hold", "unknown", "nothing"]

#: What the model leaves out; every plan says so.
MODEL_LIMITATIONS = (
    "How much ice a vehicle surface tolerates is an assumption of policy, not a published number.",
    "A pass is taken to leave 2 mm of water as snow behind a blade, 0.5 mm behind a broom.",
    "After each storm surfaces are taken to be cleared to the pavement before the next one.",
    "Tires, drifting, shade that moves and what crews find on the ground are not in the model.",
)

CAUTIONS = (
    "A pre-treat keeps snow and ice from bonding and buys time; it does not melt a storm.",
    "Look at the pavement and its temperature before spraying; readings win over this plan.",
    "Walks hold only while their film is fully liquid; no plan makes one safe: inspect them.",
    "Handle salts and additives by their labels and safety sheets: goggles, gloves, eyewash.",
    "Keep liquids off plants, drains and open water; sweep up what is spilled.",
    "Chlorides attack steel and young concrete; never use them on airfield surfaces.",
    "Work zones: lights, vest, spotter where cars or people move.",
    "Local codes, product labels and licensed practice decide; this plan advises.",
)


class SourceRecord(Record):
    """The forecast a site was planned from; ``fallback_reason`` says why none that is preferred."""

    source: str
    cell: str
    issued_at: AwareDatetime
    fetched_at: AwareDatetime
    known_until: AwareDatetime | None
    stale: bool
    notes: tuple[str, ...]
    contradictions: tuple[str, ...]
    credit: str
    fallback_reason: str | None = None


class HourlySeries(Record):
    """Hourly values of one column; None where not known.

    The surface lies between ``surface_p10_c`` and ``surface_p90_c`` four times in five [°C];
    ``prob_below_freezing`` and ``prob_frost`` are the chances that it is below freezing, and the
    frost point too.
    """

    start: AwareDatetime
    air_c: tuple[float | None, ...]
    surface_c: tuple[float | None, ...]
    surface_p10_c: tuple[float | None, ...]
    surface_p90_c: tuple[float | None, ...]
    prob_below_freezing: tuple[float | None, ...]
    prob_frost: tuple[float | None, ...]
    dew_point_c: tuple[float | None, ...]
    wind_ms: tuple[float | None, ...]
    rain_mm: tuple[float | None, ...]
    snowfall_swe_mm: tuple[float | None, ...]
    freezing_rain_mm: tuple[float | None, ...]
    sleet_mm: tuple[float | None, ...]
    snowfall_cm: tuple[float | None, ...]
    hazard: tuple[str | None, ...]


class ClientPlan(Record):
    """A client, its contact and its sites."""

    key: str
    name: str
    contact: str | None
    contact_by: Literal["mail", "text", "call"]
    sites: tuple[str, ...]


class RefreezePeriod(Record):
    """A period in which a surface can refreeze, and the water that freezes."""

    start: AwareDatetime
    end: AwareDatetime
    probability: float
    water_source: Literal["water off a snow pile", "standing water", "what the storm leaves"]


class NightBiasRecord(Record):
    """The night bias of a surface from its own readings [K]."""

    offset_k: float
    reading_count: int


class SurfacePlan(Record):
    """One surface: treatments, refreeze periods and forecast gaps.

    ``night_bias`` is None where nobody has read the surface.
    """

    key: str
    name: str
    surface_class: str
    area_m2: float
    hourly_id: str
    min_pavement_temp_c: float | None
    treatments: tuple[Treatment, ...]
    refreeze_periods: tuple[RefreezePeriod, ...]
    forecast_gaps: tuple[ForecastGap, ...]
    night_bias: NightBiasRecord | None = None


class SitePlan(Record):
    """One site: forecast source and surfaces.

    ``chloride_kg`` is what the plan puts down there, and ``chloride_dilution_l`` the clean water
    that it could raise to the chronic criterion of 230 mg/L (EPA 440/5-88-001).

    ``other_sources`` is what the forecasts that were not followed come to; ``source_choice`` says
    why this one was.
    """

    key: str
    name: str
    client: str
    yard: str
    priority: int
    timezone: str
    latitude_deg: float
    longitude_deg: float
    source: SourceRecord | None
    no_forecast_reason: str | None
    crew_weather: tuple[CrewWeatherWindow, ...]
    chloride_kg: float
    chloride_dilution_l: float
    surfaces: tuple[SurfacePlan, ...]
    other_sources: tuple[SourceDifference, ...] = ()
    source_choice: SourceChoice = "preferred"

    @property
    def treatments(self) -> tuple[tuple[SurfacePlan, Treatment], ...]:
        """Every treatment with its surface."""
        return tuple((s, t) for s in self.surfaces for t in s.treatments)

    @property
    def known_until(self) -> dict[str, datetime]:
        """Until when each variable that ends before the horizon is known on every surface."""
        ends: dict[str, datetime] = {}
        for gap in (gap for surface in self.surfaces for gap in surface.forecast_gaps):
            if gap.after is not None and gap.until is None:
                ends[gap.what] = min(gap.after, ends.get(gap.what, gap.after))
        return ends

    def ends_early(self, now: datetime) -> tuple[str, ...]:
        """Return the variables that are not known for long enough ahead, in alphabetical order."""
        early = now + MIN_KNOWN_HORIZON
        return tuple(sorted(what for what, end in self.known_until.items() if end < early))


def is_hazard_unknown(site: SitePlan, now: datetime) -> bool:
    """Return whether a hazard may be coming that the forecast of a site cannot show.

    So it is without a forecast, with a forecast that contradicts itself or ends early, and with a
    surface whose hazards are unknown.
    """
    if site.source is None or site.source.contradictions or site.ends_early(now):
        return True
    return any(item.action is Action.UNKNOWN for _, item in site.treatments)


class Plan(Record):
    """The plan of all sites and yards at one time.

    ``verdict`` is go when something is to be done about an event within a day, hold when something
    may have to be, unknown when no event is seen but not every hazard could be, nothing otherwise.
    ``planning_diagnostics`` names, in words, what the plan
    stands on less than it should; empty is a complete plan. ``run_diagnostics`` names what went
    wrong around the planning (late, not delivered, nowhere to write), ``run_notes`` what went right
    only in the end; ``changes`` are against the plan announced before. ``alerts`` are official ones
    and had no say.
    """

    schema_version: str = SCHEMA_VERSION
    made_at: AwareDatetime
    planned_until: AwareDatetime
    company: str
    timezone: str
    units: Literal["us", "metric"]
    currency: str
    verdict: PlanVerdict
    first_start: AwareDatetime | None
    priority_sites: tuple[str, ...]
    planning_diagnostics: tuple[str, ...]
    sites: tuple[SitePlan, ...]
    yards: tuple[YardMix, ...]
    clients: tuple[ClientPlan, ...] = ()
    contact: str | None = None
    hourly: dict[str, HourlySeries]
    alerts: tuple[Alert, ...] = ()
    changes: tuple[Change, ...] = ()
    run_diagnostics: tuple[str, ...] = ()
    run_notes: tuple[str, ...] = ()
    model_limitations: tuple[str, ...] = MODEL_LIMITATIONS
    cautions: tuple[str, ...] = CAUTIONS

    @property
    def exit_code(self) -> ExitCode:
        """The exit code of the command line."""
        if all(site.no_forecast_reason for site in self.sites):
            return ExitCode.NOTHING_PLANNED
        return (
            ExitCode.DEGRADED
            if self.planning_diagnostics or self.run_diagnostics
            else ExitCode.COMPLETE
        )


def current_document(document: str) -> dict[str, Any] | None:
    """Return a stored plan as plain data; None if it is of another schema version."""
    found: dict[str, Any] = json.loads(document)
    return found if found.get("schema_version") == SCHEMA_VERSION else None
