"""The part of the command line for surface temperatures: pavement, reading.

As everywhere on the command line, imports of anything heavy stand inside the commands.
"""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stormplan.errors import InputError

if TYPE_CHECKING:
    from stormplan.correction import Reading


def add_to(app: typer.Typer) -> None:
    """Add these commands to the command line."""
    app.command()(pavement)
    app.add_typer(reading_app, name="reading")


def pavement(
    table: Annotated[Path, typer.Argument(help="Hourly CSV: time, air_temp_c and what there is.")],
    lat: Annotated[float, typer.Option(min=-90, max=90, help="Latitude, north positive, °.")],
    lon: Annotated[float, typer.Option(min=-180, max=180, help="Longitude, east positive, °.")],
    surface: Annotated[
        str, typer.Option(help="Class or build-up, as asphalt_lot, concrete_walk, pavers.")
    ] = "asphalt_lot",
    out: Annotated[Path, typer.Option(help="CSV to write.")] = Path("temps.csv"),
    elevation: Annotated[float, typer.Option(min=-500, max=6000, help="Above sea, m.")] = 0.0,
    depths: Annotated[str, typer.Option(help="Depths to report, m, as 0.016,0.05.")] = "",
    apply: Annotated[
        list[str] | None,
        typer.Option(help="HOUR,product,rate as 2026-01-12T06Z,brine,0.5; may be repeated."),
    ] = None,
    sky_view: Annotated[
        float | None, typer.Option(min=0, max=1, help="Share of the sky the surface sees.")
    ] = None,
    wind_factor: Annotated[
        float, typer.Option(min=0, max=2, help="Wind at the surface over the table's at 10 m.")
    ] = 1.0,
    spread: Annotated[
        bool, typer.Option("--spread", help="Add an interval and chances for every hour.")
    ] = False,
    forecast_from: Annotated[
        str | None,
        typer.Option(help="With --spread: measured before this moment, forecast after it."),
    ] = None,
    units: Annotated[str, typer.Option(help="us or metric: what a bare rate means.")] = "us",
) -> None:
    """Say how cold and how wet a surface was, hour by hour, from a station's own table.

    What the table lacks is modelled and named in the last column. Times are the start of the hour,
    in UTC.
    """
    from stormplan import station, stationtable
    from stormplan.gapfill import Place

    if forecast_from is not None and not spread:
        raise InputError("--forecast-from goes with --spread")
    if units not in ("us", "metric"):
        raise InputError(f"--units: '{units}' is no system; accepted: us, metric")
    said = [part.strip() for part in depths.split(",") if part.strip()]
    column = station.surface(surface, sky_view, wind_factor)
    doses = [station.dose(text, "us" if units == "us" else "metric") for text in apply or []]
    read = stationtable.read(_text(table), str(table))
    since = None if forecast_from is None else _when(forecast_from, "--forecast-from")
    hours = station.run(
        read,
        Place(lat, lon, elevation),
        column,
        [_depth(part) for part in said],
        doses,
        station.lead_h(read, since) if spread else None,
    )
    try:
        out.write_text(station.write(hours, said), encoding="utf-8")
    except OSError as error:
        raise InputError(f"--out: {out} cannot be written ({error.strerror})") from error
    print("\n".join(station.summary(hours)))
    print(f"Written: {out}")


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror})") from error
    except UnicodeDecodeError as error:
        raise InputError(f"{path}: is not text in UTF-8 ({error.reason})") from error


def _depth(text: str) -> float:
    try:
        depth = float(text)
    except ValueError:
        depth = -1.0
    if not 0.0 <= depth <= 2.0:
        raise InputError(f"--depths: '{text}' is no depth; accepted: 0 to 2 m, as 0.016,0.05")
    return depth


# -- readings -------------------------------------------------------------------------------------

reading_app = typer.Typer(no_args_is_help=True, help="Log what a surface was read at.")

Log = Annotated[Path, typer.Option(help="The log of readings; JSON lines.")]
LOG = Path("briefings/readings.jsonl")


# a temperature below zero begins like an option
@reading_app.command("add", context_settings={"ignore_unknown_options": True})
def reading_add(
    site: Annotated[str, typer.Argument(help="Key of the site.")],
    surface: Annotated[str, typer.Argument(help="Key of the surface.")],
    temperature: Annotated[str, typer.Argument(help="As read, with its unit: 28.5F or -2C.")],
    at: Annotated[
        str | None, typer.Option(help="When, like 2026-01-12T05:30-06:00; now unless said.")
    ] = None,
    light: Annotated[
        str, typer.Option(help="sun or shade on the spot; at night it is shade.")
    ] = "shade",
    log: Log = LOG,
) -> None:
    """Log a surface temperature, from an infrared gun or a probe in the pavement.

    From five night readings on the model's error at a surface is taken off, in part; the more
    readings, the more of it.
    """
    from stormplan import logbook
    from stormplan.correction import Light, Reading
    from stormplan.units import parse

    if light not in tuple(Light):
        raise InputError(f"--light: '{light}' is neither; accepted: sun, shade")
    surface_c = parse(temperature, "temperature")
    if not -60.0 <= surface_c <= 80.0:
        raise InputError(f"'{temperature}' is no surface's; accepted: -60 to 80 °C (-76 to 176 °F)")
    reading = Reading(
        time=_when(at, "--at"), site=site, surface=surface, surface_c=surface_c, light=Light(light)
    )
    logbook.add(log, reading)
    print(_said(reading))


def _when(text: str | None, option: str) -> datetime:
    from stormplan.cliroutine import moment

    try:
        return moment(text)
    except InputError:
        raise InputError(
            f"{option}: '{text}' is no moment; accepted: 2026-01-12T05:30-06:00, with its zone"
        ) from None


@reading_app.command("list")
def reading_list(
    site: Annotated[str | None, typer.Argument(help="Only this site.")] = None,
    surface: Annotated[str | None, typer.Argument(help="Only this surface.")] = None,
    log: Log = LOG,
) -> None:
    """List the readings in order of time."""
    from stormplan import logbook

    found = logbook.read(log, site, surface)
    print("\n".join(map(_said, found)) or f"no readings in {log}")


def _said(reading: Reading) -> str:
    celsius = reading.surface_c
    return (
        f"{reading.time:%Y-%m-%d %H:%M%z}  {reading.site} {reading.surface}  "
        f"{1.8 * celsius + 32:.1f} °F ({celsius:.1f} °C)  {reading.light}"
    )
