"""Exceptions with messages for the user, and the exit code of each kind of failure.

Every error a user can cause or meet is a ``StormplanError``. Its text is one sentence that says
where, what, and what would be accepted. Only ``cli`` prints it and exits.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum


class ExitCode(IntEnum):
    """Exit codes of the command line."""

    COMPLETE = 0
    BAD_INPUT = 2
    DEGRADED = 3
    NOTHING_PLANNED = 4


class StormplanError(Exception):
    """Anything the user should read as a sentence instead of a traceback."""

    exit_code = ExitCode.BAD_INPUT


class InputError(StormplanError):
    """A value on the command line or in a call is not usable."""


class TooEarlyError(InputError):
    """Nothing is wrong with what was asked; there is not enough data for it yet."""

    exit_code = ExitCode.DEGRADED


@dataclass(frozen=True)
class Problem:
    """One thing wrong in a file: where it stands, and what would be accepted."""

    file: str
    line: int
    message: str

    def __str__(self) -> str:
        return f"{self.file}:{self.line}: {self.message}"


class ProblemsError(StormplanError):
    """A file cannot be used; carries every problem found, in file order."""

    def __init__(self, problems: list[Problem]) -> None:
        self.problems = sorted(problems, key=lambda problem: problem.line)
        super().__init__("\n".join(str(problem) for problem in self.problems))


class SitesError(ProblemsError):
    """The sites file cannot be used."""


class OffersError(ProblemsError):
    """The file of offers cannot be used."""


class ForecastError(StormplanError):
    """A forecast could not be had, or what came back cannot be used."""

    exit_code = ExitCode.NOTHING_PLANNED


class ArchiveError(StormplanError):
    """The archive of received forecasts cannot be read or written."""

    exit_code = ExitCode.NOTHING_PLANNED


class DamagedArchiveError(ArchiveError):
    """The archive file is damaged, or is none."""
