"""The message that takes a plan to its readers: mail with the reports, payload for programs."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path

from stormplan.delivery.transports import Message
from stormplan.planning.plan import Plan
from stormplan.words import briefing

NOT_ATTACHED = ("briefing.txt", "plan.json")  # the one is the mail itself, the other for programs


def build_message(
    plan: Plan, document: str, reports: Mapping[str, str], report_folder: Path | None
) -> Message:
    """Return the message of a plan.

    Parameters
    ----------
    plan : Plan
        The record.
    document : str
        Its JSON, which names the message.
    reports : mapping of str to str
        Its reports by file name.
    report_folder : Path or None
        Where its reports stand.

    Returns
    -------
    Message
        The same for the same plan.
    """
    subject, headline = _subject_and_headline(plan)
    return Message(
        idempotency_key=hashlib.sha256(document.encode()).hexdigest(),
        subject=subject[:150],
        text=reports["briefing.txt"],
        html=reports.get("briefing.html"),
        attachments={
            name: text
            for name, text in reports.items()
            if name not in NOT_ATTACHED and "/" not in name  # drafts to clients stay in the folder
        },
        payload=message_payload(plan, headline),
        made_at=plan.made_at,
        report_folder=report_folder,
    )


def _subject_and_headline(plan: Plan) -> tuple[str, str]:
    """Return subject and headline; where the words of a plan cannot be made, that they cannot."""
    try:
        view = briefing.build_view(plan)
    except Exception as error:  # the text says it, too: see ``words.reports``
        headline = f"the briefing could not be made ({type(error).__name__})"
        return f"{plan.verdict.upper()}: {headline}", headline
    return view.subject, view.headline


def message_payload(plan: Plan, headline: str) -> dict[str, object]:
    """Return the webhook payload of a plan."""
    short = plan.model_dump(
        mode="json",
        include={
            "schema_version",
            "made_at",
            "planned_until",
            "company",
            "verdict",
            "first_start",
            "priority_sites",
            "diagnostics",
            "changes",
            "alerts",
        },
    )
    return {"type": "plan.announced", "headline": headline} | short
