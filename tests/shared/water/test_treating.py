"""Ion exchange, reverse osmosis and salts against PHREEQC's examples and arithmetic by hand."""

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from shared.errors import InputError
from shared.water import Water, ccpp, conductivity, larson_skold, mix, molar, open_to_air, speciate
from shared.water.salts import SALTS, dosed, salt
from shared.water.treating import (
    calcite_contact,
    capacity_from_rating,
    concentrate_factor,
    decarbonated,
    decarbonation_limit,
    litres_to_exhaustion,
    magnesium_for_calcium,
    permeate,
    softened,
)

ROOM = 25.0


def assert_like(water: Water, row: dict[str, str]) -> None:
    """PH within 0.02, SI 0.03, CCPP 2 mg/L or 2 %, closed and after air, at 25, 93 and 125 °C."""
    for held, held_water in (("closed", water), ("air", open_to_air(water, ROOM))):
        for t_c in (25, 93, 125):
            s = speciate(held_water, float(t_c))
            assert float(s.si_calcite) == pytest.approx(float(row[f"{held}_si_{t_c}"]), abs=0.03), (row["id"], held)
            if t_c != 93:
                assert float(s.ph) == pytest.approx(float(row[f"{held}_ph_{t_c}"]), abs=0.02), (row["id"], held)
            if t_c != 25:
                expected = float(row[f"{held}_ccpp_{t_c}"])
                assert float(ccpp(held_water, float(t_c))) == pytest.approx(
                    expected, abs=max(2.0, 0.02 * abs(expected))
                )
    assert float(larson_skold(water)) == pytest.approx(float(row["larson_skold"]), rel=0.01)
    assert float(conductivity(water)) == pytest.approx(float(row["conductivity_us_cm"]), rel=0.03, abs=1)


def test_reverse_osmosis_blends(rows: Callable[[str], Any], waters: dict[str, Water]) -> None:
    """phreeqc-reverse-osmosis.csv: CO2 passes, so the blend is sour unless the permeate was aired."""
    for row in rows("phreeqc-reverse-osmosis.csv"):
        tap, t_c, share = waters[row["tap"]], float(row["mixing_t_c"]), float(row["tap_fraction"])
        soft = permeate(tap, float(row["rejection"]), t_c=t_c)
        soft = open_to_air(soft, t_c) if row["permeate_aired"] == "1" else soft
        blend = mix((tap, soft), (share, 1 - share))
        assert float(blend.hardness) == pytest.approx(float(row["hardness"]), rel=1e-3)
        assert float(blend.chloride_mg_l) == pytest.approx(float(row["chloride"]), rel=1e-3)
        assert float(speciate(blend, t_c).ph) == pytest.approx(float(row["ph_at_mixing"]), abs=0.02)
        assert_like(blend, row)


def test_weak_acid_exchange(rows: Callable[[str], Any], waters: dict[str, Water]) -> None:
    """phreeqc-weak-acid-exchange.csv: alkalinity becomes CO2."""
    for row in rows("phreeqc-weak-acid-exchange.csv"):
        tap, t_c = waters[row["tap"]], float(row["t_c"])
        treated = decarbonated(tap, float(row["removed_meq_l"]) / 1e3)
        s = speciate(treated, t_c)
        assert float(treated.hardness) == pytest.approx(float(row["hardness"]), abs=0.05)
        assert float(s.ph) == pytest.approx(float(row["ph_at_t"]), abs=0.02)
        made = float(s.co2_mg_l - speciate(tap, t_c).co2_mg_l)
        assert made == pytest.approx(float(row["co2_made_mg_l"]), rel=0.01, abs=0.2)
        assert_like(treated, row)


def test_remineralised_permeate(rows: Callable[[str], Any], waters: dict[str, Water]) -> None:
    """phreeqc-remineralisation.csv: weights by formula, then the water they make."""
    table = rows("phreeqc-remineralisation.csv")
    assert len(table) == 4
    for row in table:
        t_c = float(row["t_c"])
        soft = permeate(waters[row["tap"]], float(row["rejection"]), t_c=t_c) if row["tap"] else pure_water(row)
        assert float(speciate(soft, t_c).ph) == pytest.approx(float(row["permeate_ph"]), abs=0.02)
        weights = {"CaCl2·2H2O": row["cacl2_2h2o"], "MgSO4·7H2O": row["mgso4_7h2o"], "NaHCO3": row["nahco3"]}
        made = dosed(soft, {salt(formula): float(mg_l) for formula, mg_l in weights.items()})
        assert float(made.hardness) == pytest.approx(float(row["target_hardness"]), abs=0.05)
        assert float(made.alkalinity_caco3) == pytest.approx(float(row["target_alkalinity"]), abs=0.05)
        for ion in ("chloride", "sulfate", "sodium"):
            assert float(getattr(made, f"{ion}_mg_l")) == pytest.approx(float(row[ion]), abs=0.03)
        assert float(speciate(made, t_c).ph) == pytest.approx(float(row["ph_at_t"]), abs=0.02)
        assert_like(made, row)


def pure_water(row: dict[str, str]) -> Water:
    """Nothing but the CO2 of the row and the bicarbonate that goes with its hydrogen ion."""
    carbon = float(row["permeate_co2_mg_l"]) / 44009 + 10 ** -float(row["permeate_ph"])
    return Water(*np.zeros(8)).with_(carbon=carbon)


@pytest.mark.parametrize(
    ("formula", "factor"),
    [
        ("CaCl2 anhydrous", 1.10889), ("CaCl2·2H2O", 1.46888), ("MgSO4 anhydrous", 1.20258), ("MgSO4·7H2O", 2.46254),
        ("MgCl2·6H2O", 2.03126), ("CaSO4·2H2O", 1.72016), ("Ca(OH)2", 0.74028),
    ],
)  # fmt: skip
def test_dose_for_a_unit_of_hardness(formula: str, factor: float) -> None:
    """Molar mass over 100.086; Epsom salt is also quoted as 2.45 g for a litre of 1000 mg/L stock."""
    assert SALTS[formula].mg_per_hardness == pytest.approx(factor, abs=2e-5)


@pytest.mark.parametrize(
    ("formula", "factor"), [("NaHCO3", 1.67867), ("KHCO3", 2.00057), ("Na2CO3", 1.05896), ("Ca(OH)2", 0.74028)]
)
def test_dose_for_a_unit_of_alkalinity(formula: str, factor: float) -> None:
    """Molar mass over equivalents of 50.043; soda is also quoted as 1.68 g for a litre of 1000 mg/L stock."""
    assert SALTS[formula].mg_per_alkalinity == pytest.approx(factor, abs=2e-5)


@pytest.mark.parametrize("formula", SALTS)
def test_salts_are_neutral_and_weigh_what_their_atoms_weigh(formula: str) -> None:
    """Charge stays closed when any of them dissolves."""
    assert float(dosed(Water(*np.zeros(8)), {SALTS[formula]: 100.0}).charge) == pytest.approx(0.0, abs=1e-15)


def test_a_salt_must_state_its_crystal_water() -> None:
    assert salt("CaCl2.2H2O") is salt("CaCl2·2H2O")
    with pytest.raises(InputError, match="crystal water"):
        salt("MgSO4")


def test_litres_to_exhaustion_by_hand() -> None:
    """2.0 eq, alkalinity 200 mg/L (3.997 meq/L), bypass 30 %: 715 L; and 2.0 eq is 561 L "at 10 °dH"."""
    load = 0.7 * 200 / molar.MG_CACO3_PER_EQ
    assert float(litres_to_exhaustion(2.0, load)) == pytest.approx(715, abs=1)
    assert capacity_from_rating(561.0, 10.0) == pytest.approx(2.0, abs=0.002)
    assert float(litres_to_exhaustion(2.0, 0.0)) == np.inf


def test_half_recovered_doubles_the_concentration_by_hand() -> None:
    assert float(concentrate_factor(0.5)) == 2


def test_softening_by_hand(plain: Water) -> None:
    """0.4594 mg of sodium for each mg/L CaCO3 of hardness: 150 gives 69 mg/L; the alkalinity is untouched."""
    soft = softened(plain, 2 * (plain.ca + plain.mg))
    assert float(soft.sodium_mg_l - plain.sodium_mg_l) == pytest.approx(150 * 0.4594, abs=0.02)
    assert float(soft.hardness) == pytest.approx(0.0, abs=1e-9)
    assert float(soft.alkalinity) == float(plain.alkalinity)


def test_magnesium_for_calcium_keeps_hardness(plain: Water) -> None:
    traded = magnesium_for_calcium(plain, plain.ca)
    assert float(traded.hardness) == pytest.approx(float(plain.hardness))
    assert float(traded.ca) == pytest.approx(float(plain.ca) / 2)


def test_exchange_keeps_the_charge(stacked: Water) -> None:
    most = decarbonation_limit(stacked)
    for treated in (decarbonated(stacked, most), softened(stacked, most), magnesium_for_calcium(stacked, stacked.ca)):
        assert np.abs(treated.charge).max() < 1e-12


def test_calcite_bed_turns_co2_into_hardness_one_for_one(waters: dict[str, Water]) -> None:
    """Each mg of CO2 used dissolves 2.274 mg of calcite; a saturated water passes as it came."""
    soft = permeate(waters["W-O11"], 0.95, t_c=15.0)
    hard = calcite_contact(soft, 15.0)
    gained = float(hard.hardness - soft.hardness)
    assert float(hard.alkalinity_caco3 - soft.alkalinity_caco3) == pytest.approx(gained, rel=1e-9)
    used = float(speciate(soft, 15.0).co2_mg_l - speciate(hard, 15.0).co2_mg_l)
    assert gained == pytest.approx(2.27422 * used, rel=0.03)
    assert float(speciate(hard, 15.0).si_calcite) == pytest.approx(0.0, abs=1e-4)
    assert float(calcite_contact(waters["W-O22"], 25.0).ca) == float(waters["W-O22"].ca)


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
