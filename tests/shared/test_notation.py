"""Numbers in the reader's unit and decimal sign."""

import re
from datetime import UTC, date, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared.errors import InputError
from shared.estimate import Estimate
from shared.notation import HARDNESS_UNITS, Notation
from shared.rounding import significant
from shared.text import format_estimate, written

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
    *((same, same) for same in ("ISO/IEC 17025:2017, 7.8.6", "stripread 0.1.0", "2031-05-04")),
])
def test_numbers_in_sentences(sentence: str, shown: str) -> None:
    assert GERMAN.prose(sentence) == shown
    assert Notation().prose(sentence) == sentence


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
