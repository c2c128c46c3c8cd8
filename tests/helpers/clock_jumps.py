"""Clock jumps: a computer whose clock is wrong for two hours, in some phase of the routine.

Time passes truly from the evening before the first morning to the fourth morning. The weather
service's clock is right. A jump begins at some moment, or inside the first morning's run.
"""

from __future__ import annotations

import hashlib
import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from email.message import EmailMessage
from email.utils import parsedate_to_datetime
from pathlib import Path

from stormplan.service.pipeline import DEMO_NOW
from stormplan.store.archive import Archive
from stormplan.store.run_log import RunLog

from . import service, smtp
from .http_service import WeatherServer
from .service import DAY, HOUR, MINUTE, OWNER, RunningCompany

JUMPS_H = (-48.0, -24.0, -12.0, -1.0, 1.0, 12.0, 24.0, 48.0)
LASTS = 2 * HOUR
MORNINGS = 4  # the one that the jump is about, and three more
WATCHED_H = 12  # after the clock is right again a storm must be planned as ever
MAX_GAP = 6 * HOUR  # the company's storm interval is 3 h, and so are the steps


@dataclass(frozen=True)
class Phase:
    """When a clock jumps.

    Attributes
    ----------
    begins : timedelta
        After the first morning's briefing is due.
    looks : int
        How often the run looks at the clock before it jumps [-].
    mail_waits : bool
        Whether the owner's mail server answers "later" while the clock is wrong.
    """

    begins: timedelta
    looks: int = 0
    mail_waits: bool = False


PHASES: Mapping[str, Phase] = {
    "in the evening before": Phase(-12 * HOUR),
    "before midnight": Phase(-5 * HOUR),
    "an hour before the briefing": Phase(-1 * HOUR),
    "as the briefing is due": Phase(0 * HOUR),
    "after the plan is made": Phase(0 * HOUR, looks=1),
    "between two mails": Phase(0 * HOUR, looks=5),
    "just after the briefing": Phase(5 * MINUTE),
    "while a mail waits": Phase(0 * HOUR, looks=3, mail_waits=True),
    "as the storm's next plan is due": Phase(3 * HOUR),
    "in the afternoon": Phase(9 * HOUR),
}


def briefed_days(archive: Path, mails: list[EmailMessage]) -> Counter[date]:
    """Count the briefings of each local day: by what the archive says a mail was, else by date."""
    known = {}
    with Archive(archive) as kept:
        for (plan,) in kept.fetch_all("SELECT plan FROM run"):
            run = RunLog(kept)._first_run("WHERE plan.id = ?", str(plan))
            assert run is not None
            key = hashlib.sha256(run.document.encode()).hexdigest()
            known[hashlib.sha256(f"{key} {OWNER}".encode()).hexdigest()[:32]] = run
    told: Counter[date] = Counter()
    for mail in mails:
        name = re.match(r"<(\w+)@", mail["Message-ID"])
        assert name is not None
        run = known.get(name[1])
        if run is None:
            told[parsedate_to_datetime(mail["Date"]).date()] += 1
        elif run.kind == "briefing":
            assert run.day is not None
            told[run.day] += 1
    return told


class JumpingClock:
    """A clock that is wrong from a moment, or from some look at it, for two hours."""

    def __init__(self, jump: timedelta, phase: Phase) -> None:
        self.now = DEMO_NOW
        self._jump, self._phase = jump, phase
        self._looks = 0

    @property
    def is_wrong(self) -> bool:
        since = self.now - (DEMO_NOW + self._phase.begins)
        return timedelta(0) <= since < LASTS and self._looks >= self._phase.looks

    def __call__(self) -> datetime:
        moment = self.now + self._jump if self.is_wrong else self.now
        if self.now >= DEMO_NOW + self._phase.begins:
            self._looks += 1
        return moment


def step_times(phase: Phase, mornings: int) -> list[timedelta]:
    """Return the true moments of the steps, after the first morning's briefing is due."""
    morning = [day * DAY + minutes * MINUTE for day in range(mornings) for minutes in (0, 10, 60)]
    jump = [phase.begins + minutes * MINUTE for minutes in (-90, 0, 1, 7, 60, 119, 120, 125)]
    after = [phase.begins + LASTS + hours * HOUR for hours in range(3, WATCHED_H + 1, 3)]
    return sorted({*morning, *jump, *after})


def problems_of_jump(
    company: RunningCompany,
    replay: WeatherServer,
    server: smtp.MailServer,
    jump_h: float,
    phase: Phase,
    mornings: int = MORNINGS,
) -> list[str]:
    """Let mornings pass with a jump in a phase; return what went wrong."""
    clock = JumpingClock(timedelta(hours=jump_h), phase)
    company.config.clock = clock
    problems, last_plan_at = [], None
    mails_by_day: dict[int, int] = {}  # that had come by its end
    watched_from = DEMO_NOW + phase.begins + LASTS
    for after in step_times(phase, mornings):
        clock.now = DEMO_NOW + after
        ahead = timedelta(hours=jump_h) if clock.is_wrong else timedelta(0)
        day = max((clock.now - DEMO_NOW) // DAY, 0)
        service.serve_by_clock(replay, ahead, service.shift_storm(day * DAY))
        waits = phase.mail_waits and phase.begins <= after < phase.begins + LASTS
        server.rcpt_replies[OWNER] = ["451 later"] if waits else ["ok"]
        done = company.step()
        if done.plan is not None:
            last_plan_at = clock.now
        is_watched = watched_from < clock.now <= watched_from + WATCHED_H * HOUR
        if is_watched and last_plan_at is not None and clock.now - last_plan_at > MAX_GAP:
            problems.append(f"a storm is ahead and no plan from {last_plan_at} to {clock.now}")
        mails_by_day[day] = len(server.mails_to(OWNER))
    told = briefed_days(company.config.archive_path, server.mails_to(OWNER))
    for morning in range(mornings):
        day = (DEMO_NOW + morning * DAY).date()
        is_superseded = phase.mail_waits and not told[day] and mails_by_day[morning] > 0
        if told[day] != 1 and not is_superseded:  # by a newer plan, while its mail had to wait
            problems.append(f"{day} was told {told[day]} times")
    names = Counter(mail["Message-ID"] for mail in server.mails_to(OWNER))
    problems += [f"{name} came {times} times" for name, times in names.items() if times > 1]
    return problems
