"""The plan: one frozen record, from which every report is rendered.

SI throughout, aware UTC times; words are somebody else's work. The record's JSON Schema is
published by ``stormplan schema``.
"""

from __future__ import annotations

import json
from typing import Any, Literal

from pydantic import AwareDatetime, Field

from stormplan.company.validators import Record
from stormplan.errors import ExitCode
from stormplan.events.crew_weather import CrewWeatherWindow
from stormplan.events.detection import ForecastGap
from stormplan.operations.mix_records import YardMix
from stormplan.operations.ordering import OrderAdvice
from stormplan.operations.pass_schedule import PassSchedule
from stormplan.planning.diagnostics import (
    UNKNOWN_HAZARD_CODES,
    Diagnostic,
    DiagnosticCode,
    is_degraded,
)
from stormplan.planning.forecast_diagnostics import PlanVerdict
from stormplan.planning.plan_diff import Change
from stormplan.planning.plan_lines import SeriesLines, SiteLines, TextLines, split_document
from stormplan.planning.source_choice import SourceChoice
from stormplan.planning.source_comparison import SourceDifference
from stormplan.treatment.records import Treatment
from stormplan.weather.alerts import Alert

SCHEMA_VERSION = "2"
#: With more, the briefing is an index, each yard has a page of its own, and the plan is lines.
MANY_SITES = 500

#: What the model leaves out; every plan says so.
MODEL_LIMITATIONS = (
    "How much ice a vehicle surface tolerates is an assumption of policy, not a published number.",
    "We assume that a plow leaves about 3/4 in (20 mm) of loose snow, a broom 1/5 in (5 mm).",
    "Where the record says nothing, surfaces are taken to be plowed at the trigger and cleared to"
    " the pavement after each storm.",
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
    """The forecast a site was planned from.

    Attributes
    ----------
    source : str
        Key of the source in the sites file.
    cell : str
        The source's own name of the grid cell.
    issued_at, fetched_at : datetime
        When the source issued the forecast and when it was received, UTC.
    known_until : datetime or None
        End of the last hour it has an air temperature for, UTC; None if it has none.
    stale : bool
        True where it stands in for one that could not be fetched, or is older than policy allows.
    credit : str
        Attribution that the source's license asks for.
    forecast_id : str or None
        Key of its hours among the plan's ``forecasts``.
    """

    source: str
    cell: str
    forecast_id: str = ""
    issued_at: AwareDatetime
    fetched_at: AwareDatetime
    known_until: AwareDatetime | None
    stale: bool
    credit: str


class ForecastSeries(Record):
    """The hours of one forecast as they were used, from the plan's first hour to the last known.

    Each of ``values`` is one variable by its name, which ends in its unit; None where unknown.
    Amounts are the control member's (the forecast itself, where it has one voice), so that their
    sums are what the source said. ``flags`` are the names of what is not as the source's newest
    copy gave it, by variable and hour; a variable that is as given throughout is absent.

    Attributes
    ----------
    start : datetime
        Start of the first hour, UTC.
    member_count : int
        How many members the forecast has.
    values : mapping
        One series for each variable, by its name; None where unknown.
    flags : mapping
        For each variable the names of how its hours came about, where they were not simply read.
    """

    start: AwareDatetime
    member_count: int
    values: dict[str, tuple[float | None, ...]]
    flags: dict[str, tuple[tuple[str, ...], ...]]


class HourlySeries(Record):
    """Hourly values of one computational column; None where not known.

    Temperatures, dew point and wind are medians over the members; rain, snow, freezing rain and
    sleet are those of the control member, whose sums are the forecast's own.

    Attributes
    ----------
    start : datetime
        Start of the first hour, UTC; one value for each hour from it.
    air_c, dew_point_c : tuple of float or None
        Air temperature and dew point at 2 m [°C].
    surface_c : tuple of float or None
        Pavement surface, mean of the hour [°C].
    surface_p10_c, surface_p90_c : tuple of float or None
        Ends of the interval in which the surface lies four times in five [°C].
    prob_below_freezing : tuple of float or None
        Probability that the surface is below 0 °C [-].
    prob_frost : tuple of float or None
        Probability that it is below freezing and below the frost point [-].
    wind_ms : tuple of float or None
        Wind at 10 m [m/s].
    rain_mm, freezing_rain_mm, sleet_mm : tuple of float or None
        Rain, freezing rain and sleet in the hour, as water [mm].
    snowfall_swe_mm : tuple of float or None
        Snow in the hour, as water [mm].
    snowfall_cm : tuple of float or None
        New snow in the hour [cm].
    hazard : tuple of str or None
        Hazard of the hour; None in an hour without one.
    cloud_frac : tuple of float or None
        Total cloud [-].
    air_mean_c : tuple of float or None
        Mean air of the five days before, of as much as is known [°C].
    night_offset_k : tuple of float or None
        What the surface's readings moved ``surface_c`` by; empty where nobody has read it [K].
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
    cloud_frac: tuple[float | None, ...] = ()
    air_mean_c: tuple[float | None, ...] = ()
    night_offset_k: tuple[float | None, ...] = ()


class ClientPlan(Record):
    """A client, its contact and its sites.

    Attributes
    ----------
    key : str
        Key in the sites file.
    name : str
        Name as people say it.
    contact : str or None
        Address of the client; None where the sites file has none.
    phone : str or None
        Number of the client; None where the sites file has none.
    contact_by : str
        How the client wants to be told.
    notice_probability : float
        Lowest chance that the client is told of [-].
    notice_likely_from : float
        Chance from which what comes is called likely [-].
    sites : tuple of str
        Keys of its sites.
    """

    key: str
    name: str
    contact: str | None
    phone: str | None
    contact_by: Literal["mail", "text", "call"]
    notice_probability: float
    notice_likely_from: float
    sites: tuple[str, ...]


class RefreezePeriod(Record):
    """A period in which a surface can refreeze, and the water that freezes.

    Attributes
    ----------
    start, end : datetime
        First moment and end of the period, UTC.
    probability : float
        Highest probability of its hours, untreated or as any planned visit leaves it [-].
    probability_as_planned : float or None
        Once all that is planned is done; None where nothing is put down [-].
    water_source : str
        Where the water comes from.
    """

    start: AwareDatetime
    end: AwareDatetime
    probability: float
    probability_as_planned: float | None = None
    water_source: Literal["water off a snow pile", "standing water", "what the storm leaves"]


class NightBiasRecord(Record):
    """The night bias of a surface from its own readings.

    Attributes
    ----------
    offset_k : float
        Added to the modeled pavement temperature by night, mean of the next day's night hours [K].
    reading_count : int
        Night readings it stands on [-].
    error_k : float or None
        Standard deviation of the model's error that they leave, in the same hours [K].
    """

    offset_k: float
    reading_count: int
    error_k: float | None = None


class RecordState(Record):
    """What of the record the plan of a surface starts from.

    Attributes
    ----------
    inspected_at : datetime or None
        When it was last seen, UTC.
    condition : str
        What was seen then; empty where nobody looked.
    plowed_at : datetime or None
        When it was last plowed or shoveled, UTC.
    treated_at : datetime or None
        When something was last put down, UTC.
    unused_at : datetime or None
        When the last entry was made that does not count, because the weather since is not known,
        UTC; None where every entry of the last three days counts.
    """

    inspected_at: AwareDatetime | None
    condition: str
    plowed_at: AwareDatetime | None
    treated_at: AwareDatetime | None
    unused_at: AwareDatetime | None


class SurfacePlan(Record):
    """One surface: treatments, refreeze periods and forecast gaps.

    Attributes
    ----------
    key, name : str
        Key in the sites file, and what people call it.
    surface_class : str
        Key of the surface class.
    area_m2 : float
        Treated area [m²].
    hourly_id : str
        Key of its series in the plan's ``hourly``.
    min_pavement_temp_c : float or None
        Lowest pavement temperature within the horizon [°C]; None where not known.
    treatments : tuple of Treatment
        What is done, one record for each event in order of time.
    refreeze_periods : tuple of RefreezePeriod
        When what lies there can freeze back.
    forecast_gaps : tuple of ForecastGap
        What the forecast does not say, and for how long.
    night_bias : NightBiasRecord or None
        Correction from the surface's own readings; None where nobody has read it.
    record : RecordState or None
        What the record last says of it; None where it says nothing.
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
    record: RecordState | None = None


class SitePlan(Record):
    """One site: forecast source and surfaces.

    Attributes
    ----------
    key, name : str
        Key in the sites file, and what people call it.
    client, yard : str
        Key of its client and of the yard that serves it.
    priority : int
        Order in which sites are served, 1 first [-].
    timezone : str
        Time zone of the site, an IANA name.
    latitude_deg, longitude_deg : float
        Place, north and east positive [°].
    source : SourceRecord or None
        Forecast it was planned from; None without one.
    crew_weather : tuple of CrewWeatherWindow
        Air weather that concerns crews and equipment.
    chloride_kg : float
        Chloride that the plan puts down there [kg].
    chloride_dilution_l : float
        Clean water that it could raise to the chronic criterion of 230 mg/L (EPA 440/5-88-001)
        [L].
    surfaces : tuple of SurfacePlan
        Its surfaces.
    other_sources : tuple of SourceDifference
        What the forecasts that were not followed come to.
    source_choice : str
        Why this source was followed: it is the preferred one, or the more cautious one.
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


class CancelledEntry(Record):
    """A calendar entry of an earlier plan that is not wanted any more.

    Attributes
    ----------
    uid : str
        Its identity.
    summary : str
        What was to be done where.
    start, end : datetime
        Its hours, UTC.
    """

    uid: str
    summary: str
    start: AwareDatetime
    end: AwareDatetime


class Plan(Record):
    """The plan of all sites and yards at one time.

    Attributes
    ----------
    schema_version : str
        Version of this document.
    made_at : datetime
        Moment of planning, UTC.
    planned_until : datetime
        End of the horizon, UTC.
    company : str
        Name of the company.
    timezone : str
        Its time zone, an IANA name.
    units : str
        Units of the reports; every number of this document is SI.
    currency : str
        Currency of every cost, as the sites file writes it.
    verdict : str
        ``go`` when something is to be done about an event within a day, ``wait`` when something
        may have to be, ``unknown`` when nothing is to be done as far as is known, but a site has no
        forecast, or precipitation or pavement of a likely cold hour is not known; ``nothing``
        otherwise.
    first_start : datetime or None
        Earliest moment at which work begins, UTC; None without work.
    priority_sites : tuple of str
        Keys of the sites of highest priority, hazard and urgency, three at most.
    diagnostics : tuple of Diagnostic
        What a reader must know about the plan and the run that made it; without a degraded or
        failed one it is a complete plan.
    sites : tuple of SitePlan
        Every site, in order of priority.
    yards : tuple of YardMix
        Every yard with what it mixes and loads.
    orders : tuple of OrderAdvice
        Salt and products that yards order, each with the figures behind it; none to order has no
        lots.
    clients : tuple of ClientPlan
        Every client.
    contact : str or None
        The company's own contact; None where the sites file has none.
    phone : str or None
        The number clients call; None where the sites file has none.
    hourly : mapping of str to HourlySeries
        Hourly values by computational column; surfaces name theirs in ``hourly_id``.
    forecasts : mapping of str to ForecastSeries
        The forecasts as they were used, by the key that a site's source names.
    passes : tuple of PassSchedule
        Rounds in and after the storm of the yards that name plows or spreaders.
    alerts : tuple of Alert
        Official alerts for the sites; they had no say in the plan.
    changes : tuple of Change
        Differences to the plan announced before.
    cancelled_entries : tuple of CancelledEntry
        Calendar entries of earlier plans that are still to come and not wanted any more.
    model_limitations : tuple of str
        What the model leaves out.
    cautions : tuple of str
        What to mind at work.
    lines_file : str or None
        File beside this one that holds ``sites``, ``hourly`` and ``forecasts`` of a plan of more
        than 500 sites, a ``PlanPart`` each line; they are empty here then. None where they stand
        here.
    line_count : int
        How many lines that file has [-].
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
    diagnostics: tuple[Diagnostic, ...]
    sites: tuple[SitePlan, ...]
    yards: tuple[YardMix, ...]
    orders: tuple[OrderAdvice, ...] = ()
    clients: tuple[ClientPlan, ...] = ()
    contact: str | None = None
    phone: str | None = None
    hourly: dict[str, HourlySeries]
    forecasts: dict[str, ForecastSeries] = Field(default_factory=dict)
    passes: tuple[PassSchedule, ...] = ()
    alerts: tuple[Alert, ...] = ()
    changes: tuple[Change, ...] = ()
    cancelled_entries: tuple[CancelledEntry, ...] = ()
    model_limitations: tuple[str, ...] = MODEL_LIMITATIONS
    cautions: tuple[str, ...] = CAUTIONS
    lines_file: str | None = None
    line_count: int = 0

    @property
    def exit_code(self) -> ExitCode:
        """The exit code of the command line."""
        if not self.has_forecast:
            return ExitCode.NOTHING_PLANNED
        return ExitCode.DEGRADED if is_degraded(self.diagnostics) else ExitCode.COMPLETE

    @property
    def has_forecast(self) -> bool:
        """Whether any site has a forecast."""
        return any(site.source is not None for site in self.sites)

    @property
    def unknown_sites(self) -> tuple[str, ...]:
        """Keys of the sites for which "nothing to do" is not known, in the order of the plan."""
        unknown = {one.site for one in self.diagnostics if one.code in UNKNOWN_HAZARD_CODES}
        return tuple(site.key for site in self.sites if site.key in unknown)

    def no_forecast_reason(self, site: str) -> str | None:
        """Return why a site, by its key, has no forecast; None where it has one."""
        for item in self.diagnostics:
            if item.code is DiagnosticCode.NO_FORECAST and item.site == site:
                return item.text("reason")
        return None

    def with_diagnostics(self, *more: Diagnostic) -> Plan:
        """Return the plan with more diagnostics."""
        return self.model_copy(update={"diagnostics": (*self.diagnostics, *more)})


def current_document(document: str) -> dict[str, Any] | None:
    """Return a stored plan as plain data; None if it is of another schema version.

    Of very many sites, sites and hours are read as they are asked for.
    """
    head, parts = split_document(document)
    found: dict[str, Any] = json.loads(head)
    if isinstance(parts, TextLines):
        found |= {"sites": SiteLines(parts)}
        found |= {section: SeriesLines(parts, section) for section in ("hourly", "forecasts")}
    return found if found.get("schema_version") == SCHEMA_VERSION else None
