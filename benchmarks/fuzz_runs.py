"""Do whole runs with faults drawn at random, and print what came out.

python benchmarks/fuzz_runs.py [RUNS [SEED]]: in services' bodies, headers and statuses, in rows and
bytes of the archive, in what receivers answer. Every morning must be told once, and nothing but our
own errors may come out.
"""

import os
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))

from helpers import smtp
from helpers.http_service import run_weather_server
from helpers.run_fuzz import RunFuzzSummary, fuzz_runs


def main(count: int = 200, seed: int = 1) -> int:
    start = time.monotonic()

    said = 0

    def tell(summary: RunFuzzSummary) -> None:
        nonlocal said
        print(f"{summary.runs} runs, {len(summary.problems)} problems", flush=True)
        print("".join(f"{one}\n" for one in summary.problems[said:]), end="", flush=True)
        said = len(summary.problems)

    with (
        run_weather_server() as replay,
        smtp.run_mail_server() as server,
        tempfile.TemporaryDirectory() as folder,
    ):
        os.environ |= {"HOOK_SECRET": "a key", "XDG_STATE_HOME": f"{folder}/state"}
        summary = fuzz_runs(count, seed, Path(folder), replay, server, tell)
    for what, times in sorted(summary.faults.items()):
        print(f"{times:6d} {what}")
    took_s = time.monotonic() - start
    print(f"{summary.runs} runs on {summary.mornings} mornings in {took_s:.0f} s, seed {seed}")
    if not summary.problems:
        print("only our own errors, and every morning told once")
    return len(summary.problems)


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:])))
