"""The morning briefing: a plan made readable, first for the owner on a phone before dawn.

``view`` turns the plan's SI numbers and UTC times into sentences in the reader's units and local
time; the terminal, the text file and the page all show the same view. Nothing is decided here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from stormplan.events.detection import Event
from stormplan.events.hazards import SEVERITY_ORDER, SNOW_HAZARDS, TRACE_SNOWFALL_CM
from stormplan.operations.mix_records import YardMix
from stormplan.operations.pass_schedule import LatePass
from stormplan.planning.diagnostics import Diagnostic
from stormplan.planning.plan import Plan, SitePlan, SourceRecord, SurfacePlan
from stormplan.treatment.cost_loss import CostLoss
from stormplan.treatment.records import Action, Remedy, Treatment, Visit
from stormplan.words import diagnostic_text, source_text, templating
from stormplan.words.change_text import alert_lines, change_lines
from stormplan.words.formatting import (
    ReportFormat,
    blend_name,
    capitalize_first,
    format_age,
    format_break_even,
    format_chance,
    format_percent,
    join_names,
    plan_format,
    pluralize,
)
from stormplan.words.order_text import order_sentence, order_summary, orders_to_place
from stormplan.words.round_text import PASS_NOUNS, passes_text, rounds_text, short_slack_text
from stormplan.words.site_text import Footnotes, SiteView, site_summary, site_view
from stormplan.words.strip_charts import Strip
from stormplan.words.yard_mix_text import YardMixView, shortage_lines, yard_mix_view

VERDICT_LABELS = {"go": "GO", "wait": "WAIT", "nothing": "NOTHING TO DO", "unknown": "NOT KNOWN"}
MAX_NAMES = 3  # names in a row before the rest is counted
MAX_TEXTS = 6  # sentences of several yards or clients in a row before the rest is counted
MAX_PERIODS = 12  # lines of the timeline: what a reader takes in
MANY_SITES = 500  # with more the briefing is an index, and each yard has a page of its own
MAX_LINES = 40  # of each list in an index


@dataclass(frozen=True)
class SummaryRow:
    """A row of the first screen, with an optional breakdown."""

    label: str
    text: str
    breakdown: tuple[tuple[str, str], ...] = ()


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
    """A yard in the index of very many sites: its page, its work, its sites, what is wrong."""

    name: str
    page: str
    work: str
    sites: str
    problem: str


@dataclass(frozen=True)
class WorkLine:
    """One kind of work of a plan that goes: from when, where first, and the worst it is against."""

    kind: str
    start: str
    surfaces: str
    sites: str
    against: str


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
        verdict=_verdict(plan),
        start="" if plan.first_start is None else f"from {fmt.day_hour(plan.first_start)}",
        headline=_headline(plan, fmt),
        subject=_subject(plan, fmt),
        work=tuple(_work_lines(plan, fmt)) if plan.verdict == "go" else (),
        not_known=_unknown_clause(plan).strip(),
        summary_rows=tuple(_summary_rows(plan, fmt)),
        priority_sites=tuple(_priority_site(plan, key, fmt) for key in plan.priority_sites),
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


#: What a temperature limit of practice means, for the tightest one.
LIMIT_PHRASES = {
    "liquid_stop_below": "no liquid goes down below",
    "liquid_warn_below": "liquid is doubtful below",
    "solid_stop_below": "salt is not worth spreading below",
}

#: From which chance on there is work.
GO_RULES = ("go_probability", "go_probability_beyond_day")

#: What counts as today's in the rows of the first screen.
DAY_AHEAD = timedelta(hours=24)
HEADLINE_WORK: tuple[tuple[str, Callable[[Visit], bool]], ...] = (
    ("pre-treat", lambda visit: visit.action is Action.PRETREAT),
    ("plow or shovel", lambda visit: visit.plow),
    ("post-treat", lambda visit: visit.action is Action.POST_TREAT),
    ("salt", lambda visit: visit.action is Action.SALT),
    ("sand, no salt, on", lambda visit: visit.action is Action.SAND),
)

# -- first screen ---------------------------------------------------------------------------------


def _active_treatments(plan: Plan) -> list[tuple[SitePlan, SurfacePlan, Treatment]]:
    return [
        (site, surface, item)
        for site in plan.sites
        for surface, item in site.treatments
        if item.event is not None
    ]


@dataclass(frozen=True)
class _Work:
    """All visits of one kind, with the treatment each belongs to."""

    phrase: str
    visits: tuple[tuple[SitePlan, SurfacePlan, Treatment, Visit], ...]
    not_before: datetime

    @property
    def surfaces(self) -> str:
        keys = {(site.key, surface.key) for site, surface, *_ in self.visits}
        return pluralize(len(keys), "surface")

    @property
    def sites(self) -> str:
        return pluralize(len({site.key for site, *_ in self.visits}), "site")

    @property
    def first_at(self) -> datetime:
        return max(min(visit.at for *_, visit in self.visits), self.not_before)


def _work(plan: Plan) -> list[_Work]:
    actions = _active_treatments(plan)
    found = []
    for phrase, wanted in HEADLINE_WORK:
        visits = tuple(
            (site, surface, item, visit)
            for site, surface, item in actions
            for visit in item.visits
            if wanted(visit)
        )
        if visits:
            found.append(_Work(phrase, visits, plan.made_at))
    return found


def _severity(each: tuple[SitePlan, Event]) -> tuple[int, float]:
    _, event = each
    return SEVERITY_ORDER.index(event.hazard), event.probability


def _work_lines(plan: Plan, fmt: ReportFormat) -> list[WorkLine]:
    """Return each kind of work and what is not reached, in order of time."""
    timed = []
    missed = sorted(_missed(plan), key=lambda each: _first_onset([each]))
    if missed:
        onset = _first_onset(missed)
        timed.append((onset, _work_line("Not reached", onset, missed, fmt)))
    for work in _work(plan):
        kind = capitalize_first(work.phrase.removesuffix(", on"))
        in_order = sorted(work.visits, key=lambda each: each[-1].at)
        of_work = [(site, surface, item) for site, surface, item, _ in in_order]
        timed.append((work.first_at, _work_line(kind, work.first_at, of_work, fmt)))
    return [line for _, line in sorted(timed, key=lambda each: each[0])]


def _work_line(
    kind: str,
    first_at: datetime,
    treatments: Sequence[tuple[SitePlan, SurfacePlan, Treatment]],
    fmt: ReportFormat,
) -> WorkLine:
    """Return a kind of work as a line; its treatments come in order of time."""
    events = [(site, item.event) for site, _, item in treatments if item.event is not None]
    site, worst = max(events, key=_severity)
    chance = f" {format_chance(worst.probability)}" if worst.chance_given else ""
    surfaces = {(one.key, surface.key) for one, surface, _ in treatments}
    first = treatments[0][0]
    first_site = "" if first.key == site.key else f", {first.name} first"
    return WorkLine(
        kind,
        f"from {fmt.day_hour(first_at)}",
        pluralize(len(surfaces), "surface"),
        pluralize(len({one.key for one, *_ in treatments}), "site") + first_site,
        f"{worst.hazard}{chance} at {site.name}",
    )


def _verdict(plan: Plan) -> str:
    return VERDICT_LABELS[plan.verdict] if plan.has_forecast else "NO FORECAST"


def _subject(plan: Plan, fmt: ReportFormat) -> str:
    """Return the answer as short as a lock screen shows it: go, when, what, how much."""
    if plan.verdict != "go" or not plan.has_forecast:
        return f"{_verdict(plan)}: {_headline(plan, fmt)}"
    work = sorted(_work(plan), key=lambda each: each.first_at)
    parts = [f"{work[0].phrase} {work[0].surfaces}"] if work else []
    missed = list(_missed(plan))
    if missed:
        not_reached = f"{pluralize(len(missed), 'surface')} NOT reached in time"
        is_first = not work or _first_onset(missed) <= work[0].first_at
        parts.insert(0 if is_first else 1, not_reached)
    start = "" if plan.first_start is None else f" {fmt.day_hour(plan.first_start)}"
    parts[0] = f"{_verdict(plan)}{start}: {parts[0]}"
    pretreat_l = sum(yard.pretreat_l for yard in plan.yards)
    salt_kg = sum(yard.spread_salt_kg for yard in plan.yards)
    if pretreat_l > 0.0:
        parts.append(fmt.units.volume(pretreat_l))
    elif salt_kg > 0.0:
        parts.append(f"{fmt.units.mass(salt_kg)} of salt")
    later = ", ".join(each.phrase.replace(",", " ").split()[0] for each in work[1:])
    parts += [f"then {later}"] if later else []
    if plan.unknown_sites:
        parts.append(f"{pluralize(len(plan.unknown_sites), 'site')} not known")
    return "; ".join(parts)


def _headline(plan: Plan, fmt: ReportFormat) -> str:
    if not plan.has_forecast:
        return (
            "No site has a forecast: nothing could be planned. Watch the pavement yourself, and"
            " call your sites in order of priority."
        )
    parts = [
        f"{work.phrase} {work.surfaces} at {work.sites} from {fmt.day_hour(work.first_at)}"
        for work in _work(plan)
    ]
    missed = list(_missed(plan))
    if missed:
        where = pluralize(len(missed), "surface")
        from_hour = fmt.day_hour(_first_onset(missed))
        parts.insert(0, f"no sprayer reaches {where} before it starts, from {from_hour}")
    unknown = _unknown_clause(plan)
    if not parts:
        until = fmt.day_hour(plan.planned_until)
        match plan.verdict:
            case "wait":
                return f"Nothing to do yet; look again as listed below.{unknown}"
            case "unknown":
                return f"No hazard is forecast before {until}, but none is ruled out.{unknown}"
            case _:
                return f"No hazard on any pavement before {until}."
    text = "; ".join(parts)
    if plan.verdict == "wait":
        return f"Nothing within a day. Later: {text}.{unknown}"
    return f"{capitalize_first(text)}.{unknown}"


def _unknown_clause(plan: Plan) -> str:
    """Return a sentence on the sites of which too little is known; empty without any."""
    unknown = set(plan.unknown_sites)
    names = [site.name for site in plan.sites if site.key in unknown]
    if not names:
        return ""
    return f" Not known for {join_names(names, MAX_NAMES)}: look at the pavement there."


def _yard_mix(plan: Plan, yard: YardMix, fmt: ReportFormat) -> YardMixView:
    """Return a yard's mix in short, and what it orders."""
    view = yard_mix_view(yard, fmt, is_known=plan.has_forecast)
    orders = [
        ("To order", order_sentence(one, plan.made_at, fmt))
        for one in orders_to_place(plan, yard.yard)
    ]
    return replace(view, rows=(*view.rows, *orders))


def _summary_rows(plan: Plan, fmt: ReportFormat) -> Iterable[SummaryRow]:
    actions = _active_treatments(plan)
    blends = _blend_totals(plan, fmt)
    post_treat_l = _post_treat_l(plan)
    later = f"{fmt.units.volume(post_treat_l)} after the storm" if post_treat_l > 0.0 else ""
    if blends:
        ahead = fmt.units.volume(sum(yard.pretreat_l for yard in plan.yards)) + _liquid_cost(plan)
        if len(blends) == 1:
            yield SummaryRow("Spray", f"{ahead}, then {later}" if later else ahead)
            yield SummaryRow("Blend", blends[0][0])
        else:
            after = (("after the storm", fmt.units.volume(post_treat_l)),) if later else ()
            yield SummaryRow("Spray", ahead, (*blends, *after))
    elif later:
        yield SummaryRow("Spray", later)
    yield from _spread_rows(plan, fmt)
    yield from _work_rows(plan, fmt)
    orders = {yard.yard: order_summary(plan, yard.yard, fmt) for yard in plan.yards}
    short = [
        f"{yard.name}: {', '.join(shortage_lines(yard, fmt.units))}"
        + (f"; order {orders[yard.yard]}" if orders[yard.yard] else "")
        for yard in plan.yards
        if yard.shortages
    ]
    if short:
        yield SummaryRow("Short of", _join_some(short, ". "))
    others = [
        f"{yard.name}: {orders[yard.yard]}" if len(plan.yards) > 1 else orders[yard.yard]
        for yard in plan.yards
        if orders[yard.yard] and not yard.shortages
    ]
    if others:
        yield SummaryRow("Order", _join_some(others, ". "))
    probability = _hazard_probability(actions, plan.made_at)
    if probability:
        yield SummaryRow("Chance", probability)
    margin = _smallest_margin(actions, fmt)
    if margin:
        yield SummaryRow("Tightest", margin)
    waiting = _nearest_wait(actions)
    if waiting:
        yield SummaryRow("Nearest wait", waiting)
    agreement = _cost_loss_agreement(actions, plan.made_at)
    if agreement:
        yield SummaryRow("In money", agreement)
    sources = [site.source for site in plan.sites if site.source is not None]
    if sources:
        yield SummaryRow("Forecast", _forecast_age(sources, plan.made_at, fmt))
    comparison = source_text.agreement_summary(plan, fmt)
    if comparison:
        yield SummaryRow("Second opinion", comparison)


def _post_treat_l(plan: Plan) -> float:
    """Return what is sprayed after the storm [L]."""
    return sum(
        visit.volume_l
        for *_, item in _active_treatments(plan)
        for visit in item.visits
        if visit.action is Action.POST_TREAT
    )


def _spread_rows(plan: Plan, fmt: ReportFormat) -> Iterable[SummaryRow]:
    """Yield what is spread dry."""
    salt_kg = sum(yard.spread_salt_kg for yard in plan.yards)
    sand_kg = sum(yard.spread_sand_kg for yard in plan.yards)
    spread = [
        f"{fmt.units.mass(kg)} of {what}"
        for kg, what in ((salt_kg, "salt"), (sand_kg, "sand"))
        if kg > 0.0
    ]
    if spread:
        yield SummaryRow("Spread", ", ".join(spread))


def _work_rows(plan: Plan, fmt: ReportFormat) -> Iterable[SummaryRow]:
    """Yield crew hours, time left and surfaces not reached."""
    crews = [
        yard.sprayer_schedule for yard in plan.yards if yard.sprayer_schedule.hours_needed > 0.0
    ]
    if crews:
        yield SummaryRow("Crew", rounds_text(crews))
        tight = [crew for crew in crews if short_slack_text(crew)]
        if tight:
            least = min(tight, key=lambda crew: crew.slack_h or 0.0)
            others = f"; too little at {pluralize(len(tight) - 1, 'other yard')}"
            yield SummaryRow("Time left", short_slack_text(least) + (others if tight[1:] else ""))
    missed = list(_missed(plan))
    if missed:
        volume_l = sum(item.missed.volume_l for _, _, item in missed if item.missed is not None)
        text = (
            f"{pluralize(len(missed), 'surface')}; {fmt.units.volume(volume_l)} not mixed for them"
        )
        by_client = _join_some(list(_missed_by_client(missed, fmt)), ". ")
        yield SummaryRow("Not reached", f"{text}. {by_client}")
    passes = passes_text(plan.passes)
    if passes:
        yield SummaryRow("In the storm", passes)
    late = list(_late_by_client(plan, fmt))
    if late:
        yield SummaryRow("Late passes", _join_some(late, ". "))


def _liquid_cost(plan: Plan) -> str:
    """Return what the liquid costs; empty where a price is not known."""
    costs = [yard.cost for yard in plan.yards if yard.pretreat_l > 0.0]
    known = [cost for cost in costs if cost is not None]
    return f" for {plan.currency} {sum(known):,.0f}" if len(known) == len(costs) else ""


def _join_some(texts: Sequence[str], between: str) -> str:
    """Return the first of some texts in a row, and how many more there are."""
    more = len(texts) - MAX_TEXTS
    return between.join((*texts[:MAX_TEXTS], *([f"and {more} more"] if more > 0 else [])))


def _missed(plan: Plan) -> Iterable[tuple[SitePlan, SurfacePlan, Treatment]]:
    """Yield the surfaces that no sprayer reaches, with what was to be done there."""
    for site in plan.sites:
        for surface, item in site.treatments:
            if item.missed is not None:
                yield site, surface, item


def _first_onset(missed: Sequence[tuple[SitePlan, SurfacePlan, Treatment]]) -> datetime:
    """Return when the first of some events begins that no sprayer comes before."""
    return min(item.event.start for _, _, item in missed if item.event is not None)


#: What to do about a surface that no sprayer reaches, beside what is planned there.
REMEDY_PHRASES: Mapping[Remedy, str] = {
    "start earlier": "have the crew start earlier",
    "second sprayer": "a second sprayer",
}


def _missed_by_client(
    missed: Sequence[tuple[SitePlan, SurfacePlan, Treatment]], fmt: ReportFormat
) -> Iterable[str]:
    """Yield for each client what is not reached, what is planned instead, and what would help."""
    clients: dict[str, list[tuple[SitePlan, SurfacePlan, Treatment]]] = {}
    for each in missed:
        clients.setdefault(each[0].client, []).append(each)
    for client, found in clients.items():
        names = join_names([f"{site.name} {surface.name}" for site, surface, _ in found], MAX_NAMES)
        all_missed = [item.missed for *_, item in found if item.missed is not None]
        remedies = dict.fromkeys(one for each in all_missed for one in each.remedies)
        helps = [REMEDY_PHRASES[one] for one in remedies if one in REMEDY_PHRASES]
        instead = ", or ".join([*_planned_solids([item for *_, item in found], fmt), *helps])
        yield f"{client}: {names}; instead {instead or 'a look when it starts'}"


def _planned_solids(items: Iterable[Treatment], fmt: ReportFormat) -> Iterable[str]:
    """Yield the salt or sand that is planned where no sprayer comes, and from when on."""
    visits = [visit for item in items for visit in item.visits if visit.solid_kg > 0.0]
    if visits:
        what = " or ".join(sorted({str(visit.action) for visit in visits}))
        yield f"{what} from {fmt.day_hour(min(visit.at for visit in visits))} on, as planned"


def _late_by_client(plan: Plan, fmt: ReportFormat) -> Iterable[str]:
    """Yield for each client which passes are not done in time, and from when on."""
    sites = {site.key: site for site in plan.sites}
    clients: dict[tuple[str, str], list[LatePass]] = {}
    for late in (one for schedule in plan.passes for one in schedule.late):
        clients.setdefault((sites[late.site].client, late.kind), []).append(late)
    for (client, kind), found in clients.items():
        names = join_names(list(dict.fromkeys(sites[one.site].name for one in found)), MAX_NAMES)
        first = min(one.planned_at for one in found)
        yield (
            f"{client}: {PASS_NOUNS[kind]} of {names} from {fmt.day_hour(first)} on not done before"
            f" the next pass is due ({pluralize(len(found), 'time')})"
        )


def _blend_totals(plan: Plan, fmt: ReportFormat) -> tuple[tuple[str, str], ...]:
    """Sum what is sprayed by blend over all yards, largest first."""
    volumes: dict[str, float] = {}
    for yard in plan.yards:
        for blend in yard.blends:
            name = blend_name(blend.additive_name, blend.additive_frac)
            volumes[name] = volumes.get(name, 0.0) + blend.volume_l
    largest = sorted(volumes.items(), key=lambda item: -item[1])
    return tuple((name, fmt.units.volume(volume)) for name, volume in largest)


def _hazard_probability(
    actions: list[tuple[SitePlan, SurfacePlan, Treatment]], now: datetime
) -> str:
    """Return the probability of every hazard within a day, else of later ones; the worst first."""
    every = [item.event for *_, item in actions if item.event is not None]
    names = {id(item.event): site.name for site, _, item in actions}
    events = [event for event in every if event.start <= now + DAY_AHEAD] or every
    parts = []
    for hazard in reversed(SEVERITY_ORDER):
        of_hazard = [event for event in events if event.hazard is hazard]
        where = join_names(list(dict.fromkeys(names[id(event)] for event in of_hazard)))
        sites = len({names[id(event)] for event in of_hazard})
        where = where if sites == 1 else pluralize(sites, "site")
        if not of_hazard:
            continue
        if not any(event.chance_given for event in of_hazard):
            parts.append(f"{hazard} by its amount, {where}; the source gives no chance")
            continue
        chances = sorted(event.probability for event in of_hazard)
        said = dict.fromkeys(map(format_chance, (chances[0], chances[-1])))
        parts.append(f"{hazard} {' to '.join(said)} ({where})")
    return "; ".join(parts)


def _cost_loss_agreement(
    actions: list[tuple[SitePlan, SurfacePlan, Treatment]], now: datetime
) -> str:
    """Return how many choices of the day agree with the cost-loss ratio of the policy."""
    weighed = [
        (f"{site.name}, {surface.name}", item.action is Action.PRETREAT, item.cost_loss, item.event)
        for site, surface, item in actions
        if item.cost_loss is not None and item.event is not None
        and item.event.start <= now + DAY_AHEAD
    ]  # fmt: skip
    against = [
        f"{name} ({'treated' if treats else 'left to wait'} at"
        f" {format_chance(event.probability)}, {_pays_from(stake)})"
        for name, treats, stake, event in weighed
        if treats is not stake.is_cheaper(event.probability)
    ]
    if not weighed:
        return ""
    if not against:
        return "every choice of the day agrees with your cost of a miss"
    return (
        f"{len(against)} of {len(weighed)} choices go against it: {join_names(against, MAX_NAMES)}"
    )


def _pays_from(stake: CostLoss) -> str:
    if stake.break_even_probability >= 1.0:
        return "never pays by your figures, which leave out the easier plowing"
    return f"pays from {format_break_even(stake)}"


def _smallest_margin(
    actions: list[tuple[SitePlan, SurfacePlan, Treatment]], fmt: ReportFormat
) -> str:
    """Return the surface whose pavement is nearest to a temperature limit."""
    margins = [
        (
            abs(reason.observed - reason.limit),
            reason.observed, reason.limit, reason.rule, site.name, surface.name,
        )
        for site, surface, item in actions
        for reason in item.reasons
        if reason.quantity_kind == "temperature"
        and reason.observed is not None and reason.limit is not None
        and reason.rule in LIMIT_PHRASES
    ]  # fmt: skip
    if not margins:
        return ""
    _, saw, limit, rule, site_name, surface_name = min(margins)
    pavement, limit_text = fmt.units.temperature(saw), fmt.units.temperature(limit)
    left = fmt.units.temperature_difference(abs(saw - limit))
    side = f"{left} past it" if saw < limit else f"{left} to spare"
    if pavement == limit_text:
        side = "right at it"
    return (
        f"{site_name}, {surface_name}: pavement down to {pavement};"
        f" {LIMIT_PHRASES[rule]} {limit_text} ({side})"
    )


def _nearest_wait(
    actions: list[tuple[SitePlan, SurfacePlan, Treatment]],
) -> str:
    """Return the wait that is nearest to work, and the chance from which on it is work."""
    margins = [
        (reason.limit - reason.observed, site.name, surface.name, item.event, reason)
        for site, surface, item in actions
        for reason in item.reasons
        if item.action is Action.WAIT and reason.rule in GO_RULES
        and reason.observed is not None and reason.limit is not None
    ]  # fmt: skip
    if not margins:
        return ""
    _, site_name, surface_name, event, reason = min(margins, key=lambda each: each[:3])
    assert event is not None
    assert reason.observed is not None
    assert reason.limit is not None
    return (
        f"{site_name}, {surface_name}: {event.hazard} {format_chance(reason.observed)},"
        f" goes at {format_percent(reason.limit)}"
    )


def _forecast_age(sources: list[SourceRecord], now: datetime, fmt: ReportFormat) -> str:
    oldest = min(source.issued_at for source in sources)
    names = join_names(sorted({source_text.source_name(source.source) for source in sources}))
    return f"{format_age(now - oldest)} old ({fmt.day_hour(oldest)}), {names}"


def _priority_site(plan: Plan, key: str, fmt: ReportFormat) -> tuple[str, str, str]:
    site = next(site for site in plan.sites if site.key == key)
    return site.key, site.name, site_summary(plan, site, fmt)


# -- the storm ------------------------------------------------------------------------------------


def _timeline(plan: Plan, fmt: ReportFormat) -> Iterable[StormPeriod]:
    """Yield one row per hazard and period over all sites, in order of time."""
    events = sorted(
        (
            (item.event, site)
            for site, _, item in _active_treatments(plan)
            if item.event is not None
        ),
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
    periods.sort(key=lambda period: period[0][0].start)
    for spell in periods[:MAX_PERIODS]:
        yield _storm_period(spell, fmt)
    if len(periods) > MAX_PERIODS:
        yield StormPeriod(
            "later", "more", f"{len(periods) - MAX_PERIODS} more spells: see the sites"
        )


def _storm_period(period: Sequence[tuple[Event, SitePlan]], fmt: ReportFormat) -> StormPeriod:
    events = [event for event, _ in period]
    start, end = min(event.start for event in events), max(event.end for event in events)
    names = list(dict.fromkeys(site.name for _, site in period))
    coldest = fmt.units.temperature(min(event.min_pavement_temp_c for event in events))
    where = join_names(names) if len(names) <= MAX_NAMES else f"{len(names)} sites"
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
        starts = [work.first_at for work in _work(part)]
        starts += [item.event.start for _, _, item in _missed(part) if item.event is not None]
        return not starts, min(starts, default=part.made_at)

    for yard, part in sorted(_plans_by_yard(plan), key=lambda each: first_at(each[1])):
        problems = []
        if part.unknown_sites:
            problems.append(f"Not known for {pluralize(len(part.unknown_sites), 'site')}")
        missed = len(list(_missed(part)))
        if missed:
            problems.append(f"no sprayer reaches {pluralize(missed, 'surface')}")
        if yard.shortages:
            problems.append(f"short of {', '.join(shortage_lines(yard, fmt.units))}")
        work = "; ".join(
            f"{work.phrase} {work.surfaces} at {work.sites} from {fmt.day_hour(work.first_at)}"
            for work in _work(part)
        )
        yield YardLine(
            yard.name,
            _yard_page(yard),
            f"{capitalize_first(work)}." if work else "Nothing to do.",
            pluralize(len(part.sites), "site"),
            capitalize_first("; ".join(problems)),
        )


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
