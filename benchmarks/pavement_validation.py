"""Error of the pavement model against measured surface temperatures, as a table.

Run as ``python benchmarks/pavement_validation.py``. Reads what ships with pvlib, a day of SURFRAD
and a month of BSRN over natural ground, with measured radiation and nothing fitted; and every set in
the folder that STORMPLAN_MEASURED names, which docs/model/validation.md describes: the weather known,
the surface by its class, no reading of the site. Prints RMSE and mean error in K, by night and by
day, beside those of taking the air for the surface; the share inside the interval of four in five; the share of hours that freeze in the model but
not as measured, and the other way round; all of that without the changes of the physics that
docs/model/index.md derives, with each alone and with several; and the pool that the model error of
``stormplan.physics.ensemble`` quotes. Of a typical year, how far the first night is off when a run
begins without the days before.
"""

from __future__ import annotations

import itertools
import json
import os
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))

from helpers import measured

import stormplan
from stormplan.physics import ensemble, forcing, ground, pavement
from stormplan.physics.bias_correction import is_night
from stormplan.weather.forecast import VARIABLES

#: Changes of the physics, and the constants of a module that the model had before each.
CHANGES: dict[str, tuple[ModuleType, dict[str, float]]] = {
    "stability at one height": (pavement, {
        "RICHARDSON_HEIGHT_M": pavement.WIND_HEIGHT_M**2 / pavement.AIR_HEIGHT_M,
        "LOUIS_UNSTABLE_C": pavement.LOUIS_UNSTABLE_C * pavement.AIR_DIFFERENCE_10M_TO_2M,
    }),
    "ground to 5 m": (ground, {"GROUND_DEPTH_M": 2.0}),
    "hidden sky reflects": (forcing, {"SURROUNDINGS_ALBEDO": 0.0}),
}  # fmt: skip

WINTER_MONTHS = (11, 12, 1, 2, 3)
SPIN_UP_H = 72  # the pavement forgets its first profile: not scored


@dataclass(frozen=True)
class Score:
    """Error of one set: modeled and air temperature less the measured surface [K], [°C]."""

    name: str
    measured_c: np.ndarray
    error_k: np.ndarray
    air_error_k: np.ndarray
    night: np.ndarray

    @property
    def false_freeze_frac(self) -> float:
        """Share of hours below 0 °C in the model that were not [-]."""
        modeled = self.measured_c + self.error_k
        return float(np.mean((modeled < 0.0) & (self.measured_c >= 0.0)))

    @property
    def missed_freeze_frac(self) -> float:
        """Share of hours below 0 °C that the model had not [-]."""
        modeled = self.measured_c + self.error_k
        return float(np.mean((modeled >= 0.0) & (self.measured_c < 0.0)))

    def inside_frac(self, chosen: np.ndarray) -> float:
        """Return the share of some hours that the interval of four in five holds [-]."""
        surface_minus_air_k = (self.error_k - self.air_error_k)[chosen]
        sd_k = ensemble.surface_error_k(0.0, self.night[chosen], surface_minus_air_k)
        return float(np.mean(np.abs(self.error_k[chosen]) < 1.2816 * sd_k))

    def row(self) -> str:
        """Return the set's line of the table."""
        cells = [f"{self.name:34s} {self.error_k.size:6d}"]
        for error in (self.error_k, self.air_error_k):
            for chosen in (error[self.night], error[~self.night]):
                known = chosen.size > 0
                cells.append(
                    f"{measured.rmse(chosen):6.2f} ({chosen.mean():+5.2f})" if known else " " * 14
                )
        for chosen in (self.night, ~self.night):
            cells.append(f"{self.inside_frac(chosen):4.0%}" if chosen.any() else "    ")
        cells.append(f"{self.false_freeze_frac:6.1%} {self.missed_freeze_frac:6.1%}")
        return "  ".join(cells)


def scored(name: str, modeled_c, air_c, measured_c, night) -> Score:
    """Return the score of a set over the hours in which all is known."""
    known = np.isfinite(modeled_c) & np.isfinite(air_c) & np.isfinite(measured_c)
    error, air_error = (np.asarray(one - measured_c)[known] for one in (modeled_c, air_c))
    return Score(name, np.asarray(measured_c)[known], error, air_error, np.asarray(night)[known])


def shipped() -> list[Score]:
    """Return the scores of the sets that ship with pvlib."""
    day = measured.read_surfrad()
    skin_c = measured.skin_temp_c(day["uw_ir"], day["dw_ir"])
    bare = measured.follow_surfrad(day)
    month = measured.read_payerne()
    wet = measured.follow_payerne(month, wet=True)
    evenings = measured.follow_payerne(month, evenings_given=True)
    night = month.night
    return [
        scored("SURFRAD San Luis Valley, bare soil", bare, day["temp_air"], skin_c, day["ghi"] < 1),
        scored("BSRN Payerne, kept wet", wet, month.air_c, month.skin_c, night),
        scored(
            "BSRN Payerne, nights from evenings",
            np.where(night, evenings, np.nan), month.air_c, month.skin_c, night,
        ),
    ]  # fmt: skip


def station(path: Path) -> Score:
    """Return the score of one set of a folder."""
    site = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))
    table = pd.read_csv(path)
    table.index = pd.DatetimeIndex(pd.to_datetime(table.pop("time"), utc=True))
    table = table.asfreq("h")
    depth_m = site.get("depth_m", 0.0)
    modeled = stormplan.simulate_pavement(
        table[[name for name in table.columns if name in VARIABLES]],
        site["latitude"],
        site["longitude"],
        site["surface"],
        elevation_m=site.get("elevation_m", 0.0),
        sky_view_frac=site.get("sky_view_frac"),
        depths_m=[depth_m] if depth_m else [],
        fill_missing=True,
    )
    found = modeled[f"at_{depth_m:g}m_c" if depth_m else "surface_c"].to_numpy(copy=True)
    found[:SPIN_UP_H] = np.nan
    found[~table.index.month.isin(WINTER_MONTHS)] = np.nan
    night = is_night([t.to_pydatetime() for t in table.index], site["latitude"], site["longitude"])
    # air is given at the start of the hour, the measured surface is its mean
    air_c = table["air_temp_c"].to_numpy()
    air_c = 0.5 * (air_c + np.append(air_c[1:], air_c[-1]))
    return scored(path.stem, found, air_c, table["measured_c"].to_numpy(), night)


def pooled(scores: list[Score]) -> str:
    """Return the pool of the sets beside what the uncertainty of a plan takes."""
    error = np.concatenate([one.error_k for one in scores])
    night = np.concatenate([one.night for one in scores])
    surface_minus_air_k = error - np.concatenate([one.air_error_k for one in scores])
    return (
        f"pooled: night {measured.rmse(error[night]):.2f} K, day {measured.rmse(error[~night]):.2f} K; "
        f"plans take {ensemble.MODEL_ERROR_NIGHT_K} K by night, and by day "
        f"{measured.rmse(ensemble.day_error_k(surface_minus_air_k[~night])):.2f} K here"
    )


@contextmanager
def only(changes: tuple[str, ...]) -> Iterator[None]:
    """Apply some of the changes alone to the model, for as long as the block lasts."""
    undone = [CHANGES[name] for name in CHANGES if name not in changes]
    now = [(module, {name: getattr(module, name) for name in before}) for module, before in undone]
    for module, before in undone:
        vars(module).update(before)
    try:
        yield
    finally:
        for module, values in now:
            vars(module).update(values)


def print_changes(score_sets: Callable[[], list[Score]], names: Iterable[str]) -> None:
    """Print each set's line without, with one and with several of some changes."""
    chosen = tuple(names)
    for count in range(len(chosen) + 1):
        for some in itertools.combinations(chosen, count):
            print(f"-- with {', '.join(some) or 'none of the changes'}")
            with only(some):
                for score in score_sets():
                    print(score.row())


def print_first_nights() -> None:
    """Print what hours before the first take off the error of the first night."""
    year, days = measured.read_greensboro(), range(12, 85, 2)
    for begin_h in (4, 12):
        for past_h, error_k in measured.first_night_rmse_k(
            year, days, begin_h, (0, 24, 72)
        ).items():
            print(f"first night, begun at {begin_h} h, {past_h} h before: {error_k:.2f} K")


def main() -> None:
    """Print the table."""
    folder = os.environ.get("STORMPLAN_MEASURED")
    paths = [] if folder is None else sorted(Path(folder).glob("*.csv"))
    if folder is not None and not paths:
        raise SystemExit(f"STORMPLAN_MEASURED={folder} has no .csv with its .json beside it")
    what = "night, day: rmse (mean)"
    print(
        f"{'':34s} {'n':>6s}  model {what}; air as surface {what} [K]; inside the interval; false, missed freezes"
    )
    # over natural ground, a meter of it under an open sky, only stability makes a difference
    print_changes(shipped, ["stability at one height"])
    print_first_nights()
    if folder is None:
        print(
            "STORMPLAN_MEASURED names no folder of other measured sets (docs/model/validation.md)"
        )
        return
    print_changes(lambda: [station(path) for path in paths], CHANGES)
    print(pooled([station(path) for path in paths]))


if __name__ == "__main__":
    main()
