"""How long gridded files take: one recorded file at 100,000 points, and 100 files for 300 sites.

    STORMPLAN_SAMPLES=FOLDER python benchmarks/grid_points.py [SITES [FILES]]

The first reads the recorded 2 m temperature of the National Blend of Models (3.7 million points), the
second copies of it, each as one hour of a run, through the source as a plan does: look-up, reading,
archive and forecasts. Unpacking a field takes most of it, whatever the number of sites. Seconds of
CPU, and wall; the limit of 2 s for the points is for CPU.
"""

import os
import sys
import tempfile
import time
from datetime import timedelta
from io import BytesIO
from pathlib import Path

import numpy as np

from stormplan.company.sites import GridSettings
from stormplan.store.archive import Archive
from stormplan.weather.http_client import Fetcher
from stormplan.weather.providers import Location
from stormplan.weather.providers.grib_fields import PointReader
from stormplan.weather.providers.grib_messages import read_fields
from stormplan.weather.providers.grid_models import NBM
from stormplan.weather.providers.grids import open_source

FILE = "grib/nbm_co_f001_TMP2m_20250901T00Z.grib2"
N_POINTS, MAX_SECONDS = 100_000, 2.0
FORECAST_TIME = 18  # octets 19 to 22 of section 4


def places(count, seed=1):
    rng = np.random.default_rng(seed)
    return rng.uniform(28.0, 48.0, count), rng.uniform(-120.0, -75.0, count)


class Clock:
    """CPU and wall since it was made [s]."""

    def __init__(self):
        self._cpu, self._wall = time.process_time(), time.perf_counter()

    def cpu_s(self):
        """Return the CPU time since then [s]."""
        return time.process_time() - self._cpu

    def __str__(self):
        return f"{self.cpu_s():.2f} s CPU, {time.perf_counter() - self._wall:.2f} s wall"


def read_points(content):
    clock = Clock()
    (field,) = read_fields(BytesIO(content), [])
    values = PointReader(*places(N_POINTS), NBM.fields).read(field).values
    cpu_s, text = clock.cpu_s(), str(clock)
    assert np.isfinite(values).all()
    return cpu_s, text


def at_hour(content, hour):
    """Return the same message as that of another hour of its run."""
    place = 16
    while content[place + 4] != 4:
        place += int.from_bytes(content[place : place + 4])
    first = place + FORECAST_TIME
    return content[:first] + hour.to_bytes(4) + content[first + 4 :]


def gather(content, folder, n_sites, n_files):
    for hour in range(1, n_files + 1):
        (folder / f"f{hour:03d}.grib2").write_bytes(at_hour(content, hour))
    (field,) = read_fields(BytesIO(content), [])
    sites = [
        Location(str(at), *map(float, one))
        for at, one in enumerate(zip(*places(n_sites), strict=True))
    ]
    now = field.cycle + timedelta(hours=2)
    with Archive(folder / "archive.sqlite") as archive:
        fetcher = Fetcher(archive, "ops@example.invalid")
        source = open_source("nbm", GridSettings(folder=str(folder)), fetcher)
        clock = Clock()
        source.prepare(sites, now, now + timedelta(hours=n_files))
        read = str(clock)
        cells = [source.forecast(site, now) for site in sites]
        total = str(clock)
    assert all(np.isfinite(cell.values["air_temp_c"]).all() for cell in cells)
    return read, total


def main():
    n_sites, n_files = ([int(one) for one in sys.argv[1:]] + [300, 100][len(sys.argv) - 1 :])[:2]
    content = (Path(os.environ["STORMPLAN_SAMPLES"]) / FILE).read_bytes()
    runs = [read_points(content) for _ in range(2)]
    print(f"{N_POINTS} points of one file: {runs[0][1]}; again: {runs[1][1]}")
    with tempfile.TemporaryDirectory() as folder:
        read, total = gather(content, Path(folder), n_sites, n_files)
    print(f"{n_sites} sites from {n_files} files: {read} to read, {total} with forecasts")
    return int(runs[0][0] > MAX_SECONDS)


if __name__ == "__main__":
    sys.exit(main())
