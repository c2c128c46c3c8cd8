"""Strip charts: the hours ahead on one kind of pavement, drawn once for all surfaces that share it.

Shows the owner at a glance what the words say: pavement and air against freezing, what falls and as
what, when to spray, when it is slippery. Each strip carries its own sentence for readers who do not
see it. Drawn with matplotlib as SVG that takes its colors from the page, so that it is legible in
the dark, in the light and in gray; line style, hatching and labels carry what color carries.
"""

from __future__ import annotations

import io
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import quoteattr
from zoneinfo import ZoneInfo

import numpy as np

from stormplan.company.catalog import SURFACE_CLASSES
from stormplan.numerics import HOUR
from stormplan.planning.plan import HourlySeries, Plan, SitePlan, SurfacePlan
from stormplan.treatment.records import Treatment
from stormplan.units import UnitFormatter
from stormplan.words.formatting import ReportFormat, capitalize_first, join_names, plan_format
from stormplan.words.ice_text import ice_probability

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MIN_FILLED_PROBABILITY = 0.5  # events less likely than this are drawn open
MAX_STRIPS = 6  # strips on a page: what a reader compares; our own choice
MIN_HOURS = 24  # shortest stretch worth drawing
HOURS_AFTER_EVENT = 6  # hours shown after the last event
FIGURE_SIZE_IN = (4.1, 2.9)  # drawn for a phone's width, so that its letters stay readable there
HOUR_LABEL_HEIGHT, BAR_ROW_HEIGHT = (
    0.075,
    0.06,
)  # heights of the hour labels and of one lane, as shares of the drawing
MIN_TICK_GAP_H = 3  # hour ticks closer than this to the edge are left out

# Stand-ins that the page's own colors replace: (drawn, CSS variable, color without a page).
FILM_COLOR = "#010203"
INK_COLOR, LABEL_COLOR, GRID_COLOR = "#010101", "#020202", "#030303"
PAVEMENT_COLOR, AIR_COLOR, FREEZING_COLOR, PRECIP_COLOR, SPRAY_COLOR, SLICK_COLOR = (
    *("#040404", "#050505", "#060606"),
    *("#070707", "#080808", "#090909"),
)
PAGE_COLORS: Mapping[str, str] = {
    INK_COLOR: "var(--ink, #1b1d22)",
    LABEL_COLOR: "var(--soft, #565a64)",
    GRID_COLOR: "var(--line, #d4d2cb)",
    PAVEMENT_COLOR: "var(--pavement, #1b1d22)",
    AIR_COLOR: "var(--air, #96490a)",
    FREEZING_COLOR: "var(--cold, #1d5f8a)",
    PRECIP_COLOR: "var(--wet, #1d5f8a)",
    SPRAY_COLOR: "var(--spray, #2c6a3f)",
    SLICK_COLOR: "var(--slick, #8c1d3f)",
    FILM_COLOR: "var(--film, #6a3d9a)",
}
PRECIP_TYPES: tuple[
    tuple[str, str, str], ...
] = (  # what falls, how it is hatched, what it is called
    ("rain_mm", "|||", "rain"),
    ("snowfall_swe_mm", "\\\\\\", "snow"),
    ("sleet_mm", "xxx", "sleet"),
    ("freezing_rain_mm", "-----", "freezing rain"),
)
FILL_ALPHA = 0.22  # opacity of the spread and of plain bars
SVG_HASH_SALT = "stormplan"  # fixes the ids inside the SVG, so that equal plans give equal files


@dataclass(frozen=True)
class Strip:
    """A chart: surfaces, text alternative and drawing."""

    title: str
    surfaces: str
    description: str
    svg: str


@dataclass(frozen=True)
class _ColumnSurfaces:
    """A column of hours and the surfaces that share it."""

    name: str
    series: HourlySeries
    surfaces: tuple[tuple[SitePlan, SurfacePlan], ...]

    @property
    def treatments(self) -> list[Treatment]:
        return [item for _, surface in self.surfaces for item in surface.treatments]

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.surfaces[0][0].timezone)


def draw_strips(plan: Plan, limit: int = MAX_STRIPS) -> tuple[Strip, ...]:
    """Draw the columns that matter most.

    Parameters
    ----------
    plan : Plan
        The record.
    limit : int
        How many at most [-].

    Returns
    -------
    tuple of Strip
        Those with an event, in the order of the sites that matter; all over the same hours.
    """
    columns = _event_columns(plan)[:limit]
    if not columns:
        return ()
    hours = max(_drawn_hours(column) for column in columns)
    fmt = plan_format(plan)
    return tuple(
        _build_strip(column, min(hours, len(column.series.air_c)), fmt, f"strip{at}")
        for at, column in enumerate(columns, start=1)
    )


def count_event_columns(plan: Plan) -> int:
    """Count the columns with an event, drawn or not."""
    return len(_event_columns(plan))


# -- which, and how long --------------------------------------------------------------------------


def _event_columns(plan: Plan) -> list[_ColumnSurfaces]:
    """Columns with an event: first one of every forecast cell, then the rest, as sites matter."""
    first = {key: rank for rank, key in enumerate(plan.priority_sites)}
    ranked = sorted(plan.sites, key=lambda site: (first.get(site.key, len(first)), site.priority))
    surfaces_by_column: dict[str, list[tuple[SitePlan, SurfacePlan]]] = {}
    for site in ranked:
        for surface in sorted(site.surfaces, key=lambda surface: -surface.area_m2):
            surfaces_by_column.setdefault(surface.hourly_id, []).append((site, surface))
    active = [
        _ColumnSurfaces(name, plan.hourly[name], tuple(found))
        for name, found in surfaces_by_column.items()
        if any(item.event for _, surface in found for item in surface.treatments)
    ]
    seen: dict[str, int] = {}
    cell_ranks = []
    for column in active:
        cell = column.surfaces[0][0].source
        name = "" if cell is None else cell.cell
        cell_ranks.append(seen.setdefault(name, 0))
        seen[name] += 1
    order = sorted(range(len(active)), key=lambda at: (cell_ranks[at], at))
    return [active[at] for at in order]


def _drawn_hours(column: _ColumnSurfaces) -> int:
    last = max(
        item.event.ice_until or item.event.end
        for item in column.treatments
        if item.event is not None
    )
    hours = math.ceil((last - column.series.start) / HOUR) + HOURS_AFTER_EVENT
    return max(hours, MIN_HOURS)


# -- the sentence ---------------------------------------------------------------------------------


def _build_strip(column: _ColumnSurfaces, hours: int, fmt: ReportFormat, name: str) -> Strip:
    fmt = replace(fmt, zone=column.zone)
    kinds = dict.fromkeys(SURFACE_CLASSES[s.surface_class].label for _, s in column.surfaces)
    by_site: dict[str, list[str]] = {}
    for site, surface in column.surfaces:
        by_site.setdefault(site.name, []).append(surface.name)
    places = [f"{site} ({', '.join(surfaces)})" for site, surfaces in by_site.items()]
    title = join_names(list(kinds))
    says = _description(column.series, hours, fmt, column.treatments)
    return Strip(
        title=capitalize_first(title),
        surfaces=join_names(places, limit=3),
        description=says,
        svg=_draw(column, hours, fmt, name, f"Strip chart, {title}: {says}"),
    )


def _description(
    series: HourlySeries, hours: int, fmt: ReportFormat, treatments: Sequence[Treatment]
) -> str:
    """Return the text alternative of a chart."""
    known = [(value, at) for at, value in enumerate(series.surface_c[:hours]) if value is not None]
    parts = []
    if known:
        coldest, at = min(known)
        moment = series.start + timedelta(hours=at)
        parts.append(f"pavement coldest {fmt.units.temperature(coldest)} {fmt.day_hour(moment)}")
        below = sum(value <= 0.0 for value, _ in known)
        parts.append(f"at or below freezing {below} of {len(known)} h")
    air = [value for value in series.air_c[:hours] if value is not None]
    if air:
        parts.append(f"air {fmt.units.temperature(min(air))} to {fmt.units.temperature(max(air))}")
    for field, _, phase in PRECIP_TYPES:
        total = sum(value or 0.0 for value in getattr(series, field)[:hours])
        if total > 0.0:
            parts.append(f"{phase} {fmt.units.water_depth(total)} of water")
    for start, end in _treatment_windows(treatments):
        parts.append(f"spray {fmt.time_range(start, end)}")
    text = "; ".join(parts) or "nothing known"
    return f"{capitalize_first(text)}."


def _treatment_windows(treatments: Sequence[Treatment]) -> list[tuple[datetime, datetime]]:
    found = {
        (t.earliest_start, t.latest_start)
        for t in treatments
        if t.earliest_start and t.latest_start
    }
    return sorted(found)


# -- the drawing ----------------------------------------------------------------------------------


def _draw(column: _ColumnSurfaces, hours: int, fmt: ReportFormat, name: str, label: str) -> str:
    from matplotlib import rc_context
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    settings: Any = {
        "svg.hashsalt": SVG_HASH_SALT,
        "svg.fonttype": "none",
        "font.size": 8.5,
        "hatch.linewidth": 0.7,
        "path.simplify": True,
    }
    with rc_context(settings):
        figure = Figure(figsize=FIGURE_SIZE_IN)
        FigureCanvasSVG(figure)
        rows = _bar_rows(column)
        above, below, bottom = _panels(
            figure, HOUR_LABEL_HEIGHT + BAR_ROW_HEIGHT * max(len(rows), 1)
        )
        _plot_temperatures(above, column.series, hours, fmt.units)
        _plot_film_freeze_point(above, column, fmt.units)
        _plot_precipitation(below, column.series, hours, fmt.units)
        _plot_bar_rows(bottom, rows, column.series.start)
        for axes in (above, below, bottom):
            _plot_hour_axis(axes, column, hours, fmt, is_lowest=axes is bottom)
        out = io.StringIO()
        plain = dict.fromkeys(("Date", "Creator", "Format", "Type"))
        figure.savefig(out, format="svg", transparent=True, metadata=plain)
    return _embed_svg(out.getvalue(), name, label)


def _panels(figure: Figure, floor: float) -> tuple[Axes, Axes, Axes]:
    left, width, rain, top = 0.105, 0.875, 0.15, 0.92
    below = figure.add_axes((left, floor + 0.02, width, rain))
    above = figure.add_axes((left, floor + rain + 0.05, width, top - floor - rain - 0.05))
    bottom = figure.add_axes((left, HOUR_LABEL_HEIGHT, width, floor - HOUR_LABEL_HEIGHT))
    for axes in (above, below, bottom):
        axes.patch.set_visible(False)
        for side in ("top", "right", "bottom", "left"):
            axes.spines[side].set_visible(False)
        axes.tick_params(length=0, colors=LABEL_COLOR, pad=2)
    return above, below, bottom


def _values(row: Sequence[float | None], hours: int) -> Any:
    return np.array([np.nan if value is None else value for value in row[:hours]], dtype=float)


def _plot_temperatures(
    axes: Axes, series: HourlySeries, hours: int, formatter: UnitFormatter
) -> None:
    """Draw pavement and air against freezing, and where the pavement lies four times in five."""
    scale = formatter.to_reader_scale
    middle = np.arange(hours) + 0.5
    surface, air = _values(series.surface_c, hours), _values(series.air_c, hours)
    low_c, high_c = (_values(row, hours) for row in (series.surface_p10_c, series.surface_p90_c))
    axes.axhline(scale(0.0), color=FREEZING_COLOR, linewidth=1.0)
    axes.fill_between(
        middle,
        scale(low_c),
        scale(high_c),
        color=PAVEMENT_COLOR,
        alpha=FILL_ALPHA,
        linewidth=0,
    )
    axes.plot(middle, scale(air), color=AIR_COLOR, linewidth=1.3, linestyle=(0, (4, 2)))
    axes.plot(middle, scale(surface), color=PAVEMENT_COLOR, linewidth=2.0)
    known = np.concatenate([low_c, high_c, air, [0.0]])
    low, high = scale(np.nanmin(known)), scale(np.nanmax(known))
    step = 10 if formatter.is_us else 5
    axes.set_ylim(low - 0.08 * (high - low) - 1, high + 0.08 * (high - low) + 1)
    steps = np.arange(math.ceil(low / step) * step, high + 1, step)
    freezing = scale(0.0)
    ticks = [*(t for t in steps if abs(t - freezing) > 0.45 * step), freezing]
    unit = "°F" if formatter.is_us else "°C"
    labels = [f"{tick:.0f} {unit}" if tick == freezing else f"{tick:.0f}°" for tick in ticks]
    axes.set_yticks(ticks, labels)


def _plot_film_freeze_point(axes: Axes, column: _ColumnSurfaces, formatter: UnitFormatter) -> None:
    """Draw where the treated film freezes, for the column's first modeled pre-treat."""
    film = next((item.film for item in column.treatments if item.film is not None), None)
    if film is None:
        return
    offset = round((film.start - column.series.start) / HOUR)
    point = _values(film.freeze_point_c, len(film.freeze_point_c))
    shown = formatter.to_reader_scale(point)
    axes.plot(np.arange(offset, offset + len(point)) + 0.5, shown, color=FILM_COLOR, linewidth=1.4,
              linestyle=(0, (1, 1.2)))  # fmt: skip


def _plot_precipitation(
    axes: Axes, series: HourlySeries, hours: int, formatter: UnitFormatter
) -> None:
    """Stack what falls, hatched by phase and named at its start."""
    base = np.zeros(hours)
    named = 0
    for field, hatch, precip_type in PRECIP_TYPES:
        amount = np.nan_to_num(_values(getattr(series, field), hours))
        falls = np.flatnonzero(amount)
        if not falls.size:
            continue
        first, last = int(falls[0]), int(falls[-1]) + 1
        bars = axes.stairs(
            (base + amount)[first:last],
            np.arange(first, last + 1),
            baseline=base[first:last],
            fill=True,
            linewidth=0.8,
        )
        bars.set(facecolor="none", edgecolor=PRECIP_COLOR, hatch=hatch)
        axes.annotate(
            precip_type,
            (first, 0.62 - 0.42 * named),
            xycoords=("data", "axes fraction"),
            xytext=(-3 if first > hours / 6 else 3, 0),
            textcoords="offset points",
            ha="right" if first > hours / 6 else "left",
            color=LABEL_COLOR,
        )
        named += 1
        base = base + amount
    most = max(float(base.max()), 0.5)
    axes.set_ylim(0.0, most * 1.1)
    axes.set_yticks([most], [_format_water_depth(most, formatter)] if base.any() else [""])
    axes.axhline(0.0, color=LABEL_COLOR, linewidth=0.6)


def _format_water_depth(depth_mm: float, formatter: UnitFormatter) -> str:
    """Return a depth of water in an hour [mm], short enough for an axis."""
    if formatter.is_us:
        return f"{depth_mm / 25.4:.2f}".lstrip("0") + "\nin/h"
    return f"{depth_mm:.1f}\nmm/h"


@dataclass(frozen=True)
class _BarRow:
    """Stretches of time under the curves, and moments to single out."""

    label: str
    color: str
    hatch: str
    periods: list[tuple[datetime, datetime]]
    best_hours: tuple[datetime, ...] = ()
    unlikely: tuple[tuple[datetime, datetime], ...] = ()  # drawn open


def _bar_rows(column: _ColumnSurfaces) -> list[_BarRow]:
    slick = set(_slick_periods(column.treatments))
    likely, unlikely = (
        sorted((start, end) for start, end, is_likely in slick if is_likely is wanted)
        for wanted in (True, False)
    )
    starts = sorted({t.scheduled_start for t in column.treatments if t.scheduled_start})
    spray = [(start, end + HOUR) for start, end in _treatment_windows(column.treatments)]
    lanes = [
        _BarRow("spray", SPRAY_COLOR, "", spray, tuple(starts)),
        _BarRow("slick", SLICK_COLOR, "/////", likely, unlikely=tuple(unlikely)),
    ]
    return [lane for lane in lanes if lane.periods or lane.unlikely]


def _slick_periods(
    treatments: Sequence[Treatment],
) -> Iterator[tuple[datetime, datetime, bool]]:
    """Yield the hours of each event and of the ice it leaves, and whether they are likely."""
    for event in (item.event for item in treatments if item.event is not None):
        yield event.start, event.end, event.probability >= MIN_FILLED_PROBABILITY
        if event.ice_until is not None:
            is_likely = ice_probability(event) >= MIN_FILLED_PROBABILITY
            yield event.end, event.ice_until, is_likely


def _plot_bar_rows(axes: Axes, rows: list[_BarRow], start: datetime) -> None:
    axes.set_ylim(len(rows), 0)
    axes.set_yticks([at + 0.5 for at in range(len(rows))], [lane.label for lane in rows])
    for at, lane in enumerate(rows):
        for begin, end in lane.periods:
            _plot_bar(
                axes, at, (begin - start) / HOUR, (end - begin) / HOUR, lane.color, lane.hatch
            )
        for begin, end in lane.unlikely:
            _plot_bar(axes, at, (begin - start) / HOUR, (end - begin) / HOUR, lane.color, "")
        for mark in lane.best_hours:
            axes.barh(at + 0.5, 1.0, left=(mark - start) / HOUR, height=0.62, color=lane.color)


def _plot_bar(axes: Axes, row: int, left: float, width: float, color: str, hatch: str) -> None:
    bars = axes.barh(row + 0.5, width, left=left, height=0.62, edgecolor=color, linewidth=1.0)
    bars[0].set(facecolor="none", hatch=hatch or None)


def _plot_hour_axis(
    axes: Axes, column: _ColumnSurfaces, hours: int, fmt: ReportFormat, *, is_lowest: bool
) -> None:
    """Draw the time axis: local midnights, day names, hours."""
    axes.set_xlim(0, hours)
    local = [
        (column.series.start + timedelta(hours=at)).astimezone(column.zone) for at in range(hours)
    ]
    step = 6 if hours <= 48 else 12
    midnights = [at for at, moment in enumerate(local) if moment.hour == 0]
    for at in midnights:
        axes.axvline(at, color=GRID_COLOR, linewidth=0.8, zorder=0)
    ticks = [at for at, moment in enumerate(local) if moment.hour % step == 0]
    if not is_lowest:
        axes.set_xticks([])
        return
    axes.set_xticks(ticks, [_format_tick(local[at], fmt) for at in ticks])
    days = [0, *(at for at in midnights if at > MIN_TICK_GAP_H)]
    figure = axes.figure
    left, width = axes.get_position().x0, axes.get_position().width
    for at in days:
        if hours - at >= 2 * MIN_TICK_GAP_H:
            x = left + width * at / hours
            figure.text(x + 0.008, 0.945, f"{local[at]:%a} {local[at].day}", color=LABEL_COLOR)


def _format_tick(local: datetime, fmt: ReportFormat) -> str:
    """Return a local hour, short enough for an axis."""
    if not fmt.units.is_us:
        return f"{local:%H}"
    return {0: "12a", 12: "noon"}.get(local.hour, f"{local.hour % 12}{local:%p}"[:-1].lower())


# -- into the page --------------------------------------------------------------------------------


def _embed_svg(svg: str, name: str, aria_label: str) -> str:
    """Return a drawing as inline SVG: page colors, unique ids, a label, no fixed size."""
    body = svg[svg.index("<svg") :].strip()
    body = re.sub(r"<svg [^>]*viewBox=\"([^\"]+)\"[^>]*>", r'<svg viewBox="\1">', body, count=1)
    body = re.sub(r"<defs>\s*<style.*?</style>\s*</defs>", "", body, flags=re.DOTALL)
    body = re.sub(r"<metadata>.*?</metadata>", "", body, flags=re.DOTALL)
    used = set(re.findall(r"(?:url\(|href=\")#([^\")]+)", body))

    def rename(match: re.Match[str]) -> str:
        return f' id="{name}-{match[1]}"' if match[1] in used else ""

    body = re.sub(r' id="([^"]+)"', rename, body)
    body = re.sub(r"(url\(|href=\")#", rf"\1#{name}-", body)
    body = re.sub(r" font-family: [^;\"]+;?", "", body)
    body = re.sub(r' transform="rotate\(-0 [^)]*\)"', "", body)
    body = re.sub(r"\d+\.\d{2,}", lambda match: f"{float(match[0]):.1f}", body)
    body = re.sub(r"#0[0-9]0[0-9]0[0-9]", lambda match: PAGE_COLORS[match[0]], body)
    body = re.sub(r"\s*\n\s*", " ", body)
    label = quoteattr(aria_label)
    return body.replace("<svg ", f'<svg class="strip" role="img" aria-label={label} ', 1)
