"""Values and intervals in words: rounding after JCGM 100:2008, 7.2.6 (two significant digits of uncertainty)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared.estimate import Estimate
from shared.rounding import decimals_of, rounded
from shared.text import format_estimate, format_value


@pytest.mark.parametrize(("value", "low", "high", "unit", "text"), [
    (62.34, 58.1, 66.9, "mg/L CaCO3", "62.3 mg/L CaCO3 (58.1 to 66.9)"),
    (123.4, 103.1, 151.2, "mg/L Cl", "123 mg/L Cl (103 to 151)"),
    (1234.0, 1000.0, 1480.0, "µS/cm", "1230 µS/cm (1000 to 1480)"),
    (7.123, 7.0, 7.3, "pH", "pH 7.12 (7.00 to 7.30)"),
    (0.0, 0.0, 0.05, "mg/L Cl2", "0.000 mg/L Cl2 (0.000 to 0.050)"),
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


def test_beyond_the_range_the_bound_that_holds_is_written() -> None:
    above = Estimate(analyte="chloride", value=500, low=468.2, high=5000, unit="mg/L Cl", status="above")
    below = Estimate(analyte="ph", value=6, low=0, high=6.13, unit="pH", status="below")
    assert format_estimate(above) == "at least 468 mg/L Cl (above the range, which ends at 500)"
    assert format_estimate(below) == "at most pH 6.13 (below the range, which begins at 6)"


@given(st.floats(1e-6, 1e6), st.floats(-1e6, 1e6))
def test_two_digits_of_the_half_width_are_kept(half_width: float, value: float) -> None:
    places = decimals_of(half_width)
    unit = 10.0**-places
    assert 9.4999 <= half_width / unit < 100.0
    assert float(rounded(value, places)) == pytest.approx(value, abs=0.5001 * unit + 1e-9)
