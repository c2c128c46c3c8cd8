"""Writes docs/storms.md: the invented storms with the answer of practice to each."""

from __future__ import annotations

from pathlib import Path

from ruamel.yaml import YAML

ROOT = Path(__file__).parent.parent
STORMS = ROOT / "tests" / "storms" / "course"
TABLE = ROOT / "docs" / "storms.md"
HEAD = """\
# Invented storms and the answer of practice to each

Every storm is planned from end to end in the tests. The answer was written down before the plan
was read; beside it stands the publication it follows, or that it is common practice without one.
All weather and surfaces are invented. Written by `scripts/storm_table.py` from
`tests/storms/course/`; change the storm there and run it again.

| name | what comes | answer of practice | source |
| --- | --- | --- | --- |
"""


def cell(text: str) -> str:
    """Return the text as one cell of a Markdown table."""
    return " ".join(text.split()).replace("|", "\\|")


def row(path: Path) -> str:
    """Return a storm's line of the table."""
    storm = YAML(typ="safe").load(path.read_text(encoding="utf-8"))
    cells = (path.stem, storm["title"], storm["practice"], storm["source"])
    return f"| {' | '.join(map(cell, cells))} |\n"


def main() -> None:
    rows = [row(path) for path in sorted(STORMS.glob("*.yaml"))]
    TABLE.write_text(HEAD + "".join(rows), encoding="utf-8")


if __name__ == "__main__":
    main()
