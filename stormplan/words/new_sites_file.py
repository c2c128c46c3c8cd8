"""A sites file to begin with, from a few answers; usual values are marked as such."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import jinja2

from stormplan.company.coordinates import Coordinates
from stormplan.company.site_import import key_of

TEMPLATE = "new_sites.yaml.j2"


@dataclass(frozen=True)
class NewAdditive:
    """A bought additive: the chloride it has most of, and how much, by weight, as ``"32 %"``."""

    name: str
    chloride: str
    percent: str
    inhibited: bool
    odor: bool
    on_hand: str

    @property
    def key(self) -> str:
        """Its key among the products."""
        return key_of(self.name)


@dataclass(frozen=True)
class NewMixer:
    """A brine maker: what it makes in an hour, and its largest batch, with their units."""

    production_rate: str
    max_batch: str


@dataclass(frozen=True)
class NewSurface:
    """A surface: its key, its class, and its area with its unit."""

    key: str
    surface_class: str
    area: str


@dataclass(frozen=True)
class NewSitesFile:
    """What a first sites file must know; quantities as written, with their unit.

    ``salometer`` is the reading of the tank [°], None where nobody measured. Without a mixer the
    brine is bought, ``order_ahead`` of when it must be there.
    """

    company: str
    contact: str
    timezone: str
    source: str
    yard_name: str
    yard_place: Coordinates
    salt: str
    mixer: NewMixer | None
    order_ahead: str
    tank_capacity: str
    tank_on_hand: str
    salometer: float | None
    tank_temperature: str
    additive: NewAdditive | None
    sprayer_tank: str
    client: str
    site: str
    site_place: Coordinates
    surfaces: Sequence[NewSurface]

    @property
    def client_key(self) -> str:
        """Key of the first client."""
        return key_of(self.client)

    @property
    def site_key(self) -> str:
        """Key of the first site."""
        return key_of(self.site)


def sites_file_text(answers: NewSitesFile, name: str, today: date) -> str:
    """Return the text of a sites file.

    Parameters
    ----------
    answers : NewSitesFile
        What goes in.
    name : str
        Name of the file, for its own words.
    today : date
        Day of the tank's reading.
    """
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("stormplan.words", "templates"),
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        autoescape=False,  # noqa: S701 - YAML: each text goes through the filter below
    )
    environment.filters["yaml"] = _yaml
    environment.filters["comment"] = _comment
    values = {field: getattr(answers, field) for field in answers.__dataclass_fields__}
    keys = {"client_key": answers.client_key, "site_key": answers.site_key}
    return environment.get_template(TEMPLATE).render(values | keys, name=name, today=today)


def _yaml(value: object) -> str:
    """Return a scalar as JSON, which is YAML whatever is in it."""
    return json.dumps(value, ensure_ascii=False)


def _comment(text: str) -> str:
    return "".join(char for char in text if char.isprintable())
