"""Pages of client notices: read, changed, and sent on a second tap that says what goes to whom."""

from __future__ import annotations

import hmac
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from stormplan.company.sites import Sites
from stormplan.delivery import outbox
from stormplan.delivery.outbox import Clock, NoticeDraft
from stormplan.errors import InputError
from stormplan.service.client_notices import drafts_digest, send_drafts
from stormplan.store.report_folders import LATEST
from stormplan.web.page_values import company_format


@dataclass(frozen=True)
class DraftText:
    """A draft for readers.

    Attributes
    ----------
    draft : NoticeDraft
        The draft.
    client, text : str
        Whose it is, and its words.
    skip_reason : str or None
        Why it cannot be sent; None where it can.
    """

    draft: NoticeDraft
    client: str
    text: str
    skip_reason: str | None


def draft_values(sites: Sites, reports: Path) -> dict[str, Any]:
    """Return the drafts as they stand, and what stands for all of them."""
    drafts = _drafts(reports)
    transports = outbox.notice_transports(sites.delivery)
    shown = [
        DraftText(
            one,
            sites.clients[one.name].name if one.name in sites.clients else one.name,
            "\n\n".join(one.messages),
            outbox.skip_reason(one, transports),
        )
        for one in drafts
    ]
    return {
        "drafts": shown,
        "going": [one for one in shown if one.skip_reason is None],
        "digest": drafts_digest(drafts),
    }


def _drafts(reports: Path) -> list[NoticeDraft]:
    try:
        return outbox.read_drafts(reports / LATEST / "notices")
    except InputError:
        return []


def save_draft(reports: Path, fields: Mapping[str, str]) -> None:
    """Rewrite a draft as a form has it.

    Raises
    ------
    InputError
        There is no such draft, or nothing is left to say.
    """
    name = fields.get("name", "")
    if name not in {one.name for one in _drafts(reports)}:
        raise InputError("there is no such draft; open the page again")
    folder = reports / LATEST / "notices"
    outbox.rewrite_draft(folder, name, fields.get("subject", ""), fields.get("text", ""))


def send_values(
    sites: Sites,
    reports: Path,
    archive: Path,
    fields: Mapping[str, str],
    by: str,
    clock: Clock,
) -> dict[str, Any]:
    """Send the drafts that a reader saw, and return what became of each.

    Raises
    ------
    InputError
        They are not the ones that were shown any more, or there is no way to send by.
    """
    drafts = _drafts(reports)
    if not hmac.compare_digest(fields.get("digest", ""), drafts_digest(drafts)):
        raise InputError("the drafts have changed since you looked; look again, then send")
    sent = send_drafts(sites, reports, archive, drafts, by, clock)
    fmt = company_format(sites)
    return {
        "outcomes": [
            (
                one.draft.name,
                one.status.recipient,
                f"already sent {fmt.day_hour(one.status.recorded_at)}, not again"
                if one.was_sent_before
                else " ".join(filter(None, (one.status.state, one.status.detail))),
                one.status.state == "sent",
            )
            for one in sent.outcomes
        ],
        "skipped": [(draft.name, reason) for draft, reason in sent.skipped],
    }
