"""Kill -9 at 200 random points of imports and of the pages' server, and count the entries.

python benchmarks/kill_record.py [POINTS [SEED]]
"""

import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))

from helpers.kill_record import kill_imports, kill_servers
from helpers.one_surface import LOT
from helpers.sites import site_entry, sites_text


def main(points: int = 200, seed: int = 2026) -> int:
    problems = 0
    for name, kill in (("imports", kill_imports), ("servers", kill_servers)):
        start = time.monotonic()
        with tempfile.TemporaryDirectory() as folder:
            sites = sites_text({"mill": site_entry(43.1, -89.4, {"lot": LOT})})
            Path(folder, "sites.yaml").write_text(sites, encoding="utf-8")
            tally = kill(points // 2, Path(folder), ("mill", "lot"), seed)
        print(f"{points // 2} {name} killed in {time.monotonic() - start:.0f} s, seed {seed}")
        print(f"  broken off {tally.broken_off}, finished before {tally.finished}")
        print(f"  entries sent {len(tally.sent)}, acknowledged {len(tally.acknowledged)}")
        print("  " + ("\n  ".join(tally.problems) or "nothing wrong"))
        problems += len(tally.problems)
    return problems


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:])))
