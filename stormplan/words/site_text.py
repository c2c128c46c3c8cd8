"""Text of one site: hazards, treatments, times, products and reasons.

Surfaces that get the same thing are told once, with their volumes. The reasons of a decision are
kept apart from it, with their sources as footnotes, so that a page stays short.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from stormplan.events.detection import Event
from stormplan.events.hazards import SEVERITY_ORDER, SNOW_HAZARDS, Hazard
from stormplan.planning.plan import Plan, RecordState, SitePlan, SurfacePlan
from stormplan.treatment.records import Action, Treatment, Visit
from stormplan.words import diagnostic_text, source_text
from stormplan.words.formatting import (
    ReportFormat,
    blend_name,
    capitalize_first,
    cost_loss_line,
    format_chance,
    format_percent,
    night_bias_line,
    pluralize,
    reason_line,
)
from stormplan.words.ice_text import ice_clause, ice_hours, ice_periods, worst_ice_chance

ACTION_LABELS = {
    Action.PRETREAT: "Pre-treat",
    Action.POST_TREAT: "Post-treat",
    Action.SALT: "Salt",
    Action.SAND: "Sand, no salt",
    Action.PLOW: "Plow",
    Action.INSPECT: "Inspect",
    Action.WAIT: "Wait",
    Action.UNKNOWN: "Not known",
    Action.NOTHING: "Nothing",
}


@dataclass
class Footnotes:
    """Sources, each listed once and referred to by number."""

    texts: list[str] = field(default_factory=list)
    numbers: dict[str, int] = field(default_factory=dict)

    def reference(self, text: str) -> int:
        """Return the number of a source, adding it if it is new."""
        if text not in self.numbers:
            self.texts.append(text)
            self.numbers[text] = len(self.texts)
        return self.numbers[text]


@dataclass(frozen=True)
class ReasonView:
    """A reason as text, and the footnote number of its source."""

    text: str
    source: int


@dataclass(frozen=True)
class TaskView:
    """The same thing to do, about the same event, on one or several surfaces of a site.

    ``surfaces`` holds (name, volume or nothing, area, coldest pavement).
    """

    action: str
    surfaces: tuple[tuple[str, str, str, str], ...]
    when: str
    treatment: str
    text: str
    event: str
    hold_duration: str
    cost_loss: str
    follow_up: tuple[str, ...]
    reasons: tuple[ReasonView, ...]
    cautions: tuple[str, ...]

    @property
    def surface_names(self) -> str:
        """The surfaces in one line, each with its volume where something is sprayed."""
        return ", ".join(f"{name} {amount}".strip() for name, amount, *_ in self.surfaces)


@dataclass(frozen=True)
class SiteView:
    """A site as text."""

    key: str
    name: str
    client: str
    priority: int
    summary: str
    forecast: str
    problem: tuple[str, str] | None
    source_differences: tuple[str, ...]
    night_biases: tuple[str, ...]
    record_lines: tuple[str, ...]
    tasks: tuple[TaskView, ...]
    is_uneventful: bool


def site_view(plan: Plan, site: SitePlan, fmt: ReportFormat, notes: Footnotes) -> SiteView:
    """Return the text view of a site.

    Parameters
    ----------
    plan : Plan
        The plan.
    site : SitePlan
        One of its sites.
    fmt : ReportFormat
        The company's readers.
    notes : Footnotes
        Collects sources.

    Returns
    -------
    SiteView
        Times in the site's own zone.
    """
    site_fmt = fmt.in_zone(site.timezone)
    source = site.source
    return SiteView(
        key=site.key,
        name=site.name,
        client=site.client,
        priority=site.priority,
        summary=site_summary(plan, site, site_fmt),
        forecast="" if source is None else (
            f"{capitalize_first(source_text.source_name(source.source))}, cell {source.cell},"
            f" issued {site_fmt.day_hour(source.issued_at)}"
            f"{', STALE' if source.stale else ''}"
        ),
        problem=diagnostic_text.site_problem(plan, site.key, site_fmt),
        source_differences=tuple(source_text.difference_lines(site, fmt)),
        night_biases=tuple(
            f"{s.name}: {night_bias_line(s.night_bias, fmt.units)}." for s in site.surfaces
            if s.night_bias is not None and s.night_bias.reading_count > 0
        ),
        record_lines=tuple(
            f"{s.name}, by the record: {record_line(s.record, site_fmt)}." for s in site.surfaces
            if s.record is not None
        ),
        tasks=_tasks(site, site_fmt, notes, plan.currency),
        is_uneventful=site.key not in plan.unknown_sites
        and all(t.event is None for _, t in site.treatments),
    )  # fmt: skip


def _weight(item: tuple[Event, Treatment]) -> tuple[bool, float, int, float]:
    """Return what puts an event first: work for it, then how sure, how bad and how soon it is."""
    event, treatment = item
    is_work = treatment.needs_work
    severity = SEVERITY_ORDER.index(event.hazard)
    return is_work, round(event.probability, 1), severity, -event.start.timestamp()


def record_line(record: RecordState, fmt: ReportFormat) -> str:
    """Return what was last done and seen on a surface, with its hours."""
    done = (
        (f"{record.condition or 'seen'} when looked at", record.inspected_at),
        ("plowed or shoveled", record.plowed_at),
        ("treated", record.treated_at),
        ("not used, as the weather since is not known: what was logged", record.unused_at),
    )
    return "; ".join(f"{what} {fmt.day_hour(at)}" for what, at in done if at is not None)


def site_summary(plan: Plan, site: SitePlan, fmt: ReportFormat) -> str:
    """Return a site's surest and worst hazard, ice it leaves and its actions, on one line."""
    if site.source is None:
        return "no forecast"
    with_event = [(item.event, item) for _, item in site.treatments if item.event is not None]
    if not with_event:
        is_unknown = site.key in plan.unknown_sites
        return "not known: look at the pavement" if is_unknown else "nothing to do"
    first = max(with_event, key=_weight)[0]
    kinds: dict[str, set[str]] = {}  # surfaces, not events: one may have several
    for surface, item in site.treatments:
        if item.event is not None:
            kinds.setdefault(ACTION_LABELS[item.action].lower(), set()).add(surface.key)
    done = ", ".join(f"{kind} {pluralize(len(keys), 'surface')}" for kind, keys in kinds.items())
    when = fmt.day_hour(first.start)
    chance = format_chance(first.probability) if first.chance_given else "no chance given"
    ice = ice_periods([site])
    left = f"; ice {ice_hours(ice, fmt)}, {worst_ice_chance(ice)}" if ice else ""
    return f"{first.hazard} from {when}, {chance}{left}: {done}"


# -- jobs -----------------------------------------------------------------------------------------


def _tasks(
    site: SitePlan, fmt: ReportFormat, notes: Footnotes, currency: str
) -> tuple[TaskView, ...]:
    """Return tasks, with treatments that read the same merged, in the order of the plan."""
    surfaces_by_task: dict[tuple[object, ...], list[tuple[SurfacePlan, Treatment]]] = {}
    tasks: dict[tuple[object, ...], TaskView] = {}
    for surface, item in site.treatments:
        task = _task(item, fmt, notes, currency)
        key = (
            *(
                task.action,
                task.when,
                task.treatment,
                task.text,
                task.event,
                task.hold_duration,
                task.cost_loss,
            ),
            *(task.follow_up, task.reasons, task.cautions),
        )
        surfaces_by_task.setdefault(key, []).append((surface, item))
        tasks[key] = task
    return _merge_holds(
        TaskView(
            action=job.action,
            surfaces=tuple(
                _surface_row(surface, item, fmt) for surface, item in surfaces_by_task[key]
            ),
            when=job.when,
            treatment=job.treatment,
            text=job.text,
            event=job.event,
            hold_duration=job.hold_duration,
            cost_loss=job.cost_loss,
            follow_up=job.follow_up,
            reasons=job.reasons,
            cautions=job.cautions,
        )
        for key, job in tasks.items()
    )


def _merge_holds(tasks: Iterable[TaskView]) -> tuple[TaskView, ...]:
    """Return tasks with holds of the same surfaces and time merged."""
    merged: dict[object, TaskView] = {}
    for task in tasks:
        key = (task.surfaces, task.when) if task.action == ACTION_LABELS[Action.WAIT] else task
        if key not in merged:
            merged[key] = task
            continue
        first = merged[key]
        merged[key] = replace(
            first,
            text=first.text if task.text in first.text else f"{first.text} {task.text}",
            event=f"{first.event}. {task.event}",
            cost_loss=f"{first.cost_loss} {task.cost_loss}".strip(),
            reasons=tuple(dict.fromkeys((*first.reasons, *task.reasons))),
            cautions=tuple(dict.fromkeys((*first.cautions, *task.cautions))),
        )
    return tuple(merged.values())


def _surface_row(
    surface: SurfacePlan, item: Treatment, fmt: ReportFormat
) -> tuple[str, str, str, str]:
    cold = surface.min_pavement_temp_c
    return (
        surface.name,
        _surface_amount(item, fmt),
        fmt.units.area(surface.area_m2),
        "not known" if cold is None else fmt.units.temperature(cold),
    )


def _surface_amount(item: Treatment, fmt: ReportFormat) -> str:
    """Return how much is sprayed, by whom and when, for one surface; empty where nothing is."""
    if item.volume_l <= 0.0:
        return ""
    volume = fmt.units.volume(item.volume_l)
    if item.scheduled_start is None:
        return volume
    return f"{volume} {fmt.day_hour(item.scheduled_start)} ({item.sprayer_name})"


def _task(item: Treatment, fmt: ReportFormat, notes: Footnotes, currency: str) -> TaskView:
    return TaskView(
        action=ACTION_LABELS[item.action],
        surfaces=(),
        when=_task_time(item, fmt),
        treatment=_treatment_text(item, fmt),
        text=item.text,
        event="" if item.event is None else event_line(item.event, fmt),
        hold_duration=_hold_duration(item, fmt),
        cost_loss=_cost_loss(item, currency),
        follow_up=tuple(_follow_up_line(one, fmt) for one in item.follow_up),
        reasons=tuple(_reasons(item, fmt, notes)),
        cautions=item.cautions,
    )


def _reasons(item: Treatment, fmt: ReportFormat, notes: Footnotes) -> Iterable[ReasonView]:
    for reason in item.reasons:
        number = notes.reference(f"{capitalize_first(reason.evidence)}: {reason.source}")
        yield ReasonView(reason_line(reason, fmt.units), number)


def _task_time(item: Treatment, fmt: ReportFormat) -> str:
    if item.earliest_start is not None and item.latest_start is not None:
        window = fmt.time_range(item.earliest_start, item.latest_start)
        return f"begin in a dry, calm hour {window}"
    if item.action is Action.WAIT and item.recheck_at is not None:
        return f"check again {fmt.day_hour(item.recheck_at)}"
    return "" if item.event is None else f"from {fmt.day_hour(item.event.start)}"


def _hold_duration(item: Treatment, fmt: ReportFormat) -> str:
    """Return how long the film model expects a pre-treat to hold."""
    if item.action is not Action.PRETREAT or item.hold_target is None:
        return ""
    is_snow = item.event is not None and item.event.hazard in SNOW_HAZARDS
    keeps = "Keeps snow from bonding" if is_snow else "Keeps ice off"
    target = fmt.day_hour(item.hold_target)
    if item.holds_until is None:
        text = f"{keeps} to {target}"
    elif item.event is not None and item.holds_until <= item.event.start:
        text = (
            f"{keeps} at first; the liquid is used up within the first hour, not good to {target}"
        )
    else:
        text = f"{keeps} to about {fmt.day_hour(item.holds_until)}, not to {target}"
    if item.hold_range is not None and item.hold_range[0] < item.hold_range[1]:
        early, late = item.hold_range
        longer = late >= item.hold_target
        hours = f"{fmt.day_hour(early)} or later" if longer else fmt.time_range(early, late)
        text += f" ({hours} in most forecasts)"
    if item.hold_probability is not None and 0.0 < item.hold_probability < 1.0:
        text += f"; good to the end in {format_percent(item.hold_probability)} of them"
    return f"{text}."


def _cost_loss(item: Treatment, currency: str) -> str:
    if item.cost_loss is None or item.event is None:
        return ""
    return f"{cost_loss_line(item.cost_loss, item.event.probability, currency)}."


def _follow_up_line(item: Visit, fmt: ReportFormat) -> str:
    """Return one follow-up treatment as a line."""
    parts = [f"{fmt.day_hour(item.at)}: {item.text}"]
    if item.rate_l_m2 > 0.0:
        blend = blend_name(item.additive_name, item.additive_frac)
        parts.append(f"{blend} at {fmt.units.liquid_rate(item.rate_l_m2)}")
    if item.solid_rate_kg_m2 > 0.0:
        what = "sand" if item.action is Action.SAND else "salt"
        rate, mass = fmt.units.solid_rate(item.solid_rate_kg_m2), fmt.units.mass(item.solid_kg)
        parts.append(f"{what} {rate}, {mass} in all")
    return "; ".join(parts)


def _treatment_text(item: Treatment, fmt: ReportFormat) -> str:
    if item.action is Action.PRETREAT:
        blend = blend_name(item.additive_name, item.additive_frac)
        return f"{blend} at {fmt.units.liquid_rate(item.rate_l_m2)}"
    return ""


def event_line(event: Event, fmt: ReportFormat) -> str:
    """Return an event as a line: hazard, hours, amount, pavement, probability, ice, unknowns."""
    parts = [
        f"{event.hazard} {fmt.time_range(event.start, event.end)}",
        *precip_amounts(event, fmt),
    ]
    parts.append(
        f"pavement down to {fmt.units.temperature(event.min_pavement_temp_c)}, {event.trend}"
    )
    is_given = event.chance_given
    parts.append(f"{format_chance(event.probability)} likely" if is_given else "no chance given")
    if event.hazard is Hazard.REFREEZE and event.probability_as_planned is not None:
        parts.append(f"{format_chance(event.probability_as_planned)} with all planned work done")
    if ice := ice_clause(event, fmt):
        parts.append(ice)
    if event.unknown:
        parts.append(f"not known for all of it: {', '.join(event.unknown)}")
    return capitalize_first("; ".join(parts))


def precip_amounts(event: Event, fmt: ReportFormat) -> list[str]:
    """Return the snowfall or water of an event; none for frost and dry refreezes."""
    if event.hazard in SNOW_HAZARDS:
        return [f"{fmt.units.snowfall(event.snowfall_cm)} of snow"]
    if event.hazard is Hazard.FROST or event.precip_mm == 0.0:
        return []
    return [f"{fmt.units.water_depth(event.precip_mm)} of water"]
