"""Runs the Python blocks of a page, one after the other as a reader would."""

import contextlib
import os
import re
from pathlib import Path

BLOCK = re.compile(r"^```python\n(.*?)^```", re.DOTALL | re.MULTILINE)


def run(page: Path, folder: Path) -> dict[str, object]:
    """Run every Python block of a page with a folder to write to, and return its names."""
    text = page.read_text(encoding="utf-8")
    names: dict[str, object] = {"__name__": page.stem}
    with contextlib.chdir(folder):
        for block in BLOCK.finditer(text):
            line = text.count("\n", 0, block.start()) + 1
            code = "\n" * line + block[1]  # so that a traceback names the line of the page
            exec(compile(code, os.fspath(page), "exec"), names)
    return names
