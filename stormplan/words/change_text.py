"""What changed since the last plan, and what the authorities say, in the readers' words."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime

from stormplan.planning.plan_diff import Change
from stormplan.weather.alerts import Alert
from stormplan.words.formatting import Words, count

MOST_SHOWN = 12  # lines on the first screen's heels; the rest is a number


def change_lines(changes: Iterable[Change], words: Words) -> tuple[str, ...]:
    """Say what changed: what matters line by line, the rest as a number.

    Parameters
    ----------
    changes : iterable of Change
        In the order of the plan [-].
    words : Words
        The readers' units and zone [-].

    Returns
    -------
    tuple of str
        Empty if nothing changed.
    """
    every = list(changes)
    told = [change_line(change, words) for change in every if change.material]
    lines = told[:MOST_SHOWN]
    if len(told) > MOST_SHOWN:
        lines.append(f"and {len(told) - MOST_SHOWN} more like these")
    smaller = len(every) - len(told)
    if smaller:
        lines.append(count(smaller, "smaller difference"))
    return tuple(lines)


def change_line(change: Change, words: Words) -> str:
    """Say one change."""
    where = ", ".join(name for name in (change.site, change.surface) if name)
    text = _what(change, words)
    return f"{where}: {text}" if where else f"{text[0].upper()}{text[1:]}"


def _what(change: Change, words: Words) -> str:
    match change.kind:
        case "added":
            return "new in the sites file"
        case "removed":
            return "no longer in the sites file"
        case "joined":
            return "now needs work"
        case "left":
            return "no longer needs work"
        case "forecast lost":
            return "has no forecast any more"
        case "forecast back":
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
            return f"{what}, from {_time(change.after, words)}, was {_time(change.before, words)}"
        case "colder" | "warmer":
            before, after = float(change.before or 0.0), float(change.after or 0.0)
            by = words.say.degrees(abs(after - before))
            return f"{by} {change.kind}, pavement down to {words.say.temp(after)}"
        case "more" | "less":
            before, after = float(change.before or 0.0), float(change.after or 0.0)
            return f"{change.kind}, {words.say.volume(after)}, was {words.say.volume(before)}"


def _time(value: str | float | None, words: Words) -> str:
    return words.day(datetime.fromisoformat(str(value)))


def alert_lines(alerts: Iterable[Alert], names: Mapping[str, str], words: Words) -> Iterator[str]:
    """Say official alerts: what, from when until when, by whom, for which sites.

    Parameters
    ----------
    alerts : iterable of Alert
        In the order they are read [-].
    names : mapping of str to str
        Names of all sites by key [-].
    words : Words
        The readers' zone [-].
    """
    for alert in alerts:
        start = alert.starts or alert.issued_at
        until = "no end stated" if alert.ends is None else f"until {words.day(alert.ends)}"
        sites = (
            "all sites"
            if set(alert.sites) == set(names) and len(names) > 1
            else ", ".join(names[key] for key in alert.sites if key in names)
        )
        yield f"{alert.what}, from {words.day(start)}, {until}, {alert.issuer}: {sites}"
