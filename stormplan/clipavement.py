"""The part of the command line for surface temperatures: pavement.

As everywhere on the command line, imports of anything heavy stand inside the commands.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from stormplan.errors import InputError


def add_to(app: typer.Typer) -> None:
    """Add these commands to the command line."""
    app.command()(pavement)


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
    units: Annotated[str, typer.Option(help="us or metric: what a bare rate means.")] = "us",
) -> None:
    """Say how cold and how wet a surface was, hour by hour, from a station's own table.

    What the table lacks is modelled and named in the last column. Times are the start of the hour,
    in UTC.
    """
    from stormplan import station, stationtable
    from stormplan.gapfill import Place

    if units not in ("us", "metric"):
        raise InputError(f"--units: '{units}' is no system; accepted: us, metric")
    said = [part.strip() for part in depths.split(",") if part.strip()]
    column = station.surface(surface, sky_view, wind_factor)
    doses = [station.dose(text, "us" if units == "us" else "metric") for text in apply or []]
    hours = station.run(
        stationtable.read(_text(table), str(table)),
        Place(lat, lon, elevation),
        column,
        [_depth(part) for part in said],
        doses,
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
