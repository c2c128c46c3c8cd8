"""The packet of one site and day: everything that was known, planned, done and seen, in one folder.

For a claim or a client: the forecast as known then, the plan as issued, the entries with the hashes
of their photos, readings, and the links that prove that none was changed since.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from stormplan.company.sites import Sites
from stormplan.errors import InputError
from stormplan.planning.plan import current_document
from stormplan.record.completeness import MissingItem, RuleSet, missing_items
from stormplan.record.entries import (
    SITE_ENTRIES,
    SURFACE_ENTRIES,
    Entry,
    NoticeSent,
    Void,
    write_entry,
)
from stormplan.store.archive import Archive
from stormplan.store.photos import find_photo, photo_folder
from stormplan.store.record_log import RecordLog
from stormplan.store.report_folders import write_atomic
from stormplan.store.run_log import RunLog
from stormplan.verification import reading_log
from stormplan.words import packet_page
from stormplan.words.record_export import entries_csv


@dataclass(frozen=True)
class DayOfSite:
    """A local day of a site, and what was in the archive of it.

    Attributes
    ----------
    site : str
        Key of the site.
    start, end : datetime
        The local day, UTC.
    entries : tuple of Entry
        What the record has of the site in it, voided ones and their voids included, and notices
        to its client.
    plan : dict or None
        The plan issued last before the day's first work, else of the day; None without one.
    """

    site: str
    start: datetime
    end: datetime
    entries: tuple[Entry, ...]
    plan: dict[str, Any] | None

    @property
    def forecast(self) -> dict[str, Any] | None:
        """The hours of the forecast that the plan stood on; None without one."""
        mine = self.site_plan
        if self.plan is None or mine is None or mine["source"] is None:
            return None
        found: dict[str, Any] | None = self.plan["forecasts"].get(mine["source"]["forecast_id"])
        return found

    @property
    def site_plan(self) -> dict[str, Any] | None:
        """The site's part of the plan; None where the plan does not have the site."""
        if self.plan is None:
            return None
        return next((one for one in self.plan["sites"] if one["key"] == self.site), None)

    @property
    def is_weather_archived(self) -> bool:
        """Whether the forecast as known then reaches into the day."""
        return self.forecast is not None


def day_of_site(
    sites: Sites, archive: Archive, record: Sequence[Entry], site: str, day: date
) -> DayOfSite:
    """Return what is known of a site's local day.

    Raises
    ------
    InputError
        There is no such site.
    """
    if site not in sites.sites:
        raise InputError(f"no site '{site}'; accepted: {', '.join(sorted(sites.sites))}")
    zone = sites.zone(sites.sites[site])
    start = datetime(day.year, day.month, day.day, tzinfo=zone).astimezone(UTC)
    following = day + timedelta(days=1)
    end = datetime(following.year, following.month, following.day, tzinfo=zone).astimezone(UTC)
    client = sites.sites[site].client
    mine = [
        one
        for one in record
        if start <= one.at < end
        and (
            (isinstance(one, (*SURFACE_ENTRIES, *SITE_ENTRIES)) and one.site == site)
            or (isinstance(one, NoticeSent) and one.client == client)
        )
    ]
    ids = {one.id for one in mine}
    voids = [one for one in record if isinstance(one, Void) and one.voids in ids]
    entries = tuple(sorted((*mine, *voids), key=lambda one: (one.at, one.id)))
    return DayOfSite(site, start, end, entries, _issued(archive, sites, entries, start, day))


def _issued(
    archive: Archive, sites: Sites, entries: Sequence[Entry], start: datetime, day: date
) -> dict[str, Any] | None:
    """Return the plan that stood when work began; else the last one of the day, or before it."""
    log = RunLog(archive)
    first = min((one.at for one in entries if isinstance(one, SURFACE_ENTRIES)), default=None)
    run = None if first is None else log.last_announced(first)
    run = run or log.briefing_of(day) or log.last_run_on(day, ZoneInfo(sites.company.timezone))
    if run is None or run.made_at < start - timedelta(days=3):
        return None
    document: dict[str, Any] | None = current_document(run.text)
    return document


def day_missing(
    day: DayOfSite, rules: RuleSet, record: Sequence[Entry], sites: Sites
) -> list[MissingItem]:
    """Return what the record of the day lacks by a rule set."""
    return missing_items(
        rules,
        record,
        day.site,
        day.start,
        day.end,
        practice=sites.practice(),
        is_weather_archived=day.is_weather_archived,
    )


def write_packet(
    sites: Sites,
    archive: Archive,
    record: Sequence[Entry],
    day: DayOfSite,
    rules: RuleSet | None,
    folder: Path,
    sites_folder: Path,
) -> list[Path]:
    """Write the packet of a site's day.

    Parameters
    ----------
    sites : Sites
        The sites file.
    archive : Archive
        Where plans and record are.
    record : sequence of Entry
        The whole record.
    day : DayOfSite
        The day.
    rules : RuleSet or None
        By which to say what is missing.
    folder : Path
        Where to; made if it is not there.
    sites_folder : Path
        Where the sites file is: its relative paths start there.

    Returns
    -------
    list of Path
        What was written, the page first.
    """
    log = RecordLog(archive)
    ids = {one.id for one in day.entries}
    readings = (
        []
        if sites.readings is None or not (sites_folder / sites.readings).exists()
        else [
            one
            for one in reading_log.load_readings(sites_folder / sites.readings)
            if one.site == day.site and day.start <= one.time < day.end
        ]
    )
    packet = {
        "company": sites.company.name,
        "site": day.site,
        "name": sites.sites[day.site].name,
        "timezone": str(sites.zone(sites.sites[day.site])),
        "start": day.start.isoformat(),
        "end": day.end.isoformat(),
        "plan_made_at": None if day.plan is None else day.plan["made_at"],
        "plan": day.site_plan,
        "forecast": day.forecast,
        "entries": [json.loads(write_entry(one)) for one in day.entries],
        "readings": [one.model_dump(mode="json") for one in readings],
        "missing": None
        if rules is None
        else {
            "rules": rules.name,
            "source": rules.source,
            "items": [[one.item, one.entry] for one in day_missing(day, rules, record, sites)],
        },
        "chain": {
            "links": [
                {"id": key, "recorded_at": stamp, "link": link}
                for key, stamp, link in log.links()
                if key in ids
            ],
            "entries_in_record": len(log.links()),
            "last_link": log.last_link(),
            "first_broken_link": log.first_broken_link(),
            "method": "SHA-256 of the link before, when it was added, and the entry's JSON,"
            " each on a line of its own",
        },
    }
    try:
        folder.mkdir(parents=True, exist_ok=True)
        return [
            write_atomic(
                folder / "packet.html", packet_page.render_html(packet, day.entries, sites)
            ),
            write_atomic(folder / "packet.json", json.dumps(packet, indent=1, ensure_ascii=False)),
            write_atomic(folder / "entries.csv", entries_csv(day.entries, sites)),
            *_copied_photos(day.entries, Path(archive.path), folder),
        ]
    except OSError as error:
        raise InputError(f"cannot write to {folder}: {error.strerror}") from error


def _copied_photos(entries: Sequence[Entry], archive: Path, folder: Path) -> list[Path]:
    """Copy the photos that are kept as they were; the page has the hashes of all."""
    found = []
    for sha256 in dict.fromkeys(photo.sha256 for one in entries for photo in one.photos):
        photo = find_photo(photo_folder(archive), sha256)
        if photo is not None:
            (folder / "photos").mkdir(exist_ok=True)
            found.append(Path(shutil.copyfile(photo, folder / "photos" / photo.name)))
    return found
