"""Let a computer's clock jump in every phase of the routine, and let four mornings pass each time.

python benchmarks/clock_jumps.py [PHASE …]
"""

import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))

from helpers import service, smtp
from helpers.clock_jumps import JUMPS_H, MORNINGS, PHASES, problems_of_jump
from helpers.http_service import run_weather_server


def main(*phases: str) -> int:
    start, count, wrong = time.monotonic(), 0, 0
    for name in phases or PHASES:
        for jump_h in JUMPS_H:
            with (
                run_weather_server() as replay,
                smtp.run_mail_server() as server,
                tempfile.TemporaryDirectory() as folder,
            ):
                company = service.RunningCompany(Path(folder), replay, server)
                problems = problems_of_jump(company, replay, server, jump_h, PHASES[name])
            count += 1
            wrong += bool(problems)
            print(f"{jump_h:+3.0f} h {name}: {'; '.join(problems) or 'well'}", flush=True)
    print(
        f"{count} jumps, {MORNINGS} mornings each, in {time.monotonic() - start:.0f} s: {wrong} bad"
    )
    return wrong


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
