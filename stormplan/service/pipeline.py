"""One morning, from the sites file to the files a reader opens.

Gathers a forecast for every site, plans, and writes. A site without forecast does not stop the
others; what is missing stands in the plan's headline. Files appear whole or not at all.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import UTC, date, datetime, timedelta
from importlib.resources import files
from pathlib import Path
from zoneinfo import ZoneInfo

from pydantic import ValidationError

from stormplan.company import sites_file
from stormplan.company.practice_rules import Practice
from stormplan.company.sites import Sites
from stormplan.errors import ForecastError, InputError
from stormplan.physics.bias_correction import NO_OFFSETS, Offsets
from stormplan.planning import plan_diff
from stormplan.planning.plan import Plan
from stormplan.planning.planner import Answer, make_plan
from stormplan.store import report_folders
from stormplan.store.archive import Archive
from stormplan.store.run_log import Ledger
from stormplan.verification import error_records, night_bias, reading_log
from stormplan.weather.alerts import Alert
from stormplan.weather.http_client import Fetcher, Manners
from stormplan.weather.providers import Gathered, Place, gather, nws, open_sources
from stormplan.weather.providers.nws_alerts import NwsAlerts
from stormplan.weather.providers.recorded import Recorded
from stormplan.words import briefing, exports, mix_sheet, notices, strip_charts, terminal

CLOCK_OFF = timedelta(minutes=10)  # less is no matter for hourly plans
DEMO_NOW = datetime(2026, 1, 12, 10, 30, tzinfo=UTC)  # Monday, 04:30 in the demo's zone


def plan_morning(
    sites: Sites,
    archive: Archive,
    now: datetime,
    *,
    offline: bool = False,
    manners: Manners | None = None,
    folder: Path = Path(),
    wrong: str | None = None,
) -> Plan:
    """Fetch what is needed and plan every site.

    Parameters
    ----------
    sites : Sites
        The sites file [-].
    archive : Archive
        Where replies are kept, and the plan [-].
    now : datetime
        Moment of planning, aware UTC [-].
    offline : bool
        Ask nobody; plan from the archive alone [-].
    manners : Manners, optional
        How patiently services are asked [-].
    folder : Path
        Where the sites file is: its relative paths start there [-].
    wrong : str, optional
        What is wrong with the archive, for the headline [-].

    Returns
    -------
    Plan
        Also kept in the archive.
    """
    plan = work_out(sites, archive, now, offline=offline, manners=manners, folder=folder)
    if wrong is not None:
        plan = plan.model_copy(update={"troubles": (*plan.troubles, wrong)})
    before = archive.last_plan(now)
    if before is not None:
        plan = compared(plan, before.document, sites)
    Ledger(archive).keep(document(plan), now, "asked", announced=False)
    return plan


def work_out(
    sites: Sites,
    archive: Archive,
    now: datetime,
    *,
    offline: bool = False,
    manners: Manners | None = None,
    folder: Path = Path(),
) -> Plan:
    """Plan as ``plan_morning`` does, but keep only the replies and compare with nothing."""
    fetcher = Fetcher(archive, sites.company.contact, manners, offline=offline)
    try:
        sources = open_sources(sites.weather, fetcher, folder)
        ahead = timedelta(hours=sites.practice().number("horizon"))
        gathered = gather(sources, _places(sites), now, ahead)
        alerts, problem = _alerts(sites, fetcher, now)
    finally:
        fetcher.close()
    offsets, unread = _night_offsets(sites, archive, now, folder)
    own = error_records.records(archive, now)
    plan = make_plan(sites, _answers(gathered), now, offsets=offsets, own=own)
    used = [site.source.source for site in plan.sites if site.source is not None]
    said = (problem, _clock_words(fetcher.clock_off), unread)
    troubles = tuple(words for words in said if words)
    # alerts join when all is decided: they cannot have had a say
    remarks = (*plan.remarks, *error_records.remarks(own, used))
    return plan.model_copy(update={"alerts": alerts, "troubles": troubles, "remarks": remarks})


def replay(sites: Sites, archive: Archive, day: date | datetime, folder: Path = Path()) -> Plan:
    """Plan a past morning again from the archive, and compare with the plan issued then.

    Parameters
    ----------
    sites : Sites
        The sites file of today [-].
    archive : Archive
        What was known then; nothing is added to it [-].
    day : date or datetime
        A local day, whose briefing (or else the company's time) gives the moment; or that moment
        itself, aware [-].
    folder : Path
        Where the sites file is [-].

    Returns
    -------
    Plan
        As of that moment. Its changes are against what was issued then, if anything was.
    """
    ledger = Ledger(archive)
    if isinstance(day, datetime):
        now, issued = day, ledger.made_at(day)
    else:
        issued = ledger.briefing_of(day) or ledger.last_made_on(
            day, ZoneInfo(sites.company.timezone)
        )
        local = datetime.combine(day, sites.company.briefing_at, ZoneInfo(sites.company.timezone))
        now = local.astimezone(UTC) if issued is None else issued.made_at
    plan = work_out(sites, archive, now, offline=True, folder=folder)
    return plan if issued is None else compared(plan, issued.document, sites)


def compared(plan: Plan, before: str, sites: Sites) -> Plan:
    """Add what is different from an earlier plan, given as JSON; from which size is policy."""
    try:
        old = plan_diff.gist(json.loads(before), plan.made_at)
    except (ValueError, LookupError, TypeError):
        told = (*plan.remarks, "the plan before is of another version and was not compared")
        return plan.model_copy(update={"remarks": told})
    new = plan_diff.gist(plan.model_dump(mode="json", exclude={"columns"}), plan.made_at)

    def practice_of(site: str, surface: str) -> Practice:
        return sites.practice(sites.sites[site], sites.sites[site].surfaces[surface])

    found = plan_diff.compare(old, new, sites.practice(), practice_of)
    return plan.model_copy(update={"changes": found})


def _alerts(sites: Sites, fetcher: Fetcher, now: datetime) -> tuple[tuple[Alert, ...], str | None]:
    """Get official alerts where a source has them; else the reason why they are not known."""
    if "nws" not in sites.weather.sources:
        return (), None
    service = NwsAlerts(fetcher, sites.weather.nws.base_url or nws.BASE_URL)
    try:
        found = service.active(_places(sites), now)
        return found, "; ".join(
            f"official alerts may be old: {why}" for why in service.stale
        ) or None
    except ForecastError as error:
        return (), f"official alerts are not known: {error}"


def _night_offsets(
    sites: Sites, archive: Archive, now: datetime, folder: Path
) -> tuple[Offsets, str | None]:
    """Work out what readings taken so far add at night; else the reason why they do not."""
    if sites.readings is None:
        return NO_OFFSETS, None
    try:
        known = reading_log.read(folder / sites.readings)
        return night_bias.offsets(archive, [one for one in known if one.time < now]), None
    except InputError as error:
        return NO_OFFSETS, f"nights are not corrected by readings: {error}"


def _clock_words(off: timedelta | None) -> str | None:
    if off is None or abs(off) < CLOCK_OFF:
        return None
    minutes = round(abs(off) / timedelta(minutes=1))
    return (
        f"this computer's clock is {minutes} min {'ahead of' if off > timedelta(0) else 'behind'}"
        " the weather service's; every time in this plan is off by as much"
    )


def plan_demo(now: datetime = DEMO_NOW) -> Plan:
    """Plan the bundled, invented storm; no network, nothing kept."""
    folder = files("stormplan") / "demo"
    sites = sites_file.parse((folder / "sites.yaml").read_text(encoding="utf-8"))
    recorded = Recorded(folder, credit="Invented forecast, for demonstration only")
    return make_plan(sites, _answers(gather([recorded], _places(sites), now)), now)


def _places(sites: Sites) -> list[Place]:
    return [Place(key, site.latitude_deg, site.longitude_deg) for key, site in sites.sites.items()]


def _answers(gathered: list[Gathered]) -> dict[str, Answer]:
    return {
        found.place.key: Answer(found.forecast, "; ".join(found.reasons) or None, found.others)
        for found in gathered
    }


def document(plan: Plan) -> str:
    """Serialise a plan; unknown numbers become null."""
    return plan.model_dump_json(indent=1)


def read_plan(path: Path) -> Plan:
    """Read a plan back from its file.

    Raises
    ------
    InputError
        It cannot be read, or is no plan of this version.
    """
    try:
        return Plan.model_validate_json(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise InputError(f"cannot read the plan {path}: {error.strerror}") from error
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(map(str, first["loc"]))
        raise InputError(f"{path} is no plan of this version: {where}: {first['msg']}") from error


def schema() -> str:
    """Publish the plan's JSON Schema (draft 2020-12)."""
    described = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **Plan.model_json_schema(mode="serialization"),
    }
    return json.dumps(described, indent=1)


def reports(plan: Plan) -> dict[str, str]:
    """Render every report of a plan: its text by file name, the page first."""
    shown = briefing.view(plan)
    strips = strip_charts.strips(plan)
    return {
        "briefing.html": briefing.html(
            shown, strips, strip_charts.count_that_matter(plan) - len(strips)
        ),
        "briefing.txt": terminal.text(shown),
        "mixsheet.html": mix_sheet.html(plan),
        "notices.html": notices.html(plan),
        **notices.drafts(plan),
        "treatments.csv": exports.treatments_csv(plan),
        "mix.csv": exports.mix_csv(plan.yards, plan.units),
        "refreeze.csv": exports.refreeze_csv(plan),
        "windows.ics": exports.windows_ics(plan),
        "sites.geojson": exports.sites_geojson(plan),
        "plan.json": document(plan),
    }


def write(plan: Plan, folder: Path) -> list[Path]:
    """Write the reports of a plan.

    Parameters
    ----------
    plan : Plan
        The record [-].
    folder : Path
        Where to; made if it is not there [-].

    Returns
    -------
    list of Path
        What was written, the page first.

    Raises
    ------
    InputError
        The folder cannot be written.
    """
    return put(reports(plan), folder)


def put(made: Mapping[str, str], folder: Path) -> list[Path]:
    """Write reports that are made already, as ``write`` does."""
    try:
        for name in made:
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
        return [report_folders.put(folder / name, text) for name, text in made.items()]
    except OSError as error:
        raise InputError(f"cannot write to {folder}: {error.strerror}") from error
