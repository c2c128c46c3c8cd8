"""Text of the changes since the last plan, and of official alerts."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime

from stormplan.planning.plan_diff import Change
from stormplan.weather.alerts import Alert
from stormplan.words.formatting import ReportFormat, format_chance, pluralize

MAX_LINES = 12  # lines on the first screen's heels; the rest is a number


def change_lines(changes: Iterable[Change], fmt: ReportFormat) -> tuple[str, ...]:
    """Return material changes as lines and the rest as a count.

    Parameters
    ----------
    changes : iterable of Change
        In the order of the plan.
    fmt : ReportFormat
        The readers' units and zone.

    Returns
    -------
    tuple of str
        Empty if nothing changed.
    """
    all_changes = list(changes)
    material = [change_line(change, fmt) for change in all_changes if change.worth_announcing]
    lines = material[:MAX_LINES]
    if len(material) > MAX_LINES:
        lines.append(f"and {len(material) - MAX_LINES} more like these")
    smaller = len(all_changes) - len(material)
    if smaller:
        lines.append(pluralize(smaller, "smaller difference"))
    return tuple(lines)


def change_line(change: Change, fmt: ReportFormat) -> str:
    """Return one change as a line."""
    where = ", ".join(name for name in (change.site, change.surface) if name)
    text = _change_phrase(change, fmt)
    return f"{where}: {text}" if where else f"{text[0].upper()}{text[1:]}"


def _change_phrase(change: Change, fmt: ReportFormat) -> str:
    match change.kind:
        case "added":
            return "new in the sites file"
        case "removed":
            return "no longer in the sites file"
        case "work added":
            return "now needs work"
        case "work removed":
            return "no longer needs work"
        case "forecast lost":
            return "has no forecast any more"
        case "forecast restored":
            return "has a forecast again"
        case "stale":
            return "planned from an old forecast now"
        case "no longer stale":
            return "planned from a current forecast again"
        case "verdict" | "action" | "event" | "source":
            name = {"action": "", "event": "hazard ", "source": "forecast from "}
            return f"{name.get(change.kind, 'answer ')}{change.after}, was {change.before}"
        case "first start" | "earlier" | "later":
            what = "first start" if change.kind == "first start" else change.kind
            return f"{what}, from {_time(change.after, fmt)}, was {_time(change.before, fmt)}"
        case "colder" | "warmer":
            before, after = float(change.before or 0.0), float(change.after or 0.0)
            by = fmt.units.temperature_difference(abs(after - before))
            return f"{by} {change.kind}, pavement down to {fmt.units.temperature(after)}"
        case "more" | "less":
            before, after = float(change.before or 0.0), float(change.after or 0.0)
            return f"{change.kind}, {fmt.units.volume(after)}, was {fmt.units.volume(before)}"
        case "ice more likely" | "ice less likely":
            now, was = _chance(change.after), _chance(change.before)
            return (
                f"{change.kind}, {now or 'too little to watch for'}, was {was or 'not watched for'}"
            )


def _chance(value: str | float | None) -> str:
    return "" if value is None else format_chance(float(value))


def _time(value: str | float | None, fmt: ReportFormat) -> str:
    return fmt.day_hour(datetime.fromisoformat(str(value)))


def alert_lines(
    alerts: Iterable[Alert], names: Mapping[str, str], fmt: ReportFormat
) -> Iterator[str]:
    """Yield one line per official alert: event, period, issuer, sites.

    Parameters
    ----------
    alerts : iterable of Alert
        In the order they are read.
    names : mapping of str to str
        Names of all sites by key.
    fmt : ReportFormat
        The readers' zone.
    """
    for alert in alerts:
        start = alert.starts_at or alert.issued_at
        until = "no end stated" if alert.ends_at is None else f"until {fmt.day_hour(alert.ends_at)}"
        sites = (
            "all sites"
            if set(alert.sites) == set(names) and len(names) > 1
            else ", ".join(names[key] for key in alert.sites if key in names)
        )
        yield f"{alert.event}, from {fmt.day_hour(start)}, {until}, {alert.issuer}: {sites}"
