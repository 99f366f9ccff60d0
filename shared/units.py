"""The project's own units: a small pint registry in which each weighed substance has its own dimension.

A gram of Ca is not a gram of CaCO3, so a value is converted only in the context of an analyte,
which carries molar mass and charge. None of pint's own units are there: in those, dH is a decihenry.
Importing this module imports pint.
"""

from __future__ import annotations

from functools import cache
from typing import Any

from pint import UnitRegistry
from pint.facets.context.objects import Context
from pint.facets.plain import PlainQuantity

from shared.water import molar

_O = 15.999
_CAO = molar.CA + _O

#: By analyte: g/mol and equivalents per mole of the species its value may be stated as; its own comes first.
#: IUPAC conventional atomic weights. Hardness counts Ca and Mg, alkalinity the acid it takes up.
SPECIES: dict[str, dict[str, tuple[float, int]]] = {
    "hardness": {"CaCO3": (molar.CACO3, 2), "CaO": (_CAO, 2), "Ca": (molar.CA, 2), "Mg": (molar.MG, 2)},
    "alkalinity": {"CaCO3": (molar.CACO3, 2), "HCO3": (molar.HCO3, 1), "CO3": (molar.CO3, 2)},
    "chloride": {"Cl": (molar.CL, 1), "NaCl": (molar.NA + molar.CL, 1)},
    "chlorine": {"Cl2": (2 * molar.CL, 2)},
    "total-chlorine": {"Cl2": (2 * molar.CL, 2)},
    "calcium": {"Ca": (molar.CA, 2), "CaCO3": (molar.CACO3, 2), "CaO": (_CAO, 2)},
    "magnesium": {"Mg": (molar.MG, 2), "CaCO3": (molar.CACO3, 2)},
    "sodium": {"Na": (molar.NA, 1)},
    "potassium": {"K": (molar.K, 1)},
    "sulfate": {"SO4": (molar.SO4, 2)},
    "nitrate": {"NO3": (14.007 + 3 * _O, 1), "N": (14.007, 1)},
    "iron": {"Fe": (55.845, 2)},
    "silica": {"SiO2": (28.085 + 2 * _O, 1)},
}
#: Equivalents in a mole where that is not the charge of the species: alkalinity is in moles of acid.
_PER_MOLE = {"alkalinity": 1}

#: Degrees: 10 mg CaO/L; 10 mg CaCO3/L; 1 grain (64.79891 mg) of CaCO3 in 4.54609 L and in 3.785411784 L.
_DEFINITIONS = (*(f"g{s} = [{s}]" for s in dict.fromkeys(s for of in SPECIES.values() for s in of)), *f"""
milli- = 1e-3 = m-
micro- = 1e-6 = u-
centi- = 1e-2 = c-
meter = [length] = m
liter = [volume] = L
gram = [mass] = g
mole = [substance] = mol
equivalent = [charge_amount] = eq
siemens = [conductance] = S
kelvin = [temperature] = K
degC = kelvin; offset: 273.15
degF = 5 / 9 * kelvin; offset: 233.15 + 200 / 9
pH = []
dH = {10 * molar.CACO3 / _CAO} * mgCaCO3 / L
fH = 10 * mgCaCO3 / L
clark = {64.79891 / 4.54609} * mgCaCO3 / L
gpg = {64.79891 / 3.785411784} * mgCaCO3 / L
""".splitlines())


@cache
def registry() -> UnitRegistry[float]:
    """The registry, made once a process, with a context for each analyte of SPECIES."""
    units: UnitRegistry[float] = UnitRegistry(None)
    units.load_definitions(_DEFINITIONS)
    for analyte_id in SPECIES:
        units.add_context(_context(analyte_id))
    return units


def _context(analyte_id: str) -> Context:
    """Bridges, both ways, between the analyte's own species and others, moles and equivalents."""
    (own, (mass, charge)), *others = SPECIES[analyte_id].items()
    per_equivalent = mass / charge
    bridges = {f"g{s}": n / m * per_equivalent for s, (m, n) in others}
    bridges["mol"] = _PER_MOLE.get(analyte_id, charge) * per_equivalent
    bridges["eq"] = per_equivalent
    context = Context(analyte_id)
    for unit, factor in bridges.items():
        _bridge(context, (unit, f"g{own}"), factor=factor)
    return context


def _bridge(context: Context, ends: tuple[str, str], *, factor: float) -> None:
    """Let the context convert one unit a volume into another and back by ``factor``."""
    unit, own = ends
    dimension = {"mol": "[substance]", "eq": "[charge_amount]"}
    there, here = (f"{dimension.get(u, f'[{u[1:]}]')} / [volume]" for u in (unit, own))

    def forth(ureg: UnitRegistry[Any], value: PlainQuantity[Any], **_: Any) -> PlainQuantity[Any]:
        result: PlainQuantity[Any] = value * ureg.Quantity(factor, f"{own} / {unit}")
        return result

    def back(ureg: UnitRegistry[Any], value: PlainQuantity[Any], **_: Any) -> PlainQuantity[Any]:
        result: PlainQuantity[Any] = value / ureg.Quantity(factor, f"{own} / {unit}")
        return result

    context.add_transformation(there, here, forth)
    context.add_transformation(here, there, back)


def convert_units(value: float, analyte_id: str, *, given: str, wanted: str) -> float:
    """A number from one unit of the registry to another, in the analyte's context where it has one."""
    context = (analyte_id,) if analyte_id in SPECIES else ()
    return float(registry().Quantity(value, given).to(wanted, *context).magnitude)
