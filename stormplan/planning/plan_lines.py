r"""A plan of very many sites as JSON lines, read without holding all of it.

The first line is the plan without sites, hours and forecasts. Each line after it is a part: one
site, or the hours of one column, or those of one forecast. Beside a report folder's ``plan.json``
the parts stand in a file of their own.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

#: Where the parts of ``plan.json`` are, beside it.
LINES_FILE = "plan-lines.jsonl"
#: How the line of a site begins.
SITE_PREFIX = '{"sites":'


def split_document(document: str) -> tuple[str, Iterable[str]]:
    r"""Return the head of a plan's text, and its parts; a plan of few sites has none.

    Examples
    --------
    >>> head, parts = split_document('{"company": "ours"}\n{"sites": []}\n')
    >>> head, list(parts)
    ('{"company": "ours"}', ['{"sites": []}'])
    """
    end = document.find("\n")
    if end < 0 or not document.startswith('{"'):  # a plan of few sites is indented
        return document, ()
    return document[:end], TextLines(document, end + 1)


class TextLines:
    """The lines of a long text, one at a time.

    Parameters
    ----------
    text : str
        Every line ends in a line feed.
    first : int
        Where the first line begins [-].
    """

    def __init__(self, text: str, first: int = 0) -> None:
        self._text, self._first = text, first

    def __iter__(self) -> Iterator[str]:
        for start, end in self.spans():
            yield self._text[start:end]

    def spans(self, prefix: str = "") -> Iterator[tuple[int, int]]:
        """Yield where the lines that begin with a prefix start and end."""
        start = self._first
        while (end := self._text.find("\n", start)) >= 0:
            if self._text.startswith(prefix, start):
                yield start, end
            start = end + 1

    def line(self, start: int, end: int) -> str:
        """Return a line by where it starts and ends."""
        return self._text[start:end]


class SiteLines(Iterable[dict[str, Any]]):
    """The sites of a plan as plain data, read anew each time they are gone through."""

    def __init__(self, lines: TextLines) -> None:
        self._lines = lines

    def __iter__(self) -> Iterator[dict[str, Any]]:
        for span in self._lines.spans(SITE_PREFIX):
            yield from json.loads(self._lines.line(*span))["sites"]


class SeriesLines(Mapping[str, dict[str, Any]]):
    """The hours of a plan's columns, or of its forecasts, as plain data; read when asked for.

    Parameters
    ----------
    lines : TextLines
        The parts.
    section : str
        ``"hourly"`` or ``"forecasts"``.
    """

    def __init__(self, lines: TextLines, section: str) -> None:
        self._lines, self._section = lines, section
        self._index: dict[str, tuple[int, int]] | None = None

    def _spans(self) -> dict[str, tuple[int, int]]:
        if self._index is None:
            decoder, prefix = json.JSONDecoder(), f'{{"{self._section}":{{'
            self._index = {}
            for start, end in self._lines.spans(prefix):
                key, _ = decoder.raw_decode(self._lines.line(start + len(prefix), end))
                self._index[key] = start, end
        return self._index

    def __getitem__(self, key: str) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(self._lines.line(*self._spans()[key]))
        series: dict[str, Any] = found[self._section][key]
        return series

    def __iter__(self) -> Iterator[str]:
        return iter(self._spans())

    def __len__(self) -> int:
        return len(self._spans())
