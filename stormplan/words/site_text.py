"""One site in words: what faces it, what is done on which surfaces, when, with what, and why.

Surfaces that get the same thing are told once, with their volumes. The reasons of a decision are
kept apart from it, with their sources as footnotes, so that a page stays short.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from zoneinfo import ZoneInfo

from stormplan.events.detection import Event
from stormplan.events.hazards import SNOW, Hazard
from stormplan.planning.plan import SitePlan, SurfacePlan
from stormplan.treatment.records import Action, Pass, Treatment
from stormplan.words import source_text
from stormplan.words.formatting import (
    Words,
    blend_name,
    capital,
    night_line,
    percent,
    reason_line,
    stake_line,
)

ACTIONS = {
    Action.PRETREAT: "Pre-treat",
    Action.HOLD: "Hold",
    Action.SOLIDS: "Solids",
    Action.PLOW: "No salt",
    Action.NOTHING: "Nothing",
}


@dataclass
class Footnotes:
    """Sources, each listed once and referred to by number."""

    texts: list[str] = field(default_factory=list)
    numbers: dict[str, int] = field(default_factory=dict)

    def number(self, text: str) -> int:
        """Look a source up, or put it at the end of the list."""
        if text not in self.numbers:
            self.texts.append(text)
            self.numbers[text] = len(self.texts)
        return self.numbers[text]


@dataclass(frozen=True)
class ReasonView:
    """What decided, in words, and the number of its source among the footnotes."""

    text: str
    source: int


@dataclass(frozen=True)
class JobView:
    """The same thing to do, about the same event, on one or several surfaces of a site.

    ``surfaces`` holds (name, volume or nothing, area, coldest pavement).
    """

    action: str
    surfaces: tuple[tuple[str, str, str, str], ...]
    when: str
    what: str
    says: str
    event: str
    holds: str
    stake: str
    later: tuple[str, ...]
    reasons: tuple[ReasonView, ...]
    cautions: tuple[str, ...]

    @property
    def names(self) -> str:
        """The surfaces in one line, each with its volume where something is sprayed."""
        return ", ".join(f"{name} {amount}".strip() for name, amount, *_ in self.surfaces)


@dataclass(frozen=True)
class SiteView:
    """One site in words."""

    key: str
    name: str
    client: str
    priority: int
    summary: str
    forecast: str
    problem: str | None
    opinions: tuple[str, ...]
    nights: tuple[str, ...]
    jobs: tuple[JobView, ...]
    is_quiet: bool


def site_view(site: SitePlan, words: Words, notes: Footnotes, currency: str) -> SiteView:
    """Put a site into words.

    Parameters
    ----------
    site : SitePlan
        The record [-].
    words : Words
        The company's readers [-].
    notes : Footnotes
        Collects sources [-].
    currency : str
        The company's [-].

    Returns
    -------
    SiteView
        Times in the site's own zone.
    """
    here = Words(words.say, ZoneInfo(site.timezone))
    source = site.source
    return SiteView(
        key=site.key,
        name=site.name,
        client=site.client,
        priority=site.priority,
        summary=summary(site, here),
        forecast="" if source is None else (
            f"{source.source} cell {source.cell}, issued {here.day(source.issued_at)}"
            f"{', STALE' if source.stale else ''}"
        ),
        problem=site.problem,
        opinions=tuple(source_text.site_lines(site, words)),
        nights=tuple(
            f"{s.name}: {night_line(s.night, words.say)}." for s in site.surfaces
            if s.night is not None and s.night.n > 0
        ),
        jobs=_jobs(site, here, notes, currency),
        is_quiet=source is not None and all(t.event is None for _, t in site.treatments),
    )  # fmt: skip


def summary(site: SitePlan, words: Words) -> str:
    """Say in one line what a site faces and what is done about it."""
    if site.source is None:
        return "no forecast"
    faced = [(item.event, item) for _, item in site.treatments if item.event is not None]
    if not faced:
        return "nothing to do"
    first = min((event for event, _ in faced), key=lambda event: event.start)
    kinds = Counter(ACTIONS[item.action].lower() for _, item in faced)
    done = ", ".join(f"{kind} ×{number}" for kind, number in kinds.items())
    when = words.day(first.start)
    return f"{first.hazard} from {when}, {percent(first.probability)}: {done}"


# -- jobs -----------------------------------------------------------------------------------------


def _jobs(site: SitePlan, words: Words, notes: Footnotes, currency: str) -> tuple[JobView, ...]:
    """Tell treatments that read the same once, in the order they are met."""
    alike: dict[tuple[object, ...], list[tuple[SurfacePlan, Treatment]]] = {}
    told: dict[tuple[object, ...], JobView] = {}
    for surface, item in site.treatments:
        job = _job(item, words, notes, currency)
        key = (
            *(job.action, job.when, job.what, job.says, job.event, job.holds, job.stake),
            *(job.later, job.reasons, job.cautions),
        )
        alike.setdefault(key, []).append((surface, item))
        told[key] = job
    return _holds_together(
        JobView(
            action=job.action,
            surfaces=tuple(_surface(surface, item, words) for surface, item in alike[key]),
            when=job.when,
            what=job.what,
            says=job.says,
            event=job.event,
            holds=job.holds,
            stake=job.stake,
            later=job.later,
            reasons=job.reasons,
            cautions=job.cautions,
        )
        for key, job in told.items()
    )


def _holds_together(jobs: Iterable[JobView]) -> tuple[JobView, ...]:
    """Tell everything that the same surfaces wait for at once."""
    told: dict[object, JobView] = {}
    for job in jobs:
        key = (job.surfaces, job.when) if job.action == ACTIONS[Action.HOLD] else job
        if key not in told:
            told[key] = job
            continue
        first = told[key]
        told[key] = replace(
            first,
            says=first.says if job.says in first.says else f"{first.says} {job.says}",
            event=f"{first.event}. {job.event}",
            stake=f"{first.stake} {job.stake}".strip(),
            reasons=tuple(dict.fromkeys((*first.reasons, *job.reasons))),
            cautions=tuple(dict.fromkeys((*first.cautions, *job.cautions))),
        )
    return tuple(told.values())


def _surface(surface: SurfacePlan, item: Treatment, words: Words) -> tuple[str, str, str, str]:
    cold = surface.coldest_surface_c
    return (
        surface.name,
        words.say.volume(item.volume_l) if item.volume_l > 0.0 else "",
        words.say.area(surface.area_m2),
        "not known" if cold is None else words.say.temp(cold),
    )


def _job(item: Treatment, words: Words, notes: Footnotes, currency: str) -> JobView:
    return JobView(
        action=ACTIONS[item.action],
        surfaces=(),
        when=_when(item, words),
        what=_what(item, words),
        says=item.says,
        event="" if item.event is None else event_line(item.event, words),
        holds=_holds(item, words),
        stake=_stake(item, currency),
        later=tuple(_pass(one, words) for one in item.later),
        reasons=tuple(_reasons(item, words, notes)),
        cautions=item.cautions,
    )


def _reasons(item: Treatment, words: Words, notes: Footnotes) -> Iterable[ReasonView]:
    for reason in item.reasons:
        number = notes.number(f"{capital(reason.standing)}: {reason.source}")
        yield ReasonView(reason_line(reason, words.say), number)


def _when(item: Treatment, words: Words) -> str:
    if item.best_start is not None and item.earliest is not None and item.latest is not None:
        window = words.span(item.earliest, item.latest)
        return f"start {words.day(item.best_start)} (any dry, calm hour {window})"
    if item.action is Action.HOLD and item.look_again is not None:
        return f"look again {words.day(item.look_again)}"
    return "" if item.event is None else f"from {words.day(item.event.start)}"


def _holds(item: Treatment, words: Words) -> str:
    """Say how long the film model has a pre-treat hold."""
    if item.action is not Action.PRETREAT or item.target is None:
        return ""
    if item.holds_until is not None:
        text = (
            f"Film model: buys time until {words.day(item.holds_until)},"
            f" does not last to {words.day(item.target)}"
        )
    else:
        text = f"Film model: lasts to {words.day(item.target)}"
    if item.holds_range is not None and item.holds_range[0] < item.holds_range[1]:
        early, late = item.holds_range
        longer = late >= item.target
        text += "; over the forecasts "
        text += f"{words.day(early)} or longer" if longer else words.span(early, late)
    if item.held_probability is not None and 0.0 < item.held_probability < 1.0:
        text += f"; it lasts in {percent(item.held_probability)} of the forecasts that bring it"
    return f"{text}."


def _stake(item: Treatment, currency: str) -> str:
    if item.stake is None or item.event is None:
        return ""
    return f"{stake_line(item.stake, item.event.probability, currency)}."


def _pass(item: Pass, words: Words) -> str:
    """Say one later pass."""
    parts = [f"{words.day(item.at)}: {item.kind}"]
    if item.rate_l_m2 > 0.0:
        blend = blend_name(item.additive_name, item.additive_share)
        parts.append(f"{blend} at {words.say.liquid_rate(item.rate_l_m2)}")
    if item.solid_kg_m2 > 0.0:
        parts.append(f"prewetted salt {words.say.solid_rate(item.solid_kg_m2)}")
    return f"{', '.join(parts)}; {item.says}"


def _what(item: Treatment, words: Words) -> str:
    if item.action is Action.PRETREAT:
        blend = blend_name(item.additive_name, item.additive_share)
        return f"{blend} at {words.say.liquid_rate(item.rate_l_m2)}"
    if item.solid is not None:
        low, high = item.solid.low_kg_m2, item.solid.high_kg_m2
        rate = words.say.solid_rate(low)
        if high > low:
            rate = f"{rate.split(' ')[0]}–{words.say.solid_rate(high)}"
        return f"prewetted salt {rate}"
    return ""


def event_line(event: Event, words: Words) -> str:
    """Say what is coming: hazard, hours, amount, how cold, how likely, what is not known."""
    parts = [f"{event.hazard} {words.span(event.start, event.end)}", *amounts(event, words)]
    parts.append(f"pavement down to {words.say.temp(event.coldest_surface_c)}, {event.trend}")
    parts.append(f"{percent(event.probability)} likely")
    if event.unknown:
        parts.append(f"not known for all of it: {', '.join(event.unknown)}")
    return capital("; ".join(parts))


def amounts(event: Event, words: Words) -> list[str]:
    """Say how much falls; nothing does in a frost or in most refreezes."""
    if event.hazard in SNOW:
        return [f"{words.say.snow(event.snow_cm)} of snow"]
    if event.hazard is Hazard.FROST or event.water_mm == 0.0:
        return []
    return [f"{words.say.water(event.water_mm)} of water"]
