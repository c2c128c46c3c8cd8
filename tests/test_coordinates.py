"""Places and areas as people have them at hand.

Oracles: RFC 5870 (geo: addresses), ISO 6709 (north first; minutes and seconds), and the lengths of
a degree on the WGS 84 ellipsoid at the equator, 110,574.3 m north and 111,319.5 m east (NIMA
TR8350.2, from memory); GeographicLib for the distances of many places.
"""

import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import example, given
from hypothesis import strategies as st

from stormplan import units
from stormplan.company.coordinates import (
    Coordinates,
    distances_km,
    parse_area,
    parse_coordinates,
)
from stormplan.errors import InputError

MILL = Coordinates(43.0731, -89.4012)


@pytest.mark.parametrize(
    "text",
    [
        "43.0731, -89.4012",
        "43.0731 -89.4012",
        "43.0731 N 89.4012 W",
        "N43.0731, W89.4012",
        "89.4012 W, 43.0731 N",
        "43.0731°; -89.4012°",
        "geo:43.0731,-89.4012",
        "geo:43.0731,-89.4012;u=35",
        "https://map.example/#map=18/43.0731/-89.4012",
        "https://map.example/?mlat=43.0731&mlon=-89.4012#map=12/43.1/-89.5",
        "https://map.example/place/@43.0731,-89.4012,17z",
        "https://map.example/?q=43.0731%2C-89.4012",
    ],
)
def test_a_place_is_read_however_it_was_copied(text):
    assert parse_coordinates(text) == MILL


def test_minutes_and_seconds():
    found = parse_coordinates("43°04'23.16\"N 89°24'04.32\"W")  # 23.16/3600 + 4/60 = 0.0731
    assert found == pytest.approx(MILL, abs=1e-9)
    assert parse_coordinates("13.4125 N, 103.8667 E") == parse_coordinates("geo:13.4125,103.8667")


@pytest.mark.parametrize(
    "text",
    ["", "Mill Court", "43.07", "43.07, W", "W 89.4, 43.1 W", "99.1, -89.4", "43.1, 189.4",
     "https://map.example/short/x1", "43.1, -89.4, 3", "N -43.1, 89.4 W", "javascript:alert(1)"],
)  # fmt: skip
def test_what_is_no_place_is_refused(text):
    with pytest.raises(InputError):
        parse_coordinates(text)


@given(st.text(max_size=60))
def test_any_text_is_a_place_or_refused_in_our_words(text):
    try:
        found = parse_coordinates(text)
    except InputError:
        return
    assert abs(found.latitude_deg) <= 90.0
    assert abs(found.longitude_deg) <= 180.0


places = st.tuples(st.floats(-90.0, 90.0), st.floats(-180.0, 180.0))


@given(st.lists(places, max_size=6))
@example([(0.0, 0.0), (0.0, 180.0), (0.3, -179.9), (0.0, 179.5), (90.0, 0.0), (-90.0, 30.0)])
@example([(43.0, -89.0), (43.0, -89.0), (43.0, 179.9), (43.0, -179.9), (-43.0, 91.0)])
def test_distances_of_many_places_are_those_of_the_geodesic(where):
    found = distances_km(where)
    assert found.shape == (len(where), len(where))
    for one, row in zip(where, found, strict=True):
        for other, distance_km in zip(where, row, strict=True):
            exact_m = Geodesic.WGS84.Inverse(*one, *other)["s12"]
            assert 1000.0 * distance_km == pytest.approx(exact_m, abs=1e-3)


def test_corners_give_the_area_on_the_ellipsoid():
    square = "0,0; 0,0.001; 0.001,0.001; 0.001,0"
    assert parse_area(square) == pytest.approx(110.5743 * 111.3195, rel=1e-4)
    back = ";".join(reversed(square.split(";")))
    assert parse_area(back) == pytest.approx(parse_area(square))


def test_sides_and_quantities():
    assert parse_area("660 x 66 ft") == pytest.approx(units.M2_PER_ACRE)  # a furlong by a chain
    assert parse_area("201.168 by 20.1168 m") == pytest.approx(units.M2_PER_ACRE)
    assert parse_area("1 acre") == pytest.approx(units.M2_PER_ACRE)


@pytest.mark.parametrize("text", ["", "big", "62000", "0,0; 0,1", "0,0; 0,1; 0,2", "10 x ft"])
def test_what_is_no_area_is_refused(text):
    with pytest.raises(InputError):
        parse_area(text)
