"""The morning briefing: a plan made readable, first for the owner on a phone before dawn.

``view`` turns the plan's SI numbers and UTC times into sentences in the reader's units and local
time; the terminal, the text file and the page all show the same view. Nothing is decided here.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from stormplan.events.detection import Event
from stormplan.events.hazards import TRACE_SNOW_CM
from stormplan.planning.plan import Plan, SitePlan, Source, SurfacePlan
from stormplan.treatment.records import Action, Treatment
from stormplan.treatment.screening import FAR_OFF
from stormplan.units import Speaker
from stormplan.words import source_text, templating
from stormplan.words.change_text import alert_lines, change_lines
from stormplan.words.formatting import Words, age, blend_name, capital, count, listed, percent
from stormplan.words.mix_sheet import YardView, short_of, yard_view
from stormplan.words.site_text import Footnotes, SiteView, site_view, summary
from stormplan.words.strip_charts import Strip

VERDICTS = {"go": "GO", "hold": "HOLD", "nothing": "NOTHING TO DO"}
FEW = 3  # names in a row before the rest is counted
STRETCHES = 12  # lines of the timeline: what a reader takes in


@dataclass(frozen=True)
class Fact:
    """One line of the first screen, with a small table under it where one is needed."""

    label: str
    text: str
    rows: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class Stretch:
    """One stretch of the storm: when, what, and where."""

    when: str
    hazard: str
    says: str


@dataclass(frozen=True)
class YardSites:
    """The sites one yard serves: those with something to do first, the quiet ones by name."""

    name: str
    busy: tuple[SiteView, ...]
    quiet: tuple[SiteView, ...]


@dataclass(frozen=True)
class View:
    """The whole briefing in words, in the order it is read."""

    company: str
    made: str
    verdict: str
    start: str
    headline: str
    facts: tuple[Fact, ...]
    matters: tuple[tuple[str, str, str], ...]
    degraded: tuple[str, ...]
    alerts: tuple[str, ...]
    changes: tuple[str, ...]
    timeline: tuple[Stretch, ...]
    yards: tuple[YardView, ...]
    served: tuple[YardSites, ...]
    unknown: tuple[str, ...]
    notes: tuple[str, ...]
    limits: tuple[str, ...]
    cautions: tuple[str, ...]
    sources: tuple[str, ...]
    credits: tuple[str, ...]

    @property
    def sites(self) -> tuple[SiteView, ...]:
        """Every site, yard by yard."""
        return tuple(site for yard in self.served for site in (*yard.busy, *yard.quiet))


def view(plan: Plan) -> View:
    """Put a plan into words.

    Parameters
    ----------
    plan : Plan
        The record [-].

    Returns
    -------
    View
        Everything a report shows, as text.
    """
    words = Words(Speaker(plan.units), ZoneInfo(plan.timezone))
    planned = [site for site in plan.sites if site.source is not None]
    notes = Footnotes()
    served = tuple(_served(plan, words, notes))
    return View(
        company=plan.company,
        made=words.full(plan.made_at),
        verdict=VERDICTS[plan.verdict] if planned else "NO FORECAST",
        start="" if plan.first_start is None else f"from {words.day(plan.first_start)}",
        headline=_headline(plan, words),
        facts=tuple(_facts(plan, words)),
        matters=tuple(_matter(plan, key, words) for key in plan.matters),
        degraded=(*plan.degraded, *plan.troubles),
        alerts=tuple(alert_lines(plan.alerts, {s.key: s.name for s in plan.sites}, words)),
        changes=change_lines(plan.changes, words),
        timeline=tuple(_timeline(plan, words)),
        yards=tuple(yard_view(yard, words) for yard in plan.yards),
        served=served,
        unknown=tuple(_unknown(plan, words)),
        notes=(*_notes(planned), *plan.remarks),
        limits=plan.limits,
        cautions=plan.cautions,
        sources=tuple(notes.texts),
        credits=tuple(sorted({s.source.credit for s in planned if s.source and s.source.credit})),
    )


# -- first screen ---------------------------------------------------------------------------------


def _actions(plan: Plan) -> list[tuple[SitePlan, SurfacePlan, Treatment]]:
    return [
        (site, surface, item)
        for site in plan.sites
        for surface, item in site.treatments
        if item.action is not Action.NOTHING
    ]


def _headline(plan: Plan, words: Words) -> str:
    if all(site.source is None for site in plan.sites):
        return "No site has a forecast: nothing could be planned. Watch the pavement yourself."
    actions = _actions(plan)
    parts = []
    for action, phrase in (
        (Action.PRETREAT, "pre-treat"),
        (Action.SOLIDS, "solids, not liquid, on"),
        (Action.PLOW, "plow or sand, no salt, on"),
    ):
        of_kind = [(site, surface) for site, surface, item in actions if item.action is action]
        if of_kind:
            surfaces = count(len({(site.key, s.key) for site, s in of_kind}), "surface")
            sites = count(len({site.key for site, _ in of_kind}), "site")
            parts.append(f"{phrase} {surfaces} at {sites}")
    if not parts:
        if plan.verdict == "hold":
            return "Nothing to do yet; look again as listed below."
        return f"No hazard on any pavement before {words.day(plan.planned_until)}."
    text = "; ".join(parts)
    if plan.verdict == "hold":
        return f"Nothing within a day. Later: {text}."
    return f"{capital(text)}."


def _facts(plan: Plan, words: Words) -> Iterable[Fact]:
    actions = _actions(plan)
    blends = _blends(plan, words)
    if blends:
        total = words.say.volume(sum(yard.sprayed_l for yard in plan.yards))
        yield Fact("Spray", total, blends if len(blends) > 1 else ())
        if len(blends) == 1:
            yield Fact("Blend", blends[0][0])
    yield from _work(plan)
    short = [f"{yard.name}: {', '.join(short_of(yard))}" for yard in plan.yards if yard.shortages]
    if short:
        yield Fact("Short of", "; ".join(short))
    sure = _how_sure(actions, plan.made_at)
    if sure:
        yield Fact("How sure", sure)
    close = _closest_call(actions, words)
    if close:
        yield Fact("Closest call", close)
    money = _in_money(actions, plan.made_at)
    if money:
        yield Fact("In money", money)
    sources = [site.source for site in plan.sites if site.source is not None]
    if sources:
        yield Fact("Forecast", _forecast_age(sources, plan.made_at, words))
    second = source_text.first_screen(plan, words)
    if second:
        yield Fact("Second opinion", second)


def _work(plan: Plan) -> Iterable[Fact]:
    """Say what the spraying takes: crew hours against the window, what is not reached, money."""
    crews = [yard.crew for yard in plan.yards if yard.crew.hours_needed > 0.0]
    if crews:
        needed = sum(crew.hours_needed for crew in crews)
        there = sum(crew.hours_there for crew in crews)
        yield Fact("Crew", f"{needed:.1f} of {there:.0f} sprayer hours before it starts")
    missed = sum(len(yard.crew.missed) for yard in plan.yards)
    if missed:
        yield Fact("Not reached", f"{count(missed, 'surface')} in time; see the mix")
    costs = [yard.cost for yard in plan.yards if yard.sprayed_l > 0.0]
    known = [cost for cost in costs if cost is not None]
    if known and len(known) == len(costs):
        yield Fact("Liquid costs", f"{plan.currency} {sum(known):,.0f}")


def _blends(plan: Plan, words: Words) -> tuple[tuple[str, str], ...]:
    """Sum what is sprayed by blend over all yards, largest first."""
    volumes: dict[str, float] = {}
    for yard in plan.yards:
        for blend in yard.blends:
            name = blend_name(blend.additive_name, blend.share)
            volumes[name] = volumes.get(name, 0.0) + blend.volume_l
    largest = sorted(volumes.items(), key=lambda item: -item[1])
    return tuple((name, words.say.volume(volume)) for name, volume in largest)


def _how_sure(actions: list[tuple[SitePlan, SurfacePlan, Treatment]], now: datetime) -> str:
    """Say the chance of the commonest hazard of the day, or of the days after it."""
    every = [item.event for *_, item in actions if item.event is not None]
    if not every:
        return ""
    events = [event for event in every if event.start <= now + FAR_OFF] or every
    likely = Counter(str(event.hazard) for event in events).most_common(1)[0][0]
    chances = sorted(event.probability for event in events if str(event.hazard) == likely)
    text = f"{likely} {percent(chances[0])}"
    if round(chances[-1], 2) != round(chances[0], 2):
        text += f" to {percent(chances[-1])}"
    return text


def _in_money(actions: list[tuple[SitePlan, SurfacePlan, Treatment]], now: datetime) -> str:
    """Say whether the day's choices agree with what the owner says a miss costs."""
    weighed = [
        (f"{site.name}, {surface.name}", item.action is Action.PRETREAT, item.stake, item.event)
        for site, surface, item in actions
        if item.stake is not None and item.event is not None
        and item.event.start <= now + FAR_OFF
    ]  # fmt: skip
    against = [
        f"{name} ({'treated' if treats else 'held'} at {percent(event.probability)}, pays from"
        f" {100.0 * stake.flips_at:.2g} %)"
        for name, treats, stake, event in weighed
        if treats is not stake.pays(event.probability)
    ]
    if not weighed:
        return ""
    if not against:
        return "every choice of the day agrees with your cost of a miss"
    return f"{len(against)} of {len(weighed)} choices go against it: {listed(against, FEW)}"


def _closest_call(actions: list[tuple[SitePlan, SurfacePlan, Treatment]], words: Words) -> str:
    """Say where pavement comes nearest to a temperature at which the answer would change."""
    margins = [
        (abs(reason.saw - reason.limit), reason.saw, reason.limit, site.name, surface.name)
        for site, surface, item in actions
        for reason in item.reasons
        if reason.kind == "temperature" and reason.saw is not None and reason.limit is not None
        and reason.rule in ("liquid_stop_below", "liquid_warn_below", "solid_stop_below")
    ]  # fmt: skip
    if not margins:
        return ""
    _, saw, limit, site_name, surface_name = min(margins)
    return (
        f"{site_name}, {surface_name}: {words.say.temp(saw)} against a limit of"
        f" {words.say.temp(limit)}"
    )


def _forecast_age(sources: list[Source], now: datetime, words: Words) -> str:
    oldest = min(source.issued_at for source in sources)
    names = ", ".join(sorted({source.source for source in sources}))
    return f"{age(now - oldest)} old, from {names}, issued {words.day(oldest)}"


def _matter(plan: Plan, key: str, words: Words) -> tuple[str, str, str]:
    site = next(site for site in plan.sites if site.key == key)
    return site.key, site.name, summary(site, words)


# -- the storm ------------------------------------------------------------------------------------


def _timeline(plan: Plan, words: Words) -> Iterable[Stretch]:
    """Tell the storm once for all sites: one line per hazard and spell, in order of time."""
    faced = sorted(
        ((item.event, site) for site, _, item in _actions(plan) if item.event is not None),
        key=lambda pair: (pair[0].hazard, pair[0].start),
    )
    spells: list[list[tuple[Event, SitePlan]]] = []
    for event, site in faced:
        last = spells[-1] if spells else []
        same = bool(last) and last[0][0].hazard == event.hazard
        if same and event.start <= max(known.end for known, _ in last):
            last.append((event, site))
        else:
            spells.append([(event, site)])
    spells.sort(key=lambda spell: spell[0][0].start)
    for spell in spells[:STRETCHES]:
        yield _stretch(spell, words)
    if len(spells) > STRETCHES:
        yield Stretch("later", "more", f"{len(spells) - STRETCHES} more spells: see the sites")


def _stretch(spell: Sequence[tuple[Event, SitePlan]], words: Words) -> Stretch:
    events = [event for event, _ in spell]
    start, end = min(event.start for event in events), max(event.end for event in events)
    names = list(dict.fromkeys(site.name for _, site in spell))
    coldest = words.say.temp(min(event.coldest_surface_c for event in events))
    likeliest = percent(max(event.probability for event in events))
    where = listed(names) if len(names) <= FEW else f"{len(names)} sites"
    parts = [where, f"pavement down to {coldest}", f"up to {likeliest} likely"]
    snow, water = max(e.snow_cm for e in events), max(e.water_mm for e in events)
    if snow > TRACE_SNOW_CM:
        parts.insert(1, f"up to {words.say.snow(snow)} of snow")
    elif water > 0.0:
        parts.insert(1, f"up to {words.say.water(water)} of water")
    return Stretch(words.span(start, end), capital(str(events[0].hazard)), "; ".join(parts))


# -- the detail -----------------------------------------------------------------------------------


def _served(plan: Plan, words: Words, notes: Footnotes) -> Iterable[YardSites]:
    """Sort the sites by yard; inside, by priority as the plan has them."""
    for yard in plan.yards:
        sites = [
            site_view(site, words, notes, plan.currency)
            for site in plan.sites
            if site.yard == yard.yard
        ]
        yield YardSites(
            yard.name,
            tuple(site for site in sites if not site.is_quiet),
            tuple(site for site in sites if site.is_quiet),
        )


# -- what is not known ----------------------------------------------------------------------------


def _unknown(plan: Plan, words: Words) -> Iterable[str]:
    """Group what the forecast does not say by where it stops saying it."""
    groups: dict[tuple[str, datetime | None, datetime | None], set[str]] = {}
    for site in plan.sites:
        if site.source is None:
            groups.setdefault((f"no forecast ({site.problem})", None, None), set()).add(site.name)
        for surface in site.surfaces:
            for item in surface.unknown:
                groups.setdefault((item.what, item.after, item.until), set()).add(site.name)
    for (what, after, until), names in groups.items():
        where = "; ".join(sorted(names))
        if what == "pavement" and after is not None:
            yield f"pavement: not known from {words.day(after)} on ({where})"
        elif after is not None and until is not None:
            yield f"{what}: not forecast {words.span(after, until)} ({where})"
        elif after is not None:
            yield f"{what}: not forecast beyond {words.day(after)} ({where})"
        elif what.startswith("no forecast"):
            yield f"{where}: {what}"
        else:
            yield f"{what}: not forecast at all ({where})"


def _notes(planned: list[SitePlan]) -> Iterable[str]:
    """List what the parser dropped or guessed, once per cell."""
    seen: dict[str, tuple[str, ...]] = {}
    for site in planned:
        if site.source is not None:
            seen[f"{site.source.source} {site.source.cell}"] = site.source.notes
    return (f"{cell}: {note}" for cell, notes in seen.items() for note in notes)


# -- files ----------------------------------------------------------------------------------------


def html(shown: View, strips: Sequence[Strip] = (), undrawn: int = 0) -> str:
    """Render the briefing as one self-contained page.

    Parameters
    ----------
    shown : View
        The plan in words [-].
    strips : sequence of Strip
        Its charts, the one that matters most first [-].
    undrawn : int
        How many columns with an event have no chart [-].

    Returns
    -------
    str
        HTML without scripts or outside references.
    """
    return templating.render(
        "briefing.html", view=shown, strips=strips, undrawn=undrawn, drawing=templating.drawing
    )
