"""Checks of a whole station table against the sun, and of its days against each other.

A single value may be plausible and the table still wrong: a pyranometer that reads too high, local
time taken for UTC, days copied over a gap. Found are told in a line each; nothing is changed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from stormplan.arrays import Array, IntArray
from stormplan.company.practice_rules import Practice
from stormplan.physics.forcing import ClearSky

SOLAR_CONSTANT_WM2 = 1361.0  # Kopp & Lean 2011, Geophys. Res. Lett. 38, L01706
DAY_H = 24
MIN_DAYS = 5  # fewer may all be overcast: own choice
MAX_LAG_H = 12
ENVELOPE_MIN_DAYS = 20  # of fewer, none may have a clear hour: own choice
ENVELOPE_QUANTILE = 0.95
ENVELOPE_MIN_WM2 = 200.0  # of the clear sky: a low sun makes the ratio uncertain
#: How much better shortwave must fit the sun at another hour, as correlation [-]: own choice.
MIN_CORRELATION_GAIN = 0.02
MIN_KNOWN_OF_DAY_H = 20  # own choice
#: Hours by which the mean day's air follows the sun: some 2 to 4 h (Oke 1987, Boundary Layer
#: Climates, from memory), with room for coasts and valleys on either side.
AIR_LAG_RANGE_H = (0.5, 6.0)
MIN_COMMON_NIGHTS, MIN_SURFACES = 2, 3  # of two, which is wrong? own choice
MIN_DAILY_AMPLITUDE_K = 1.0  # a smaller wave of the mean day tells no phase: own choice


@dataclass(frozen=True)
class SunEnvelope:
    """What a table's sunniest hours may have of a clear sky's sun, by the rules of practice [-]."""

    min_frac: float
    max_frac: float

    @classmethod
    def from_practice(cls, practice: Practice) -> SunEnvelope:
        """Return the limits as a company has them."""
        return cls(practice.number("sun_envelope_min"), practice.number("sun_envelope_max"))


DEFAULT_ENVELOPE = SunEnvelope.from_practice(Practice())


def physical_limit_wm2(extraterrestrial_wm2: Array) -> Array:
    """Return the most shortwave that is physically possible on the horizontal.

    Parameters
    ----------
    extraterrestrial_wm2 : array
        Mean of the hour above the atmosphere, on the horizontal [W/m²].

    Returns
    -------
    array
        ``1.5 S0 μ^1.2 + 100``, with the hour's mean for the sun's sine μ [W/m²].

    References
    ----------
    Long & Dutton 2002, BSRN Global Network recommended QC tests, V2.0.
    """
    sine = np.maximum(extraterrestrial_wm2, 0.0) / SOLAR_CONSTANT_WM2
    return np.asarray(1.5 * SOLAR_CONSTANT_WM2 * sine**1.2 + 100.0)


def hours_above_limit(shortwave_wm2: Array, extraterrestrial_wm2: Array) -> IntArray:
    """Return the hours, (found,), whose shortwave is physically impossible [-]."""
    return np.flatnonzero(shortwave_wm2 > physical_limit_wm2(extraterrestrial_wm2))


def shortwave_lag_h(shortwave_wm2: Array, clear_sky_wm2: Array) -> int:
    """Return how many hours shortwave comes later than the sun.

    Parameters
    ----------
    shortwave_wm2 : array (hour,)
        As stamped; NaN where blank [W/m²].
    clear_sky_wm2 : array (hour,)
        Of the place under a clear sky [W/m²].

    Returns
    -------
    int
        Shift with the highest correlation; 0 too where it is hardly better than none, where fewer
        than ``MIN_DAYS`` of hours are known, and where the sun does not rise [h].
    """
    known = np.isfinite(shortwave_wm2)
    if known.sum() < MIN_DAYS * DAY_H or not clear_sky_wm2[known].any():
        return 0
    if np.ptp(shortwave_wm2[known]) == 0.0:
        return 0
    correlation = {
        lag: np.corrcoef(shortwave_wm2[known], np.roll(clear_sky_wm2, lag)[known])[0, 1]
        for lag in range(-MAX_LAG_H, MAX_LAG_H)
    }
    best = max(correlation, key=correlation.__getitem__)
    return best if correlation[best] > correlation[0] + MIN_CORRELATION_GAIN else 0


def clear_sky_index(shortwave_wm2: Array, clear_sky_wm2: Array) -> float | None:
    """Return the upper envelope of shortwave over a clear sky.

    Parameters
    ----------
    shortwave_wm2 : array (hour,)
        As measured; NaN where blank [W/m²].
    clear_sky_wm2 : array (hour,)
        Of the place under a clear sky [W/m²].

    Returns
    -------
    float or None
        Ratio that one hour of high sun in twenty exceeds [-]; None where days are too few for clear
        hours to be among them.
    """
    if np.isfinite(shortwave_wm2).sum() < ENVELOPE_MIN_DAYS * DAY_H:
        return None
    bright = np.isfinite(shortwave_wm2) & (clear_sky_wm2 > ENVELOPE_MIN_WM2)
    if bright.sum() < ENVELOPE_MIN_DAYS:
        return None
    return float(np.quantile(shortwave_wm2[bright] / clear_sky_wm2[bright], ENVELOPE_QUANTILE))


def air_lag_h(air_c: Array, clear_sky_wm2: Array) -> float | None:
    """Return how long the mean day's air follows the sun, by their first harmonics.

    Parameters
    ----------
    air_c : array (hour,)
        Air temperature, NaN where blank [°C].
    clear_sky_wm2 : array (hour,)
        Of the place under a clear sky [W/m²].

    Returns
    -------
    float or None
        From -12 to 12 [h]; None where days are too few, or too even to tell.
    """
    days = air_c.size // DAY_H
    if days < MIN_DAYS:
        return None
    turn = np.exp(-2j * np.pi * np.arange(DAY_H) / DAY_H)
    air = air_c[: days * DAY_H].reshape(days, DAY_H)
    whole = np.isfinite(air).all(axis=1)
    if whole.sum() < MIN_DAYS:
        return None
    mean_day = air[whole].mean(axis=0)
    sun = clear_sky_wm2[: days * DAY_H].reshape(days, DAY_H)[whole].mean(axis=0)
    air_wave, sun_wave = 2.0 / DAY_H * (mean_day @ turn), 2.0 / DAY_H * (sun @ turn)
    if abs(air_wave) < MIN_DAILY_AMPLITUDE_K or abs(sun_wave) == 0.0:
        return None
    return float(np.angle(sun_wave / air_wave) * DAY_H / (2.0 * np.pi))


def repeated_days(air_c: Array) -> list[tuple[int, int]]:
    """Return pairs of days, counted from the first hour, with the same air hour for hour [-]."""
    first_seen: dict[bytes, int] = {}
    found = []
    for day in range(air_c.size // DAY_H):
        values = air_c[day * DAY_H : (day + 1) * DAY_H]
        known = np.isfinite(values)
        if known.sum() < MIN_KNOWN_OF_DAY_H or np.ptp(values[known]) == 0.0:
            continue
        earlier = first_seen.setdefault(values.tobytes(), day)
        if earlier != day:
            found.append((earlier, day))
    return found


def differences_from_neighbors_k(
    by_night: Mapping[tuple[str, str], Mapping[int, float]],
) -> dict[tuple[str, str], float]:
    """Return how far surfaces are from their neighbors in the nights that they have in common.

    Parameters
    ----------
    by_night : mapping of (str, str) to mapping of int to float
        By surface and number of the night: what was read, or how far that was from a model [K].

    Returns
    -------
    dict of (str, str) to float
        Median over the nights of own less the median of all surfaces; of those that share
        ``MIN_COMMON_NIGHTS`` with two others or more [K].
    """
    found: dict[tuple[str, str], float] = {}
    for surface, nights in by_night.items():
        of_all = {
            night: [each[night] for each in by_night.values() if night in each] for night in nights
        }
        apart = [
            nights[night] - float(np.median(values))
            for night, values in of_all.items()
            if len(values) >= MIN_SURFACES
        ]
        if len(apart) >= MIN_COMMON_NIGHTS:
            found[surface] = float(np.median(apart))
    return found


def table_warnings(
    start: datetime,
    values: Mapping[str, Array],
    light: ClearSky,
    envelope: SunEnvelope = DEFAULT_ENVELOPE,
) -> list[str]:
    """Return what is odd about a whole table, a line each.

    Parameters
    ----------
    start : datetime
        First hour, aware UTC.
    values : mapping of array (hour,)
        By name of ``VARIABLES``, ``air_temp_c`` at least, as read; nothing filled in.
    light : ClearSky
        Of its hours and place, one cell.
    envelope : SunEnvelope
        Limits for the sunniest hours.

    Returns
    -------
    list of str
        Empty where nothing is odd.
    """

    def stamp(hour: int) -> str:
        return f"{start + timedelta(hours=hour):%Y-%m-%dT%H:%MZ}"

    shortwave, air = values.get("sw_down_wm2"), values["air_temp_c"]
    sky = light.ghi_wm2[:, 0]
    lines = []
    if shortwave is not None:
        above = hours_above_limit(shortwave, light.extraterrestrial_wm2[:, 0])
        if above.size:
            lines.append(
                f"Check sw_down_wm2: in {above.size} hours it is more than the sun can give, "
                f"first {stamp(int(above[0]))}."
            )
        ratio, allowed = clear_sky_index(shortwave, sky), (envelope.min_frac, envelope.max_frac)
        if not above.size and ratio is not None and not allowed[0] <= ratio <= allowed[1]:
            why = (
                "A faulty or wrongly scaled sensor?"
                if ratio > allowed[1]
                else "A dirty, shaded or wrongly scaled sensor, or no clear hour?"
            )
            lines.append(
                f"Check sw_down_wm2: its sunniest hours have {ratio:.1f} times the sun of a clear "
                f"sky. {why}"
            )
        lag = shortwave_lag_h(shortwave, sky)
        if lag:
            side = "later" if lag > 0 else "earlier"
            lines.append(
                f"Check the times: the sun in sw_down_wm2 comes {abs(lag)} h {side} than at this "
                "place. Stamps at the end of the hour, or of another zone?"
            )
    air_lag = air_lag_h(air, sky)
    low, high = AIR_LAG_RANGE_H
    if air_lag is not None and not low <= air_lag <= high:
        lines.append(
            f"Check the times: the mean day's air follows the sun by {air_lag:.0f} h; "
            "2 to 4 h is usual."
        )
    copies = repeated_days(air)
    if copies:
        earlier, later = copies[0]
        several = "1 day repeats" if len(copies) == 1 else f"{len(copies)} days repeat"
        lines.append(
            f"Check air_temp_c: {several} an earlier one hour for hour, first the day "
            f"from {stamp(later * DAY_H)} that from {stamp(earlier * DAY_H)}."
        )
    return lines
