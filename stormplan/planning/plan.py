"""The plan: one frozen record of a morning, from which every report is rendered.

SI throughout, aware UTC times; words are somebody else's work. The record's JSON Schema is
published by ``stormplan schema``.
"""

from __future__ import annotations

from typing import Literal

from pydantic import AwareDatetime

from stormplan.company.validators import Record
from stormplan.errors import Exit
from stormplan.events.crew_weather import AirWindow
from stormplan.events.detection import Unknown
from stormplan.operations.mix import YardMix
from stormplan.planning.plan_diff import Change
from stormplan.planning.source_choice import Follows
from stormplan.planning.source_comparison import OtherOpinion
from stormplan.treatment.records import Treatment
from stormplan.weather.alerts import Alert

SCHEMA_VERSION = "1"

Verdict = Literal["go", "hold", "nothing"]

#: What the model leaves out; every plan says so.
LIMITS = (
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


class Source(Record):
    """The forecast a site was planned from; ``instead_of`` says why none that is preferred."""

    source: str
    cell: str
    issued_at: AwareDatetime
    fetched_at: AwareDatetime
    known_until: AwareDatetime | None
    stale: bool
    notes: tuple[str, ...]
    contradictions: tuple[str, ...]
    credit: str
    instead_of: str | None = None


class Series(Record):
    """Hourly values of one column, for charts; None where not known.

    The surface lies between ``surface_low_c`` and ``surface_high_c`` four times in five [°C];
    ``freezes`` and ``frosts`` are the chances that it is below freezing, and the frost point too.
    """

    start: AwareDatetime
    air_c: tuple[float | None, ...]
    surface_c: tuple[float | None, ...]
    surface_low_c: tuple[float | None, ...]
    surface_high_c: tuple[float | None, ...]
    freezes: tuple[float | None, ...]
    frosts: tuple[float | None, ...]
    dew_point_c: tuple[float | None, ...]
    wind_mps: tuple[float | None, ...]
    rain_mm: tuple[float | None, ...]
    snow_we_mm: tuple[float | None, ...]
    frz_rain_mm: tuple[float | None, ...]
    sleet_mm: tuple[float | None, ...]
    snow_cm: tuple[float | None, ...]
    hazard: tuple[str | None, ...]


class ClientPlan(Record):
    """Whom the account manager writes to about which sites."""

    key: str
    name: str
    contact: str | None
    tell: Literal["mail", "text", "call"]
    sites: tuple[str, ...]


class Refreeze(Record):
    """A stretch in which a surface can freeze back, how likely [-], and of what water."""

    start: AwareDatetime
    end: AwareDatetime
    probability: float
    water: Literal["water off a snow pile", "standing water", "what the storm leaves"]


class Night(Record):
    """What a surface's own readings add to its temperature at night [K], and how many they are."""

    offset_dc: float
    n: int


class SurfacePlan(Record):
    """One surface: what was found, what to do, and when it can freeze back.

    ``night`` is None where nobody has read the surface.
    """

    key: str
    name: str
    surface_class: str
    area_m2: float
    column: str
    coldest_surface_c: float | None
    treatments: tuple[Treatment, ...]
    refreeze: tuple[Refreeze, ...]
    unknown: tuple[Unknown, ...]
    night: Night | None = None


class SitePlan(Record):
    """One site: its forecast, or why there is none, and its surfaces.

    ``chloride_kg`` is what the plan puts down there, and ``water_spoiled_l`` the clean water that
    it could raise to the chronic criterion of 230 mg/L (EPA 440/5-88-001).

    ``others`` is what the forecasts that were not followed come to; ``follows`` says why this one
    was.
    """

    key: str
    name: str
    client: str
    yard: str
    priority: int
    timezone: str
    latitude_deg: float
    longitude_deg: float
    source: Source | None
    problem: str | None
    air: tuple[AirWindow, ...]
    chloride_kg: float
    water_spoiled_l: float
    surfaces: tuple[SurfacePlan, ...]
    others: tuple[OtherOpinion, ...] = ()
    follows: Follows = "preferred"

    @property
    def treatments(self) -> tuple[tuple[SurfacePlan, Treatment], ...]:
        """Every treatment with its surface."""
        return tuple((s, t) for s in self.surfaces for t in s.treatments)


class Plan(Record):
    """Everything a reader needs to know about one morning.

    ``verdict`` is go when something is to be done about an event within a day, hold when something
    may have to be, nothing otherwise. ``degraded`` names, in words, what the plan stands on less
    than it should; empty is a complete plan. ``troubles`` names what went wrong around the
    planning (late, not delivered, nowhere to write), ``remarks`` what went right only in the end;
    ``changes`` are against the plan announced before. ``alerts`` are official ones and had no say.
    """

    schema_version: str = SCHEMA_VERSION
    made_at: AwareDatetime
    planned_until: AwareDatetime
    company: str
    timezone: str
    units: Literal["us", "metric"]
    currency: str
    verdict: Verdict
    first_start: AwareDatetime | None
    matters: tuple[str, ...]
    degraded: tuple[str, ...]
    sites: tuple[SitePlan, ...]
    yards: tuple[YardMix, ...]
    clients: tuple[ClientPlan, ...] = ()
    contact: str | None = None
    columns: dict[str, Series]
    alerts: tuple[Alert, ...] = ()
    changes: tuple[Change, ...] = ()
    troubles: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    limits: tuple[str, ...] = LIMITS
    cautions: tuple[str, ...] = CAUTIONS

    @property
    def exit_code(self) -> Exit:
        """What the command line answers with."""
        if all(site.problem for site in self.sites):
            return Exit.NOTHING_PLANNED
        return Exit.DEGRADED if self.degraded or self.troubles else Exit.COMPLETE
