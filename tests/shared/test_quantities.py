"""Units against a published table, and what technicians type."""

import csv
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pint import DimensionalityError

from shared.analytes import ANALYTES
from shared.errors import QuantityError
from shared.quantities import convert, express, read_quantity, shown_units
from shared.units import SPECIES, registry

DATA = Path(__file__).parents[1] / "data"


def published_units() -> list[list[str]]:
    lines = (DATA / "hardness-units.csv").read_text(encoding="utf-8").splitlines()
    return list(csv.reader(line for line in lines if not line.startswith("#")))


@pytest.mark.parametrize(("analyte", "unit", "printed"), published_units())
def test_units_of_the_published_table(analyte: str, unit: str, printed: str) -> None:
    """One unit in the analyte's own, to half the last printed digit."""
    decimals = len(printed.partition(".")[2])
    assert read_quantity(unit, analyte) == pytest.approx(float(printed), abs=0.5001 * 10**-decimals)


@pytest.mark.parametrize(("analyte", "text", "value"), [
    # Second way: 40 mg/L Ca and 10 mg/L Mg by molar mass and charge (IUPAC weights), 100.086 / 40.078, / 24.305.
    ("hardness", "40 mg/L Ca", 99.89), ("hardness", "10 mg/L Mg", 41.18),
    ("hardness", "60 ppm", 60.0), ("hardness", "60 mg/l as CaCO3", 60.0), ("hardness", "60 mg CaCO₃/L", 60.0),
    ("hardness", "24 mg/L Ca2+", 59.93), ("hardness", "3,4 dH", 60.68), ("hardness", " 3.4°dH ", 60.68),
    ("hardness", "0.6 mmol/L", 60.05), ("hardness", "1.2 meq/L", 60.05), ("hardness", "4.2 °Clark", 59.87),
    ("alkalinity", "61.02 mg/L HCO3-", 50.05), ("alkalinity", "2.8 °dKH", 49.97),
    ("chloride", "50", None), ("chloride", "50 mg/L", 50.0), ("chloride", "80 mg/L NaCl", 48.53),
    ("chloride", "50 ppm", 50.0), ("chlorine", "0.5 mg/L", 0.5), ("sulfate", "48 mg/L SO4 2-", 48.0),
    ("ph", "7.2", 7.2), ("ph", "pH 7,2", 7.2), ("temperature", "20 °C", 20.0), ("temperature", "68 °F", 20.0),
    ("conductivity", "350 µS/cm", 350.0), ("conductivity", "0.35 mS/cm", 350.0), ("tds", "0.1 g/L", 100.0),
    ("calcium", "10 ppb", 0.01),
])
def test_what_technicians_type(analyte: str, text: str, value: float | None) -> None:
    """Factors by hand from the IUPAC weights in the table above; "ppm" of hardness: common practice, no source."""
    if value is None:
        with pytest.raises(QuantityError, match="no unit"):
            read_quantity(text, analyte)
    else:
        assert read_quantity(text, analyte) == pytest.approx(value, abs=0.006)


@pytest.mark.parametrize(("analyte", "text", "said"), [
    ("hardness", "60", "has no unit; found a number without a unit; allowed: a number and one of mg/L CaCO3"),
    ("hardness", "60 mg/L", "does not state the substance"),
    ("hardness", "60 mg/L Na", "does not fit"), ("hardness", "60 mg/L CaCO3 x", "does not fit"),
    ("hardness", "60 decihenry", "does not fit"), ("hardness", "60 µS/cm", "does not fit"),
    ("chloride", "3 °dH", "does not fit"), ("ph", "7.2 mg/L", "does not fit"),
    ("hardness", "-3 mg/L CaCO3", "impossible; found -3 mg/L CaCO3; allowed: 0 to 2000 mg/L CaCO3"),
    ("hardness", "1e9 ppm", "impossible"), ("hardness", "1e999 °dH", "impossible"), ("ph", "15", "impossible"),
    ("hardness", "nan ppm", "not a number"), ("hardness", "inf ppm", "not a number"), ("hardness", "", "not a number"),
    ("hardness", "1,000 ppm", "decimal comma or thousands"), ("hardness", "60..0 ppm", "does not fit"),
    ("hardness", "1 000 ppm", "not a number"), ("zinc", "3 mg/L", "no such analyte"),
])
def test_refused(analyte: str, text: str, said: str) -> None:
    with pytest.raises(QuantityError) as error:
        read_quantity(text, analyte, where="--hardness")
    assert error.value.message.startswith("--hardness: ")
    assert said in error.value.message
    assert "\n" not in error.value.message


@given(st.text(max_size=20), st.sampled_from(sorted(ANALYTES)))
def test_any_text_is_a_value_within_limits_or_refused(text: str, analyte: str) -> None:
    try:
        value = read_quantity(text, analyte)
    except QuantityError:
        return
    assert ANALYTES[analyte].lower <= value <= ANALYTES[analyte].upper


@pytest.mark.parametrize("analyte", ANALYTES)
def test_every_shown_unit_is_read_and_converted_back(analyte: str) -> None:
    units = shown_units(ANALYTES[analyte])
    assert units
    for unit in units:
        shown = 5.0 if analyte == "ph" else express(20.0, analyte, unit=unit)
        assert convert(shown, analyte, unit=unit) == pytest.approx(5.0 if analyte == "ph" else 20.0)


def test_own_unit_is_one_of_the_registry() -> None:
    """The species first in the table is the one in the analyte's own unit."""
    assert {a: f"mg/L {next(iter(of))}" for a, of in SPECIES.items()} == {a: ANALYTES[a].unit for a in SPECIES}


def test_an_ion_is_no_caco3_without_its_context() -> None:
    with pytest.raises(DimensionalityError):
        registry().Quantity(40.0, "mgCa/L").to("mgCaCO3/L")


def test_own_units_need_no_pint() -> None:
    """Start-up stays light: a value in its own unit is read without importing pint."""
    code = ("import sys; from shared.quantities import read_quantity as r; r('60 ppm', 'hardness'); "
            "r('60 mg/L CaCO3', 'hardness'); r('7.2', 'ph'); sys.exit('pint' in sys.modules)")
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
