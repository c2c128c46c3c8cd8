"""Why each plan was made, and what became of handing it to somebody.

The memory of the routine: which local days have had their briefing, which plan was last announced,
and for every plan and recipient how far the delivery has come. Rows are only added. A delivery is
``sent`` at most once: the file itself refuses a second time.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any, Literal
from zoneinfo import ZoneInfo

from stormplan.store.archive import Archive, stamp, unpack

Kind = Literal["briefing", "storm", "asked"]
#: ``queued`` nobody tried yet; ``handing over`` the last word that makes it count is being said;
#: ``sent`` accepted; ``failed`` may be tried again; ``refused`` will not be accepted; ``gave up``
#: failed too long; ``superseded`` a newer plan was announced before it got through.
State = Literal["queued", "handing over", "sent", "failed", "refused", "gave up", "superseded"]

OPEN: tuple[State, ...] = ("queued", "failed")
CHANNELS = ("mail", "webhook", "command")


@dataclass(frozen=True)
class Run:
    """A plan as it was issued, and why.

    Attributes
    ----------
    plan : int
        Its row in the archive [-].
    kind : str
        ``"briefing"`` the morning's, ``"storm"`` a re-plan, ``"asked"`` by hand [-].
    day : date or None
        Local day of a briefing [-].
    announced : bool
        Whether everybody was told [-].
    made_at : datetime
        Moment of planning, aware UTC [-].
    document : str
        The plan as JSON [-].
    """

    plan: int
    kind: Kind
    day: date | None
    announced: bool
    made_at: datetime
    document: str


@dataclass(frozen=True)
class Standing:
    """How far one delivery has come: its last state, what was said, when, and how many failures."""

    plan: int
    channel: str
    recipient: str
    state: State
    said: str
    at: datetime
    failures: int = 0

    @property
    def in_doubt(self) -> bool:
        """Interrupted in the one step after which it counts: sent or not, nobody knows."""
        return self.state == "handing over"


_RUN = (
    "SELECT plan.id, run.kind, run.day, run.announced, plan.made_at, plan.document "
    "FROM run JOIN plan ON plan.id = run.plan "
)


class Ledger:
    """Runs and deliveries in an archive.

    Parameters
    ----------
    archive : Archive
        The file they are kept in [-].
    """

    def __init__(self, archive: Archive) -> None:
        self.archive = archive

    def keep(
        self,
        document: str,
        made_at: datetime,
        kind: Kind,
        *,
        day: date | None = None,
        announced: bool = True,
        queue: Iterable[tuple[str, str]] = (),
    ) -> int:
        """Add a plan, why it was made, and who is to get it: all of it or nothing.

        Parameters
        ----------
        document : str
            The plan as JSON [-].
        made_at : datetime
            Moment of planning, aware [-].
        kind, day, announced
            See ``Run`` [-].
        queue : iterable of (str, str)
            Channel and recipient of every delivery [-].

        Returns
        -------
        int
            Its row.

        Raises
        ------
        ArchiveError
            Also if that day has had its briefing.
        """
        with self.archive.together():
            plan = self.archive.keep_plan(made_at, document)
            self.archive.add(
                "INSERT INTO run (plan, kind, day, announced, made_at) VALUES (?, ?, ?, ?, ?)",
                plan,
                kind,
                None if day is None else day.isoformat(),
                int(announced),
                stamp(made_at),
            )
            for channel, recipient in queue:
                self.note(plan, channel, recipient, "queued", "", made_at)
        return plan

    def note(
        self, plan: int, channel: str, recipient: str, state: State, said: str, at: datetime
    ) -> None:
        """Add how far a delivery has come."""
        self.archive.add(
            "INSERT INTO delivery (plan, channel, recipient, state, said, at) "
            "VALUES (?, ?, ?, ?, ?, ?)",
            plan,
            channel,
            recipient,
            state,
            said,
            stamp(at),
        )

    def briefed(self, day: date) -> bool:
        """Tell whether a local day has had its briefing."""
        found = self.archive.newest(
            "SELECT 1 FROM run WHERE kind = 'briefing' AND day = ?", day.isoformat()
        )
        return found is not None

    def last_run(self) -> Run | None:
        """Find the newest plan of the routine, whether announced or not; None if there is none."""
        return _run(self.archive.newest(_RUN + "WHERE kind <> 'asked' ORDER BY plan.id DESC"))

    def last_announced(self, before: datetime | None = None) -> Run | None:
        """Find the newest plan that was announced, up to a moment; None if there is none."""
        if before is None:
            return _run(self.archive.newest(_RUN + "WHERE announced = 1 ORDER BY plan.id DESC"))
        return _run(
            self.archive.newest(
                _RUN + "WHERE announced = 1 AND plan.made_at < ? ORDER BY plan.id DESC",
                stamp(before),
            )
        )

    def briefing_of(self, day: date) -> Run | None:
        """Find the briefing of a local day; None if it had none."""
        return _run(
            self.archive.newest(_RUN + "WHERE kind = 'briefing' AND day = ?", day.isoformat())
        )

    def made_at(self, moment: datetime) -> Run | None:
        """Find the plan made at exactly a moment; None if there is none."""
        return _run(
            self.archive.newest(_RUN + "WHERE plan.made_at = ? ORDER BY plan.id", stamp(moment))
        )

    def last_made_on(self, day: date, zone: ZoneInfo) -> Run | None:
        """Find the last plan made on a local day, for whatever reason; None if there is none."""
        start = datetime.combine(day, time(0), zone)
        end = datetime.combine(day + timedelta(days=1), time(0), zone)
        return _run(
            self.archive.newest(
                _RUN + "WHERE plan.made_at >= ? AND plan.made_at < ? ORDER BY plan.id DESC",
                stamp(start),
                stamp(end),
            )
        )

    def standings(self, plan: int) -> list[Standing]:
        """Say how far every delivery of a plan has come, in the order they were queued."""
        found: dict[tuple[str, str], Standing] = {}
        for channel, recipient, state, said, at in self.archive.rows(
            "SELECT channel, recipient, state, said, at FROM delivery WHERE plan = ? ORDER BY id",
            plan,
        ):
            before = found.get((channel, recipient))
            failures = (before.failures if before else 0) + (state == "failed")
            found[channel, recipient] = Standing(
                plan, channel, recipient, state, said, datetime.fromisoformat(at), failures
            )
        return list(found.values())

    def unfinished(self, before_plan: int) -> list[Standing]:
        """List deliveries of earlier plans that are still open."""
        plans = self.archive.rows(
            "SELECT DISTINCT plan FROM delivery AS late WHERE plan < ? AND state IN "
            "('queued', 'failed') AND id = (SELECT max(id) FROM delivery AS last WHERE "
            "last.plan = late.plan AND last.channel = late.channel "
            "AND last.recipient = late.recipient)",
            before_plan,
        )
        return [
            standing
            for (plan,) in plans
            for standing in self.standings(plan)
            if standing.state in OPEN
        ]


def _run(row: tuple[Any, ...] | None) -> Run | None:
    if row is None:
        return None
    plan, kind, day, announced, made_at, document = row
    return Run(
        plan,
        kind,
        None if day is None else date.fromisoformat(day),
        bool(announced),
        datetime.fromisoformat(made_at),
        unpack(document),
    )
