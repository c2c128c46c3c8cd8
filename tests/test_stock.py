"""The yards by the record: nothing is lost but what is named, and cold brine is not missing."""

from datetime import timedelta

import pytest
from CoolProp.CoolProp import PropsSI
from helpers.one_surface import LOT
from helpers.published_tables import NOON, forecast_cell
from helpers.rule_effects import GAL, month_of_brine, one_round, yard_entry
from helpers.sites import BASE_SECTIONS, parse_sites, site_entry, sites_text
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from stormplan import units
from stormplan.cli.main import app
from stormplan.errors import InputError, SitesError
from stormplan.planning.planner import SiteForecasts, make_plan
from stormplan.record.checks import check_entry
from stormplan.record.entries import (
    Application,
    BatchMade,
    Delivery,
    LoadDrawn,
    LoadReturned,
    Loss,
    Measurement,
    Transfer,
    Void,
    parse_entry,
    write_entry,
)
from stormplan.record.stock_ledger import stock_book
from stormplan.service import pipeline
from stormplan.store.archive import Archive
from stormplan.store.record_log import RecordLog
from stormplan.words import briefing, mix_sheet, terminal

F = units.f_to_c
LB, TON = units.KG_PER_LB, units.KG_PER_TON
HOUR = timedelta(hours=1)
FT2 = units.M2_PER_FT2
SITES = {
    "a": site_entry(43.1, -89.4, {"here": LOT, "walk": {"class": "concrete_walk",
                                                        "area": "2000 ft2"}}),
    "b": site_entry(43.2, -89.4, {"deck": {"class": "open_deck", "area": "5000 ft2"}}),
}  # fmt: skip


def yard_holding(gallons, strength="23.3 %", **more):
    tank = {"product": "brine", "capacity": "9000 gal", "on_hand": f"{gallons} gal",
            "reading": {"strength": strength, "taken_at": "2026-01-02"}}  # fmt: skip
    tanks = {"t1": tank, "t2": tank | {"on_hand": "0 gal"}}
    return {"north": BASE_SECTIONS["yards"]["north"] | {"tanks": tanks} | more}


def company(gallons=3000, **more):
    return parse_sites(SITES, yards=yard_holding(gallons, **more))


def put_down(ago, gal_kft2=0.5, site="a", surface="here", **more):
    return Application(id=f"put{ago}{site}{surface}", at=NOON - ago * HOUR, site=site,
                       surface=surface, rate_l_m2=gal_kft2 * units.L_M2_PER_GAL_KFT2,
                       **more)  # fmt: skip


def measured(gallons, temp_f, ago=1, **more):
    return yard_entry(Measurement, ago, store="t1", volume_l=gallons * GAL, temp_c=F(temp_f),
                      **more)  # fmt: skip


def chloride_at(book, kind, place=None):
    return sum(
        m.chloride_kg * sign
        for m in book.movements
        for account, sign in ((m.target, 1.0), (m.source, -1.0))
        if account.kind == kind and place in (None, account.place)
    )


# -- worked cases ---------------------------------------------------------------------------------


def test_cold_brine_is_not_missing():
    # CoolProp, NaCl solution at 23 %: what 6,500 gal at 60 °F are at 20 °F (about 0.9 % less)
    def density(temp_f):
        return PropsSI("D", "T", F(temp_f) + 273.15, "P", 101325, "INCOMP::MNA[0.23]")

    cold_gal = 6500 * density(60) / density(20)
    assert cold_gal == pytest.approx(6440, abs=15)
    strict = parse_sites(
        SITES, yards=yard_holding(6500), policy={"stock_difference_fixed": "20 gal"}
    )
    for gallons, is_beyond in ((cold_gal, False), (cold_gal - 40, True), (6500, True)):
        (check,) = stock_book(strict, [measured(gallons, 20)], NOON).store_checks
        assert check.booked / GAL == pytest.approx(cold_gal, abs=8)
        assert check.is_beyond is is_beyond
    # nobody took the brine's temperature: what cold could make of it is no finding
    dipped = yard_entry(Measurement, 1, store="t1", volume_l=cold_gal * GAL)
    assert not stock_book(strict, [dipped], NOON).store_checks[0].is_beyond


@pytest.mark.parametrize(("gallons", "is_beyond"), [(240, False), (260, True)])
def test_the_monthly_rule_for_tanks(gallons, is_beyond):
    # WAC 173-360A-0620 (text of 40 CFR 280.43): 1 % of 12,000 gal and 130 gal are 250 gal
    book = stock_book(company(0), month_of_brine(gallons), NOON)
    assert book.store_checks[0].limit / GAL == pytest.approx(250, rel=0.002)
    assert book.store_checks[0].is_beyond is is_beyond


def test_two_scans_of_a_pile_may_differ():
    # Purdue JTRP 1832: scans of a pile are good to 1 to 3 %
    for tons, is_beyond in ((39.2, False), (38.0, True)):
        pile = yard_entry(Measurement, 1, store="salt", salt_kg=tons * TON)
        assert stock_book(company(), [pile], NOON).store_checks[0].is_beyond is is_beyond


@pytest.mark.parametrize(("returned", "off", "is_beyond"), [(40, 40, True), (60, 20, False)])
def test_a_load_against_its_services(returned, off, is_beyond):
    # 600 gal out, services of 520: 6.7 % and 3.3 % against the larger of 5 % and 10 gal, our own
    book = stock_book(company(), one_round(returned), NOON)
    (load,) = book.load_checks
    assert load.difference_l / GAL == pytest.approx(off, abs=0.01)
    assert load.is_beyond is is_beyond
    # and the lot is said to have got what went out
    nacl_kg = sum(m.masses_kg[0] for m in book.movements if m.target.kind == "surface")
    brine_kg = (600 - returned) * GAL * 1.1770  # 23.3 % at 60 °F, Lange's Table 5.13
    assert nacl_kg == pytest.approx(0.233 * brine_kg, rel=0.002)
    assert book.yards["north"].stores["t1"].volume_l / GAL == pytest.approx(2400 + returned)


def test_chloride_of_salt_and_of_brine():
    # atomic weights: 1,000 lb of rock salt at 95 % hold 576 lb of chloride, 100 gal of brine 139
    rock = yard_holding(3000, salt={"on_hand": "40 ton", "purity": "95 %", "moisture": "1 %",
                                    "insolubles": "1 %"})  # fmt: skip
    book = stock_book(
        parse_sites(SITES, yards=rock),
        [
            Application(id="s", at=NOON - HOUR, site="a", surface="here",
                        salt_kg_m2=1000 * LB / (20000 * FT2)),
            *(put_down(ago, 5.0, "b", "deck") for ago in (5, 4, 3, 2)),
        ],
        NOON,
    )  # fmt: skip
    assert chloride_at(book, "surface", "a") / LB == pytest.approx(576, abs=1)
    assert chloride_at(book, "surface", "b") / LB == pytest.approx(139, abs=1)


def test_strength_is_the_mean_by_weight_of_what_went_in():
    # 1,000 gal of 20 % on 1,000 gal of 23.3 %: by Lange's specific gravities 1.1489 and 1.1780
    batch = yard_entry(BatchMade, 2, tank="t1", volume_l=1000 * GAL, strength_frac=0.20)
    held = stock_book(company(1000), [batch], NOON).yards["north"].stores["t1"]
    mean = (0.20 * 1.1489 + 0.233 * 1.1780) / (1.1489 + 1.1780)
    assert held.strength_frac == pytest.approx(mean, abs=1e-4)
    # calcium pumped in counts by its weight too; a hydrometer reading then puts the book right
    blend = yard_entry(Transfer, 1.5, from_store="calcium", to_store="t1", volume_l=100 * GAL)
    read = yard_entry(Measurement, 1, store="t1", specific_gravity=1.16, temp_c=F(60))
    book = stock_book(company(1000), [batch, blend, read], NOON)
    # Lange: 1.160 is between 20 % (1.1489) and 22 % (1.1646) NaCl
    assert 0.20 < book.yards["north"].stores["t1"].strength_frac < 0.22
    assert book.yards["north"].stores["calcium"].volume_l / GAL == pytest.approx(400)


def test_what_nobody_read_stays_unread_until_somebody_does():
    unread = parse_sites(SITES)  # a tank without a reading, empty
    batch = yard_entry(BatchMade, 3, tank="t1", volume_l=1000 * GAL)
    read = yard_entry(Measurement, 1, store="t1", strength_frac=0.231)
    more = yard_entry(BatchMade, 2, tank="t1", volume_l=1000 * GAL, strength_frac=0.233)

    def strength(*entries):
        return stock_book(unread, entries, NOON).yards["north"].stores["t1"].strength_frac

    assert strength(batch) is None
    assert strength(batch, more) is None
    assert strength(more) == pytest.approx(0.233)
    assert strength(batch, more, read) == pytest.approx(0.231)


def test_what_was_before_the_count_is_in_it():
    counted = company(1000, counted_at="2026-01-10T06:00-06:00")
    before = yard_entry(BatchMade, 0, tank="t1", volume_l=500 * GAL, strength_frac=0.233)
    at = parse_entry('{"kind": "pass", "id": "x", "at": "2026-01-10T05:00-06:00", "site": "a", '
                     '"surface": "here"}', "x").at  # fmt: skip
    for moment, gallons in ((at, 1000), (at + 2 * HOUR, 1500)):
        moved = before.model_copy(update={"at": moment})
        held = stock_book(counted, [moved], at + 3 * HOUR).yards["north"].stores["t1"]
        assert held.volume_l / GAL == pytest.approx(gallons, rel=1e-3)


def test_a_voided_entry_moves_nothing():
    batch = yard_entry(BatchMade, 2, tank="t1", volume_l=1000 * GAL)
    void = Void(id="v", at=NOON, voids=batch.id)
    assert not stock_book(company(), [batch, void], NOON).yards


# -- conservation ---------------------------------------------------------------------------------

PLACES = [("a", "here"), ("a", "walk"), ("b", "deck")]
gallons = st.floats(1.0, 900.0).map(lambda g: g * GAL)
KINDS = st.one_of(
    st.builds(lambda v, s, t: ("batch", BatchMade, {"tank": t, "volume_l": v, "strength_frac": s}),
              gallons, st.floats(0.18, 0.25), st.sampled_from(["t1", "t2"])),
    st.builds(lambda v: ("in", Delivery, {"product": "calcium", "store": "calcium",
                                          "volume_l": v}), gallons),
    st.builds(lambda v, w: ("load", LoadDrawn, {"sprayer": "truck", "parts": (
        {"store": "t1", "volume_l": v}, {"store": "calcium", "volume_l": w})}), gallons, gallons),
    st.builds(lambda v: ("back", LoadReturned, {"sprayer": "truck", "store": "t2", "volume_l": v}),
              gallons),
    st.builds(lambda v: ("pump", Transfer, {"from_store": "calcium", "to_store": "t1",
                                            "volume_l": v}), gallons),
    st.builds(lambda v, s: ("dip", Measurement, {"store": "t1", "volume_l": v,
                                                 "strength_frac": s}),
              gallons, st.one_of(st.none(), st.floats(0.18, 0.26))),
    st.builds(lambda m: ("pile", Measurement, {"store": "salt", "salt_kg": m}),
              st.floats(1e3, 5e4)),
    st.builds(lambda v: ("gone", Loss, {"store": "t2", "cause": "spill", "volume_l": v}), gallons),
    st.builds(lambda r, where, truck: ("put", Application, {
        "rate_l_m2": r, "site": where[0], "surface": where[1],
        "sprayer": "truck" if truck else None}),
              st.floats(0.001, 0.05), st.sampled_from(PLACES),
              st.booleans()),
    st.builds(lambda r: ("salt", Application, {"salt_kg_m2": r, "site": "b", "surface": "deck"}),
              st.floats(0.001, 0.1)),
)  # fmt: skip


@settings(max_examples=60, deadline=None)
@given(st.lists(KINDS, max_size=14))
def test_what_went_onto_the_sites_is_what_was_drawn_less_what_is_named(drawn):
    entries = []
    for number, (name, kind, values) in enumerate(drawn):
        about = {} if kind is Application else {"yard": "north"}
        at = NOON - (20 - number) * HOUR
        entries.append(kind(id=f"{name}{number}", at=at, **about, **values))
    sites = company(2000)
    book = stock_book(sites, entries, NOON)
    by_event, by_site = {}, {}
    for moved in book.movements:
        for account, sign in ((moved.target, 1.0), (moved.source, -1.0)):
            if account.kind == "surface":
                by_event[moved.entry] = by_event.get(moved.entry, 0) + sign * moved.chloride_kg
                by_site[account.place] = by_site.get(account.place, 0) + sign * moved.chloride_kg
    put_on_sites = chloride_at(book, "surface")
    assert sum(by_event.values()) == pytest.approx(put_on_sites, abs=1e-6)
    assert sum(by_site.values()) == pytest.approx(put_on_sites, abs=1e-6)
    came_kg = -chloride_at(book, "opening") - chloride_at(book, "supply")
    named_kg = chloride_at(book, "loss") + chloride_at(book, "difference")
    out_kg = chloride_at(book, "sprayer")
    held = chloride_at(book, "store")
    assert put_on_sites == pytest.approx(came_kg - held - out_kg - named_kg, abs=1e-6)
    if book.yards:  # what the plan reads is what the movements add up to
        masses = [one.masses_kg for one in book.yards["north"].stores.values()]
        weights = {0: 0.6066, 1: 0.6389, 2: 0.7447, 3: 0.4755}  # chloride by atomic weights
        told = sum(weights[i] * mass[i] for mass in masses for i in weights)
        assert held == pytest.approx(told, abs=1e-6)


def test_batches_drawn_less_losses_in_plain_figures():
    # two batches, a spill, three lots, all of 23.3 %: 0.6066 Cl by atomic weights
    entries = [
        *(yard_entry(BatchMade, ago, tank="t1", volume_l=1000 * GAL, strength_frac=0.233)
          for ago in (9, 8)),
        yard_entry(Loss, 7, store="t1", cause="spill", volume_l=50 * GAL),
        *(put_down(6 - ago / 10, 5.0) for ago in range(12)),
    ]  # fmt: skip
    book = stock_book(company(0), entries, NOON)
    per_gal_kg = sum(m.chloride_kg for m in book.movements if m.entry.startswith("Batch")
                     and m.target.key == "t1") / 2000  # fmt: skip
    assert per_gal_kg / LB == pytest.approx(1.39, abs=0.005)  # chloride in a gallon of brine
    drawn_gal = 2000 - book.yards["north"].stores["t1"].volume_l / GAL
    assert drawn_gal == pytest.approx(1250)
    assert chloride_at(book, "surface") == pytest.approx((1250 - 50) * per_gal_kg, abs=1e-6)


# -- what the plan makes of it --------------------------------------------------------------------


SNOWY = {"air_temp_c": -3.0, "dew_point_c": -9.0, "snowfall_cm": {0: 0.0, 12: 0.5, 18: 0.0},
         "snowfall_swe_mm": {0: 0.0, 12: 0.5, 18: 0.0}, "pop": 0.9}  # fmt: skip


def plan(*entries, sites=None):
    sites = sites or company(1000)
    cells = {key: SiteForecasts(forecast_cell(**SNOWY)) for key in sites.sites}
    return make_plan(sites, cells, NOON, stock=stock_book(sites, entries, NOON))


def said(made):
    return " ".join(terminal.render_text(briefing.build_view(made)).split())


def test_the_mix_stands_on_the_record_and_says_as_of_when():
    by_file = plan()
    assert by_file.yards[0].stock_as_of is None
    assert "by the sites file" in said(by_file)
    assert "counted 2026-01-02" in said(by_file)
    drawn = yard_entry(LoadDrawn, 3, sprayer="truck",
                       parts=({"store": "t1", "volume_l": 990 * GAL},))  # fmt: skip
    by_record = plan(drawn)
    assert by_record.yards[0].stock_as_of == NOON - 3 * HOUR
    assert by_record.yards[0].tanks[0].on_hand_l / GAL == pytest.approx(10)
    assert by_record.yards[0].brine_to_make_l > by_file.yards[0].brine_to_make_l
    assert "by the record up to Mon 12 Jan 2026, 9:00 AM CST" in said(by_record)
    for made, words in ((by_file, "by the sites file"), (by_record, "by the record up to")):
        assert words in mix_sheet.render_html(made)
    weak = yard_entry(Measurement, 1, store="t1", strength_frac=0.21)
    assert plan(weak).yards[0].tanks[0].status == "too weak"


def test_what_is_missing_is_told_with_the_plan():
    assert "260 gal over when measured" in said(plan(*month_of_brine(260.0), sites=company(0)))
    assert "over when measured" not in said(plan(*month_of_brine(240.0), sites=company(0)))
    assert "40 gal more of 600 gal went out than its services say" in said(plan(*one_round(40.0)))
    overdrawn = plan(yard_entry(Loss, 3, store="t1", cause="leak", volume_l=1200 * GAL))
    assert "more was taken than was there; measure it" in said(overdrawn)
    assert overdrawn.yards[0].tanks[0].on_hand_l == 0.0


def test_the_morning_reads_the_record_of_the_yard(tmp_path):
    old = replace_days(yard_entry(BatchMade, 0, tank="t1", volume_l=500 * GAL,
                                  strength_frac=0.233), 8)  # fmt: skip
    with Archive(tmp_path / "archive.sqlite") as archive:
        RecordLog(archive).add([(old.id, write_entry(old))], NOON - HOUR)
        made = pipeline.fetch_and_plan(company(1000), archive, NOON, offline=True)
    assert made.yards[0].tanks[0].on_hand_l / GAL == pytest.approx(1500, rel=1e-3)


def replace_days(entry, days):
    return entry.model_copy(update={"at": NOON - timedelta(days=days)})


# -- the command line -----------------------------------------------------------------------------


def test_a_night_in_the_yard_is_logged_and_added_up(tmp_path):
    file = tmp_path / "sites.yaml"
    file.write_text(sites_text(SITES, yards=yard_holding(1000)), encoding="utf-8")

    def run(*words):
        where = ["--archive", str(tmp_path / "archive.sqlite"), "--sites", str(file)]
        return CliRunner().invoke(app, ["record", *words, *where])

    for words in (
        ("add", "batch", "north", "t1", "500gal", "--salt", "1100lb", "--sg", "1.176",
         "--temperature", "50F"),
        ("add", "delivery", "north", "salt", "20ton"),
        ("add", "delivery", "north", "calcium", "275gal"),
        ("add", "load", "north", "truck", "t1=450gal", "calcium=50gal"),
        ("add", "application", "a", "here", "0.5gal/1000ft2", "--sprayer", "truck"),
        ("add", "return", "north", "truck", "--volume", "480gal", "--into", "t1"),
        ("add", "transfer", "north", "t1", "t2", "100gal"),
        ("add", "loss", "north", "t2", "10gal", "spill"),
        ("add", "measurement", "north", "t1", "1300gal", "--temperature", "30F"),
        ("add", "measurement", "north", "salt", "58ton"),
    ):  # fmt: skip
        result = run(*words)
        assert result.exit_code == 0, (words, result.exception)
    told = run("stock").output
    assert "by the record up to" in told
    assert "truck" in told
    assert "not accounted for 10 gal, within 25 gal" in told
    assert "t1: 1,3" in told
    assert "chloride, a: " in told
    assert "chloride, north, spill: " in told


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("batch", "nroth", "t1", "5gal"), "no yard 'nroth'; did you mean 'north'?"),
        (("batch", "north", "calcium", "5gal"), "no brine tank at north"),
        (("load", "north", "trcuk", "t1=5gal"), "did you mean 'truck'?"),
        (("load", "north", "truck", "t1"), "accepted: t1=450gal"),
        (("load", "north", "truck", "salt=5gal"), "no store at north 'salt'"),
        (("measurement", "north", "t1", "5gal", "--temperature", "285F"), "less than or equal"),
        (("measurement", "north", "t1", "5gal", "--sg", "1.17"), "needs the temperature"),
        (("measurement", "north", "salt", "5gal"), "ton"),
        (("measurement", "north", "t1"), "by volume, strength or both"),
        (("delivery", "north", "salt", "5ton", "--into", "t1"), "to the pile"),
        (("loss", "north", "t1", "5gal", "theft"), "accepted: spill, leak"),
        (("return", "north", "truck", "--volume", "5gal"), "goes into a tank"),
    ],
)  # fmt: skip
def test_what_no_yard_can_have_is_refused_in_words(tmp_path, words, message):
    file = tmp_path / "sites.yaml"
    file.write_text(sites_text(SITES, yards=yard_holding(1000)), encoding="utf-8")
    where = ["--archive", str(tmp_path / "archive.sqlite"), "--sites", str(file)]
    result = CliRunner().invoke(app, ["record", "add", *words, *where])
    assert isinstance(result.exception, InputError)
    assert message in str(result.exception)


def test_salt_is_a_name_taken():
    tanks = {"salt": BASE_SECTIONS["yards"]["north"]["tanks"]["t1"]}
    with pytest.raises(SitesError, match="name of the pile"):
        parse_sites(SITES, yards={"north": BASE_SECTIONS["yards"]["north"] | {"tanks": tanks}})


def test_the_entries_of_a_yard_read_as_they_were_written():
    for one in (*month_of_brine(10.0), *one_round(20.0)):
        assert parse_entry(write_entry(one), "here") == one
        check_entry(one, company(), NOON)


# -- floats in what is not salt brine -------------------------------------------------------------

# CRC Handbook, from memory: calcium chloride of 30 % has 1.2816 g/cm³ at 20 °C; on a 60/60 °F float
CALCIUM_30_SG = 1.2816 * 999.972 / 999.014 * (1 + 25e-6 * (20.0 - F(60)))


def calcium_yard(gallons="500 gal", **reading):
    tank = {"product": "calcium", "capacity": "2000 gal", "on_hand": gallons}
    tank |= {"reading": reading | {"taken_at": "2026-01-02"}} if reading else {}
    tanks = BASE_SECTIONS["yards"]["north"]["tanks"] | {"c1": tank}
    return {"north": BASE_SECTIONS["yards"]["north"] | {"tanks": tanks}}


def strength_in(sites, *entries):
    return stock_book(sites, entries, NOON).yards["north"].stores["c1"].strength_frac


def test_a_float_in_calcium_reads_calcium():
    sites = parse_sites(SITES, yards=calcium_yard("0 gal"))
    weak = yard_entry(Delivery, 2, product="calcium", store="c1", volume_l=500 * GAL,
                      specific_gravity=CALCIUM_30_SG, temp_c=20.0)  # fmt: skip
    assert strength_in(sites, weak) == pytest.approx(0.30, abs=0.0015)
    full = parse_sites(SITES, yards=calcium_yard())
    read = yard_entry(Measurement, 1, store="c1", specific_gravity=CALCIUM_30_SG, temp_c=20.0)
    assert strength_in(full, read) == pytest.approx(0.30, abs=0.0015)
    written = calcium_yard(specific_gravity=CALCIUM_30_SG, temperature="68 F")
    other = yard_entry(Measurement, 1, store="salt", salt_kg=1000.0)
    assert strength_in(parse_sites(SITES, yards=written), other) == pytest.approx(0.30, abs=0.0015)


@pytest.mark.parametrize(
    ("entry", "said"),
    [
        (yard_entry(Measurement, 1, store="c1", specific_gravity=0.991, temp_c=20.0), "as water"),
        (yard_entry(Measurement, 1, store="t1", specific_gravity=1.40, temp_c=20.0), "any salt"),
        (yard_entry(Delivery, 1, product="brine", store="t1", volume_l=1.0,
                    specific_gravity=1.40, temp_c=20.0), "any salt"),
    ],
)  # fmt: skip
def test_a_reading_that_cannot_be_is_refused(entry, said):
    with pytest.raises(InputError, match=said):
        check_entry(entry, parse_sites(SITES, yards=calcium_yard()), NOON)


def test_a_reading_of_the_sites_file_that_cannot_be_counts_as_none():
    tank = {"t1": {"product": "brine", "capacity": "6000 gal", "on_hand": "500 gal",
                   "reading": {"specific_gravity": 1.40, "temperature": "60 F",
                               "taken_at": "2026-01-02"}}}  # fmt: skip
    sites = parse_sites(SITES, yards={"north": BASE_SECTIONS["yards"]["north"] | {"tanks": tank}})
    plan = make_plan(sites, {}, NOON)
    assert plan.yards[0].tanks[0].status == "no reading"
