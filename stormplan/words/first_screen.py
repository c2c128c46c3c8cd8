"""The first screen of the briefing: go or not, what, when, how much, how sure, what is short."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from stormplan.events.detection import Event
from stormplan.events.hazards import SEVERITY_ORDER
from stormplan.operations.pass_schedule import LatePass
from stormplan.planning.plan import Plan, SitePlan, SourceRecord, SurfacePlan
from stormplan.treatment.cost_loss import CostLoss
from stormplan.treatment.records import Action, Remedy, Treatment, Visit
from stormplan.words import source_text
from stormplan.words.formatting import (
    ReportFormat,
    blend_name,
    capitalize_first,
    format_age,
    format_break_even,
    format_chance,
    format_percent,
    join_names,
    pluralize,
)
from stormplan.words.ice_text import ice_periods, ice_summary
from stormplan.words.order_text import order_summary
from stormplan.words.round_text import PASS_NOUNS, passes_text, rounds_text, short_slack_text
from stormplan.words.site_text import site_summary
from stormplan.words.yard_mix_text import shortage_lines

VERDICT_LABELS = {"go": "GO", "wait": "WAIT", "nothing": "NOTHING TO DO", "unknown": "NOT KNOWN"}
MAX_NAMES = 3  # names in a row before the rest is counted
MAX_TEXTS = 6  # sentences of several yards or clients in a row before the rest is counted
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
#: What to do about a surface that no sprayer reaches, beside what is planned there.
REMEDY_PHRASES: Mapping[Remedy, str] = {
    "start earlier": "have the crew start earlier",
    "second sprayer": "a second sprayer",
}


@dataclass(frozen=True)
class SummaryRow:
    """A row of the first screen, with an optional breakdown."""

    label: str
    text: str
    breakdown: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class WorkLine:
    """One kind of work of a plan that goes: from when, where first, and the worst it is against."""

    kind: str
    start: str
    surfaces: str
    sites: str
    against: str


def active_treatments(plan: Plan) -> list[tuple[SitePlan, SurfacePlan, Treatment]]:
    """Return every treatment of an event, with its place."""
    return [
        (site, surface, item)
        for site in plan.sites
        for surface, item in site.treatments
        if item.event is not None
    ]


@dataclass(frozen=True)
class WorkKind:
    """All visits of one kind, with the treatment each belongs to."""

    phrase: str
    visits: tuple[tuple[SitePlan, SurfacePlan, Treatment, Visit], ...]
    not_before: datetime

    @property
    def surfaces(self) -> str:
        """How many surfaces."""
        keys = {(site.key, surface.key) for site, surface, *_ in self.visits}
        return pluralize(len(keys), "surface")

    @property
    def sites(self) -> str:
        """How many sites."""
        return pluralize(len({site.key for site, *_ in self.visits}), "site")

    @property
    def first_at(self) -> datetime:
        """When the first of it begins; what is due is due now."""
        return max(min(visit.at for *_, visit in self.visits), self.not_before)


def kinds_of_work(plan: Plan) -> list[WorkKind]:
    """Return the work of a plan by kind, in the order of ``HEADLINE_WORK``."""
    actions = active_treatments(plan)
    found = []
    for phrase, wanted in HEADLINE_WORK:
        visits = tuple(
            (site, surface, item, visit)
            for site, surface, item in actions
            for visit in item.visits
            if wanted(visit)
        )
        if visits:
            found.append(WorkKind(phrase, visits, plan.made_at))
    return found


@dataclass(frozen=True)
class _Purpose:
    """What a visit is for: an event at a site, or what is left once it is over."""

    site: SitePlan
    surface: SurfacePlan
    event: Event
    is_after: bool

    @property
    def severity(self) -> tuple[int, bool, float]:
        """Its rank: the worst hazard, one that is still to come before one that is over."""
        return SEVERITY_ORDER.index(self.event.hazard), not self.is_after, self.event.probability


def _purpose(
    site: SitePlan, surface: SurfacePlan, item: Treatment, at: datetime | None = None
) -> _Purpose:
    assert item.event is not None  # only what is done about one is told
    is_after = at is not None and at >= item.event.end
    return _Purpose(site, surface, item.event, is_after)


def work_lines(plan: Plan, fmt: ReportFormat) -> list[WorkLine]:
    """Return each kind of work and what is not reached, in order of time."""
    timed = []
    missed = sorted(missed_treatments(plan), key=lambda each: _first_onset([each]))
    if missed:
        onset = _first_onset(missed)
        purposes = [_purpose(*each) for each in missed]
        timed.append((onset, _work_line("Not reached", onset, purposes, fmt)))
    for work in kinds_of_work(plan):
        kind = capitalize_first(work.phrase.removesuffix(", on"))
        in_order = sorted(work.visits, key=lambda each: each[-1].at)
        purposes = [_purpose(site, one, item, visit.at) for site, one, item, visit in in_order]
        timed.append((work.first_at, _work_line(kind, work.first_at, purposes, fmt)))
    return [line for _, line in sorted(timed, key=lambda each: each[0])]


def _work_line(
    kind: str, first_at: datetime, purposes: Sequence[_Purpose], fmt: ReportFormat
) -> WorkLine:
    """Return a kind of work as a line; what its visits are for comes in order of time."""
    worst = max(purposes, key=lambda each: each.severity)
    event = worst.event
    chance = f" {format_chance(event.probability)}" if event.chance_given else ""
    surfaces = {(each.site.key, each.surface.key) for each in purposes}
    first = purposes[0].site
    first_site = "" if first.key == worst.site.key else f", {first.name} first"
    return WorkLine(
        kind,
        f"from {fmt.day_hour(first_at)}",
        pluralize(len(surfaces), "surface"),
        pluralize(len({each.site.key for each in purposes}), "site") + first_site,
        f"{'after ' if worst.is_after else ''}{event.hazard}{chance} at {worst.site.name}",
    )


def verdict_label(plan: Plan) -> str:
    """Return the verdict as the plate has it."""
    return VERDICT_LABELS[plan.verdict] if plan.has_forecast else "NO FORECAST"


def mail_subject(plan: Plan, fmt: ReportFormat) -> str:
    """Return the answer as short as a lock screen shows it: go, when, what, how much."""
    if plan.verdict != "go" or not plan.has_forecast:
        return f"{verdict_label(plan)}: {headline(plan, fmt)}"
    work = sorted(kinds_of_work(plan), key=lambda each: each.first_at)
    parts = [f"{work[0].phrase} {work[0].surfaces}"] if work else []
    missed = list(missed_treatments(plan))
    if missed:
        not_reached = f"{pluralize(len(missed), 'surface')} NOT reached in time"
        is_first = not work or _first_onset(missed) <= work[0].first_at
        parts.insert(0 if is_first else 1, not_reached)
    start = "" if plan.first_start is None else f" {fmt.day_hour(plan.first_start)}"
    if not parts:  # a plan that goes and names no work still reaches its readers
        return f"{verdict_label(plan)}{start}: see the plan"
    parts[0] = f"{verdict_label(plan)}{start}: {parts[0]}"
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


def headline(plan: Plan, fmt: ReportFormat) -> str:
    """Return the answer in a sentence or two."""
    if not plan.has_forecast:
        return (
            "No site has a forecast: nothing could be planned. Watch the pavement yourself, and"
            " call your sites in order of priority."
        )
    parts = [
        f"{work.phrase} {work.surfaces} at {work.sites} from {fmt.day_hour(work.first_at)}"
        for work in kinds_of_work(plan)
    ]
    missed = list(missed_treatments(plan))
    if missed:
        where = pluralize(len(missed), "surface")
        from_hour = fmt.day_hour(_first_onset(missed))
        parts.insert(0, f"no sprayer reaches {where} before it starts, from {from_hour}")
    unknown = unknown_clause(plan)
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


def unknown_clause(plan: Plan) -> str:
    """Return a sentence on the sites of which too little is known; empty without any."""
    unknown = set(plan.unknown_sites)
    names = [site.name for site in plan.sites if site.key in unknown]
    if not names:
        return ""
    return f" Not known for {join_names(names, MAX_NAMES)}: look at the pavement there."


def summary_rows(plan: Plan, fmt: ReportFormat) -> Iterable[SummaryRow]:
    """Yield the rows of the first screen, the most wanted first."""
    actions = active_treatments(plan)
    blends = _blend_totals(plan, fmt)
    post_treat_l = _post_treat_l(plan)
    later = f"{fmt.units.volume(post_treat_l)} after the storm" if post_treat_l > 0.0 else ""
    if blends:
        ahead = fmt.units.volume(sum(yard.pretreat_l for yard in plan.yards)) + _liquid_cost(plan)
        if len(blends) == 1:
            yield SummaryRow("Spray", f"{ahead}, then {later}" if later else ahead)
            yield SummaryRow("Blend", blends[0][0])
        else:
            after = (("more after the storm", fmt.units.volume(post_treat_l)),) if later else ()
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
    ice = ice_summary(ice_periods(plan.sites), fmt)
    if ice:
        yield SummaryRow("Ice after", ice)
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
        for *_, item in active_treatments(plan)
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
    missed = list(missed_treatments(plan))
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


def missed_treatments(plan: Plan) -> Iterable[tuple[SitePlan, SurfacePlan, Treatment]]:
    """Yield the surfaces that no sprayer reaches, with what was to be done there."""
    for site in plan.sites:
        for surface, item in site.treatments:
            if item.missed is not None:
                yield site, surface, item


def _first_onset(missed: Sequence[tuple[SitePlan, SurfacePlan, Treatment]]) -> datetime:
    """Return when the first of some events begins that no sprayer comes before."""
    return min(item.event.start for _, _, item in missed if item.event is not None)


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
            volumes[name] = volumes.get(name, 0.0) + blend.volume_l + blend.on_board_l
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


def priority_site(plan: Plan, key: str, fmt: ReportFormat) -> tuple[str, str, str]:
    """Return key, name and what is done at a site."""
    site = next(site for site in plan.sites if site.key == key)
    return site.key, site.name, site_summary(plan, site, fmt)
