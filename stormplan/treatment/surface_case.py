"""One surface as its course of action is decided: what it is, its hours, and what practice says."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from functools import cached_property
from zoneinfo import ZoneInfo

import numpy as np

from stormplan.arrays import Array, BoolArray
from stormplan.company.practice_rules import Practice
from stormplan.company.sites import Surface
from stormplan.events.detection import Event, Outlook
from stormplan.events.ensemble_stats import median
from stormplan.events.hourly_conditions import Hour
from stormplan.numerics import floor_hour
from stormplan.physics.bond import BondParameters, traffic_mixing_frac
from stormplan.treatment.earlier_work import EarlierWork
from stormplan.treatment.products import Stock


@dataclass(frozen=True)
class ColumnHours:
    """Hours of one column from now on: arrays ``(hour, member)``.

    Attributes
    ----------
    pavement_c : array
        Pavement without chemical [°C].
    rain_mm, freezing_rain_mm, sleet_mm, snowfall_swe_mm : array
        What falls in the hour, as water; unknown counts as none [mm].
    night : array of bool (hour,)
        Whether the sun is down.
    """

    pavement_c: Array
    rain_mm: Array
    freezing_rain_mm: Array
    sleet_mm: Array
    snowfall_swe_mm: Array
    night: BoolArray

    @cached_property
    def washing_rain_mm(self) -> Array:
        """Rain and freezing rain, (hour, member) [mm]."""
        return self.rain_mm + self.freezing_rain_mm

    @cached_property
    def has_washing_rain(self) -> list[bool]:
        """Whether any member has some of it, by hour."""
        rains: list[bool] = np.asarray((self.washing_rain_mm > 0.0).any(axis=1)).tolist()
        return rains

    @cached_property
    def lowest_c(self) -> dict[tuple[int, int, tuple[bool, ...]], float]:
        """Lowest pavement that was asked for, by hours and members [°C]."""
        return {}


@dataclass(frozen=True)
class PretreatInRounds:
    """What the rounds make of the pre-treat before one event.

    Attributes
    ----------
    onset : datetime
        Start of the event, aware UTC.
    start : datetime or None
        Start of the hour it was decided for, aware UTC; None where no sprayer comes.
    additive : str or None
        Key of the additive; None for plain brine.
    additive_frac : float
        Additive in the blend by volume [-].
    rate_l_m2 : float
        Application rate [L/m²].
    text : str
        Why no sprayer comes, in words.
    """

    onset: datetime
    start: datetime | None = None
    additive: str | None = None
    additive_frac: float = 0.0
    rate_l_m2: float = 0.0
    text: str = ""


@dataclass(frozen=True)
class SurfaceCase:
    """One surface, the hours ahead of it and the rules as they stand there.

    ``column`` is its place among the simulated columns; ``plow_hours`` are the hours at whose start
    practice plows or shovels it; ``is_bonded`` says that packed snow or ice is stuck to it now,
    ``is_treated`` that by the record something was put down on it, ``is_pretreated`` that liquid
    was and nothing fell or was plowed since; ``rate_steps_up`` is by how many rate steps the
    pre-treat of an event, by its place among the events, is put higher than the film model alone
    asks; ``earlier_work`` is what the plan announced before has crews do on it; ``last_treated_at``
    is when it was treated last by the record, however long ago; ``rounds`` is what the rounds make
    of its pre-treats, None before there are any.
    """

    surface: Surface
    practice: Practice
    stock: Stock
    now: datetime
    zone: ZoneInfo
    open_hours: tuple[time, time] | None
    outlook: Outlook
    column: int
    hours: ColumnHours
    plow_hours: tuple[int, ...]
    residual_mm: float
    is_bonded: bool = False
    is_treated: bool = False
    is_pretreated: bool = False
    rate_steps_up: tuple[tuple[int, int], ...] = ()
    earlier_work: EarlierWork = ()
    last_treated_at: datetime | None = None
    rounds: tuple[PretreatInRounds, ...] | None = None

    @property
    def is_pedestrian(self) -> bool:
        """Whether people walk on it."""
        return self.surface.surface_class.use == "pedestrian"

    @property
    def n_hours(self) -> int:
        """How many hours lie ahead."""
        return len(self.outlook.hours)

    @cached_property
    def bond_parameters(self) -> BondParameters:
        """Parameters of the bond criterion, by the rules of practice."""
        return BondParameters(
            texture_mm=1000.0 * self.practice.number("bond_texture"),
            base_liquid_frac=self.practice.number("bond_liquid_fraction"),
        )

    @cached_property
    def mixing_frac(self) -> tuple[float, ...]:
        """Part of the lying snow that traffic works into the brine, by hour ahead [-]."""
        if self.open_hours is None:
            return (0.0,) * self.n_hours
        vehicles = self.practice.number("vehicles_while_open")
        while_open = 1.0 if self.is_pedestrian else float(
            traffic_mixing_frac(vehicles, self.bond_parameters)
        )  # fmt: skip
        return tuple(while_open if self.is_open(h.start) else 0.0 for h in self.outlook.hours)

    def in_rounds(self, event: Event) -> PretreatInRounds | None:
        """Return what the rounds make of the pre-treat before an event; None where they are open.

        A pre-treat that nobody asked for when the rounds were made is not in them.
        """
        if self.rounds is None:
            return None
        text = "not asked for when the rounds were made"
        found = (one for one in self.rounds if one.onset == event.start)
        return next(found, PretreatInRounds(event.start, text=text))

    def hour_index(self, moment: datetime) -> int:
        """Return the index of the hour that contains a time."""
        return int((moment - self.outlook.hours[0].start) // timedelta(hours=1))

    def hour_start(self, hour: int) -> datetime:
        """Return the start of an hour; it may lie past the last one."""
        return self.outlook.hours[0].start + timedelta(hours=hour)

    def local_date(self, moment: datetime) -> date:
        """Return the date at the site."""
        return moment.astimezone(self.zone).date()

    def is_open(self, moment: datetime) -> bool:
        """Return whether the site is open; not where no hours are given."""
        if self.open_hours is None:
            return False
        opens, closes = self.open_hours
        local = moment.astimezone(self.zone).time()
        return opens <= local < closes if opens < closes else local >= opens or local < closes

    def hour(self, index: int) -> Hour:
        """Return an hour, the last one for what lies beyond."""
        return self.outlook.hours[min(max(index, 0), self.n_hours - 1)]

    def lowest_pavement_c(self, first: int, last: int, event: Event | None = None) -> float:
        """Return the lowest pavement of the hours ``first`` .. ``last - 1`` [°C].

        Median over the members that bring the event, or all; NaN where it is not known.
        """
        has_event = () if event is None or all(event.has_event) else event.has_event
        known, asked = self.hours.lowest_c, (first, last, has_event)
        if asked not in known:
            pavement = self.hours.pavement_c[max(first, 0) : max(last, first + 1)]
            if any(has_event):
                pavement = pavement[:, np.array(has_event)]
            lowest_c = float(median(pavement.min(axis=0))) if pavement.size else float("nan")
            known[asked] = lowest_c
        return known[asked]

    def rain_mm(self, first: int, last: int, event: Event) -> Array:
        """Return rain and freezing rain of the hours ``first`` .. ``last - 1`` [mm].

        Shape (member,), of the members that bring the event.
        """
        fallen = self.hours.washing_rain_mm[max(first, 0) : last]
        return np.asarray(fallen[:, np.array(event.has_event)].sum(axis=0))

    def is_washed_off(self, rain_mm: Array) -> bool:
        """Return whether rain, (member,) [mm], rules liquid out in too many of the members."""
        return self.washed_frac(rain_mm) > self.practice.number("max_rain_probability")

    def washed_frac(self, rain_mm: Array) -> float:
        """Return the fraction of members, (member,) [mm], whose rain rules liquid out [-]."""
        washed = rain_mm > 1000.0 * self.practice.number("max_rain_before_onset")
        return np.count_nonzero(washed) / washed.size if washed.size else 0.0

    def recheck_at(self, event: Event) -> datetime:
        """Return when to decide again: halfway to the onset, in six hours at the latest."""
        lead = max(event.start - self.now, timedelta(hours=1))
        step = min(lead / 2, timedelta(hours=6))
        return floor_hour(self.now + step) + timedelta(hours=1)
