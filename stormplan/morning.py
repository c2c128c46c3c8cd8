"""One morning, from the sites file to the files a reader opens.

Gathers a forecast for every site, plans, and writes. A site without forecast does not stop the
others; what is missing stands in the plan's headline. Files appear whole or not at all.
"""

from __future__ import annotations

import json
import os
import tempfile
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path

from stormplan import briefing, charts, mixsheet, screen, sitesfile
from stormplan.archive import Archive
from stormplan.errors import InputError
from stormplan.fetch import Fetcher, Manners
from stormplan.plan import Answer, Plan, make_plan
from stormplan.providers import Gathered, Place, gather, open_sources
from stormplan.providers.recorded import Recorded
from stormplan.sites import Sites

DEMO_NOW = datetime(2026, 1, 12, 10, 30, tzinfo=UTC)  # Monday, 04:30 in the demo's zone


def plan_morning(
    sites: Sites,
    archive: Archive,
    now: datetime,
    *,
    offline: bool = False,
    manners: Manners | None = None,
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

    Returns
    -------
    Plan
        Also kept in the archive.
    """
    fetcher = Fetcher(archive, sites.company.contact, manners, offline=offline)
    try:
        sources = open_sources(sites.weather.sources, fetcher, sites.weather.base_urls)
        gathered = gather(sources, _places(sites), now)
    finally:
        fetcher.close()
    plan = make_plan(sites, _answers(gathered), now)
    archive.keep_plan(now, document(plan))
    return plan


def plan_demo(now: datetime = DEMO_NOW) -> Plan:
    """Plan the bundled, invented storm; no network, nothing kept."""
    folder = files("stormplan") / "demo"
    sites = sitesfile.parse((folder / "sites.yaml").read_text(encoding="utf-8"))
    recorded = Recorded(folder, credit="Invented forecast, for demonstration only")
    return make_plan(sites, _answers(gather([recorded], _places(sites), now)), now)


def _places(sites: Sites) -> list[Place]:
    return [Place(key, site.latitude_deg, site.longitude_deg) for key, site in sites.sites.items()]


def _answers(gathered: list[Gathered]) -> dict[str, Answer]:
    return {
        found.place.key: Answer(found.forecast, "; ".join(found.reasons) or None)
        for found in gathered
    }


def document(plan: Plan) -> str:
    """Serialise a plan; unknown numbers become null."""
    return plan.model_dump_json(indent=1)


def schema() -> str:
    """Publish the plan's JSON Schema (draft 2020-12)."""
    described = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **Plan.model_json_schema(mode="serialization"),
    }
    return json.dumps(described, indent=1)


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
    shown = briefing.view(plan)
    strips = charts.strips(plan)
    reports = {
        "briefing.html": briefing.html(
            shown, strips, charts.count_that_matter(plan) - len(strips)
        ),
        "briefing.txt": screen.text(shown),
        "mixsheet.html": mixsheet.html(plan),
        "plan.json": document(plan),
    }
    try:
        folder.mkdir(parents=True, exist_ok=True)
        return [_replace(folder / name, text) for name, text in reports.items()]
    except OSError as error:
        raise InputError(f"cannot write to {folder}: {error.strerror}") from error


def _replace(path: Path, text: str) -> Path:
    """Write beside the file and rename over it, so that nobody ever reads half of it."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as out:
            out.write(text)
            out.flush()
            os.fsync(out.fileno())
        Path(name).chmod(0o644)
        Path(name).replace(path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
    return path
