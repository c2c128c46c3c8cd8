"""Units: defined factors, the handbooks' own conversions, and refusal of bare numbers."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stormplan import units
from stormplan.errors import InputError


@pytest.mark.parametrize(
    ("text", "kind", "value"),
    [
        # NIST SP 811 appendix B: 1 gal (US) = 3.785412 L, 1 lb = 0.4535924 kg, 1 acre = 4046.856 m2
        # (international foot), 1 mph = 0.44704 m/s
        ("1 gal", "volume", 3.785412),
        ("1 lb", "mass", 0.4535924),
        ("1 acre", "area", 4046.856),
        ("10 mph", "speed", 4.4704),
        ("-6 °F", "temperature", -21.1111),
        ("95 %", "percentage", 0.95),
        ("1,000 gal", "volume", 3785.412),
        ("0.5 gal/1000 ft²", "liquid rate", 0.0203729),
        ("1 lb/1000 ft2", "solid rate", 4.88243e-3),
        ("9 F", "temperature difference", 5.0),
    ],
)
def test_written_quantities_come_out_in_si(text, kind, value):
    assert units.parse(text, kind) == pytest.approx(value, rel=2e-6)


def test_rates_by_the_acre_agree_with_the_acre():
    # NIST Handbook 44, appendix C: an acre is 43,560 ft2
    for per_acre, per_kft2, kind in (
        ("21.78 gal/acre", "0.5 gal/1000 ft2", "liquid rate"),
        ("108.9 lb/acre", "2.5 lb/1000 ft2", "solid rate"),
    ):
        assert units.parse(per_acre, kind) == pytest.approx(units.parse(per_kft2, kind), rel=1e-9)


def test_rates_per_lane_mile_agree_with_the_handbooks_area():
    # Minnesota Snow and Ice Control Field Handbook: a lane-mile is 12 ft x 5,280 ft, so
    # 0.5 gal/1000 ft2 is 31.7 gal per lane-mile and 0.8 is 50.7
    assert units.parse("31.68 gal/lane-mile", "liquid rate") == pytest.approx(
        units.parse("0.5 gal/1000 ft2", "liquid rate"), rel=1e-9
    )
    assert units.parse("50.688 gal/lane-mile", "liquid rate") == pytest.approx(
        units.parse("0.8 gal/1000 ft2", "liquid rate"), rel=1e-9
    )


@pytest.mark.parametrize("text", ["", "forty gal", "12 gal/h", "nan gal", True])
def test_what_is_not_a_volume_is_refused_with_what_would_be_accepted(text):
    with pytest.raises(InputError, match=r"write it as '2500 gal' \(units: gal, l, m3\)"):
        units.parse(text, "volume")


def test_a_number_without_unit_is_given_back_with_one():
    with pytest.raises(InputError, match=r"'4,200' has no unit; write it as '4,200 gal'"):
        units.parse("4,200", "volume")


@given(st.floats(-80, 60))
def test_fahrenheit_round_trips(temp_c):
    assert units.f_to_c(units.c_to_f(temp_c)) == pytest.approx(temp_c, abs=1e-9)


def test_every_kind_parses_its_own_example():
    for kind, entry in units.QUANTITY_KINDS.items():
        assert isinstance(units.parse(entry.example, kind), float)


def test_speaker_says_both_systems():
    us, metric = units.UnitFormatter("us"), units.UnitFormatter("metric")
    assert us.liquid_rate(0.0203729) == "0.50 gal/1000 ft²"
    assert metric.liquid_rate(0.0203729) == "20 mL/m²"
    assert us.temperature(-21.1111) == "-6 °F"
    assert metric.temperature(-21.1111) == "-21.1 °C"
    assert us.volume(3785.412) == "1,000 gal"
