"""A sprayer's rate card: how fast to drive for a rate, from its last calibration.

At one pressure a boom gives the same flow whatever the speed, so that rate times speed stays what
it was when the sprayer was calibrated; flow is rate times swath times speed (UF/IFAS WG013).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from stormplan.company.practice_rules import Practice
from stormplan.company.yards import Sprayer
from stormplan.numerics import HOUR_S
from stormplan.record.entries import Calibration, Entry, effective_entries


@dataclass(frozen=True)
class RateRow:
    """How to spray one rate.

    Attributes
    ----------
    rate_l_m2 : float
        The rate [L/m²].
    speed_ms : float or None
        Speed that brings it at the pressure of the calibration; None where it is not known [m/s].
    flow_l_h : float or None
        What the boom gives then, where the swath is known [L/h].
    is_within : bool
        Whether the sprayer can, by the sites file.
    """

    rate_l_m2: float
    speed_ms: float | None
    flow_l_h: float | None
    is_within: bool


@dataclass(frozen=True)
class RateCard:
    """A sprayer's rate card.

    Attributes
    ----------
    yard, sprayer : str
        Which.
    calibration : Calibration or None
        The last one; None where the record has none.
    is_old : bool
        Whether that is longer ago than the rule ``calibration_lasts`` allows.
    rows : tuple of RateRow
        By rate.
    """

    yard: str
    sprayer: str
    calibration: Calibration | None
    is_old: bool
    rows: tuple[RateRow, ...]


def rate_card(
    yard: str,
    key: str,
    sprayer: Sprayer,
    record: Iterable[Entry],
    rates_l_m2: Sequence[float],
    practice: Practice,
    now: datetime,
) -> RateCard:
    """Return the rate card of a sprayer.

    Parameters
    ----------
    yard, key : str
        Its keys in the sites file.
    sprayer : Sprayer
        What the sites file has of it.
    record : iterable of Entry
        The record.
    rates_l_m2 : sequence of float
        Rates it is asked for [L/m²].
    practice : Practice
        The company's rules.
    now : datetime
        The present, aware.

    Returns
    -------
    RateCard
    """
    found = [
        one
        for one in effective_entries(record)
        if isinstance(one, Calibration) and (one.yard, one.sprayer) == (yard, key)
    ]
    last = found[-1] if found else None
    lasts = timedelta(hours=practice.number("calibration_lasts"))
    return RateCard(
        yard,
        key,
        last,
        last is not None and last.at < now - lasts,
        tuple(_row(rate, sprayer, last) for rate in sorted(set(rates_l_m2))),
    )


def _row(rate_l_m2: float, sprayer: Sprayer, last: Calibration | None) -> RateRow:
    speed_ms = flow_l_h = None
    if last is not None and last.rate_l_m2 is not None and last.speed_ms is not None:
        speed_ms = last.speed_ms * last.rate_l_m2 / rate_l_m2
        if last.swath_m is not None:
            flow_l_h = HOUR_S * rate_l_m2 * last.swath_m * speed_ms
    is_within = sprayer.min_rate_l_m2 <= rate_l_m2 <= sprayer.max_rate_l_m2
    return RateRow(rate_l_m2, speed_ms, flow_l_h, is_within)
