"""From a reading to a water: what is missing is added, what cannot be is refused with its numbers."""

from typing import Any

import numpy as np
import pytest

from shared.errors import InputError
from shared.water import WaterReading, balance_charge, speciate

EVERYDAY: dict[str, Any] = {
    "hardness": 150.0, "calcium_fraction": 0.75, "alkalinity": 140.0, "ph": 7.9, "chloride": 30.0,
    "sample_temperature": 20.0,
}  # fmt: skip


def reading(**changed: Any) -> WaterReading:
    return WaterReading(**{**EVERYDAY, **changed})


def test_anions_in_excess_are_balanced_by_sodium() -> None:
    """(140/50.043 + 30/35.453) - 150/50.043 = 0.6464 meq/L, by hand."""
    closed = balance_charge(reading())
    assert float(closed.balance.sodium_added) * 1e3 == pytest.approx(0.6464, abs=1e-4)
    assert float(closed.balance.sulfate_added) == 0
    assert float(closed.water.sodium_mg_l) == pytest.approx(0.6464 * 22.9898, abs=0.01)


def test_cations_in_excess_are_balanced_by_sulfate() -> None:
    closed = balance_charge(reading(alkalinity=50.0))
    assert float(closed.balance.sulfate_added) * 1e3 == pytest.approx(
        150 / 50.043 - 50 / 50.043 - 30 / 35.453, abs=1e-4
    )
    assert float(closed.water.sulfate_mg_l) == pytest.approx(float(closed.balance.sulfate_added) * 48028, rel=1e-4)


def test_a_full_analysis_shows_its_error() -> None:
    """With sodium and sulfate measured the percentage is that of Standard Methods 1030 E, by hand."""
    closed = balance_charge(reading(sodium=20.0, sulfate=20.0, potassium=2.0))
    cations = 150 / 50.043 + 20 / 22.9898 + 2 / 39.0983
    anions = 140 / 50.043 + 30 / 35.453 + 20 / 48.028
    assert float(closed.balance.percent) == pytest.approx(100 * (cations - anions) / (cations + anions), abs=0.01)


def test_impossible_water_names_its_numbers() -> None:
    """PH 11 needs 50 mg/L CaCO3 of hydroxide alone; an alkalinity of 20 is impossible."""
    with pytest.raises(InputError, match=r"pH 11\.00 with 20 mg/L CaCO3"):
        balance_charge(reading(ph=11.0, alkalinity=20.0))


def test_more_co2_than_in_a_carbonated_drink_is_an_error() -> None:
    """100 mg/L of alkalinity at pH 4 would take some 20 g/L of CO2 (Henderson-Hasselbalch)."""
    with pytest.raises(InputError, match="carbonated"):
        balance_charge(reading(ph=4.0, alkalinity=100.0))


def test_impossible_draws_are_marked_not_lost() -> None:
    closed = balance_charge(reading(ph=np.array([7.0, 11.0, 8.0]), alkalinity=20.0), strict=False)
    assert closed.possible.tolist() == [True, False, True]
    assert float(closed.water.carbon[1]) == 0
    kept = closed.water.take(closed.possible)
    assert speciate(kept, 20.0).ph == pytest.approx([7.0, 8.0], abs=1e-4)


@pytest.mark.parametrize(
    ("changed", "where"),
    [
        ({"hardness": -1.0}, "ca"),
        ({"calcium_fraction": 1.2}, "mg"),
        ({"chloride": float("nan")}, "cl"),
        ({"alkalinity": float("inf")}, "alkalinity"),
        ({"sample_temperature": 500.0}, "temperature"),
        ({"chloride": 50_000.0}, "ionic strength"),
    ],
)
def test_nonsense_is_refused(changed: dict[str, float], where: str) -> None:
    with pytest.raises(InputError) as caught:
        balance_charge(reading(**changed))
    assert caught.value.where == where
    assert caught.value.allowed


def test_pure_water_can_be_read() -> None:
    """Nothing dissolved but CO2 from air: pH 5.62 at 20 °C (PHREEQC, phreeqc-remineralisation.csv, RM-O3)."""
    closed = balance_charge(reading(hardness=0.0, alkalinity=0.0, chloride=0.0, ph=5.6236))
    assert float(speciate(closed.water, 20.0).co2_mg_l) == pytest.approx(0.599, abs=0.005)
