"""Pages: the templates beside this module, filled; one look for all that is opened or printed.

A page is a single file without scripts, without anything fetched, and safe to open from a mail: all
that it shows has been escaped, and it forbids itself whatever else a browser could do.
"""

from __future__ import annotations

from functools import cache

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup


@cache
def _environment() -> Environment:
    return Environment(
        loader=PackageLoader("stormplan.words", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def render(template: str, **values: object) -> str:
    """Fill a template.

    Parameters
    ----------
    template : str
        Name of a file in ``templates``.
    **values : object
        What it shows; text is escaped, ``trusted_svg`` output is not.

    Returns
    -------
    str
        HTML.
    """
    return _environment().get_template(template).render(**values)


def trusted_svg(svg: str) -> Markup:
    """Mark a drawing of our own as safe HTML."""
    return Markup(svg)  # noqa: S704 - drawn here, its text escaped by the drawing library
