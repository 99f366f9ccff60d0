"""Conductivity against standard solutions."""

import numpy as np
import pytest

from shared.water import Water, conductivity


def solution(**mol_l: float) -> Water:
    return Water(**{**dict.fromkeys(("ca", "mg", "na", "k", "cl", "so4", "alkalinity", "carbon"), 0.0), **mol_l})  # type: ignore[arg-type]


@pytest.mark.parametrize(("mol_l", "printed"), [(0.001, 147.0), (0.005, 717.8), (0.01, 1413.0)])
def test_potassium_chloride(mol_l: float, printed: float) -> None:
    """The calibration standard of conductivity meters, µS/cm at 25 °C (Standard Methods 2510, table 2510:I)."""
    assert float(conductivity(solution(k=mol_l, cl=mol_l))) == pytest.approx(printed, rel=0.01)


def test_sodium_chloride() -> None:
    """118.45 S cm2/mol at 0.01 mol/L (CRC Handbook, equivalent conductivity; from memory)."""
    assert float(conductivity(solution(na=0.01, cl=0.01))) == pytest.approx(1184.5, rel=0.01)


def test_pure_water() -> None:
    """0.055 µS/cm at 25 °C (Standard Methods 2510)."""
    assert float(conductivity(Water(*np.zeros(8)))) == pytest.approx(0.055, abs=0.001)
