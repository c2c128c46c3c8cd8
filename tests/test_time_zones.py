"""A plan over two zones: every time says which, each site in its own, one zone says none.

Zone letters are those of the IANA time zone database in January.
"""

import re

import pytest
from helpers.sites import site_entry
from test_plan import planned

from stormplan.words import briefing, decision_trace, mix_sheet, terminal

CLOCK = r"\b(?:Sun|Mon|Tue|Wed|Thu|Fri|Sat) \d{1,2}(?::\d\d)? (?:AM|PM)"
WEST = site_entry(44.1, -103.2) | {"timezone": "America/Denver", "name": "West"}
EAST = site_entry(43.1, -89.4) | {"name": "East"}


def told(plan):
    return " ".join(terminal.render_text(briefing.build_view(plan)).split())


def test_every_time_says_its_zone_where_there_are_two():
    plan = planned({"west": WEST, "east": EAST})
    text = told(plan)
    assert len(re.findall(CLOCK, text)) > 20
    # the first of a range has its zone at the range's end
    assert re.findall(rf"{CLOCK}(?! (?:CST|MST)| –| to )", text) == []
    onsets = [surface.treatments[0].event.start for site in plan.sites for surface in site.surfaces]
    assert len(set(onsets)) == 1  # the same snow, at the same moment
    assert re.search(r"West .*?Light snow [^;]*MST", text)
    assert re.search(r"East .*?Light snow [^;]*CST", text)
    west = " ".join(decision_trace.trace_lines(plan, "west"))
    assert "MST" in west
    assert "CST" not in west


@pytest.mark.parametrize("sites", [{"east": EAST}, {"east": EAST, "also": EAST}])
def test_one_zone_stands_once_at_the_top(sites):
    text = told(planned(sites))
    assert text.count("CST") == 1


def test_the_mix_sheet_is_in_the_zone_of_its_sites_and_says_so():
    (sheet,) = mix_sheet.mix_sheet_views(planned({"west": WEST}))
    assert sheet.made_at.endswith("MST")
    assert sheet.first_load_at.endswith("MST")
