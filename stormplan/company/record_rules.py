"""What a company asks of its own record."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from stormplan.company.validators import Name, Record

Item = Literal[
    "treatment",
    "rate",
    "amount",
    "operator",
    "weather",
    "pavement temperature",
    "condition before",
    "result",
    "calibration",
    "composition",
    "photo",
]


class OwnRules(Record):
    """A company's own rule set, as its contracts or insurer have it.

    Attributes
    ----------
    name, source : str
        What people call it, and where it stands.
    items : tuple of str
        What it asks of the record of each event.
    years : int
        How long records are kept [-].
    """

    name: Name
    source: Name
    items: tuple[Item, ...] = Field(alias="asks", min_length=1)
    years: int = Field(3, ge=1, le=50)
