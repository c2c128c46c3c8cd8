"""Puts the first screen of the demo's briefing into README.md, as the demo prints it today."""

from __future__ import annotations

import re
from itertools import takewhile
from pathlib import Path

from stormplan.service import pipeline
from stormplan.words import briefing, terminal

README = Path(__file__).parent.parent / "README.md"


def main() -> None:
    lines = terminal.render_text(briefing.build_view(pipeline.plan_demo())).splitlines()[1:]
    first = "\n".join(takewhile(lambda line: not line.startswith("Forecast"), lines))
    text = README.read_text(encoding="utf-8")
    fresh = re.sub(r"```text\n.*?```", lambda _: f"```text\n{first}\n```", text, flags=re.DOTALL)
    README.write_text(fresh, encoding="utf-8")


if __name__ == "__main__":
    main()
