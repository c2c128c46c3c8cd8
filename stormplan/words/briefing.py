"""The morning briefing: a plan made readable, first for the owner on a phone before dawn.

``build_view`` turns the plan's SI numbers and UTC times into sentences in the reader's units and
local time; terminal, text file and page all show the same view. Nothing is decided here.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from stormplan.events.detection import Event
from stormplan.events.hazards import SNOW_HAZARDS, TRACE_SNOWFALL_CM
from stormplan.operations.mix_records import YardMix
from stormplan.planning.diagnostics import Diagnostic
from stormplan.planning.plan import MANY_SITES, Plan, SitePlan
from stormplan.words import diagnostic_text, templating
from stormplan.words.change_text import alert_lines, change_lines
from stormplan.words.first_screen import (
    MAX_NAMES,
    SummaryRow,
    WorkLine,
    active_treatments,
    headline,
    kinds_of_work,
    mail_subject,
    missed_treatments,
    priority_site,
    summary_rows,
    unknown_clause,
    verdict_label,
    work_lines,
)
from stormplan.words.formatting import (
    ReportFormat,
    capitalize_first,
    format_chance,
    join_names,
    plan_format,
    pluralize,
)
from stormplan.words.ice_text import (
    IcePeriod,
    ice_chances,
    ice_hours,
    ice_periods,
    ice_summary,
)
from stormplan.words.order_text import order_sentence, orders_to_place
from stormplan.words.site_text import Footnotes, SiteView, site_view
from stormplan.words.strip_charts import Strip
from stormplan.words.yard_mix_text import YardMixView, shortage_lines, yard_mix_view

MAX_PERIODS = 12  # lines of the timeline: what a reader takes in
MAX_LINES = 40  # of each list in an index


@dataclass(frozen=True)
class StormPeriod:
    """One period of the storm: when, which hazard, where."""

    when: str
    hazard: str
    text: str


@dataclass(frozen=True)
class YardSites:
    """The sites one yard serves: those with something to do first, the quiet ones by name."""

    name: str
    detailed: tuple[SiteView, ...]
    uneventful: tuple[SiteView, ...]


@dataclass(frozen=True)
class YardLine:
    """A yard in the index of very many sites: page, work, ice after it, sites, what is wrong."""

    name: str
    page: str
    work: str
    sites: str
    problem: str


@dataclass(frozen=True)
class View:
    """The whole briefing in words, in the order it is read."""

    company: str
    made_at: str
    verdict: str
    start: str
    headline: str
    subject: str
    work: tuple[WorkLine, ...]
    not_known: str
    summary_rows: tuple[SummaryRow, ...]
    priority_sites: tuple[tuple[str, str, str], ...]
    problems: tuple[str, ...]
    alerts: tuple[str, ...]
    changes: tuple[str, ...]
    timeline: tuple[StormPeriod, ...]
    yard_mixes: tuple[YardMixView, ...]
    sites_by_yard: tuple[YardSites, ...]
    unknown: tuple[str, ...]
    notes: tuple[str, ...]
    model_limitations: tuple[str, ...]
    cautions: tuple[str, ...]
    rule_sources: tuple[str, ...]
    credits: tuple[str, ...]
    yard_index: tuple[YardLine, ...] = ()

    @property
    def sites(self) -> tuple[SiteView, ...]:
        """Every site, yard by yard."""
        return tuple(
            site for yard in self.sites_by_yard for site in (*yard.detailed, *yard.uneventful)
        )


def build_view(plan: Plan) -> View:
    """Return the text view of a plan.

    Parameters
    ----------
    plan : Plan
        The record.

    Returns
    -------
    View
        Everything a report shows, as text; of very many sites an index by yard.
    """
    is_index = len(plan.sites) > MANY_SITES
    view = _view(plan, with_sites=not is_index)
    if not is_index:
        return view
    fmt = plan_format(plan)
    return replace(
        view,
        yard_index=tuple(_yard_index(plan, fmt)),
        problems=_first_lines(view.problems),
        alerts=_first_lines(view.alerts),
        changes=_first_lines(view.changes),
        unknown=_first_lines(view.unknown),
        notes=_first_lines(view.notes),
        cautions=_first_lines(view.cautions),
    )


def _view(plan: Plan, *, with_sites: bool) -> View:
    """Return the view of a plan, with every site and mix in it if so asked."""
    fmt = plan_format(plan)
    planned = [site for site in plan.sites if site.source is not None]
    notes = Footnotes()
    sites_by_yard = tuple(_sites_by_yard(plan, fmt, notes)) if with_sites else ()
    return View(
        company=plan.company,
        made_at=fmt.full_datetime(plan.made_at),
        verdict=verdict_label(plan),
        start="" if plan.first_start is None else f"from {fmt.day_hour(plan.first_start)}",
        headline=headline(plan, fmt),
        subject=mail_subject(plan, fmt),
        work=tuple(work_lines(plan, fmt)) if plan.verdict == "go" else (),
        not_known=unknown_clause(plan).strip(),
        summary_rows=tuple(summary_rows(plan, fmt)),
        priority_sites=tuple(priority_site(plan, key, fmt) for key in plan.priority_sites),
        problems=diagnostic_text.problem_lines(plan, fmt),
        alerts=tuple(alert_lines(plan.alerts, {s.key: s.name for s in plan.sites}, fmt)),
        changes=change_lines(plan.changes, fmt),
        timeline=tuple(_timeline(plan, fmt)),
        yard_mixes=tuple(_yard_mix(plan, yard, fmt) for yard in plan.yards if with_sites),
        sites_by_yard=sites_by_yard,
        unknown=diagnostic_text.layer_lines(plan, fmt),
        notes=diagnostic_text.note_lines(plan, fmt),
        model_limitations=plan.model_limitations,
        cautions=plan.cautions,
        rule_sources=tuple(notes.texts),
        credits=tuple(sorted({s.source.credit for s in planned if s.source and s.source.credit})),
    )


# -- the storm ------------------------------------------------------------------------------------


def _timeline(plan: Plan, fmt: ReportFormat) -> Iterable[StormPeriod]:
    """Yield one row per hazard, or ice it leaves, and period over all sites, in order of time."""
    events = sorted(
        ((item.event, site) for site, _, item in active_treatments(plan) if item.event is not None),
        key=lambda pair: (pair[0].hazard, pair[0].start),
    )
    periods: list[list[tuple[Event, SitePlan]]] = []
    last_end = plan.made_at
    for event, site in events:
        same = bool(periods) and periods[-1][0][0].hazard == event.hazard
        if same and event.start <= last_end:
            periods[-1].append((event, site))
            last_end = max(last_end, event.end)
        else:
            periods.append([(event, site)])
            last_end = event.end
    timed = [(period[0][0].start, _storm_period(period, fmt)) for period in periods]
    timed += [(spell[0].start, _ice_period(spell, fmt)) for spell in _ice_spells(plan)]
    timed.sort(key=lambda each: each[0])
    yield from (row for _, row in timed[:MAX_PERIODS])
    if len(timed) > MAX_PERIODS:
        yield StormPeriod("later", "more", f"{len(timed) - MAX_PERIODS} more spells: see the sites")


def _ice_spells(plan: Plan) -> list[list[IcePeriod]]:
    """Return the ice that events leave, with what lies at the same time as one."""
    spells: list[list[IcePeriod]] = []
    last_end = plan.made_at
    for one in ice_periods(plan.sites):
        if spells and one.start <= last_end:
            spells[-1].append(one)
            last_end = max(last_end, one.end)
        else:
            spells.append([one])
            last_end = one.end
    return spells


def _ice_period(spell: Sequence[IcePeriod], fmt: ReportFormat) -> StormPeriod:
    where = _where([one.site for one in spell])
    return StormPeriod(ice_hours(spell, fmt), "Ice afterward", f"{where}; {ice_chances(spell)}")


def _where(sites: Iterable[SitePlan]) -> str:
    names = list(dict.fromkeys(site.name for site in sites))
    return join_names(names) if len(names) <= MAX_NAMES else f"{len(names)} sites"


def _storm_period(period: Sequence[tuple[Event, SitePlan]], fmt: ReportFormat) -> StormPeriod:
    events = [event for event, _ in period]
    start, end = min(event.start for event in events), max(event.end for event in events)
    coldest = fmt.units.temperature(min(event.min_pavement_temp_c for event in events))
    where = _where(site for _, site in period)
    parts = [where, f"pavement down to {coldest}", _highest_chance(events)]
    snow, water = max(e.snowfall_cm for e in events), max(e.precip_mm for e in events)
    if snow > TRACE_SNOWFALL_CM and events[0].hazard in SNOW_HAZARDS:
        parts.insert(1, f"up to {fmt.units.snowfall(snow)} of snow")
    elif water > 0.0:
        parts.insert(1, f"up to {fmt.units.water_depth(water)} of water")
    return StormPeriod(
        fmt.time_range(start, end), capitalize_first(str(events[0].hazard)), "; ".join(parts)
    )


def _highest_chance(events: Sequence[Event]) -> str:
    """Return how likely the likeliest of some events is; nothing is said for the source."""
    given = {
        format_chance(event.probability): event.probability
        for event in events
        if event.chance_given
    }
    if not given:
        return "no chance given"
    highest = max(given, key=lambda text: given[text])
    is_range = len(given) > 1 and not highest.startswith("over")
    return f"{'up to ' if is_range else ''}{highest} likely"


# -- the detail -----------------------------------------------------------------------------------


def _yard_mix(plan: Plan, yard: YardMix, fmt: ReportFormat) -> YardMixView:
    """Return a yard's mix in short, and what it orders."""
    view = yard_mix_view(yard, fmt, is_known=plan.has_forecast)
    orders = [
        ("To order", order_sentence(one, plan.made_at, fmt))
        for one in orders_to_place(plan, yard.yard)
    ]
    return replace(view, rows=(*view.rows, *orders))


def _sites_by_yard(plan: Plan, fmt: ReportFormat, notes: Footnotes) -> Iterable[YardSites]:
    """Sort the sites by yard; inside, by priority as the plan has them."""
    for yard in plan.yards:
        sites = [site_view(plan, site, fmt, notes) for site in plan.sites if site.yard == yard.yard]
        yield YardSites(
            yard.name,
            tuple(site for site in sites if not site.is_uneventful),
            tuple(site for site in sites if site.is_uneventful),
        )


# -- very many sites ------------------------------------------------------------------------------


def _first_lines(lines: Sequence[str]) -> tuple[str, ...]:
    """Return the first lines of a list, and how many more there are."""
    more = len(lines) - MAX_LINES
    return (*lines[:MAX_LINES], *([f"and {more:,} more: see plan.json"] if more > 0 else []))


def _plans_by_yard(plan: Plan) -> Iterator[tuple[YardMix, Plan]]:
    """Yield each yard with the part of the plan that is about it and its sites."""
    sites: dict[str, list[SitePlan]] = {yard.yard: [] for yard in plan.yards}
    for site in plan.sites:
        sites[site.yard].append(site)
    yard_of = {site.key: site.yard for site in plan.sites}
    diagnostics: dict[str, list[Diagnostic]] = {yard.yard: [] for yard in plan.yards}
    for one in plan.diagnostics:
        if one.site in yard_of:
            diagnostics[yard_of[one.site]].append(one)
    for yard in plan.yards:
        yield (
            yard,
            plan.model_copy(
                update={
                    "sites": tuple(sites[yard.yard]),
                    "yards": (yard,),
                    "diagnostics": tuple(diagnostics[yard.yard]),
                    "priority_sites": (),
                    "changes": (),
                    "alerts": (),
                }
            ),
        )


def _yard_page(yard: YardMix) -> str:
    return f"yards/{yard.yard}.html"


def _yard_index(plan: Plan, fmt: ReportFormat) -> Iterator[YardLine]:
    """Yield the yards, those whose work begins first before the others."""

    def first_at(part: Plan) -> tuple[bool, datetime]:
        starts = [work.first_at for work in kinds_of_work(part)]
        starts += [
            item.event.start for _, _, item in missed_treatments(part) if item.event is not None
        ]
        return not starts, min(starts, default=part.made_at)

    for yard, part in sorted(_plans_by_yard(plan), key=lambda each: first_at(each[1])):
        problems = []
        if part.unknown_sites:
            problems.append(f"Not known for {pluralize(len(part.unknown_sites), 'site')}")
        missed = len(list(missed_treatments(part)))
        if missed:
            problems.append(f"no sprayer reaches {pluralize(missed, 'surface')}")
        if yard.shortages:
            problems.append(f"short of {', '.join(shortage_lines(yard, fmt.units))}")
        work = "; ".join(
            f"{work.phrase} {work.surfaces} at {work.sites} from {fmt.day_hour(work.first_at)}"
            for work in kinds_of_work(part)
        )
        said = f"{capitalize_first(work)}." if work else _idle_text(part)
        ice = ice_summary(ice_periods(part.sites), fmt)
        yield YardLine(
            yard.name,
            _yard_page(yard),
            f"{said} Ice afterward: {ice}." if ice else said,
            pluralize(len(part.sites), "site"),
            capitalize_first("; ".join(problems)),
        )


def _idle_text(part: Plan) -> str:
    """Return what is said of a yard without work: only what is known is nothing to do."""
    if part.unknown_sites:
        return "No work is known of."
    waits = len({(site.key, surface.key) for site, surface, _ in active_treatments(part)})
    yet = f"No work yet: look or wait at {pluralize(waits, 'surface')}."
    return yet if waits else "Nothing to do."


def yard_pages(plan: Plan) -> dict[str, str]:
    """Render the page of each yard, by file name; none where the briefing has every site.

    Parameters
    ----------
    plan : Plan
        The record.
    """
    if len(plan.sites) <= MANY_SITES:
        return {}
    pages = {}
    for yard, part in _plans_by_yard(plan):
        view = _view(part, with_sites=True)
        (sites,) = view.sites_by_yard
        pages[_yard_page(yard)] = templating.render("yard_sites.html", view=view, yard=sites)
    return pages


# -- files ----------------------------------------------------------------------------------------


def render_html(view: View, strips: Sequence[Strip] = (), undrawn_count: int = 0) -> str:
    """Render the briefing as one self-contained page.

    Parameters
    ----------
    view : View
        The plan in words.
    strips : sequence of Strip
        Its charts, the one that matters most first.
    undrawn_count : int
        How many columns with an event have no chart [-].

    Returns
    -------
    str
        HTML without scripts or outside references.
    """
    return templating.render(
        "briefing.html",
        view=view,
        strips=strips,
        undrawn_count=undrawn_count,
        trusted_svg=templating.trusted_svg,
    )
