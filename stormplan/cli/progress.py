"""Progress on standard error: one line that says what is done and how many of how many."""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass, field
from typing import TextIO

CLEAR_LINE = "\r\x1b[K"
MIN_INTERVAL_S = 0.1  # between two rewrites of the line


@dataclass
class ProgressLine:
    """Rewrites one line of a terminal; a log gets a line for each stage, and only if asked for.

    Parameters
    ----------
    quiet : bool
        Whether nothing is said.
    verbose : bool
        Whether each stage that ends leaves a line with its time.
    remark : str
        Said behind each count.
    stream : file
        Where to.
    """

    quiet: bool = False
    verbose: bool = False
    remark: str = ""
    stream: TextIO = field(default_factory=lambda: sys.stderr)
    _stage: str = ""
    _began_s: float = 0.0
    _shown_s: float = 0.0

    def __call__(self, stage: str, done: int, total: int) -> None:
        """Print how far a stage is, over the line before."""
        if self.quiet:
            return
        now_s = time.monotonic()
        if stage != self._stage:
            self._stage, self._began_s, self._shown_s = stage, now_s, 0.0
        text = f"{stage}: {done} of {total}"
        if done >= total:
            self.clear()
            if self.verbose:
                print(f"{text} in {now_s - self._began_s:.1f} s", file=self.stream, flush=True)
        elif self.stream.isatty() and now_s - self._shown_s >= MIN_INTERVAL_S:
            self._shown_s = now_s
            print(f"{CLEAR_LINE}{text}{self.remark}", end="", file=self.stream, flush=True)

    def clear(self) -> None:
        """Clear the line from the terminal."""
        if not self.quiet and self.stream.isatty():
            print(CLEAR_LINE, end="", file=self.stream, flush=True)
