"""A year of mornings through the whole routine: one briefing a day, and memory that stays flat.

python benchmarks/year_of_mornings.py [DAYS [ZONE]]: every morning asks a weather service on this
machine, plans, writes, mails; the service's storm moves along with the days. Prints resident
memory as it goes.
"""

import resource
import sys
import tempfile
import time
from collections import Counter
from datetime import UTC, datetime, timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))

from helpers import service, smtp
from helpers.http_service import run_weather_server
from helpers.sites import BASE_SECTIONS
from helpers.sites import parse_sites as make

from stormplan.store import maintenance
from stormplan.store.archive import Archive


def memory_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * resource.getpagesize() / 1e6


def main(days: int = 500, zone: str = "America/Chicago") -> int:
    began, seen = time.monotonic(), []
    with (
        run_weather_server() as replay,
        smtp.run_mail_server() as server,
        tempfile.TemporaryDirectory() as folder,
    ):
        service.serve_storm(replay)
        company = service.RunningCompany(Path(folder), replay, server)
        start = company.now = datetime(2026, 7, 1, 9, tzinfo=UTC)
        company.sections["schedule"]["storm_interval"] = "24 h"  # mornings only
        company.sections["company"] = BASE_SECTIONS["company"] | {"timezone": zone}
        company.config.sites = make({"a": company.place}, replay.base_url, **company.sections)
        shown = datetime(2026, 1, 12, tzinfo=UTC)
        briefed: Counter = Counter()
        while company.now < start + timedelta(days=days):
            today = company.now.replace(hour=0, minute=0, second=0, microsecond=0)
            replay.serve(service.GRID, service.shift_storm(today - shown))
            done = company.step()
            if done.kind == "briefing":
                local = company.now.astimezone(company.config.schedule.zone).date()
                briefed[local] += 1
                if len(briefed) % 50 == 0:
                    seen.append(memory_mb())
                    print(f"{len(briefed):4d} mornings, {seen[-1]:.1f} MB resident", flush=True)
            server.accepted.clear()
            server.raw.clear()
            replay.requests.clear()
            company.now = max(done.next_step_at, company.now + timedelta(minutes=1))
        size = company.config.archive_path.stat().st_size / 1e6
        with Archive(company.config.archive_path) as archive:
            print(maintenance.check_integrity(archive))
    print(f"{days} days in {time.monotonic() - began:.0f} s, archive {size:.1f} MB")
    print(f"local days with one briefing: {sum(n == 1 for n in briefed.values())}, with more: "
          f"{sum(n > 1 for n in briefed.values())}")  # fmt: skip
    return 0


if __name__ == "__main__":
    sys.exit(main(*(kind(text) for kind, text in zip((int, str), sys.argv[1:], strict=False))))
