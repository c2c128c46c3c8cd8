"""What three strangers must read out of ten invented mornings: owner, shed lead, account manager.

Each answer is written here from the weather of ``helpers/mornings.py`` and from the trade:

- liquid goes down dry, before it starts, at 0.3 to 0.6 gal/1000 ft² before frost (MPCA Winter
  Parking Lot and Sidewalk Maintenance Manual, 3rd ed. 2015), up to 1.2 before snow (our ceiling);
- never before rain, which washes it off, nor before freezing rain: salt when it starts (Manual of
  Practice for an Effective Anti-icing Program, FHWA-RD-95-202, 1996, Table 9);
- plows go from one to two inches on (common practice, no source);
- 23.3 % brine takes 2.29 lb of dry salt a gallon: its weight, 9.82 lb/gal at 60 °F, times that.

Hours are local, of Monday 12 and Tuesday 13 January 2026; hour 25 is Tuesday 1 AM.
"""

import io
import re
from dataclasses import dataclass, field
from datetime import timedelta

import pytest
from helpers.mornings import AREA_KFT2, MIDNIGHT, WEATHER, planned_morning
from rich.console import Console

from stormplan.words import briefing, mix_sheet, notices, terminal

LOT_WALK_DECK = ("asphalt lot", "walk", "open deck")
DAYS = {"Mon": 0, "Tue": 24, "Wed": 48, "Thu": 72}
CLOCK = r"(Mon|Tue|Wed|Thu) (\d+)(?::(\d+))? (AM|PM)"
FIRST_PASS_IN = 2.0  # plows are out at the latest by then


@dataclass(frozen=True)
class Answers:
    """What must be found: go, when, how much, how sure, what would change it, whom to tell what.

    ``work`` has each kind with its first and last hour of a start, ``likely`` the chance of the
    worst between two percents, ``spray_gal`` and ``salt_lb`` amounts between two; None is none.
    ``told`` is what the notice's subject says, and the hours from and to of what comes.
    """

    verdict: str
    work: dict[str, tuple[float, float]] = field(default_factory=dict)
    hazard: str = ""
    likely: tuple[float, float] = (0.0, 0.0)
    spray_gal: tuple[float, float] | None = None
    salt_lb: tuple[float, float] | None = None
    changes: str = ""
    told: str = ""
    told_hours: tuple[float, float] = (0.0, 0.0)
    told_more: tuple[str, ...] = ()
    surfaces: tuple[str, ...] = LOT_WALK_DECK


EXPECTED = {
    # clear and calm from 4 PM, dew point near the air: white by the small hours, gone with the sun
    "dry cold frost": Answers(
        "GO",
        {"Pre-treat": (5, 20), "Salt": (22, 28)},  # the walk in time, what is colder by salt
        "frost",
        (50, 90),
        spray_gal=(0.3 * 2, 0.6 * 2),
        salt_lb=(1.0 * 25, 4.0 * 25),
        changes=r"walk: pavement down to 2\d °F; liquid is doubtful below 23 °F",
        told="Frost likely",
        told_hours=(25, 33),
    ),
    # 6 PM to 2 AM at 29 °F; two or three rounds of salt, no liquid ahead of it
    "freezing rain": Answers(
        "GO",
        {"Salt": (18, 18)},
        "freezing rain",
        (60, 80),
        salt_lb=(1.2 * AREA_KFT2, 3 * 4.0 * AREA_KFT2),
        told="Freezing rain likely",
        told_hours=(18, 26),
        told_more=("put salt down", "Ice is likely"),
    ),
    # rain to 7 PM washes liquid off; the air is at 32 °F at 8 PM
    "rain, then a flash freeze": Answers(
        "GO",
        {"Salt": (18, 21)},
        "refreeze",
        (95, 100),
        salt_lb=(1.0 * AREA_KFT2, 4.0 * AREA_KFT2),
        changes=r"no liquid goes down below 20 °F",
        told="Ice likely",
        told_hours=(20, 33),
        told_more=("where wet spots freeze",),
    ),
    # an inch an hour from 6 PM to 6 AM
    "twelve inches of snow": Answers(
        "GO",
        {"Pre-treat": (5, 18), "Plow or shovel": (19, 18 + FIRST_PASS_IN), "Salt": (19, 30)},
        "moderate snow",
        (90, 95),
        spray_gal=(0.3 * AREA_KFT2, 1.2 * AREA_KFT2),
        salt_lb=(1.2 * AREA_KFT2, 4 * 4.0 * AREA_KFT2),
        changes=r"refreeze \d\d %, goes at 50 %",
        told="Snow likely",
        told_hours=(18, 30),
        told_more=("about 12 inches", "clear snow as it piles up"),
    ),
    # 1.5 in each at 10 AM, 3 PM and 9 PM
    "bursts off the lake": Answers(
        "GO",
        {"Pre-treat": (5, 10), "Plow or shovel": (11, 12), "Salt": (11, 12)},
        "heavy snow",
        (65, 75),
        spray_gal=(0.3 * AREA_KFT2, 1.2 * AREA_KFT2),
        salt_lb=(1.2 * AREA_KFT2, 4 * 4.0 * AREA_KFT2),
        changes=r"refreeze [34]\d %, goes at 50 %",
        told="Snow likely",
        told_hours=(10, 16),
        told_more=("about 3 inches", "Mon Jan 12, 9 PM to 10 PM"),
    ),
    "no forecast": Answers("NO FORECAST"),
    "nothing": Answers("NOTHING TO DO"),
    # eight hours at 0.3 in, seven to one, on pavement at the freezing point
    "wet snow at 32 °F": Answers(
        "GO",
        {
            "Pre-treat": (5, 18),
            "Plow or shovel": (20, 25),
            "Salt": (20, 26),
            "Post-treat": (25, 27),
        },
        "light snow",
        (65, 85),
        spray_gal=(0.3 * AREA_KFT2, 1.2 * AREA_KFT2),
        salt_lb=(1.0 * 2, 4.0 * 2),
        changes=r"refreeze 2\d %, goes at 30 %",
        told="Snow likely",
        told_hours=(18, 26),
        told_more=("about 2 inches",),
    ),
    # the lot keeps the day's warmth under trees, the deck loses it to a clear sky
    "ice on decks only": Answers(
        "GO",
        {"Pre-treat": (5, 24)},
        "frost",
        (50, 75),
        spray_gal=(0.3 * 5, 0.6 * 5),
        told="Frost likely",
        told_hours=(27, 33),  # the deck cools all night: in its coldest hours
        surfaces=("open deck",),
    ),
    # since 3 AM half an inch an hour, to 9 AM: nothing can be ahead of it
    "began an hour ago": Answers(
        "GO",
        {"Plow or shovel": (4.5, 6), "Salt": (4.5, 6), "Post-treat": (9, 10)},
        "moderate snow",
        (85, 95),
        salt_lb=(1.2 * 2, 4 * 4.0 * AREA_KFT2),
        # what the plow leaves thaws by day, and the salt that went down holds little of it by night
        changes=r"refreeze \d+ % to over 95 %",
        told="Snow likely",
        told_hours=(4, 9),
        told_more=("about 3 inches", "clear the snow"),
    ),
}


def hour_of(text):
    """Return the first moment in a text as hours from Monday midnight."""
    day, hour, minute, half = re.search(CLOCK, text).groups()
    return DAYS[day] + int(hour) % 12 + 12 * (half == "PM") + int(minute or 0) / 60


def first_screen(plan):
    console = Console(file=io.StringIO(), width=200, color_system=None)
    console.print(terminal.render_first_screen(briefing.build_view(plan)))
    return [line.rstrip() for line in console.file.getvalue().splitlines()]


def row(lines, label):
    """Return what stands beside a label; columns are two spaces apart."""
    parts = (re.split(r"\s{2,}", line, maxsplit=1) for line in lines)
    return next((found[1] for found in parts if found[0] == label and len(found) > 1), "")


def sprayed(lines):
    """Return what is sprayed before it starts, and after the storm; empty for nothing."""
    text = row(lines, "Spray")
    later = re.search(r"[\d,]+ gal (?:more )?after the storm", text)
    ahead = re.match(r"[\d,]+ gal(?! after)", text)
    return ahead[0] if ahead else "", later[0] if later else ""


def number(text):
    return float(re.search(r"[\d,]*\.?\d+", text)[0].replace(",", ""))


@pytest.fixture(params=EXPECTED, scope="module")
def morning(request):
    return EXPECTED[request.param], planned_morning(request.param)


def test_every_morning_has_its_answers():
    assert EXPECTED.keys() == WEATHER.keys()


def test_the_owner_reads_go_when_how_much_how_sure_and_what_would_change_it(morning):
    want, plan = morning
    lines = first_screen(plan)
    text = "\n".join(lines)
    assert lines[1].startswith(want.verdict)
    kinds = {"Pre-treat", "Salt", "Plow or shovel", "Post-treat", "Sand, no salt"}
    said = {kind: row(lines, kind) for kind in kinds if row(lines, kind)}
    assert said.keys() == want.work.keys()
    for kind, (first, last) in want.work.items():
        assert first <= hour_of(said[kind]) <= last
        assert "at Mill Court" in said[kind]
    if want.work:
        assert hour_of(lines[1]) <= min(map(hour_of, said.values()))
        assert hour_of(lines[1]) >= 4.5
    ahead, later = sprayed(lines)
    assert bool(ahead) == (want.spray_gal is not None)
    if want.spray_gal is not None:
        least, most = want.spray_gal
        assert round(least) <= number(ahead) <= round(most)
    assert bool(later) == ("Post-treat" in want.work)
    assert bool(row(lines, "Spread")) == (want.salt_lb is not None)
    if want.salt_lb is not None:
        least, most = want.salt_lb
        assert least <= number(row(lines, "Spread")) <= most
    assert want.hazard in row(lines, "Chance")
    if want.hazard:
        percent = [float(each) for each in re.findall(r"(\d+) %", row(lines, "Chance"))]
        assert any(want.likely[0] <= each <= want.likely[1] for each in percent)
        assert re.search(want.changes, text)
        assert f"{want.hazard.capitalize()}. Mill Court" in text
    subject = briefing.build_view(plan).subject  # of the mail, on a lock screen
    assert subject.startswith(want.verdict)
    if want.work:
        assert len(subject) <= 78
        amounts = re.findall(r"([\d,]+) (gal|lb)", subject)
        assert amounts
        told = row(lines, "Spray") if want.spray_gal else row(lines, "Spread")
        assert number(amounts[0][0]) == number(told)
    if want.verdict == "NO FORECAST":
        assert "call your sites in order of priority" in text
        assert "no answer in 60 s" in text
    if want.verdict == "NOTHING TO DO":
        assert "No hazard on any pavement before Thu 4 AM" in text


def test_the_shed_reads_gallons_pounds_and_their_order(morning):
    want, plan = morning
    (sheet,) = mix_sheet.mix_sheet_views(plan)
    page = mix_sheet.render_html(plan)
    sprayed_gal = sum(number(load.volume) for load in sheet.loads)
    spray, later = sprayed(first_screen(plan))
    assert sprayed_gal == pytest.approx(number(spray) if spray else 0.0, abs=0.6)
    later_gal = sum(number(load.volume) for load in sheet.later_loads)
    assert later_gal == pytest.approx(number(later) if later else 0.0, abs=0.6)
    spread = row(first_screen(plan), "Spread")
    if spread:
        ((material, weight, _),) = sheet.spread.totals
        assert material == "salt"
        # each pass is weighed up to the next pound
        assert 0 <= number(weight) - number(spread) <= len(sheet.spread.rows)
    else:
        assert sheet.spread is None
    found = re.findall(r"<h3>(\d) ([A-Z]\w+)", page)
    steps = [word for _, word in found]
    assert [int(number) for number, _ in found] == [1, 2, 3][: len(found)]
    assert steps == [word for word in ("Make", "Blend", "Dry") if word in steps]
    assert ("Blend" in steps, "Dry" in steps) == (bool(spray or later), bool(spread))
    if "Make" in steps:
        gallons, pounds = number(sheet.batch_brine), number(sheet.batch_salt)
        # by hand; as delivered 96 % of it is salt
        assert pounds == pytest.approx(gallons * 2.29 / 0.96, rel=0.03)
    if want.verdict == "NO FORECAST":
        assert "NOT KNOWN whether to spray" in page
        assert "NOT KNOWN: no site has a forecast" in terminal.render_text(
            briefing.build_view(plan)
        )
    if want.verdict == "NOTHING TO DO":
        assert "Nothing to spray or spread" in page


def test_the_account_manager_reads_whom_to_tell_what(morning):
    want, plan = morning
    drafts = notices.draft_notices(plan)
    assert bool(drafts) == bool(want.told)
    if not want.told:
        return
    (notice,) = drafts
    assert notice.client == "Ours (invented)"
    assert notice.subject.startswith(f"{want.told}: Mill Court from ")
    start, end = want.told_hours
    first = notice.text.split("\nMill Court\n")[1]
    # what falls has its hours from the service, what freezes on the pavement from the model
    leeway_h = 4 if want.hazard in ("frost", "refreeze") else 0
    assert start <= hour_of(re.sub(r" Jan \d+,", "", first)) <= start + leeway_h
    (site,) = notice.sites
    ends = [(line.end - MIDNIGHT) / timedelta(hours=1) for line in site.lines]
    assert any(abs(each - end) <= leeway_h / 4 for each in ends)
    flat = " ".join(notice.text.split())
    for words in (*want.told_more, "call 608-555-0100, day or night"):
        assert words in flat
    named = {name for name in LOT_WALK_DECK if name in flat.split("Please:")[0]}
    assert named == set(want.surfaces)
    for other in {"Snow", "Freezing rain", "Frost"} - {want.told.removesuffix(" likely")}:
        assert f"{other} is likely" not in flat
    assert len(site.sms_text) <= 160
    assert "Call 608-555-0100" in site.sms_text


def test_a_text_message_says_what_comes_again():
    plan = planned_morning("bursts off the lake")
    (notice,) = notices.draft_notices(plan)
    assert "10 AM-4 PM CST. Then ice from Mon 4 PM." in notice.sites[0].sms_text
    (site,) = plan.sites
    dry = [one.model_copy(update={"refreeze_periods": ()}) for one in site.surfaces]
    bare = plan.model_copy(update={"sites": (site.model_copy(update={"surfaces": tuple(dry)}),)})
    (notice,) = notices.draft_notices(bare)
    assert "10 AM-4 PM CST. Then again from Mon 9 PM." in notice.sites[0].sms_text
    (notice,) = notices.draft_notices(planned_morning("freezing rain"))
    assert "2 AM CST. Then ice from Tue 2 AM." in notice.sites[0].sms_text
