"""The command ``calibrate``: what a sprayer or spreader truly puts down, and a rate card.

As everywhere on the command line, imports of anything heavy stand inside the command.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stormplan.errors import InputError

if TYPE_CHECKING:
    from stormplan.operations.sprayer_calibration import SprayerCalibration
    from stormplan.units import UnitFormatter

CARD_FACTORS = (0.5, 0.75, 1.0, 1.25, 1.5)  # of the speed calibrated at


def register_commands(app: typer.Typer) -> None:
    """Register the command."""
    app.command()(calibrate)


def calibrate(
    width: Annotated[str, typer.Option(help="What is covered at once, like 12ft.")],
    run: Annotated[
        str | None, typer.Option(help="Length of the timed or refilled run, like 200ft.")
    ] = None,
    times: Annotated[
        str | None, typer.Option(help="What each timed run took, like 17s,17.2s,16.9s.")
    ] = None,
    speed: Annotated[
        str | None, typer.Option(help="Ground speed where it is known, like 8mph.")
    ] = None,
    caught: Annotated[
        str | None, typer.Option(help="What each nozzle gave, like 101oz,99oz,100oz.")
    ] = None,
    catch_time: Annotated[str, typer.Option(help="In this time.")] = "60s",
    refill: Annotated[
        str | None, typer.Option(help="What filled the tank up again after the run, like 12gal.")
    ] = None,
    tested_sg: Annotated[
        float, typer.Option(help="Specific gravity of what was caught or refilled; water is 1.")
    ] = 1.0,
    sprayed_sg: Annotated[
        float, typer.Option(help="Specific gravity of what will be sprayed; 23.3 % brine is 1.179.")
    ] = 1.179,
    pressure: Annotated[
        str | None, typer.Option(help="At the nozzles during the test, like 40psi.")
    ] = None,
    speeds: Annotated[
        str | None, typer.Option(help="Slowest and fastest it is driven, like 4mph,12mph.")
    ] = None,
    pressures: Annotated[
        str | None, typer.Option(help="Lowest and highest pressure, like 20psi,60psi.")
    ] = None,
    wanted: Annotated[
        str | None, typer.Option(help="Rate that is wanted, like 0.5gal/1000ft2.")
    ] = None,
    spread: Annotated[
        str | None, typer.Option(help="Of a spreader: what fell in the catch time, like 200lb.")
    ] = None,
    keep: Annotated[
        str | None, typer.Option(help="Keep it in the record: YARD/SPRAYER of the sites file.")
    ] = None,
    sites: Annotated[Path, typer.Option(help="Sites file, for --keep.")] = Path("sites.yaml"),
    out: Annotated[Path, typer.Option(help="Folder of the briefings, for --keep.")] = Path(
        "briefings"
    ),
    archive: Annotated[
        Path | None, typer.Option(help="Archive; default OUT/archive.sqlite.")
    ] = None,
    by: Annotated[str, typer.Option(help="Who did it.")] = "",
    metric: Annotated[bool, typer.Option("--metric", help="Answer in metric units.")] = False,
) -> None:
    """Compute what a sprayer or spreader puts down, from a speed run and a catch or refill test.

    Calibrate with water, in goggles; the answer is for the liquid that will be sprayed.
    """
    from stormplan.company import sites_file
    from stormplan.operations import sprayer_calibration as bench
    from stormplan.units import UnitFormatter, parse

    fmt = UnitFormatter("metric" if metric else "us")
    width_m, catch_s = parse(width, "length"), parse(catch_time, "seconds")
    run_m = None if run is None else parse(run, "length")
    speed_ms = _speed_ms(speed, run_m, times)
    if min(width_m, catch_s, speed_ms) <= 0.0 or (run_m is not None and run_m <= 0.0):
        raise InputError("width, run, speed and times must be above zero")
    if spread is not None:
        output_kg_s = parse(spread, "mass") / catch_s
        for line in _spreader_lines(output_kg_s, speed_ms, width_m, fmt):
            print(line)
        if caught is None and refill is None:
            return
    pressure_pa = None if pressure is None else parse(pressure, "pressure")
    practice = bench.DEFAULT_PRACTICE if keep is None else sites_file.load_sites(sites).practice()
    if caught is not None:
        cans = [parse(one, "caught volume") for one in caught.split(",")]
        found = bench.by_catch(
            cans, catch_s, width_m, speed_ms, tested_sg, sprayed_sg, pressure_pa, practice
        )
    elif refill is not None and run_m is not None:
        found = bench.by_refill(
            parse(refill, "caught volume"),
            *(run_m, width_m, speed_ms, tested_sg, sprayed_sg, pressure_pa, practice),
        )
    else:
        raise InputError("give what was caught (--caught), refilled (--refill and --run) or spread")
    rates = _rate_range(found, speeds, pressures)
    for line in _lines(found, rates, None if wanted is None else parse(wanted, "liquid rate"), fmt):
        print(line)
    if keep is not None:
        from stormplan.cli.record.adding import add_entry

        values = _kept_values(found, rates, keep, sprayed_sg)
        add_entry(values, sites=sites, archive=archive or out / "archive.sqlite", by=by)


def _speed_ms(speed: str | None, run_m: float | None, times: str | None) -> float:
    """Return the ground speed, as said or by timed runs [m/s]."""
    from stormplan.operations.sprayer_calibration import travel_speed_ms
    from stormplan.units import parse

    if (speed is None) is (times is None):
        raise InputError("give the speed (--speed) or timed runs (--run and --times), not both")
    if speed is not None:
        return parse(speed, "speed")
    if run_m is None or times is None:
        raise InputError("timed runs need their length: --run 200ft")
    seconds = [parse(one, "seconds") for one in times.split(",")]
    if min(seconds) <= 0.0:
        raise InputError("a run takes more than no time")
    return travel_speed_ms(run_m, seconds)


def _rate_range(
    found: SprayerCalibration, speeds: str | None, pressures: str | None
) -> tuple[float, float] | None:
    """Return the lowest and highest rate it can be set to [L/m²]; None where nobody said how."""
    from stormplan.units import parse

    if speeds is None and pressures is None:
        return None
    if pressures is not None and found.pressure_pa is None:
        raise InputError("--pressures needs the pressure of the test: --pressure 40psi")
    try:
        slow, fast = (
            (found.speed_ms,) * 2
            if speeds is None
            else (parse(v, "speed") for v in speeds.split(","))
        )
        low, high = (
            (found.pressure_pa,) * 2
            if pressures is None
            else (parse(v, "pressure") for v in pressures.split(","))
        )
    except ValueError:
        raise InputError("give two of them, like 4mph,12mph or 20psi,60psi") from None
    if min(slow, fast) <= 0.0:
        raise InputError("speeds must be above zero")
    ends = sorted((found.rate_at(fast, low), found.rate_at(slow, high)))
    return ends[0], ends[1]


def _lines(
    found: SprayerCalibration,
    rates: tuple[float, float] | None,
    wanted_l_m2: float | None,
    fmt: UnitFormatter,
) -> list[str]:
    from stormplan.units import L_PER_GAL, M2_PER_ACRE, M_PER_MI, PA_PER_PSI

    def speed(value_ms: float) -> str:
        return (
            f"{value_ms * 3600 / M_PER_MI:.1f} mph" if fmt.is_us else f"{3.6 * value_ms:.1f} km/h"
        )

    def flow(value_l_s: float) -> str:
        minute = 60.0 * value_l_s
        return f"{minute / L_PER_GAL:.2f} gal/min" if fmt.is_us else f"{minute:.2f} L/min"

    def pressure(value_pa: float) -> str:
        return f"{value_pa / PA_PER_PSI:.0f} psi" if fmt.is_us else f"{value_pa / 1e5:.2f} bar"

    coverage = found.coverage_rate_m2_h
    area = f"{coverage / M2_PER_ACRE:.2f} acre/h" if fmt.is_us else f"{coverage:,.0f} m²/h"
    lines = [
        f"Speed           {speed(found.speed_ms)}",
        f"Flow            {flow(found.flow_l_s)}; of water {flow(found.water_flow_l_s)}",
        f"Rate            {fmt.liquid_rate(found.rate_l_m2)}",
        f"Covers          {area}, turns and overlaps taken as 30 % of the hour",
    ]
    if found.worn:
        names = ", ".join(str(one + 1) for one in found.worn)
        lines.append(f"REPLACE OR CLEAN nozzle {names}: more than 10 % off the middle one")
    if rates is not None:
        low, high = map(fmt.liquid_rate, rates)
        lines.append(f"Can be set to   {low} up to {high}")
    if wanted_l_m2 is not None:
        way = f"drive {speed(found.speed_for(wanted_l_m2))}"
        wanted_pa = found.pressure_for(wanted_l_m2)
        if wanted_pa is not None:
            way += f", or set {pressure(wanted_pa)} at {speed(found.speed_ms)}"
        lines.append(f"For {fmt.liquid_rate(wanted_l_m2)}: {way}")
    lines.append("Rate card")
    for driven_ms in (factor * found.speed_ms for factor in CARD_FACTORS):
        lines.append(f"  {speed(driven_ms):>10}  {fmt.liquid_rate(found.rate_at(driven_ms))}")
    return lines


def _spreader_lines(
    output_kg_s: float, speed_ms: float, width_m: float, fmt: UnitFormatter
) -> list[str]:
    from stormplan.operations.sprayer_calibration import spreader_output_kg_m, spreader_rate_kg_m2
    from stormplan.units import KG_PER_LB, M_PER_MI

    along_kg_m = spreader_output_kg_m(output_kg_s, speed_ms)
    along = (
        f"{along_kg_m * M_PER_MI / KG_PER_LB:,.0f} lb/mile"
        if fmt.is_us
        else f"{1000.0 * along_kg_m:,.0f} kg/km"
    )
    rate = fmt.solid_rate(spreader_rate_kg_m2(output_kg_s, speed_ms, width_m))
    return [f"Spreads         {rate}; {along}"]


def _kept_values(
    found: SprayerCalibration, rates: tuple[float, float] | None, keep: str, sprayed_sg: float
) -> dict[str, object]:
    """Return the calibration as an entry of the record; plans and rate cards reckon with it."""
    yard, _, sprayer = keep.partition("/")
    if not sprayer:
        raise InputError("--keep takes YARD/SPRAYER, like north/truck-1")
    low, high = (None, None) if rates is None else rates
    return {
        "kind": "calibration",
        "yard": yard,
        "sprayer": sprayer,
        "speed_ms": found.speed_ms,
        "swath_m": found.width_m,
        "pressure_pa": found.pressure_pa,
        "liquid_sg": sprayed_sg,
        "rate_l_m2": found.rate_l_m2,
        "min_rate_l_m2": low,
        "max_rate_l_m2": high,
        "coverage_rate_m2_h": found.coverage_rate_m2_h,
        "worn_nozzles": tuple(one + 1 for one in found.worn),
    }
