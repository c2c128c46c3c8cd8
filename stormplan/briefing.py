"""The morning briefing: a plan made readable, first for the owner on a phone before dawn.

``view`` turns the plan's SI numbers and UTC times into sentences in the reader's units and local
time; the terminal, the text file and the page all show the same view. Nothing is decided here.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from jinja2 import Environment, PackageLoader, StrictUndefined

from stormplan import secondopinion
from stormplan.event import SNOW, Event, Hazard
from stormplan.mixsheet import YardView, blend_line, short_of, yard_view
from stormplan.newswords import alert_lines, change_lines
from stormplan.plan import Plan, SitePlan, Source, SurfacePlan
from stormplan.treatment import Action, Treatment
from stormplan.units import Speaker
from stormplan.wording import Words, age, blend_name, count, percent, reason_line

VERDICTS = {"go": "GO", "hold": "HOLD", "nothing": "NOTHING TO DO"}
ACTIONS = {
    Action.PRETREAT: "Pre-treat",
    Action.HOLD: "Hold",
    Action.SOLIDS: "Solids",
    Action.PLOW: "No salt",
    Action.NOTHING: "Nothing",
}


@dataclass(frozen=True)
class ActionView:
    """What to do about one event on one surface, in words."""

    action: str
    says: str
    when: str
    what: str
    event: str
    reasons: tuple[str, ...]
    cautions: tuple[str, ...]


@dataclass(frozen=True)
class SurfaceView:
    """One surface in words."""

    name: str
    area: str
    coldest: str
    actions: tuple[ActionView, ...]


@dataclass(frozen=True)
class SiteView:
    """One site in words."""

    key: str
    name: str
    client: str
    yard: str
    priority: int
    summary: str
    forecast: str
    problem: str | None
    surfaces: tuple[SurfaceView, ...]


@dataclass(frozen=True)
class View:
    """The whole briefing in words, in the order it is read."""

    company: str
    made: str
    verdict: str
    headline: str
    facts: tuple[tuple[str, str], ...]
    matters: tuple[tuple[str, str], ...]
    degraded: tuple[str, ...]
    alerts: tuple[str, ...]
    changes: tuple[str, ...]
    sites: tuple[SiteView, ...]
    yards: tuple[YardView, ...]
    unknown: tuple[str, ...]
    notes: tuple[str, ...]
    limits: tuple[str, ...]
    cautions: tuple[str, ...]
    credits: tuple[str, ...]


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
    return View(
        company=plan.company,
        made=words.full(plan.made_at),
        verdict=VERDICTS[plan.verdict] if planned else "NO FORECAST",
        headline=_headline(plan, words),
        facts=tuple(_facts(plan, words)),
        matters=tuple(_matter(plan, key, words) for key in plan.matters),
        degraded=(*plan.degraded, *plan.troubles),
        alerts=tuple(alert_lines(plan.alerts, {s.key: s.name for s in plan.sites}, words)),
        changes=change_lines(plan.changes, words),
        sites=tuple(_site(site, plan, words) for site in plan.sites),
        yards=tuple(yard_view(yard, words) for yard in plan.yards),
        unknown=tuple(_unknown(plan, words)),
        notes=(*_notes(planned), *plan.remarks),
        limits=plan.limits,
        cautions=plan.cautions,
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
    return f"{text[0].upper()}{text[1:]}."


def _facts(plan: Plan, words: Words) -> Iterable[tuple[str, str]]:
    actions = _actions(plan)
    if plan.first_start is not None:
        yield "From", words.day(plan.first_start)
    gallons = [blend_line(blend, words) for yard in plan.yards for blend in yard.blends]
    if gallons:
        total = sum(yard.sprayed_l for yard in plan.yards)
        yield "Volume", f"{words.say.volume(total)}: {'; '.join(gallons)}"
    short = [f"{yard.name}: {', '.join(short_of(yard))}" for yard in plan.yards if yard.shortages]
    if short:
        yield "Short of", "; ".join(short)
    sure = _how_sure(actions, words)
    if sure:
        yield "How sure", sure
    sources = [site.source for site in plan.sites if site.source is not None]
    if sources:
        yield "Forecast", _forecast_age(sources, plan.made_at, words)
    second = secondopinion.first_screen(plan, words)
    if second:
        yield "Second opinion", second


def _how_sure(actions: list[tuple[SitePlan, SurfacePlan, Treatment]], words: Words) -> str:
    """Say the likeliest event and the closest call: chance against go, pavement against a floor."""
    events = [item.event for *_, item in actions if item.event is not None]
    if not events:
        return ""
    likely = Counter(str(event.hazard) for event in events).most_common(1)[0][0]
    chances = sorted(event.probability for event in events if str(event.hazard) == likely)
    text = f"{likely} {percent(chances[0])}"
    if round(chances[-1], 2) != round(chances[0], 2):
        text += f" to {percent(chances[-1])}"
    margins = [
        (abs(reason.saw - reason.limit), reason, site)
        for site, _, item in actions
        for reason in item.reasons
        if reason.kind == "temperature" and reason.saw is not None and reason.limit is not None
        and reason.rule in ("liquid_stop_below", "liquid_warn_below", "solid_stop_below")
    ]  # fmt: skip
    if margins:
        _, reason, site = min(margins, key=lambda margin: margin[0])
        assert reason.saw is not None  # filtered above
        assert reason.limit is not None
        text += (
            f"; closest call {site.name}, pavement {words.say.temp(reason.saw)} against a limit of"
            f" {words.say.temp(reason.limit)}"
        )
    return text


def _forecast_age(sources: list[Source], now: datetime, words: Words) -> str:
    oldest = min(source.issued_at for source in sources)
    names = ", ".join(sorted({source.source for source in sources}))
    return f"{names}, issued {words.day(oldest)}, {age(now - oldest)} old"


def _matter(plan: Plan, key: str, words: Words) -> tuple[str, str]:
    site = next(site for site in plan.sites if site.key == key)
    return site.name, _summary(site, words)


def _summary(site: SitePlan, words: Words) -> str:
    """Say in one line what a site faces and what is done about it."""
    if site.source is None:
        return "no forecast"
    items = [item for _, item in site.treatments if item.event is not None]
    if not items:
        return "nothing to do"
    first = min(items, key=lambda item: item.event.start if item.event else site.source.issued_at)  # type: ignore[union-attr]
    assert first.event is not None  # filtered above
    kinds = Counter(ACTIONS[item.action].lower() for item in items)
    done = ", ".join(f"{kind} ×{count}" for kind, count in kinds.items())
    when = words.day(first.event.start)
    return f"{first.event.hazard} from {when}, {percent(first.event.probability)}: {done}"


# -- the detail -----------------------------------------------------------------------------------


def _site(site: SitePlan, plan: Plan, words: Words) -> SiteView:
    here = Words(words.say, ZoneInfo(site.timezone))
    source = site.source
    return SiteView(
        key=site.key,
        name=site.name,
        client=site.client,
        yard=next(yard.name for yard in plan.yards if yard.yard == site.yard),
        priority=site.priority,
        summary=_summary(site, here),
        forecast="" if source is None else (
            f"{source.source} cell {source.cell}, issued {here.day(source.issued_at)}"
            f"{', STALE' if source.stale else ''}"
        ),
        problem=site.problem,
        surfaces=tuple(_surface(surface, here) for surface in site.surfaces),
    )  # fmt: skip


def _surface(surface: SurfacePlan, words: Words) -> SurfaceView:
    cold = surface.coldest_surface_c
    return SurfaceView(
        name=surface.name,
        area=words.say.area(surface.area_m2),
        coldest="not known" if cold is None else words.say.temp(cold),
        actions=tuple(_action(item, words) for item in surface.treatments),
    )


def _action(item: Treatment, words: Words) -> ActionView:
    return ActionView(
        action=ACTIONS[item.action],
        says=item.says,
        when=_when(item, words),
        what=_what(item, words),
        event="" if item.event is None else _event(item.event, words),
        reasons=tuple(reason_line(reason, words.say) for reason in item.reasons),
        cautions=item.cautions,
    )


def _when(item: Treatment, words: Words) -> str:
    if item.best_start is not None and item.earliest is not None and item.latest is not None:
        window = words.span(item.earliest, item.latest)
        return f"start {words.day(item.best_start)} (any dry, calm hour {window})"
    if item.action is Action.HOLD and item.look_again is not None:
        return f"look again {words.day(item.look_again)}"
    return "" if item.event is None else f"from {words.day(item.event.start)}"


def _what(item: Treatment, words: Words) -> str:
    if item.action is Action.PRETREAT:
        blend = blend_name(item.additive_name, item.additive_share)
        rate, volume = words.say.liquid_rate(item.rate_l_m2), words.say.volume(item.volume_l)
        return f"{blend} at {rate}: {volume}"
    if item.solid is not None:
        low, high = item.solid.low_kg_m2, item.solid.high_kg_m2
        rate = words.say.solid_rate(low)
        if high > low:
            rate = f"{rate.split(' ')[0]}–{words.say.solid_rate(high)}"
        return f"prewetted salt {rate}"
    return ""


def _event(event: Event, words: Words) -> str:
    parts = [f"{event.hazard} {words.span(event.start, event.end)}"]
    if event.hazard in SNOW:
        parts.append(f"{words.say.snow(event.snow_cm)} of snow")
    elif event.hazard is not Hazard.FROST:
        parts.append(f"{words.say.water(event.water_mm)} of water")
    parts.append(f"pavement down to {words.say.temp(event.coldest_surface_c)}, {event.trend}")
    parts.append(f"{percent(event.probability)} likely")
    if event.unknown:
        parts.append(f"not known for all of it: {', '.join(event.unknown)}")
    text = "; ".join(parts)
    return text[0].upper() + text[1:]


# -- what is not known ----------------------------------------------------------------------------


def _unknown(plan: Plan, words: Words) -> Iterable[str]:
    """Group what the forecast does not say by where it stops saying it."""
    groups: dict[tuple[str, datetime | None], set[str]] = {}
    for site in plan.sites:
        if site.source is None:
            groups.setdefault((f"no forecast ({site.problem})", None), set()).add(site.name)
        for surface in site.surfaces:
            for item in surface.unknown:
                groups.setdefault((item.what, item.after), set()).add(site.name)
    for (what, after), names in groups.items():
        where = "; ".join(sorted(names))
        if after is not None:
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


def html(shown: View) -> str:
    """Render the briefing as one self-contained page.

    Parameters
    ----------
    shown : View
        The plan in words [-].

    Returns
    -------
    str
        HTML without scripts or outside references.
    """
    environment = Environment(
        loader=PackageLoader("stormplan", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("briefing.html").render(view=shown)
