"""The command line as a shell runs it, in this process: each start of a program costs a second.

The entry function itself runs, with its arguments, streams and folder, and its exit code comes
back. What the process is part of (signals, several at once, a full disk) has tests that start one.
"""

import contextlib
import io
import os
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from unittest.mock import patch

from stormplan.cli import main


@dataclass(frozen=True)
class Finished:
    """What a command left: its exit code, and what it printed."""

    returncode: int
    stdout: str
    stderr: str


@contextlib.contextmanager
def _captured() -> Iterator[tuple[io.TextIOWrapper, io.TextIOWrapper]]:
    """Output and errors as the streams that a pipe has."""
    out, err = (io.TextIOWrapper(io.BytesIO(), encoding="utf-8") for _ in range(2))
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        yield out, err


def _text(stream: io.TextIOWrapper) -> str:
    stream.flush()
    return stream.buffer.getvalue().decode()


def stormplan(*words: object, cwd: Path | None = None, lines: Sequence[str] = ()) -> Finished:
    """Run a command in a folder, with lines to read."""
    typed = io.TextIOWrapper(io.BytesIO("".join(f"{line}\n" for line in lines).encode()))
    with (
        contextlib.chdir(cwd or Path.cwd()),
        patch.object(sys, "argv", ["stormplan", *map(str, words)]),
        patch.object(sys, "stdin", typed),
        patch.dict(os.environ, COLUMNS="80"),
        _captured() as (out, err),
    ):
        try:
            main.run()
            code = 0
        except SystemExit as end:
            code = end.code or 0
        return Finished(code, _text(out), _text(err))
