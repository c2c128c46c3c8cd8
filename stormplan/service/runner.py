"""The run that nobody starts: plan, keep, write, tell, and carry on wherever it was cut off.

``step`` does what is due and tells when to come back. It may be killed at any moment: what is
kept in the archive decides what the next step still has to do. What cannot be had or written does
not stop the rest; it is said in the plan.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from pydantic import ValidationError

from stormplan.company.sites import Sites
from stormplan.delivery import outbox
from stormplan.delivery.outbox import Clock
from stormplan.delivery.transports import Parcel
from stormplan.errors import ArchiveError, Exit, InputError
from stormplan.planning import plan_diff
from stormplan.planning.plan import Plan
from stormplan.service import due, pipeline
from stormplan.service.due import Due, Last, Routine
from stormplan.store import maintenance, report_folders
from stormplan.store.archive import IN_MEMORY, Archive
from stormplan.store.run_log import OPEN, Ledger, Run, Standing
from stormplan.weather.http_client import Manners
from stormplan.words import briefing

CLOCK_BACK = timedelta(hours=1)  # a plan from the future: the clock was or is wrong
ROOM_BYTES = 5_000_000  # what a set of reports may need
LOCK_WAIT_S = 60.0
NOT_ATTACHED = ("briefing.txt", "plan.json")  # the one is the mail itself, the other for programs


def _utc_now() -> datetime:
    return datetime.now(UTC)


@dataclass
class Desk:
    """Where the routine works.

    Attributes
    ----------
    sites : Sites
        The sites file [-].
    out : Path
        Folder of the sets of reports [-].
    archive : Path
        The archive file [-].
    clock : callable
        Gives the moment, aware UTC [-].
    manners : Manners, optional
        How patiently services are asked [-].
    busy_s : float
        How long to wait for the archive [s].
    folder : Path
        Where the sites file is: its relative paths start there [-].
    troubles : tuple of str
        What the reader of the next plan must know about the desk itself [-].
    spare : Archive or None
        Remembers in memory while the file cannot be written [-].
    """

    sites: Sites
    out: Path
    archive: Path
    clock: Clock = _utc_now
    manners: Manners | None = None
    busy_s: float = 10.0
    folder: Path = Path()
    troubles: tuple[str, ...] = ()
    spare: Archive | None = None

    @property
    def routine(self) -> Routine:
        """When this company wants its plans."""
        company, watch = self.sites.company, self.sites.watch
        return Routine(
            at=company.briefing_at,
            zone=ZoneInfo(company.timezone),
            jitter=timedelta(hours=watch.jitter_h),
            storm_interval=timedelta(hours=watch.storm_interval_h),
            who=company.contact,
        )


@dataclass(frozen=True)
class Done:
    """What one step did.

    Attributes
    ----------
    plan : Plan or None
        The plan it made, if one was due [-].
    kind : str
        ``"briefing"``, ``"storm"``, or ``""`` [-].
    announced : bool
        Whether everybody is told [-].
    standings : tuple of Standing
        How far deliveries have come [-].
    problems : tuple of str
        What went wrong and could not be said in the plan itself [-].
    next_at : datetime
        When to come back, aware UTC [-].
    """

    next_at: datetime
    plan: Plan | None = None
    kind: str = ""
    announced: bool = False
    standings: tuple[Standing, ...] = ()
    problems: tuple[str, ...] = ()


@dataclass
class _Shift:
    """One step at work: the archive it found, and what went wrong so far."""

    desk: Desk
    now: datetime
    archive: Archive
    troubles: list[str] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)
    forgetful: bool = False  # knows of no plan made since the file became unusable

    @property
    def ledger(self) -> Ledger:
        return Ledger(self.archive)

    def without_file(self, error: ArchiveError) -> None:
        """Go on in memory: the file failed in the middle."""
        self.archive.close()
        self.archive = self.desk.spare = maintenance.stand_in(self.desk.archive)
        self.troubles.append(f"{error}; nothing learned this time will be remembered")


def step(desk: Desk) -> Done:
    """Do what is due now: finish what was cut off, plan if it is time, try deliveries again.

    Parameters
    ----------
    desk : Desk
        Where to work [-].

    Returns
    -------
    Done
        What was done, and when to come back.

    Raises
    ------
    InputError
        Another run is at work.
    """
    with _holding(desk) as troubles:
        shift = _begin(desk, desk.clock())
        shift.troubles += [*troubles, *desk.troubles]
        try:
            return _step(shift)
        finally:
            if shift.archive is not desk.spare:
                shift.archive.close()


def _begin(desk: Desk, now: datetime) -> _Shift:
    """Open the archive, or go on with what is remembered while it cannot be used."""
    archive, wrong = maintenance.open_in_spite(desk.archive, now, desk.busy_s)
    troubles = [wrong] if wrong else []
    if archive.path != IN_MEMORY:
        if desk.spare is not None:
            maintenance.carry_over(desk.spare, archive)
            desk.spare.close()
            desk.spare = None
        return _Shift(desk, now, archive, troubles)
    if desk.spare is not None:
        archive.close()
        return _Shift(desk, now, desk.spare, troubles)
    desk.spare = archive
    return _Shift(desk, now, archive, troubles, forgetful=True)


@contextmanager
def _holding(desk: Desk) -> Iterator[list[str]]:
    """Hold the folder for one run; one that cannot even be held is a trouble, not the end."""
    try:
        desk.out.mkdir(parents=True, exist_ok=True)
        usable = os.access(desk.out, os.W_OK)
    except OSError:
        usable = False
    if not usable:
        yield [f"cannot write to {desk.out}: the reports are in the mail only"]
        return
    with report_folders.one_at_a_time(desk.out, LOCK_WAIT_S):
        yield []


def _step(shift: _Shift) -> Done:
    desk = shift.desk
    found = _due(shift)
    if found is None:
        run = shift.ledger.last_announced()
        standings = _finish(shift, run) if run is not None else ()
        return Done(_next(shift, run), standings=standings, problems=tuple(shift.problems))
    plan = _plan(shift, found)
    announced = found.kind == "briefing" or plan_diff.is_material(plan.changes)
    run = _keep(shift, plan, found, announced)
    standings = ()
    if announced:
        outbox.supersede(shift.ledger, run.plan, desk.clock)
        standings = _finish(shift, run, plan)
    else:
        _publish(shift, plan, run.document, pipeline.reports(plan))
    _heartbeat_file(shift, plan, found)
    return Done(_next(shift, run), plan, found.kind, announced, standings, tuple(shift.problems))


def _last(run: Run | None) -> Last | None:
    if run is None:
        return None
    document = json.loads(run.document)
    return Last(
        made_at=run.made_at,
        ahead=document["verdict"] != "nothing",
        unplanned=any(site["source"] is None for site in document["sites"]),
    )


def _due(shift: _Shift) -> Due | None:
    ledger = shift.ledger
    found = due.due(shift.desk.routine, shift.now, ledger.briefed, _last(ledger.last_run()))
    if shift.forgetful and found is not None and (found.kind != "briefing" or found.late):
        return None  # it may well have been made: only one that is just due is worth a second
    return found


def _next(shift: _Shift, run: Run | None) -> datetime:
    ledger, now = shift.ledger, shift.now
    moments = [due.next_due(shift.desk.routine, now, ledger.briefed, _last(ledger.last_run()))]
    announced = ledger.last_announced() if run is None or not run.announced else run
    if announced is not None:
        again = outbox.next_due(ledger, announced.plan)
        moments += [again] if again is not None else []
    return max(min(moments), now + timedelta(seconds=1))


# -- planning -------------------------------------------------------------------------------------


def _work_out(desk: Desk, archive: Archive, now: datetime) -> Plan:
    return pipeline.work_out(desk.sites, archive, now, manners=desk.manners, folder=desk.folder)


def _plan(shift: _Shift, now_due: Due) -> Plan:
    """Plan, and put beside it what the reader must know about the run itself."""
    desk, now = shift.desk, shift.now
    try:
        plan = _work_out(desk, shift.archive, now)
    except ArchiveError as error:
        shift.without_file(error)
        plan = _work_out(desk, shift.archive, now)
    before = shift.ledger.last_announced()
    troubles, remarks = [*plan.troubles, *shift.troubles, *_whereabouts(shift)], list(plan.remarks)
    if now_due.late:
        minutes = round(now_due.late / timedelta(minutes=1))
        troubles.append(
            f"late by {minutes // 60} h {minutes % 60:02d} min: the program was not running, or "
            "the computer asleep"
        )
    if before is not None:
        newer = before.made_at - now
        if newer > CLOCK_BACK:
            troubles.append(
                f"the clock says {now:%Y-%m-%d %H:%M}Z, but the plan before was made at "
                f"{before.made_at:%Y-%m-%d %H:%M}Z; one of them is wrong"
            )
        undelivered, delivered = outbox.report(shift.ledger.standings(before.plan))
        troubles += undelivered
        remarks += delivered
    plan = plan.model_copy(update={"troubles": tuple(troubles), "remarks": tuple(remarks)})
    if before is None:
        return plan
    return pipeline.compared(plan, before.document, desk.sites)


def _whereabouts(shift: _Shift) -> list[str]:
    """Find out before planning whether the reports can be written, so that the plan can say so."""
    out = shift.desk.out
    if not out.is_dir() or not os.access(out, os.W_OK):
        return []  # said already
    try:
        report_folders.check_room(out, ROOM_BYTES)
    except InputError as error:
        return [f"{error}: the reports are in the mail only, and an older set stays in the folder"]
    return []


def _keep(shift: _Shift, plan: Plan, now_due: Due, announced: bool) -> Run:
    """Put the plan and everybody who is to get it into the archive, in one piece."""
    sites = shift.desk.sites
    document = pipeline.document(plan)
    is_briefing = now_due.kind == "briefing"
    queue = outbox.recipients(sites.delivery, sites.watch, briefing=is_briefing)
    if plan.exit_code == Exit.NOTHING_PLANNED:  # the watcher is to miss its sign
        queue = [(channel, to) for channel, to in queue if channel != "heartbeat"]

    def keep() -> int:
        return shift.ledger.keep(
            document,
            shift.now,
            now_due.kind,
            day=now_due.day,
            announced=announced,
            queue=queue if announced else (),
        )

    try:
        row = keep()
    except ArchiveError as error:
        shift.problems.append(str(error))
        shift.without_file(error)
        row = keep()
    return Run(row, now_due.kind, now_due.day, announced, shift.now, document)


# -- telling --------------------------------------------------------------------------------------


def _finish(shift: _Shift, run: Run, plan: Plan | None = None) -> tuple[Standing, ...]:
    """Write what is not written, send what is not sent; plan and reports made again if need be."""
    ledger = shift.ledger
    name = report_folders.set_name(run.made_at, run.document)
    is_open = any(standing.state in OPEN for standing in ledger.standings(run.plan))
    if plan is None:
        if report_folders.is_published(shift.desk.out, name) and not is_open:
            return tuple(ledger.standings(run.plan))
        plan = _read(shift, run)
        if plan is None:
            return tuple(ledger.standings(run.plan))
    made = pipeline.reports(plan)
    folder = _publish(shift, plan, run.document, made)
    if not is_open:
        return tuple(ledger.standings(run.plan))
    sites = shift.desk.sites
    channels = outbox.open_channels(sites.delivery, sites.watch)
    parcel = pack(plan, run.document, made, folder)
    return tuple(outbox.deliver(ledger, run.plan, parcel, channels, shift.desk.clock))


def _read(shift: _Shift, run: Run) -> Plan | None:
    try:
        return Plan.model_validate_json(run.document)
    except ValidationError:
        shift.problems.append(
            f"the plan of {run.made_at:%Y-%m-%d %H:%M}Z is of another version of stormplan; "
            "it is not sent any more"
        )
        for standing in shift.ledger.standings(run.plan):
            if standing.state in OPEN:
                shift.ledger.note(
                    run.plan,
                    standing.channel,
                    standing.recipient,
                    "gave up",
                    "the plan is of another version of stormplan",
                    shift.now,
                )
        return None


def _publish(shift: _Shift, plan: Plan, document: str, made: Mapping[str, str]) -> Path | None:
    desk = shift.desk
    try:
        return report_folders.publish(
            desk.out,
            report_folders.set_name(plan.made_at, document),
            lambda folder: pipeline.put(made, folder),
            desk.sites.delivery.keep_sets,
        )
    except InputError as error:
        shift.problems.append(str(error))
        return None


def pack(plan: Plan, document: str, made: Mapping[str, str], folder: Path | None) -> Parcel:
    """Pack a plan for handing over.

    Parameters
    ----------
    plan : Plan
        The record [-].
    document : str
        Its JSON, which names the parcel [-].
    made : mapping of str to str
        Its reports by file name [-].
    folder : Path or None
        Where its reports stand [-].

    Returns
    -------
    Parcel
        The same for the same plan.
    """
    shown = briefing.view(plan)
    return Parcel(
        key=hashlib.sha256(document.encode()).hexdigest(),
        subject=f"{shown.verdict}: {shown.headline}"[:150],
        text=made["briefing.txt"],
        html=made["briefing.html"],
        attachments={
            name: text
            for name, text in made.items()
            if name not in NOT_ATTACHED and "/" not in name  # drafts to clients stay in the folder
        },
        summary=summary(plan, shown.headline),
        made_at=plan.made_at,
        folder=folder,
    )


def summary(plan: Plan, headline: str) -> dict[str, object]:
    """Reduce a plan to what another program acts on."""
    short = plan.model_dump(
        mode="json",
        include={
            "schema_version",
            "made_at",
            "planned_until",
            "company",
            "verdict",
            "first_start",
            "matters",
            "degraded",
            "troubles",
            "changes",
            "alerts",
        },
    )
    return {"type": "plan.announced", "headline": headline} | short


def _heartbeat_file(shift: _Shift, plan: Plan, now_due: Due) -> None:
    """Leave a sign that the run happened, for a watcher on this machine."""
    sign = {
        "made_at": plan.made_at.isoformat(),
        "kind": now_due.kind,
        "day": None if now_due.day is None else now_due.day.isoformat(),
        "verdict": plan.verdict,
        "exit_code": int(plan.exit_code),
    }
    try:
        report_folders.put(shift.desk.out / "heartbeat.json", json.dumps(sign) + "\n")
    except OSError as error:
        shift.problems.append(f"no heartbeat in {shift.desk.out}: {error.strerror or error}")
