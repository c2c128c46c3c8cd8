"""Official watches, warnings and advisories: shown beside a plan, never weighed in it.

A plan stands on the forecast. What an authority has issued for the same place is shown with it,
so that a reader sees where the two differ; no alert, and no absence of one, changes a decision.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from pydantic import AwareDatetime

from stormplan.company.validators import Record

#: From worst to least, as the Common Alerting Protocol 1.2 (OASIS 2010, section 3.2.2) names them.
SEVERITIES = ("Extreme", "Severe", "Moderate", "Minor", "Unknown")


class Alert(Record):
    """One official alert, and the sites it is for.

    Attributes
    ----------
    identifier : str
        The issuer's own identifier.
    event : str
        What it warns of, in the issuer's words.
    severity : str
        One of Extreme, Severe, Moderate, Minor and Unknown (Common Alerting Protocol 1.2).
    starts_at, ends_at : datetime or None
        When the hazard is expected and when it is over, UTC; None where the issuer does not say.
        When the message itself expires is something else and not kept here.
    issued_at : datetime
        When it was issued, UTC.
    issuer : str
        The office that issued it.
    headline : str
        Its headline, as issued.
    sites : tuple of str
        Keys of the sites it is for.
    """

    identifier: str
    event: str
    severity: str
    starts_at: AwareDatetime | None
    ends_at: AwareDatetime | None
    issued_at: AwareDatetime
    issuer: str
    headline: str
    sites: tuple[str, ...] = ()


def sort_by_severity(alerts: Iterable[Alert]) -> tuple[Alert, ...]:
    """Return alerts sorted by severity, then by start."""

    def sort_key(alert: Alert) -> tuple[int, datetime, str]:
        severity = alert.severity if alert.severity in SEVERITIES else SEVERITIES[-1]
        return SEVERITIES.index(severity), alert.starts_at or alert.issued_at, alert.identifier

    return tuple(sorted(alerts, key=sort_key))
