"""What contracts ask of delivered salt and liquids: moisture, gradation and limits, as data.

Contracts disagree, so each is a row of its own with its source; the company's policy names the one
its supplier signed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from stormplan.company.practice_rules import Evidence

TENTH_PERCENT = 0.001  # moisture and purity are reported to the tenth of a percent


@dataclass(frozen=True)
class Deduction:
    """A band of moisture and what it takes off the price.

    Attributes
    ----------
    above_frac, up_to_frac : float
        Moisture by weight, above the one and up to the other [-].
    fixed_frac : float
        Taken off the price [-].
    per_frac : float
        Taken off besides, for each part of moisture above ``above_frac`` [-].
    """

    above_frac: float
    up_to_frac: float
    fixed_frac: float = 0.0
    per_frac: float = 0.0


@dataclass(frozen=True)
class MoistureSchedule:
    """What wet salt is paid.

    Attributes
    ----------
    accepted_frac : float
        Moisture up to which it is paid in full [-].
    deductions : tuple of Deduction
        Bands above that, in order; wetter than the last is rejected.
    source : str
        Where it stands.
    evidence : Evidence
        How firm it is.
    is_of_dry_weight : bool
        Whether moisture is counted by dry weight; else by weight as delivered.
    """

    accepted_frac: float
    deductions: tuple[Deduction, ...]
    source: str
    evidence: Evidence = Evidence.PUBLISHED
    is_of_dry_weight: bool = False

    def pay_factor(self, moisture_frac: float) -> float | None:
        """Return the part of the price that is paid [-]; None where the load is rejected.

        Parameters
        ----------
        moisture_frac : float
            Water by weight as delivered [-].

        Examples
        --------
        >>> round(MOISTURE_SCHEDULES["minnesota"].pay_factor(0.023), 3)
        0.86
        """
        found = self.counted(moisture_frac)
        if found <= self.accepted_frac + 1e-9:
            return 1.0
        for band in self.deductions:
            if found <= band.up_to_frac + 1e-9:
                return 1.0 - band.fixed_frac - band.per_frac * (found - band.above_frac)
        return None

    def counted(self, moisture_frac: float) -> float:
        """Return moisture as the schedule counts it: by its weight, to the tenth of a percent."""
        basis = 1.0 - moisture_frac if self.is_of_dry_weight else 1.0
        return round(moisture_frac / basis / TENTH_PERCENT) * TENTH_PERCENT


MOISTURE_SCHEDULES: Mapping[str, MoistureSchedule] = {
    "minnesota": MoistureSchedule(
        0.016,
        (Deduction(0.016, 0.020, fixed_frac=0.05),
         Deduction(0.020, 0.025, fixed_frac=0.05, per_frac=0.03 / TENTH_PERCENT)),
        "Minnesota DOT salt moisture worksheet: 5 % off above 1.6 %, a further 3 % for each 0.1"
        " above 2.0 %, none above 2.5 %",
    ),
    "massachusetts": MoistureSchedule(
        0.015,
        (Deduction(0.015, 1.0, per_frac=1.0),),
        "a Massachusetts town's contract: water above 1.5 % is excess; that its weight is not paid"
        " for is our reading",
    ),
    "missouri": MoistureSchedule(
        0.020,
        (),
        "a Missouri contract: at most 2.0 % of dry weight",
        is_of_dry_weight=True,
    ),
}  # fmt: skip

#: Sieves of a salt gradation, the coarsest first; their openings are in ASTM E11.
SIEVES = ("1/2 in", "3/8 in", "No. 4", "No. 8", "No. 30")


@dataclass(frozen=True)
class Gradation:
    """What may pass each sieve.

    Attributes
    ----------
    passing_frac : tuple of (float, float)
        Least and most by weight, in the order of ``SIEVES`` [-].
    source : str
        Where it stands.
    """

    passing_frac: tuple[tuple[float, float], ...]
    source: str


D632 = "ASTM D632 type I, grade 1, as contracts of Massachusetts and Missouri quote it"
GRADATIONS: Mapping[str, Gradation] = {
    "d632": Gradation(((1.0, 1.0), (0.95, 1.0), (0.20, 0.90), (0.10, 0.60), (0.0, 0.15)), D632),
    "massachusetts": Gradation(
        ((1.0, 1.0), (0.95, 1.0), (0.20, 0.95), (0.10, 0.65), (0.0, 0.20)),
        f"{D632}; a Massachusetts town allows 5 points more below 3/8 in",
    ),
    "missouri": Gradation(
        ((1.0, 1.0), (0.95, 1.0), (0.15, 0.95), (0.05, 0.65), (0.0, 0.15)),
        f"{D632}; Missouri's newer contract widens No. 4 and No. 8",
    ),
}
#: Most of each element in a liquid, by weight [ppm].
TRACE_LIMITS_PPM: Mapping[str, float] = {
    "As": 5.0, "Ba": 100.0, "Cd": 0.20, "Cr": 1.0, "Cu": 1.0, "CN": 0.20,
    "Pb": 1.0, "Hg": 0.05, "P": 2500.0, "Se": 5.0, "Zn": 10.0,
}  # fmt: skip
TRACE_SOURCE = "South Dakota DOT, quoting the qualified products list of Clear Roads"
