"""Salts against published weights; a hydrate is never taken for another."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from calibration.standards_plan.salts import (
    COUNTS,
    IONS,
    KNOWN,
    MOLAR_MASS_RELATIVE_U,
    SaltLot,
    charge,
    ions_of,
    substance,
)
from shared.errors import FileError

DATA = Path(__file__).parents[2] / "data"


def table(name: str) -> list[dict[str, str]]:
    lines = (DATA / name).read_text(encoding="utf-8").splitlines()
    header = next(x for x in reversed(lines) if x.startswith("#")).removeprefix("# ").split(",")
    return list(csv.DictReader((x for x in lines if not x.startswith("#")), header))


def lot(formula: str, **more: object) -> SaltLot:
    return SaltLot(formula=formula, lot="1", purity=1.0, purity_tolerance=0.0, **more)  # type: ignore[arg-type]


def elements(row: dict[str, str]) -> dict[str, int]:
    return {part.rstrip("0123456789"): int(part.lstrip("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz"))
            for part in row["elements"].split()}


@pytest.mark.parametrize("row", table("salt-molar-masses.csv"), ids=lambda r: r["formula"])
def test_molar_masses(row: dict[str, str]) -> None:
    """As a handbook prints them, and inside what the IUPAC intervals allow, which the stated uncertainty covers."""
    mass = substance(lot(row["formula"]), where="salt").molar_mass
    assert mass == pytest.approx(float(row["printed"]), abs=0.0101)
    weights = {w["element"]: (float(w["low"]), float(w["high"])) for w in table("atomic-weights-iupac-2021.csv")}
    low, high = (sum(n * weights[e][end] for e, n in elements(row).items()) for end in (0, 1))
    assert low - 1e-3 <= mass <= high + 1e-3
    assert max(mass - low, high - mass) <= MOLAR_MASS_RELATIVE_U * mass


def test_every_known_salt_is_in_the_table() -> None:
    assert {row["formula"] for row in table("salt-molar-masses.csv")} == set(KNOWN)


@pytest.mark.parametrize("row", table("salt-molar-masses.csv"), ids=lambda r: r["formula"])
def test_ions_of_a_salt_are_its_elements(row: dict[str, str]) -> None:
    """No charge is left over, and metals, chlorine, sulfur and carbon come out as in the formula."""
    ions = ions_of(KNOWN[row["formula"]])
    assert charge(ions) == 0
    found = {"Cl": ions.get("Cl", 0), "S": ions.get("SO4", 0), "C": ions.get("HCO3", 0) + ions.get("CO3", 0),
             **{metal: ions.get(metal, 0) for metal in ("Ca", "Mg", "Na", "K")}}
    atoms = elements(row)
    assert found == {element: atoms.get(element, 0) for element in found}


@pytest.mark.parametrize(("salt", "analyte", "mg"), [
    # Stock solutions of 1000 mg/L as CaCO3: 2.46 g/L Epsom salt and 1.68 g/L baking soda (common practice, no source;
    # often quoted as 2.45 and 1.68).
    ("MgSO4·7H2O", "hardness", 2.46), ("NaHCO3", "alkalinity", 1.68), ("CaCl2·2H2O", "hardness", 1.47),
    # Chloride from sodium chloride, 1.648 g/L for 1000 mg/L Cl (Standard Methods 4500-Cl B, reagent d; from memory).
    ("NaCl", "chloride", 1.648),
])
def test_weights_of_stock_solutions(salt: str, analyte: str, mg: float) -> None:
    known = substance(lot(salt), where="salt")
    per_gram = sum(COUNTS[analyte].get(ion, 0) * n for ion, n in known.ions.items()) / known.molar_mass
    assert 1 / per_gram == pytest.approx(mg, rel=3e-3)


def test_masses_of_ions() -> None:
    """g/mol, CRC Handbook (from memory): nitrate 62.005, hydroxide 17.007, hypochlorite 51.452."""
    for ion, mass in {"NO3": 62.005, "OH": 17.007, "OCl": 51.452}.items():
        assert IONS[ion].molar_mass == pytest.approx(mass, abs=2e-3)


@pytest.mark.parametrize(("formula", "more", "said"), [
    ("CaCl2", {}, "does not state its crystal water; found CaCl2; allowed: CaCl2 anhydrous, CaCl2·2H2O"),
    ("MgSO4", {}, "not state its crystal water"),
    ("CaCl2·2H2O", {"molar_mass": 110.98}, "not that of CaCl2·2H2O; found 110.98 g/mol; allowed: 147.014"),
    ("Mg(NO3)2·6H2O", {"molar_mass": 256.41}, "add molar_mass .* and ions"),
    ("Mg(NO3)2·6H2O", {"molar_mass": 256.41, "ions": {"Mg": 1, "NO3": 1}}, r"add up to zero; found \+1"),
    ("Mg(NO3)2·6H2O", {"molar_mass": 256.41, "ions": {"Mg": 1, "Nitrat": 2}}, "unknown ion; found Nitrat"),
])
def test_a_salt_that_is_ambiguous(formula: str, more: dict[str, object], said: str) -> None:
    with pytest.raises(FileError, match=said):
        substance(lot(formula, **more), where="salt[0]")


@pytest.mark.parametrize("formula", ["CaCl2.2H2O", "CaCl2*2H2O", "CaCl₂·2H₂O"])
def test_spellings_of_a_hydrate(formula: str) -> None:
    assert substance(lot(formula), where="salt").molar_mass == pytest.approx(147.014)


def test_a_salt_by_its_molar_mass() -> None:
    """256.406 g/mol, CRC Handbook (from memory)."""
    nitrate = substance(lot("Mg(NO3)2·6H2O", molar_mass=256.406, ions={"Mg": 1, "NO3": 2}), where="salt")
    assert (nitrate.molar_mass, dict(nitrate.ions)) == (256.406, {"Mg": 1, "NO3": 2})
