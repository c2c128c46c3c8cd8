"""The first hour: a sites file from a few answers, and sites from a table or a drawn map.

Oracles: RFC 7946 (GeoJSON: longitude first, closed rings), WGS 84 as in ``test_coordinates``.
"""

import json
from pathlib import Path

import pytest
from helpers.command_line import stormplan
from helpers.sites import site_entry, sites_text

from stormplan.company import site_import, sites_file
from stormplan.errors import SitesError

ANSWERS = [
    'Hollow "Pine" Snow: invented', "ops", "ops@hollowpine.example", "Chicago", "America/Chicago",
    "geo:43.12,-89.41", "", "", "", "", "6000 gal", "1200 gal", "90", "", "walk blend", "cacl2",
    "32 %", "", "", "400 gal", "", "Elm Clinic (invented)", "Elm Clinic lot", "nowhere",
    "43.10, -89.39", "", "62000", "62000 ft2", "concrete_walk", "8 x 300 ft", "concrete_walk",
    "43.10,-89.39; 43.10,-89.3899; 43.1001,-89.3899; 43.1001,-89.39", "done",
]  # fmt: skip


def run(*words, folder, lines=()):
    return stormplan(*words, cwd=folder, lines=lines)


def test_a_few_answers_make_a_sites_file_that_can_be_planned(tmp_path):
    done = run("init", folder=tmp_path, lines=ANSWERS)
    assert done.returncode == 0, done.stderr
    for wrong in ("'ops' is not a contact", "'Chicago' is not a time zone", "'nowhere' is not a"):
        assert wrong in done.stderr  # and asked again
    text = (tmp_path / "sites.yaml").read_text(encoding="utf-8")
    found = sites_file.parse_sites(text)
    assert found.company.name == ANSWERS[0]
    surfaces = found.sites["elm-clinic-lot"].surfaces
    assert [surface.class_key for surface in surfaces.values()] == [
        "asphalt_lot", "concrete_walk", "concrete_walk",
    ]  # fmt: skip
    assert surfaces["lot"].area_m2 == pytest.approx(62000 * 0.3048**2)
    assert found.products["walk-blend"].inhibited
    marked = [line for line in text.splitlines() if "# USUAL" in line]
    assert f"{len(marked)} lines marked USUAL" in done.stdout
    assert run("check", "sites.yaml", folder=tmp_path).returncode == 0
    assert "Look at this line" not in done.stdout

    again = run("init", folder=tmp_path, lines=ANSWERS)
    assert again.returncode == 2
    assert "is there already" in again.stderr
    assert (tmp_path / "sites.yaml").read_text(encoding="utf-8") == text


def test_a_place_that_is_hardly_meant_is_asked_about_at_once(tmp_path):
    lines = ["89.39, 43.10" if line == "43.10, -89.39" else line for line in ANSWERS]
    done = run("init", folder=tmp_path, lines=lines)
    assert done.returncode == 0, done.stderr
    assert "Look at this line: sites.yaml:" in done.stdout
    assert "swapped" in done.stdout


def test_a_second_import_keeps_who_may_read_the_file(tmp_path):
    path = sites_with_comments(tmp_path)
    path.chmod(0o600)
    (tmp_path / "more.csv").write_text(TABLE, encoding="utf-8")
    assert run("sites", "import", "more.csv", folder=tmp_path).returncode == 0
    assert path.stat().st_mode & 0o777 == 0o600


def test_answers_that_end_early_leave_nothing(tmp_path):
    done = run("init", folder=tmp_path, lines=ANSWERS[:12])
    assert done.returncode == 1
    assert list(tmp_path.iterdir()) == []


HEADER = "site,place,surface,class,area,client,yard,priority,open_hours"
TABLE = f"""{HEADER}
Oak Row,"43.2, -89.3",lot,asphalt_lot,1.4 acre,,,1,06:00-20:00
Oak Row,"43.2, -89.3",East walk,concrete_walk,8 x 300 ft,ours,north,,
"""


def sites_with_comments(tmp_path: Path) -> Path:
    path = tmp_path / "sites.yaml"
    lot = {"lot": {"class": "asphalt_lot", "area": "20000 ft2"}}
    text = sites_text({"a": site_entry(43.1, -89.4, lot)})
    path.write_text(f"# our own words\n{text}\n", encoding="utf-8")
    return path


def test_a_table_adds_sites_and_keeps_what_is_there(tmp_path):
    path = sites_with_comments(tmp_path)
    (tmp_path / "more.csv").write_text("\ufeff" + TABLE, encoding="utf-8")
    done = run("sites", "import", "more.csv", folder=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    assert "1 site and 2 surfaces added" in done.stdout
    text = path.read_text(encoding="utf-8")
    assert text.startswith("# our own words\n")
    found = sites_file.parse_sites(text)
    oak = found.sites["oak-row"]
    assert (oak.priority, oak.client, oak.yard) == (1, "ours", "north")
    assert oak.surfaces["east-walk"].name == "East walk"
    assert oak.surfaces["lot"].area_m2 == pytest.approx(1.4 * 4046.8564224, rel=1e-5)
    second = run("sites", "import", "more.csv", folder=tmp_path)
    assert "0 sites and 0 surfaces added" in second.stdout
    assert path.read_text(encoding="utf-8") == text


def test_a_drawn_map_gives_areas_with_their_holes_and_a_place(tmp_path):
    outer = [[0.0, 0.0], [0.002, 0.0], [0.002, 0.002], [0.0, 0.002], [0.0, 0.0]]
    hole = [
        [0.0005, 0.0005],
        [0.0005, 0.0015],
        [0.0015, 0.0015],
        [0.0015, 0.0005],
        [0.0005, 0.0005],
    ]
    feature = {
        "type": "Feature",
        "properties": {"site": "Null Island", "surface": "lot", "class": "asphalt_lot"},
        "geometry": {"type": "Polygon", "coordinates": [outer, hole]},
    }
    text = json.dumps({"type": "FeatureCollection", "features": [feature]})
    (one,) = site_import.read_geojson(text, "x.geojson")
    assert one.area_m2 == pytest.approx(3 * 110.5743 * 111.3195, rel=1e-4)
    assert one.place == pytest.approx((0.001, 0.001))


def problems(read, text):
    with pytest.raises(SitesError) as error:
        read(text, "x")
    return [(problem.line, problem.message) for problem in error.value.problems]


def test_every_problem_of_a_table_is_named_with_its_line():
    rows = (
        "Oak,nowhere,lot,asphalt_lot,1 acre,,,,",
        'Oak,"43.2, -89.3",,asphalt_lot,1 acre,,,,',
        'Oak,"43.2, -89.3",lot,tarmac,1 acre,,,,',
        'Oak,"43.2, -89.3",lot,asphalt_lot,big,,,,',
        'Oak,"43.2, -89.3",lot,asphalt_lot,1 acre,,,9,',
        "Oak,43.2, -89.3,lot,asphalt_lot,1 acre,,,1,,",
    )
    found = problems(site_import.read_csv, "\n".join((HEADER, *rows)))
    assert [line for line, _ in found] == [2, 3, 4, 5, 6, 7]
    for (_, message), said in zip(
        found,
        (
            "not a place",
            "no surface",
            "not a surface class",
            "not an area",
            "priority '9'",
            "quotes",
        ),
        strict=True,
    ):
        assert said in message
    assert "no column 'area'" in problems(site_import.read_csv, "site,place,surface,class\n")[0][1]
    assert "'acres' is not known" in problems(site_import.read_csv, f"{HEADER},acres\n")[0][1]


@pytest.mark.parametrize(
    "text", ["", "[]", "null", '{"features": 3}', '{"features": [null]}', '{"features": []}',
             '{"features": [{"properties": {"site": "a", "surface": "b", "class": "open_deck"},'
             ' "geometry": {"type": "Point", "coordinates": [0, 0]}}]}'],
)  # fmt: skip
def test_what_is_no_drawing_is_refused(text):
    assert problems(site_import.read_geojson, text)


def test_a_wrong_import_changes_nothing(tmp_path):
    path = sites_with_comments(tmp_path)
    before = path.read_text(encoding="utf-8")
    other = 'B,"43.1, -89.4",lot,concrete_lot,20000 ft2'
    for line, said in (
        (f"{other},,,,".replace("B", "A", 1), "a.lot is in the sites file already"),
        (f"{other},theirs,,,", "'theirs' is not a client; accepted: ours"),
        (f"{other},,,,25:00-26:00", "more.csv:2: sites.b.open_hours: '25:00-26:00' is not a span"),
        (f"{other},,,,\n{other.replace('43.1', '43.2')},,,,".replace("lot", "east", 1),
         "more.csv:3: 'lot' lies 11.1 km from where b is"),  # a tenth of a degree, TR8350.2
        (f"{other},,,,\n{other.replace(',lot,', ',east,')},,,4,", "b has priority '2' already"),
    ):  # fmt: skip
        (tmp_path / "more.csv").write_text(f"{HEADER}\n{line}\n", encoding="utf-8")
        done = run("sites", "import", "more.csv", folder=tmp_path)
        assert done.returncode == 2
        assert said in done.stderr
        assert path.read_text(encoding="utf-8") == before
