"""Kill -9 at 200 random points of a run, start it again, and count.

python benchmarks/kill_points.py [POINTS [SEED]]
"""

import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))

from helpers import service, smtp
from helpers.crash import kill_at_random
from helpers.http_service import run_weather_server

from stormplan.service.pipeline import DEMO_NOW


def main(points: int = 200, seed: int = 2026) -> int:
    start = time.monotonic()
    with (
        run_weather_server() as replay,
        smtp.run_mail_server() as server,
        tempfile.TemporaryDirectory() as folder,
    ):
        server.delay_s = 0.02
        service.serve_storm(replay)
        text = service.RunningCompany(Path(folder), replay, server).text
        tally = kill_at_random(points, Path(folder), text, server, DEMO_NOW, seed)
    print(f"{points} kills in {time.monotonic() - start:.0f} s, seed {seed}")
    for phase, times in tally.progress.most_common():
        print(f"  {times:4d} {phase}")
    print(f"mails a recipient got: {dict(tally.mail_counts)}")
    print(f"deliveries in doubt: {tally.in_doubt}, said by health: {tally.in_doubt_reported}")
    print("\n".join(tally.problems) or "nothing wrong")
    return len(tally.problems)


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:])))
