"""Values and intervals in words: rounding after JCGM 100:2008, 7.2.6 (two significant digits of uncertainty)."""

import re
from datetime import UTC, date, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared.errors import InputError
from shared.estimate import Estimate
from shared.notation import HARDNESS_UNITS, Notation, decimals_of, rounded, significant
from shared.text import format_estimate, format_value, written


@pytest.mark.parametrize(("value", "low", "high", "unit", "text"), [
    (62.34, 58.1, 66.9, "mg/L CaCO3", "62.3 mg/L CaCO3 (58.1 to 66.9)"),
    (123.4, 103.1, 151.2, "mg/L Cl", "123 mg/L Cl (103 to 151)"),
    (1234.0, 1000.0, 1480.0, "µS/cm", "1230 µS/cm (1000 to 1480)"),
    (7.123, 7.0, 7.3, "pH", "pH 7.12 (7.00 to 7.30)"),
    (0.0, 0.0, 0.05, "mg/L Cl2", "0.00 mg/L Cl2 (0.00 to 0.05)"),
    (0.0, 0.0, 0.0004, "mg/L Cl2", "0 mg/L Cl2"),
    (0.0, -0.0, 0.2, "mg/L Cl2", "0.00 mg/L Cl2 (0.00 to 0.20)"),
    # A half-width of 0.0996 is 0.10 at two digits, not 0.100.
    (1.0, 0.9004, 1.0996, "x", "1.00 x (0.90 to 1.10)"),
    (20.0, 20.0, 20.0, "°C", "20 °C"),
    # Draws of a constant differ by rounding errors only.
    (84.00000000000001, 83.99999999999999, 84.00000000000001, "mg/L NaHCO3", "84 mg/L NaHCO3"),
    (3500.0, 3500.0, 3500.0, "L", "3500 L"),
    # GUM H.1.7: l = 50.000838 mm with U = 93 nm.
    (50.000838, 50.000745, 50.000931, "mm", "50.000838 mm (50.000745 to 50.000931)"),
])
def test_written(value: float, low: float, high: float, unit: str, text: str) -> None:
    assert format_value(value, low=low, high=high, unit=unit) == text


def test_beyond_the_range_the_bound_is_written() -> None:
    above = Estimate(analyte="chloride", value=500, low=468.2, high=5000, unit="mg/L Cl", status="above")
    below = Estimate(analyte="ph", value=6, low=0, high=6.13, unit="pH", status="below")
    assert format_estimate(above) == "at least 468 mg/L Cl (above the range, which ends at 500)"
    assert format_estimate(below) == "at most pH 6.13 (below the range, which begins at 6)"


@given(st.floats(1e-6, 1e6), st.floats(-1e6, 1e6))
def test_values_are_rounded_to_two_digits_of_the_half_width(half_width: float, value: float) -> None:
    places = decimals_of(half_width)
    unit = 10.0**-places
    assert 9.4999 <= half_width / unit < 100.0
    assert float(rounded(value, places)) == pytest.approx(value, abs=0.5001 * unit + 1e-9)


GERMAN = Notation(unit="°dH", comma=True)


@pytest.mark.parametrize(("unit", "one"), [
    # mg/L CaCO3 of one unit. °dH: 10 mg CaO/L by molar masses 56.077 and 100.087; °fH: 10 mg/L by definition;
    # °e: 1 grain an imperial gallon (64.799 mg, 4.546 L); gpg: 1 grain a US gallon (3.785 L); constants from memory.
    ("mg/L CaCO3", 1.0), ("°dH", 17.848), ("°fH", 10.0), ("°e", 14.254), ("gpg", 17.118)])
def test_units_of_hardness(unit: str, one: float) -> None:
    notation = next(Notation(unit=u) for u in HARDNESS_UNITS if u == unit)
    assert notation.express(one, "mg/L CaCO3") == pytest.approx(1.0, rel=1e-4)
    assert notation.express(one, "mg/L Cl") == one


def test_one_formatter_in_any_notation() -> None:
    hard = Estimate(analyte="hardness", value=178.48, low=160.6, high=196.3, unit="mg/L CaCO3")
    below = Estimate(analyte="hardness", value=20.0, low=0.0, high=23.4, unit="mg/L CaCO3", status="below")
    assert written(hard, hard.unit, notation=GERMAN).brief == "10,0 (9,0 to 11,0)"
    found = written(below, below.unit, status=below.status, notation=GERMAN)
    assert (found.value, found.interval, found.unit) == (
        "at most 1,31", "below the range, which begins at 1,12", "°dH")
    plain = written(below, below.unit, status=below.status)
    assert format_estimate(below) == f"{plain.value} {plain.unit} ({plain.interval})"


@pytest.mark.parametrize(("sentence", "shown"), [
    ("Above about 90 mg/L CaCO3 scale is the worry.", "Above about 5 °dH scale is the worry."),
    ("It is 62.3 mg/L CaCO3 (58.1 to 66.9); pH 7.4.", "It is 3,49 °dH (3,26 to 3,75); pH 7,4."),
    ("Permitted: 40 to 75 mg/L CaCO3.", "Permitted: 2,2 to 4,2 °dH."),
    *((same, same) for same in ("ISO/IEC 17025:2017, 7.8.6", "stripread 0.1.0", "2031-05-04-C1.jpg", "2031-13-45")),
])
def test_numbers_in_sentences(sentence: str, shown: str) -> None:
    assert GERMAN.prose(sentence) == shown
    assert Notation().prose(sentence) == sentence


def test_days_in_sentences() -> None:
    sentence = "Opened 2031-05-04, 95 % interval 2031-10-03 to 2031-10-09."
    assert Notation().prose(sentence) == "Opened 4 May 2031, 95 % interval 3 Oct 2031 to 9 Oct 2031."


@given(st.floats(1e-6, 1e8), st.integers(1, 6))
def test_significant_digits_without_an_exponent(value: float, digits: int) -> None:
    """The same number as Python's own rounding to as many digits."""
    text = significant(value, digits)
    assert re.fullmatch(r"\d+(\.\d*[1-9])?", text)
    assert float(text) == pytest.approx(float(f"{value:.{digits}g}"), rel=1e-5)


def test_times_are_local() -> None:
    """Summer and winter time of Vienna are UTC+2 and UTC+1 (IANA time zone database); an unknown zone gives UTC."""
    noon = (datetime(2026, 7, 1, 12, tzinfo=UTC), datetime(2026, 12, 31, 23, 30, tzinfo=UTC))
    vienna, nowhere = Notation(zone="Europe/Vienna"), Notation(zone="Nowhere/Land")
    assert [vienna.moment(t) for t in noon] == ["1 Jul 2026, 14:00", "1 Jan 2027, 00:30"]
    assert [nowhere.moment(t) for t in noon] == ["1 Jul 2026, 12:00", "31 Dec 2026, 23:30"]
    assert vienna.day(date(2026, 12, 31)) == "31 Dec 2026"
    assert vienna.start_of(date(2026, 7, 1)) == datetime(2026, 6, 30, 22, tzinfo=UTC)


def test_typed_numbers() -> None:
    """10 °dH are 178.48 mg/L CaCO3, as above."""
    assert GERMAN.number(" 10,0 ", "mg/L CaCO3", "value") == pytest.approx(178.48, rel=1e-4)
    assert GERMAN.number("12.5", "mg/L Cl", "value") == 12.5
    for text in ("", "x", "1e9", "1 000", "nan", "٣"):
        with pytest.raises(InputError, match="is not a number"):
            Notation().number(text, "mg/L Cl", "value")
