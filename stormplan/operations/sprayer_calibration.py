"""Calibration of sprayers and spreaders: what they truly put down, and how to get what is wanted.

A rate is a flow over a speed and a width. A nozzle is an orifice: its flow goes with the square
root of the pressure, and of one over the density of the liquid (UNL CropWatch 2016; Oklahoma State
University PSS fact sheet; for pressure, CRAN package AgroTech). A sprayer calibrated with water so
puts down 7.9 % less of 23.3 % brine.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean, median

from stormplan import units
from stormplan.company.practice_rules import Practice
from stormplan.numerics import HOUR_S

#: Rules of a company that sets none.
DEFAULT_PRACTICE = Practice()


def density_factor(specific_gravity: float) -> float:
    """Return how much less of a liquid a nozzle gives than of water [-].

    Parameters
    ----------
    specific_gravity : float
        Of the liquid against water [-].

    Returns
    -------
    float
        Flow of water over flow of the liquid, at one pressure [-].
    """
    return math.sqrt(specific_gravity)


def pressure_factor(pressure_pa: float, other_pa: float) -> float:
    """Return the flow at another pressure over that at a pressure [-].

    Parameters
    ----------
    pressure_pa, other_pa : float
        Pressures at the nozzle [Pa].
    """
    return math.sqrt(other_pa / pressure_pa)


def travel_speed_ms(run_m: float, times_s: Sequence[float]) -> float:
    """Return the speed of timed runs over one distance [m/s].

    Parameters
    ----------
    run_m : float
        Length of a run [m].
    times_s : sequence of float
        What each took [s].
    """
    return run_m / fmean(times_s)


def application_rate_l_m2(flow_l_s: float, speed_ms: float, width_m: float) -> float:
    """Return the rate of a flow over a width at a speed [L/m²].

    Parameters
    ----------
    flow_l_s : float
        Of the whole width, or of one nozzle over its spacing [L/s].
    speed_ms : float
        Ground speed [m/s].
    width_m : float
        What is covered at once [m].
    """
    return flow_l_s / (speed_ms * width_m)


def required_flow_l_s(rate_l_m2: float, speed_ms: float, width_m: float) -> float:
    """Return the flow that a rate takes [L/s].

    Parameters
    ----------
    rate_l_m2 : float
        Application rate [L/m²].
    speed_ms : float
        Ground speed [m/s].
    width_m : float
        What is covered at once [m].
    """
    return rate_l_m2 * speed_ms * width_m


def worn_nozzles(caught_l: Sequence[float], max_deviation_frac: float) -> tuple[int, ...]:
    """Return the nozzles that are off the middle one by too much, the first is 0.

    Parameters
    ----------
    caught_l : sequence of float
        What each gave in the same time [L].
    max_deviation_frac : float
        How far from the median one may be, which a worn one itself does not move [-].
    """
    middle = median(caught_l)
    return tuple(
        number
        for number, one in enumerate(caught_l)
        if abs(one - middle) > max_deviation_frac * middle
    )


@dataclass(frozen=True)
class SprayerCalibration:
    """A sprayer as measured.

    Attributes
    ----------
    width_m : float
        What it covers at once [m].
    speed_ms : float
        Ground speed [m/s].
    flow_l_s : float
        Flow of the liquid to be sprayed, of the whole width [L/s].
    water_flow_l_s : float
        Flow of water at the same pressure, for a nozzle chart [L/s].
    worn : tuple of int
        Nozzles to be replaced or cleaned, the first is 0.
    pressure_pa : float or None
        Pressure it was measured at [Pa].
    field_efficiency_frac : float
        Part of the hour in which it sprays [-].
    """

    width_m: float
    speed_ms: float
    flow_l_s: float
    water_flow_l_s: float
    worn: tuple[int, ...] = ()
    pressure_pa: float | None = None
    field_efficiency_frac: float = DEFAULT_PRACTICE.number("field_efficiency")

    @property
    def rate_l_m2(self) -> float:
        """What it puts down [L/m²]."""
        return self.rate_at(self.speed_ms)

    @property
    def coverage_rate_m2_h(self) -> float:
        """Area it covers in an hour, turns and overlaps counted [m²/h]."""
        return HOUR_S * self.field_efficiency_frac * self.speed_ms * self.width_m

    def rate_at(self, speed_ms: float, pressure_pa: float | None = None) -> float:
        """Return what it puts down at a speed [L/m²].

        Parameters
        ----------
        speed_ms : float
            Ground speed [m/s].
        pressure_pa : float or None
            Another pressure than it was measured at [Pa].
        """
        factor = 1.0
        if pressure_pa is not None and self.pressure_pa is not None:
            factor = pressure_factor(self.pressure_pa, pressure_pa)
        return application_rate_l_m2(factor * self.flow_l_s, speed_ms, self.width_m)

    def speed_for(self, rate_l_m2: float) -> float:
        """Return the speed that brings a rate [m/s].

        Parameters
        ----------
        rate_l_m2 : float
            Application rate wanted [L/m²].
        """
        return self.flow_l_s / (rate_l_m2 * self.width_m)

    def pressure_for(self, rate_l_m2: float) -> float | None:
        """Return the pressure that brings a rate at this speed [Pa]; None where none was read.

        Parameters
        ----------
        rate_l_m2 : float
            Application rate wanted [L/m²].
        """
        if self.pressure_pa is None:
            return None
        return self.pressure_pa * (rate_l_m2 / self.rate_l_m2) ** 2


def by_catch(
    caught_l: Sequence[float],
    catch_s: float,
    width_m: float,
    speed_ms: float,
    caught_sg: float,
    sprayed_sg: float,
    pressure_pa: float | None = None,
    practice: Practice = DEFAULT_PRACTICE,
) -> SprayerCalibration:
    """Return a calibration by what each nozzle gives into a can.

    Parameters
    ----------
    caught_l : sequence of float
        What each nozzle gave [L].
    catch_s : float
        In this time [s].
    width_m : float
        What all nozzles cover at once [m].
    speed_ms : float
        Ground speed [m/s].
    caught_sg, sprayed_sg : float
        Specific gravity of what was caught and of what will be sprayed [-].
    pressure_pa : float or None
        Pressure at the nozzles [Pa].
    practice : Practice
        The company's rules.
    """
    water_l_s = sum(caught_l) / catch_s * density_factor(caught_sg)
    return SprayerCalibration(
        width_m=width_m,
        speed_ms=speed_ms,
        flow_l_s=water_l_s / density_factor(sprayed_sg),
        water_flow_l_s=water_l_s,
        worn=worn_nozzles(caught_l, practice.number("nozzle_deviation_max")),
        pressure_pa=pressure_pa,
        field_efficiency_frac=practice.number("field_efficiency"),
    )


def by_refill(
    refilled_l: float,
    run_m: float,
    width_m: float,
    speed_ms: float,
    refilled_sg: float,
    sprayed_sg: float,
    pressure_pa: float | None = None,
    practice: Practice = DEFAULT_PRACTICE,
) -> SprayerCalibration:
    """Return a calibration by what fills the tank up again after a run.

    Parameters
    ----------
    refilled_l : float
        What it took [L].
    run_m : float
        Length of the run [m].
    width_m : float
        What is covered at once [m].
    speed_ms : float
        Ground speed [m/s].
    refilled_sg, sprayed_sg : float
        Specific gravity of what was sprayed then and of what will be [-].
    pressure_pa : float or None
        Pressure at the nozzles [Pa].
    practice : Practice
        The company's rules.
    """
    rate_l_m2 = refilled_l / (run_m * width_m)
    water_l_s = required_flow_l_s(rate_l_m2, speed_ms, width_m) * density_factor(refilled_sg)
    return SprayerCalibration(
        width_m=width_m,
        speed_ms=speed_ms,
        flow_l_s=water_l_s / density_factor(sprayed_sg),
        water_flow_l_s=water_l_s,
        pressure_pa=pressure_pa,
        field_efficiency_frac=practice.number("field_efficiency"),
    )


def spreader_rate_kg_m2(output_kg_s: float, speed_ms: float, width_m: float) -> float:
    """Return what a spreader puts down [kg/m²].

    Parameters
    ----------
    output_kg_s : float
        What falls off its spinner [kg/s].
    speed_ms : float
        Ground speed [m/s].
    width_m : float
        Width it is spread on [m].
    """
    return output_kg_s / (speed_ms * width_m)


def spreader_output_kg_m(output_kg_s: float, speed_ms: float) -> float:
    """Return what a spreader puts down by distance [kg/m].

    Parameters
    ----------
    output_kg_s : float
        What falls off its spinner [kg/s].
    speed_ms : float
        Ground speed [m/s].
    """
    return output_kg_s / speed_ms


def run_length_m(area_m2: float, width_m: float) -> float:
    """Return how far to go for an area [m].

    Parameters
    ----------
    area_m2 : float
        Area to be covered [m²].
    width_m : float
        What is covered at once [m].
    """
    return area_m2 / width_m


def specific_gravity(density_kg_l: float) -> float:
    """Return the specific gravity of a liquid [-].

    Parameters
    ----------
    density_kg_l : float
        Its density [kg/L].
    """
    return density_kg_l / WATER_KG_L


#: 8.34 lb/gal, as nozzle charts have water (UNL CropWatch 2016).
WATER_KG_L = 8.34 * units.KG_L_PER_LB_GAL
