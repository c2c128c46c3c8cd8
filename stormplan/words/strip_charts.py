"""Strip charts: the hours ahead on one kind of pavement, drawn once for all surfaces that share it.

Shows the owner at a glance what the words say: pavement and air against freezing, what falls and as
what, when to spray, when it is slippery. Each strip carries its own sentence for readers who do not
see it. Drawn with matplotlib as SVG that takes its colours from the page, so that it is legible in
the dark, in the light and in grey; line style, hatching and labels carry what colour carries.
"""

from __future__ import annotations

import io
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import quoteattr
from zoneinfo import ZoneInfo

import numpy as np

from stormplan.company.catalog import SURFACE_CLASSES
from stormplan.planning.plan import Plan, Series, SitePlan, SurfacePlan
from stormplan.treatment.records import Treatment
from stormplan.units import Speaker
from stormplan.words.formatting import Words, capital, listed

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

EVEN = 0.5  # events less likely than this are drawn open
MOST = 6  # strips on a page: what a reader compares; our own choice
LEAST_H = 24  # shortest stretch worth drawing
AFTER_H = 6  # hours shown after the last event
SIZE_IN = (4.1, 2.9)  # drawn for a phone's width, so that its letters stay readable there
FOOT, LANE = 0.075, 0.06  # heights of the hour labels and of one lane, as shares of the drawing
HOUR = timedelta(hours=1)
NEAR_H = 3  # hour ticks closer than this to the edge are left out

# Stand-ins that the page's own colours replace: (drawn, CSS variable, colour without a page).
FILM = "#010203"
INK, SOFT, FAINT = "#010101", "#020202", "#030303"
PAVEMENT, AIR, COLD, WET, SPRAY, SLICK = (
    *("#040404", "#050505", "#060606"),
    *("#070707", "#080808", "#090909"),
)
PAGE_COLOURS: Mapping[str, str] = {
    INK: "var(--ink, #1b1d22)",
    SOFT: "var(--soft, #565a64)",
    FAINT: "var(--line, #d4d2cb)",
    PAVEMENT: "var(--pavement, #1b1d22)",
    AIR: "var(--air, #96490a)",
    COLD: "var(--cold, #1d5f8a)",
    WET: "var(--wet, #1d5f8a)",
    SPRAY: "var(--spray, #2c6a3f)",
    SLICK: "var(--slick, #8c1d3f)",
    FILM: "var(--film, #6a3d9a)",
}
PHASES: tuple[tuple[str, str, str], ...] = (  # what falls, how it is hatched, what it is called
    ("rain_mm", "|||", "rain"),
    ("snow_we_mm", "\\\\\\", "snow"),
    ("sleet_mm", "xxx", "sleet"),
    ("frz_rain_mm", "-----", "freezing rain"),
)
LIGHT = 0.22  # opacity of the spread and of plain bars
SALT = "stormplan"  # fixes the ids inside the SVG, so that equal plans give equal files


@dataclass(frozen=True)
class Strip:
    """One chart: which surfaces it stands for, what it says, and the drawing."""

    title: str
    places: str
    says: str
    svg: str


@dataclass(frozen=True)
class _Shared:
    """One column of hours with every surface on it."""

    name: str
    series: Series
    on: tuple[tuple[SitePlan, SurfacePlan], ...]

    @property
    def treatments(self) -> list[Treatment]:
        return [item for _, surface in self.on for item in surface.treatments]

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.on[0][0].timezone)


def strips(plan: Plan, most: int = MOST) -> tuple[Strip, ...]:
    """Draw the columns that matter most.

    Parameters
    ----------
    plan : Plan
        The record [-].
    most : int
        How many at most [-].

    Returns
    -------
    tuple of Strip
        Those with an event, in the order of the sites that matter; all over the same hours.
    """
    shared = _that_matter(plan)[:most]
    if not shared:
        return ()
    hours = max(_hours_worth_drawing(column) for column in shared)
    speaker = Speaker(plan.units)
    return tuple(
        _strip(column, min(hours, len(column.series.air_c)), speaker, f"strip{at}")
        for at, column in enumerate(shared, start=1)
    )


def count_that_matter(plan: Plan) -> int:
    """Count the columns with an event, drawn or not."""
    return len(_that_matter(plan))


# -- which, and how long --------------------------------------------------------------------------


def _that_matter(plan: Plan) -> list[_Shared]:
    """Columns with an event: first one of every forecast cell, then the rest, as sites matter."""
    first = {key: rank for rank, key in enumerate(plan.matters)}
    ranked = sorted(plan.sites, key=lambda site: (first.get(site.key, len(first)), site.priority))
    on: dict[str, list[tuple[SitePlan, SurfacePlan]]] = {}
    for site in ranked:
        for surface in sorted(site.surfaces, key=lambda surface: -surface.area_m2):
            on.setdefault(surface.column, []).append((site, surface))
    active = [
        _Shared(name, plan.columns[name], tuple(found))
        for name, found in on.items()
        if any(item.event for _, surface in found for item in surface.treatments)
    ]
    seen: dict[str, int] = {}
    turns = []
    for column in active:
        cell = column.on[0][0].source
        name = "" if cell is None else cell.cell
        turns.append(seen.setdefault(name, 0))
        seen[name] += 1
    order = sorted(range(len(active)), key=lambda at: (turns[at], at))
    return [active[at] for at in order]


def _hours_worth_drawing(column: _Shared) -> int:
    last = max(item.event.end for item in column.treatments if item.event is not None)
    hours = math.ceil((last - column.series.start) / HOUR) + AFTER_H
    return max(hours, LEAST_H)


# -- the sentence ---------------------------------------------------------------------------------


def _strip(column: _Shared, hours: int, speaker: Speaker, name: str) -> Strip:
    words = Words(speaker, column.zone)
    kinds = dict.fromkeys(SURFACE_CLASSES[s.surface_class].words for _, s in column.on)
    by_site: dict[str, list[str]] = {}
    for site, surface in column.on:
        by_site.setdefault(site.name, []).append(surface.name)
    places = [f"{site} ({', '.join(surfaces)})" for site, surfaces in by_site.items()]
    title = listed(list(kinds))
    says = _says(column.series, hours, words, column.treatments)
    return Strip(
        title=capital(title),
        places=listed(places, at_most=3),
        says=says,
        svg=_draw(column, hours, words, name, f"Strip chart, {title}: {says}"),
    )


def _says(series: Series, hours: int, words: Words, treatments: Sequence[Treatment]) -> str:
    """Say what the strip shows, for those who do not see it."""
    known = [(value, at) for at, value in enumerate(series.surface_c[:hours]) if value is not None]
    parts = []
    if known:
        coldest, at = min(known)
        moment = series.start + timedelta(hours=at)
        parts.append(f"pavement coldest {words.say.temp(coldest)} {words.day(moment)}")
        below = sum(value <= 0.0 for value, _ in known)
        parts.append(f"at or below freezing {below} of {len(known)} h")
    air = [value for value in series.air_c[:hours] if value is not None]
    if air:
        parts.append(f"air {words.say.temp(min(air))} to {words.say.temp(max(air))}")
    for field, _, phase in PHASES:
        total = sum(value or 0.0 for value in getattr(series, field)[:hours])
        if total > 0.0:
            parts.append(f"{phase} {words.say.water(total)} of water")
    for start, end in _windows(treatments):
        parts.append(f"spray {words.span(start, end)}")
    text = "; ".join(parts) or "nothing known"
    return f"{capital(text)}."


def _windows(treatments: Sequence[Treatment]) -> list[tuple[datetime, datetime]]:
    found = {(t.earliest, t.latest) for t in treatments if t.earliest and t.latest}
    return sorted(found)


# -- the drawing ----------------------------------------------------------------------------------


def _draw(column: _Shared, hours: int, words: Words, name: str, says: str) -> str:
    from matplotlib import rc_context
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    settings: Any = {
        "svg.hashsalt": SALT,
        "svg.fonttype": "none",
        "font.size": 8.5,
        "hatch.linewidth": 0.7,
        "path.simplify": True,
    }
    with rc_context(settings):
        figure = Figure(figsize=SIZE_IN)
        FigureCanvasSVG(figure)
        lanes = _lanes(column)
        above, below, bottom = _panels(figure, FOOT + LANE * max(len(lanes), 1))
        _temperatures(above, column.series, hours, words.say)
        _film(above, column, words.say)
        _precipitation(below, column.series, hours, words.say)
        _mark_lanes(bottom, lanes, column.series.start)
        for axes in (above, below, bottom):
            _hour_lines(axes, column, hours, words, is_lowest=axes is bottom)
        out = io.StringIO()
        plain = dict.fromkeys(("Date", "Creator", "Format", "Type"))
        figure.savefig(out, format="svg", transparent=True, metadata=plain)
    return _for_the_page(out.getvalue(), name, says)


def _panels(figure: Figure, floor: float) -> tuple[Axes, Axes, Axes]:
    left, width, rain, top = 0.105, 0.875, 0.15, 0.92
    below = figure.add_axes((left, floor + 0.02, width, rain))
    above = figure.add_axes((left, floor + rain + 0.05, width, top - floor - rain - 0.05))
    bottom = figure.add_axes((left, FOOT, width, floor - FOOT))
    for axes in (above, below, bottom):
        axes.patch.set_visible(False)
        for side in ("top", "right", "bottom", "left"):
            axes.spines[side].set_visible(False)
        axes.tick_params(length=0, colors=SOFT, pad=2)
    return above, below, bottom


def _values(row: Sequence[float | None], hours: int) -> Any:
    return np.array([np.nan if value is None else value for value in row[:hours]], dtype=float)


def _temperatures(axes: Axes, series: Series, hours: int, speaker: Speaker) -> None:
    """Draw pavement and air against freezing, and where the pavement lies four times in five."""
    shown = speaker.scale
    middle = np.arange(hours) + 0.5
    surface, air = _values(series.surface_c, hours), _values(series.air_c, hours)
    low_c, high_c = (_values(row, hours) for row in (series.surface_low_c, series.surface_high_c))
    axes.axhline(shown(0.0), color=COLD, linewidth=1.0)
    axes.fill_between(
        middle,
        shown(low_c),
        shown(high_c),
        color=PAVEMENT,
        alpha=LIGHT,
        linewidth=0,
    )
    axes.plot(middle, shown(air), color=AIR, linewidth=1.3, linestyle=(0, (4, 2)))
    axes.plot(middle, shown(surface), color=PAVEMENT, linewidth=2.0)
    known = np.concatenate([low_c, high_c, air, [0.0]])
    low, high = shown(np.nanmin(known)), shown(np.nanmax(known))
    step = 10 if speaker.is_us else 5
    axes.set_ylim(low - 0.08 * (high - low) - 1, high + 0.08 * (high - low) + 1)
    steps = np.arange(math.ceil(low / step) * step, high + 1, step)
    freezing = shown(0.0)
    ticks = [*(t for t in steps if abs(t - freezing) > 0.45 * step), freezing]
    axes.set_yticks(ticks, [f"{tick:.0f}°" for tick in ticks])


def _film(axes: Axes, column: _Shared, speaker: Speaker) -> None:
    """Draw where the treated film freezes, for the column's first modelled pre-treat."""
    film = next((item.film for item in column.treatments if item.film is not None), None)
    if film is None:
        return
    offset = round((film.start - column.series.start) / HOUR)
    point = _values(film.freeze_point_c, len(film.freeze_point_c))
    shown = speaker.scale(point)
    axes.plot(np.arange(offset, offset + len(point)) + 0.5, shown, color=FILM, linewidth=1.4,
              linestyle=(0, (1, 1.2)))  # fmt: skip


def _precipitation(axes: Axes, series: Series, hours: int, speaker: Speaker) -> None:
    """Stack what falls, hatched by phase and named at its start."""
    base = np.zeros(hours)
    named = 0
    for field, hatch, phase in PHASES:
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
        bars.set(facecolor="none", edgecolor=WET, hatch=hatch)
        axes.annotate(
            phase,
            (first, 0.62 - 0.42 * named),
            xycoords=("data", "axes fraction"),
            xytext=(-3 if first > hours / 6 else 3, 0),
            textcoords="offset points",
            ha="right" if first > hours / 6 else "left",
            color=SOFT,
        )
        named += 1
        base = base + amount
    most = max(float(base.max()), 0.5)
    axes.set_ylim(0.0, most * 1.1)
    axes.set_yticks([most], [_depth(most, speaker)] if base.any() else [""])
    axes.axhline(0.0, color=SOFT, linewidth=0.6)


def _depth(depth_mm: float, speaker: Speaker) -> str:
    """Say a depth of water short enough for an axis."""
    return f'{depth_mm / 25.4:.2f}"'.lstrip("0") if speaker.is_us else f"{depth_mm:.1f}"


@dataclass(frozen=True)
class _Lane:
    """Stretches of time under the curves, and moments to single out."""

    label: str
    colour: str
    hatch: str
    stretches: list[tuple[datetime, datetime]]
    marks: tuple[datetime, ...] = ()
    unlikely: tuple[tuple[datetime, datetime], ...] = ()  # drawn open


def _lanes(column: _Shared) -> list[_Lane]:
    events = {t.event for t in column.treatments if t.event}
    likely, unlikely = (
        sorted({(e.start, e.end) for e in events if (e.probability >= EVEN) is wanted})
        for wanted in (True, False)
    )
    best = sorted({t.best_start for t in column.treatments if t.best_start})
    spray = [(start, end + HOUR) for start, end in _windows(column.treatments)]
    lanes = [
        _Lane("spray", SPRAY, "", spray, tuple(best)),
        _Lane("slick", SLICK, "/////", likely, unlikely=tuple(unlikely)),
    ]
    return [lane for lane in lanes if lane.stretches or lane.unlikely]


def _mark_lanes(axes: Axes, lanes: list[_Lane], start: datetime) -> None:
    axes.set_ylim(len(lanes), 0)
    axes.set_yticks([at + 0.5 for at in range(len(lanes))], [lane.label for lane in lanes])
    for at, lane in enumerate(lanes):
        for begin, end in lane.stretches:
            _bar(axes, at, (begin - start) / HOUR, (end - begin) / HOUR, lane.colour, lane.hatch)
        for begin, end in lane.unlikely:
            _bar(axes, at, (begin - start) / HOUR, (end - begin) / HOUR, lane.colour, "")
        for mark in lane.marks:
            axes.barh(at + 0.5, 1.0, left=(mark - start) / HOUR, height=0.62, color=lane.colour)


def _bar(axes: Axes, at: int, left: float, long: float, colour: str, hatch: str) -> None:
    bars = axes.barh(at + 0.5, long, left=left, height=0.62, edgecolor=colour, linewidth=1.0)
    bars[0].set(facecolor="none", hatch=hatch or None)


def _hour_lines(axes: Axes, column: _Shared, hours: int, words: Words, *, is_lowest: bool) -> None:
    """Mark local midnights with the day's name above, and hours of the day below."""
    axes.set_xlim(0, hours)
    local = [
        (column.series.start + timedelta(hours=at)).astimezone(column.zone) for at in range(hours)
    ]
    step = 6 if hours <= 48 else 12
    midnights = [at for at, moment in enumerate(local) if moment.hour == 0]
    for at in midnights:
        axes.axvline(at, color=FAINT, linewidth=0.8, zorder=0)
    ticks = [at for at, moment in enumerate(local) if moment.hour % step == 0]
    if not is_lowest:
        axes.set_xticks([])
        return
    axes.set_xticks(ticks, [_tick(local[at], words) for at in ticks])
    days = [0, *(at for at in midnights if at > NEAR_H)]
    figure = axes.figure
    left, width = axes.get_position().x0, axes.get_position().width
    for at in days:
        if hours - at >= 2 * NEAR_H:
            x = left + width * at / hours
            figure.text(x + 0.008, 0.945, f"{local[at]:%a} {local[at].day}", color=SOFT)


def _tick(local: datetime, words: Words) -> str:
    """Say an hour short enough for an axis."""
    if not words.say.is_us:
        return f"{local:%H}"
    return {0: "12a", 12: "noon"}.get(local.hour, f"{local.hour % 12}{local:%p}"[:-1].lower())


# -- into the page --------------------------------------------------------------------------------


def _for_the_page(svg: str, name: str, says: str) -> str:
    """Fit a drawing to stand inside a page: its colours, unique ids, a label, no fixed size."""
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
    body = re.sub(r"#0[0-9]0[0-9]0[0-9]", lambda match: PAGE_COLOURS[match[0]], body)
    body = re.sub(r"\s*\n\s*", " ", body)
    label = quoteattr(says)
    return body.replace("<svg ", f'<svg class="strip" role="img" aria-label={label} ', 1)
