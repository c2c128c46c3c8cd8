"""The message that takes a plan to its readers: mail with the reports, payload for programs."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from stormplan.delivery.transports import Message
from stormplan.planning.plan import Plan
from stormplan.planning.plan_lines import LINES_FILE
from stormplan.store.text_chunks import Text, sha256_hex
from stormplan.words import briefing

#: The one is the mail itself, the others are for programs.
NOT_ATTACHED = ("briefing.txt", "plan.json", LINES_FILE)


def build_message(
    plan: Plan, document: Text, reports: Mapping[str, Text], report_folder: Path | None
) -> Message:
    """Return the message of a plan.

    Parameters
    ----------
    plan : Plan
        The record.
    document : str or iterable of str
        Its JSON, which names the message.
    reports : mapping of str to str or iterable of str
        Its reports by file name.
    report_folder : Path or None
        Where its reports stand.

    Returns
    -------
    Message
        The same for the same plan.
    """
    subject, headline = _subject_and_headline(plan)
    texts = {name: text for name, text in reports.items() if isinstance(text, str)}
    return Message(
        idempotency_key=sha256_hex(document),
        subject=subject[:150],
        text=texts["briefing.txt"],
        html=texts.get("briefing.html"),
        attachments={
            name: text
            for name, text in texts.items()
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
