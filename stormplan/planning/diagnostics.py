"""Diagnostics of a plan: what a reader must know about it, as data.

A diagnostic is a code with the values its sentence needs; the sentence is made in
``words.diagnostic_text``. Exit code, verdict and the mark "degraded" are views of the list.
"""

from __future__ import annotations

from collections.abc import Iterable
from enum import StrEnum

from pydantic import Field

from stormplan.company.validators import Record

DiagnosticValue = str | float | tuple[str, ...] | None


class Severity(StrEnum):
    """Severity of a diagnostic, from a note to a site that could not be planned."""

    INFO = "info"
    WARNING = "warning"
    DEGRADED = "degraded"
    FAILED = "failed"

    @property
    def rank(self) -> int:
        """Place in the order of severity, from 0."""
        return tuple(Severity).index(self)


class DiagnosticCode(StrEnum):
    """Kinds of diagnostics."""

    # forecast of a site
    NO_FORECAST = "no_forecast"
    STALE_FORECAST = "stale_forecast"
    FALLBACK_SOURCE = "fallback_source"
    OTHER_SOURCE_FAILED = "other_source_failed"
    CONTRADICTION = "contradiction"
    SUBSTITUTED = "substituted"
    LAYER_MISSING = "layer_missing"
    LAYER_ENDS = "layer_ends"
    LAYER_GAP = "layer_gap"
    PAVEMENT_KNOWN_UNTIL = "pavement_known_until"
    HAZARD_UNKNOWN = "hazard_unknown"
    FORECAST_NOTE = "forecast_note"
    ERROR_RECORD_USED = "error_record_used"
    # what else the plan stands on
    PLACE_FAR = "place_far"
    READINGS_UNUSABLE = "readings_unusable"
    RECORD_UNUSABLE = "record_unusable"
    ROUTER_UNUSABLE = "router_unusable"
    STOCK_BELOW_EMPTY = "stock_below_empty"
    STOCK_DIFFERENCE = "stock_difference"
    LOAD_DIFFERENCE = "load_difference"
    ALERTS_UNKNOWN = "alerts_unknown"
    ALERTS_STALE = "alerts_stale"
    ALERT_UNREADABLE = "alert_unreadable"
    PLAN_NOT_COMPARED = "plan_not_compared"
    # the run
    ARCHIVE_FALLBACK = "archive_fallback"
    ARCHIVE_ROWS_DAMAGED = "archive_rows_damaged"
    SITES_FILE_FALLBACK = "sites_file_fallback"
    PLANNING_FAULT = "planning_fault"
    REPORT_NOT_MADE = "report_not_made"
    REPORTS_NOT_WRITTEN = "reports_not_written"
    DISK_FULL = "disk_full"
    LOCK_UNUSABLE = "lock_unusable"
    RUN_LATE = "run_late"
    FIRST_RUN = "first_run"
    CLOCK_OFFSET = "clock_offset"
    CLOCK_REVERSED = "clock_reversed"
    # deliveries of the plan before
    DELIVERY_FAILED = "delivery_failed"
    DELIVERY_REFUSED = "delivery_refused"
    DELIVERY_UNCONFIRMED = "delivery_unconfirmed"
    DELIVERY_NOT_TRIED = "delivery_not_tried"
    DELIVERY_DELAYED = "delivery_delayed"


#: Layers of a forecast that end, pause or are missing.
LAYER_CODES = (
    DiagnosticCode.LAYER_MISSING,
    DiagnosticCode.LAYER_ENDS,
    DiagnosticCode.LAYER_GAP,
    DiagnosticCode.PAVEMENT_KNOWN_UNTIL,
)

#: With one of these, "nothing to do" is not known.
UNKNOWN_HAZARD_CODES = (
    DiagnosticCode.NO_FORECAST,
    DiagnosticCode.HAZARD_UNKNOWN,
    DiagnosticCode.CONTRADICTION,
)


class Diagnostic(Record):
    """One thing a reader must know about a plan.

    Attributes
    ----------
    code : DiagnosticCode
        What it is.
    severity : str
        How much it weighs: info, warning, degraded or failed.
    site, surface : str or None
        Keys of the site and surface it is about; None where it is about the whole plan.
    source : str or None
        Key of the forecast source it is about; None where it is about none.
    values : mapping
        What its sentence needs: SI numbers, times in ISO 8601 UTC, texts from outside as received.
    """

    code: DiagnosticCode
    severity: Severity
    site: str | None = None
    surface: str | None = None
    source: str | None = None
    values: dict[str, DiagnosticValue] = Field(default_factory=dict)

    @property
    def is_degrading(self) -> bool:
        """Whether the plan stands on less than it should."""
        return self.severity.rank >= Severity.DEGRADED.rank

    def text(self, name: str) -> str:
        """Return a value that is a text; empty where there is none."""
        value = self.values.get(name)
        return value if isinstance(value, str) else ""

    def quantity(self, name: str) -> float:
        """Return a value that is a number."""
        value = self.values[name]
        if not isinstance(value, (int, float)):
            raise TypeError(f"{name} of {self.code} is not a number")
        return float(value)

    def texts(self, name: str) -> tuple[str, ...]:
        """Return a value that is a list of texts; empty where there is none."""
        value = self.values.get(name)
        return value if isinstance(value, tuple) else ()


def is_degraded(diagnostics: Iterable[Diagnostic]) -> bool:
    """Return whether any diagnostic degrades the plan."""
    return any(diagnostic.is_degrading for diagnostic in diagnostics)


def degraded(
    code: DiagnosticCode,
    *,
    site: str | None = None,
    source: str | None = None,
    **values: DiagnosticValue,
) -> Diagnostic:
    """Return a diagnostic that degrades the plan."""
    return Diagnostic(
        code=code, severity=Severity.DEGRADED, site=site, source=source, values=values
    )


def note(
    code: DiagnosticCode,
    *,
    site: str | None = None,
    source: str | None = None,
    **values: DiagnosticValue,
) -> Diagnostic:
    """Return a diagnostic that is only mentioned."""
    return Diagnostic(code=code, severity=Severity.INFO, site=site, source=source, values=values)
