"""Isolation of faults: where the program fails at a site, the other sites have their plan.

Nobody mends a program at half past four. A site at which it fails counts as without forecast, so
that nothing is said of it that is not known, and the plan names the place of the fault.
"""

from __future__ import annotations

import traceback
from collections.abc import Callable, Mapping

from stormplan.errors import StormplanError
from stormplan.planning.diagnostics import DiagnosticCode, degraded
from stormplan.planning.plan import Plan
from stormplan.planning.planner import SiteForecasts

PlanFunction = Callable[[Mapping[str, SiteForecasts]], Plan]


class TaskFaultError(Exception):
    """A fault on another process: its kind and place, as ``describe_fault`` has them."""


class SiteFaultsError(Exception):
    """Faults whose sites are known already.

    Parameters
    ----------
    faults : dict of str to str
        What the program fails with, by site key.
    """

    def __init__(self, faults: dict[str, str]) -> None:
        super().__init__(faults)
        self.faults = faults


def plan_isolated(plan_sites: PlanFunction, site_forecasts: Mapping[str, SiteForecasts]) -> Plan:
    """Return the plan of every site that can be planned.

    Parameters
    ----------
    plan_sites : callable
        Plans from the forecasts of each site; a site that is absent counts as without.
    site_forecasts : mapping of str to SiteForecasts
        By site key.

    Returns
    -------
    Plan
        With a diagnostic ``planning_fault`` if the program failed anywhere.

    Raises
    ------
    StormplanError
        As the planning function does.
    Exception
        What the program fails with even where no site has a forecast.
    """
    try:
        return plan_sites(site_forecasts)
    except StormplanError:
        raise
    except SiteFaultsError as error:
        fault, faults = describe_fault(error), error.faults
    except Exception as error:  # whatever it is, it is a fault of the program
        fault = describe_fault(error)
        faults = _faulty_sites(plan_sites, site_forecasts, fault)
    try:
        return _plan_without(plan_sites, site_forecasts, faults)
    except StormplanError:
        raise
    except Exception:  # no site fails by itself: they fail together
        return _plan_without(plan_sites, site_forecasts, dict.fromkeys(site_forecasts, fault))


def describe_fault(error: Exception) -> str:
    """Return the kind and the place of a fault; not its text, which may hold a secret.

    Examples
    --------
    >>> try:
    ...     plan_isolated(None, {})
    ... except TypeError as error:
    ...     describe_fault(error)
    'TypeError in stormplan.planning.isolation, line ...'
    """
    if isinstance(error, TaskFaultError):
        return str(error)
    places = [
        f" in {frame.f_globals['__name__']}, line {line}"
        for frame, line in traceback.walk_tb(error.__traceback__)
        if frame.f_globals.get("__name__", "").startswith("stormplan.")
    ]
    return type(error).__name__ + (places[-1] if places else "")


def _faulty_sites(
    plan_sites: PlanFunction, site_forecasts: Mapping[str, SiteForecasts], fault: str
) -> dict[str, str]:
    """Return the sites among some at which the program fails, by halving them.

    ``fault`` is what it fails with at all of them.
    """
    keys = list(site_forecasts)
    if len(keys) <= 1:
        return dict.fromkeys(keys, fault)
    found: dict[str, str] = {}
    for half in (keys[: len(keys) // 2], keys[len(keys) // 2 :]):
        part = {key: site_forecasts[key] for key in half}
        try:
            plan_sites(part)
        except SiteFaultsError as error:
            found |= error.faults
        except Exception as error:
            found |= _faulty_sites(plan_sites, part, describe_fault(error))
    return found


def _plan_without(
    plan_sites: PlanFunction,
    site_forecasts: Mapping[str, SiteForecasts],
    faults: Mapping[str, str],
) -> Plan:
    """Return the plan with some sites counted as without forecast, and why."""
    unplanned = {
        key: SiteForecasts(None, f"a fault of stormplan itself: {fault}")
        for key, fault in faults.items()
    }
    plan = plan_sites({**site_forecasts, **unplanned})
    return plan.with_diagnostics(
        degraded(
            DiagnosticCode.PLANNING_FAULT,
            sites=tuple(faults),
            faults=tuple(dict.fromkeys(faults.values())),
        )
    )
