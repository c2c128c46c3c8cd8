"""The sentences of a plan's diagnostics, as its readers see them."""

from stormplan.planning.diagnostics import Diagnostic, DiagnosticCode
from stormplan.planning.plan import Plan
from stormplan.words import diagnostic_text


def degraded_lines(plan: Plan) -> tuple[str, ...]:
    return diagnostic_text.degraded_lines(plan)


def note_lines(plan: Plan) -> tuple[str, ...]:
    return diagnostic_text.note_lines(plan)


def only(plan: Plan, code: str) -> Diagnostic:
    """The one diagnostic of a code."""
    (found,) = [one for one in plan.diagnostics if one.code == code]
    return found


def codes(plan: Plan) -> set[DiagnosticCode]:
    return {diagnostic.code for diagnostic in plan.diagnostics}
