"""Published tables, and PHREEQC itself, for the tests of solution chemistry."""

import csv
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from phreeqpython import PhreeqPython

from shared.water import Water, WaterReading, balance_charge

DATA = Path(__file__).parents[2] / "data"
Rows = list[dict[str, str]]


def read(name: str) -> Rows:
    """The rows of a table of tests/data."""
    lines = (DATA / name).read_text(encoding="utf-8").splitlines()
    found = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    assert found, name
    return found


@pytest.fixture(scope="session")
def rows() -> Callable[[str], Rows]:
    return read


def _sampled(row: dict[str, str]) -> Water:
    columns = ("hardness", "calcium_fraction", "alkalinity", "ph", "chloride")
    values: dict[str, Any] = {c: float(row[c]) for c in columns}
    return balance_charge(WaterReading(sample_temperature=float(row["ph_at_c"]), **values)).water


@pytest.fixture(scope="session")
def waters() -> dict[str, Water]:
    """The 25 samples of phreeqc-waters.csv by id, charge closed."""
    return {row["id"]: _sampled(row) for row in read("phreeqc-waters.csv")}


class Phreeqc:
    """PHREEQC (phreeqpython), fed with the totals of one of our waters."""

    def __init__(self, database: str) -> None:
        self.engine = PhreeqPython(database=database)

    def sample(self, water: Water, ph: float, t_c: float) -> Any:
        """A solution of the (single) ``water`` with this pH at this temperature; the carbon is PHREEQC's."""
        names = {"Ca": "ca", "Mg": "mg", "Na": "na", "K": "k", "Cl": "cl", "S(6)": "so4", "Alkalinity": "alkalinity"}
        totals = {name: 1e3 * float(getattr(water, total)) for name, total in names.items()}
        return self.engine.add_solution({"temp": t_c, "pH": ph, "units": "mmol/kgw", "O(0)": 0.5, **totals})

    @staticmethod
    def heated(sample: Any, t_c: float) -> dict[str, float]:
        """pH, SI of calcite and CCPP (mg/L CaCO3) of ``sample`` heated closed, at 1 atm.

        The 2.3 atm of boiling at 125 °C move SI by less than 0.001.
        """
        hot = sample.copy()
        hot.change_temperature(t_c)
        result = {"ph": hot.pH, "si": hot.si("Calcite")}
        calcium = hot.total_element("Ca", units="mol")
        hot.equalize(["Calcite"], [0.0], [100.0])
        left = hot.total_element("Ca", units="mol")
        hot.forget()
        return {**result, "ccpp": 100_086.0 * (calcium - left)}


@pytest.fixture(scope="session")
def phreeqc() -> Phreeqc:
    return Phreeqc("phreeqc.dat")


@pytest.fixture(scope="session")
def pitzer() -> Phreeqc:
    return Phreeqc("pitzer.dat")


@pytest.fixture(scope="session")
def plain() -> Water:
    """An everyday water: hardness 150, alkalinity 140 mg/L CaCO3, pH 7.9 at 20 °C, 30 mg/L Cl."""
    reading = WaterReading(
        hardness=150.0, calcium_fraction=0.75, alkalinity=140.0, ph=7.9, chloride=30.0, sample_temperature=20.0
    )
    return balance_charge(reading).water


@pytest.fixture(scope="session")
def stacked(waters: dict[str, Water]) -> Water:
    """All 25 samples as one array."""
    names = ("ca", "mg", "na", "k", "cl", "so4", "alkalinity", "carbon")
    return Water(**{n: np.array([float(getattr(w, n)) for w in waters.values()]) for n in names})
