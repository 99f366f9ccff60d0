"""The tables written are those read: standards.csv goes through the reader of calibration unchanged."""

from __future__ import annotations

import csv
from collections.abc import Callable
from io import StringIO
from pathlib import Path

import pytest

from calibration.standards import read_standards
from calibration.standards_plan.export import aliquots_table, standards_table, written
from calibration.standards_plan.preparation import Preparation, prepare
from shared.strip import default_strip
from tests.loops import some


def test_the_standards_table_is_read_back(made: Preparation, tmp_path: Path) -> None:
    """Every photograph once, and each certified value and uncertainty to half its last digit."""
    table = tmp_path / "standards.csv"
    table.write_text(standards_table(made, default_strip()), encoding="utf-8")
    for line in csv.DictReader(StringIO(table.read_text(encoding="utf-8"))):
        (tmp_path / line["photo"]).touch()
    rows = read_standards(table, {p.analyte: p.unit for p in default_strip().pads})
    assert len(rows) == len(made.solutions) * len(made.plan.lights) == 56
    solutions = {s.id: s for s in made.solutions}
    for row in rows:
        solution = solutions[row.standard]
        assert row.role == solution.role
        assert set(row.certified) == {v.analyte for v in solution.values}
        for analyte, found in some(row.certified.items()):
            value = solution.value(analyte)
            assert value is not None
            assert value.certified is not None
            u = value.certified[1]
            assert found.value == pytest.approx(value.certified[0], abs=0.05 * u + 1e-9)
            assert found.u == pytest.approx(u, rel=0.05)


def test_uncertified_values_remain_empty(plan: Callable[..., Path]) -> None:
    made = prepare(plan(("photographs_per_light = 1", "photographs_per_light = 2")))
    rows = {row["photo"]: row for row in csv.DictReader(StringIO(standards_table(made, default_strip())))}
    assert len(rows) == 112
    again = rows["A05-window-2.jpg"]
    assert (again["chlorine [mg/L Cl2]"], again["alkalinity [mg/L CaCO3]"], again["ph"]) == ("", "", "")
    assert rows["A01-window.jpg"]["chlorine [mg/L Cl2]"] == "0.000"


def test_aliquots_add_up_and_fit(made: Preparation) -> None:
    rows = list(csv.DictReader(StringIO(aliquots_table(made))))
    assert {row["solution"] for row in rows} == {s.id for s in made.solutions if s.recipe}
    for row in some(rows):
        if row["stock"] != "water alone":
            total = int(row["fillings"]) * float(row["each [ml]"])
            assert total == pytest.approx(float(row["total [ml]"]))
            assert total < float(row["flask [ml]"])


@pytest.mark.parametrize(("value", "u", "expected"), [
    # JCGM 100:2008, 7.2.6: the uncertainty to two digits, the value to the same place; 7.2.6's own 10.057 62, 27 mOhm.
    (10.05762, 0.027, ("10.058", "0.027")), (425.003, 1.175, ("425.0", "1.2")), (-0.0001, 0.2, ("0.00", "0.20")),
    (1234.5, 23.0, ("1234", "23")), (7.0, 0.0, ("7", "0")),
])
def test_digits(value: float, u: float, expected: tuple[str, str]) -> None:
    assert written(value, u) == expected
