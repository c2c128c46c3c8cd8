"""Run log: why each plan was made, and the state of each of its deliveries.

The memory of the routine: which local days have had their briefing, which plan was last announced,
and for every plan and recipient how far the delivery has come. Rows are only added. A delivery is
``sent`` at most once: the file itself refuses a second time.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from typing import Any, Literal, get_args
from zoneinfo import ZoneInfo

from stormplan.store.archive import (
    DAMAGED_ROW_ERRORS,
    MAX_DAMAGED_ROWS,
    Archive,
    decompress_plan,
    sortable_utc,
)
from stormplan.store.text_chunks import Text, chunks

RunKind = Literal["briefing", "storm", "asked"]
#: ``queued`` nobody tried yet; ``handing over`` the last word that makes it count is being said;
#: ``sent`` accepted; ``failed`` may be tried again; ``refused`` will not be accepted; ``gave up``
#: failed too long; ``superseded`` a newer plan was announced before it got through.
DeliveryState = Literal[
    "queued", "handing over", "sent", "failed", "refused", "gave up", "superseded"
]

#: Of a row whose time is damaged; in no clock's future.
UNKNOWN_MOMENT = datetime(1970, 1, 1, tzinfo=UTC)
OPEN_STATES: tuple[DeliveryState, ...] = ("queued", "failed")
CHANNELS = ("mail", "webhook", "command")


@dataclass(frozen=True)
class Run:
    """A plan as it was issued, and why.

    Attributes
    ----------
    plan_id : int
        Its row in the archive [-].
    kind : str
        ``"briefing"`` the morning's, ``"storm"`` a re-plan, ``"asked"`` by hand.
    day : date or None
        Local day of a briefing.
    announced : bool
        Whether everybody was told.
    made_at : datetime
        Moment of planning, aware UTC.
    document : str or iterable of str
        The plan as JSON; the lines of a plan that was just made.
    """

    plan_id: int
    kind: RunKind
    day: date | None
    announced: bool
    made_at: datetime
    document: Text

    @property
    def text(self) -> str:
        """The whole document."""
        return "".join(chunks(self.document))


@dataclass(frozen=True)
class DeliveryStatus:
    """State of one delivery, its detail and time, and the number of failures."""

    plan_id: int
    channel: str
    recipient: str
    state: DeliveryState
    detail: str
    recorded_at: datetime
    failures: int = 0

    @property
    def outcome_unknown(self) -> bool:
        """Interrupted in the one step after which it counts: sent or not, nobody knows."""
        return self.state == "handing over"


LOST_OUTCOME = "the note of its outcome is damaged"
_RUN = (
    "SELECT plan.id, run.kind, run.day, run.announced, plan.made_at, plan.document "
    "FROM run JOIN plan ON plan.id = run.plan "
)


class RunLog:
    """Runs and deliveries in an archive.

    Parameters
    ----------
    archive : Archive
        The file they are kept in.
    """

    def __init__(self, archive: Archive) -> None:
        self.archive = archive

    def add_run(
        self,
        document: Text,
        made_at: datetime,
        kind: RunKind,
        *,
        day: date | None = None,
        announced: bool = True,
        deliveries: Iterable[tuple[str, str]] = (),
    ) -> int:
        """Add a plan, why it was made, and who is to get it: all of it or nothing.

        Parameters
        ----------
        document : str or iterable of str
            The plan as JSON, or its lines.
        made_at : datetime
            Moment of planning, aware.
        kind, day, announced
            See ``Run``.
        deliveries : iterable of (str, str)
            Channel and recipient of every delivery.

        Returns
        -------
        int
            Its row.

        Raises
        ------
        ArchiveError
            Also if that day has had its briefing.
        """
        with self.archive.transaction():
            plan_id = self.archive.add_plan(made_at, document)
            self.archive.insert(
                "INSERT INTO run (plan, kind, day, announced, made_at) VALUES (?, ?, ?, ?, ?)",
                plan_id,
                kind,
                None if day is None else day.isoformat(),
                int(announced),
                sortable_utc(made_at),
            )
            for channel, recipient in deliveries:
                self.add_delivery(plan_id, channel, recipient, "queued", "", made_at)
        return plan_id

    def add_delivery(
        self,
        plan_id: int,
        channel: str,
        recipient: str,
        state: DeliveryState,
        detail: str,
        recorded_at: datetime,
    ) -> None:
        """Add a state of a delivery."""
        self.archive.insert(
            "INSERT INTO delivery (plan, channel, recipient, state, said, at) "
            "VALUES (?, ?, ?, ?, ?, ?)",
            plan_id,
            channel,
            recipient,
            state,
            detail,
            sortable_utc(recorded_at),
        )

    def has_briefing(self, day: date) -> bool:
        """Return whether a local day has had its briefing."""
        found = self.archive.fetch_first(
            "SELECT 1 FROM run WHERE kind = 'briefing' AND day = ?", day.isoformat()
        )
        return found is not None

    def last_run(self) -> Run | None:
        """Find the newest plan of the routine, whether announced or not; None if there is none."""
        return self._first_run("WHERE kind <> 'asked' ORDER BY plan.id DESC")

    def last_announced(self, before: datetime | None = None) -> Run | None:
        """Find the newest plan that was announced, up to a moment; None if there is none."""
        if before is None:
            return self._first_run("WHERE announced = 1 ORDER BY plan.id DESC")
        return self._first_run(
            "WHERE announced = 1 AND plan.made_at < ? ORDER BY plan.id DESC", sortable_utc(before)
        )

    def briefing_of(self, day: date) -> Run | None:
        """Find the briefing of a local day; None if it had none."""
        return self._first_run("WHERE kind = 'briefing' AND day = ?", day.isoformat())

    def run_made_at(self, moment: datetime) -> Run | None:
        """Find the plan made at exactly a moment; None if there is none."""
        return self._first_run("WHERE plan.made_at = ? ORDER BY plan.id", sortable_utc(moment))

    def run_of(self, made_at: datetime, document: Text) -> Run | None:
        """Find the run of a plan, by its moment and its JSON; None if there is none."""
        runs = self._runs("WHERE plan.made_at = ? ORDER BY plan.id DESC", sortable_utc(made_at))
        text = "".join(chunks(document))
        return next((run for run in runs if run.document == text), None)

    def last_run_on(self, day: date, zone: ZoneInfo) -> Run | None:
        """Find the last plan made on a local day, for whatever reason; None if there is none."""
        start = datetime.combine(day, time(0), zone)
        end = datetime.combine(day + timedelta(days=1), time(0), zone)
        return self._first_run(
            "WHERE plan.made_at >= ? AND plan.made_at < ? ORDER BY plan.id DESC",
            sortable_utc(start),
            sortable_utc(end),
        )

    def _first_run(self, where: str, *values: str) -> Run | None:
        return next(self._runs(where, *values), None)

    def _runs(self, where: str, *values: str) -> Iterator[Run]:
        """Yield the runs that can be read; damaged ones are noted and passed over."""
        for row in self.archive.fetch_all(f"{_RUN}{where} LIMIT {MAX_DAMAGED_ROWS}", *values):
            try:
                yield _read_run(row)
            except DAMAGED_ROW_ERRORS:
                self.archive.note_damage("plan", row[0])

    def delivery_statuses(self, plan_id: int) -> list[DeliveryStatus]:
        """Return the state of every delivery of a plan, in the order they were queued.

        An outcome that cannot be read any more may be that it was sent: what is open by the rows
        before it is in doubt then.
        """
        statuses: dict[tuple[str, str], DeliveryStatus] = {}
        for row, channel, recipient, state, detail, at in self.archive.fetch_all(
            "SELECT id, channel, recipient, state, said, at FROM delivery WHERE plan = ? "
            "ORDER BY id",
            plan_id,
        ):
            if not (isinstance(channel, str) and isinstance(recipient, str)):
                self.archive.note_damage("delivery", row)
                for key, status in statuses.items():
                    if status.state in OPEN_STATES:
                        statuses[key] = replace(status, state="handing over", detail=LOST_OUTCOME)
                continue
            if not isinstance(detail, str):
                self.archive.note_damage("delivery", row)
                detail = "what was said of it is damaged"
            previous = statuses.get((channel, recipient))
            if previous is not None and previous.state == "sent":
                continue  # whatever is noted of it later, it went
            try:
                moment = datetime.fromisoformat(at)
                if state not in get_args(DeliveryState):
                    raise ValueError("no state of a delivery")
            except DAMAGED_ROW_ERRORS:  # it may have been sent: whoever sends again sends twice
                self.archive.note_damage("delivery", row)
                moment = previous.recorded_at if previous else UNKNOWN_MOMENT
                state, detail = "handing over", LOST_OUTCOME
            failures = (previous.failures if previous else 0) + (state == "failed")
            statuses[channel, recipient] = DeliveryStatus(
                plan_id, channel, recipient, state, detail, moment, failures
            )
        return list(statuses.values())

    def open_deliveries(self, before_plan_id: int) -> list[DeliveryStatus]:
        """List deliveries of earlier plans that are still open."""
        plan_ids = self.archive.fetch_all(
            "SELECT DISTINCT plan FROM delivery AS late WHERE plan < ? AND state IN "
            "('queued', 'failed') AND id = (SELECT max(id) FROM delivery AS last WHERE "
            "last.plan = late.plan AND last.channel = late.channel "
            "AND last.recipient = late.recipient)",
            before_plan_id,
        )
        return [
            status
            for (plan,) in plan_ids
            for status in self.delivery_statuses(plan)
            if status.state in OPEN_STATES
        ]


def _read_run(row: tuple[Any, ...]) -> Run:
    plan, kind, day, announced, made_at, document = row
    return Run(
        plan,
        kind,
        None if day is None else date.fromisoformat(day),
        bool(announced),
        datetime.fromisoformat(made_at),
        decompress_plan(document),
    )
