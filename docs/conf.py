"""Sphinx configuration: runs the code of the pages that draw, and writes the page of plan.json."""

import json
import sys
from pathlib import Path

DOCS = Path(__file__).parent
sys.path[:0] = [str(DOCS), str(DOCS.parent)]

import page_code  # noqa: E402
import plan_fields  # noqa: E402

from stormplan import __version__  # noqa: E402
from stormplan.planning import plan_io  # noqa: E402
from stormplan.weather.forecast import VARIABLES  # noqa: E402

project = "stormplan"
author = "the stormplan contributors"
version = release = __version__
extensions = ["myst_parser", "sphinx.ext.autodoc", "sphinx.ext.napoleon"]
root_doc = "index"
exclude_patterns = ["_build", "container", "systemd"]
source_suffix = {".md": "markdown"}
myst_heading_anchors = 3
myst_enable_extensions = ["deflist"]
napoleon_google_docstring = False
napoleon_use_ivar = False
autodoc_typehints = "none"  # the docstrings say them, with units
autodoc_member_order = "bysource"
html_theme = "alabaster"
html_theme_options = {
    "description": "Storm-event planner for snow-and-ice contractors",
    "page_width": "72rem",
    "fixed_sidebar": True,
}
html_show_sourcelink = False
# a build needs no network, and neither does a reader
html_use_opensearch = ""

GENERATED = DOCS / "generated"
GENERATED.mkdir(exist_ok=True)
page_code.run(DOCS / "python" / "pavement.md", GENERATED)
(GENERATED / "plan-fields.md").write_text(
    plan_fields.page(json.loads(plan_io.plan_schema())), encoding="utf-8"
)
rows = "".join(
    f"   * - ``{name}``\n     - {one.meaning}\n     - {one.unit}\n"
    f"     - {one.lowest:g} to {one.highest:g}\n"
    for name, one in VARIABLES.items()
)
(GENERATED / "variables.rst").write_text(
    ".. list-table::\n   :header-rows: 1\n\n"
    "   * - column\n     - meaning\n     - unit\n     - accepted\n" + rows,
    encoding="utf-8",
)
