"""Scale that a water can deposit (an upper bound: it needs time and a surface), Larson-Skold index, conductivity."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from shared.water import molar
from shared.water.acid_base import over_calcite, over_calcite_under_gas
from shared.water.boiler import AIR_PCO2
from shared.water.composition import Vector, Water
from shared.water.equilibrium import Offsets, Speciation, equilibrate, speciate

_REFERENCE_C: Final = 25.0
#: Limiting equivalent conductances at 25 °C, S cm2/eq, and charges (CRC Handbook of Chemistry and Physics).
_CA: Final = (59.5, 2)
_MG: Final = (53.0, 2)
_NA: Final = (50.1, 1)
_K: Final = (73.5, 1)
_CL: Final = (76.3, 1)
_SO4: Final = (80.0, 2)
_HCO3: Final = (44.5, 1)
_CO3: Final = (69.3, 2)
_OH: Final = (198.0, 1)
_H: Final = (349.7, 1)
#: Electrophoretic term (S cm2/eq) and relaxation term, per root of ionic strength, water at 25 °C
#: (Robinson & Stokes, Electrolyte Solutions, 1959, ch. 7).
_DRAG: Final = 30.1
_RELAXATION: Final = 0.2289


def conductivity(water: Water, species: Speciation | None = None) -> Vector:
    """Return the estimated conductivity at 25 °C, µS/cm, of the free ions by the Debye-Hückel-Onsager equation.

    Within 2 % of PHREEQC's own estimate on drinking waters. ``species`` of the water at 25 °C, where they are known.
    """
    s = speciate(water, _REFERENCE_C) if species is None else species
    root = np.sqrt(s.ionic_strength)
    slowing = root / (1 + root)
    ions = (
        (_CA, s.free_calcium),
        (_MG, s.free_magnesium),
        (_NA, water.na),
        (_K, water.k),
        (_CL, water.cl),
        (_SO4, s.free_sulfate),
        (_HCO3, s.hco3),
        (_CO3, s.co3),
        (_OH, s.hydroxide),
        (_H, 10.0**-s.ph),
    )
    return np.asarray(sum(_conductance(ion, slowing) * amount for ion, amount in ions)) * 1e3


def _conductance(ion: tuple[float, int], slowing: Vector) -> Vector:
    """Molar conductance (S cm2/mol) of an ion at this ionic strength."""
    limiting, charge = ion
    equivalent = limiting - charge * (_DRAG + _RELAXATION * limiting) * slowing
    return charge * np.maximum(equivalent, 0.0)


#: °C, and root mean square difference of the saturation index between PHREEQC's phreeqc.dat and pitzer.dat
#: over 25 waters from soft to very hard, heated closed (the mean difference is nearly as large: it is the
#: calcite and MgOH data, not scatter). The largest single one is 0.43, at 125 °C.
_TEMPERATURES: Final = (5.0, 15.0, 25.0, 40.0, 60.0, 80.0, 93.0, 110.0, 125.0)
_DIFFERENCE: Final = (0.097, 0.023, 0.041, 0.106, 0.165, 0.207, 0.227, 0.246, 0.258)
#: Standard uncertainty of log Ksp of calcite in its best range (Plummer & Busenberg 1982).
_KSP_SD: Final = 0.02


def si_model_sd(t_c: ArrayLike) -> Vector:
    """Return the standard uncertainty of the saturation index due to the choice of data, at ``t_c`` (°C).

    Two data sets, each with this error, differ by sqrt(2) times as much. The calcite data end at 90 °C; values above
    are extrapolated, and beyond 125 °C the last value is used.
    """
    t = np.asarray(t_c, dtype=np.float64)
    return np.asarray(np.hypot(np.interp(t, _TEMPERATURES, _DIFFERENCE) / np.sqrt(2.0), _KSP_SD))


def larson_skold(water: Water) -> Vector:
    """Return (Cl + SO4) / (HCO3 + CO3) in meq/L; infinite without alkalinity, a lower bound without sulfate.

    Larson & Skold 1958, Corrosion 14:285, for mild steel in Great Lakes water; not for very low alkalinity,
    and no evidence about stainless steel, copper or brass. HCO3 + CO3 is taken from the alkalinity.
    """
    aggressive = water.cl + 2 * water.so4
    protects = water.alkalinity > 0
    return np.where(protects, aggressive / np.where(protects, water.alkalinity, 1.0), np.inf)


#: kg/m3 of solid calcite (CRC Handbook of Chemistry and Physics).
CALCITE_DENSITY: Final = 2710.0


def ccpp(water: Water, t_c: ArrayLike, *, si_offset: ArrayLike = 0.0) -> Vector:
    """Return the calcium carbonate precipitation potential at ``t_c``, closed, mg/L CaCO3.

    Positive: precipitates; negative: dissolves (Standard Methods 2330 C; at least one regulation, 35 Ill. Adm.
    Code 604.900, uses the opposite sign). ``si_offset``: see ``speciate``.
    """
    e = equilibrate(water, t_c, closure=over_calcite, offsets=Offsets(si_offset))
    return (water.ca - e.ca) * molar.MG_CACO3_PER_MOL


def ccpp_open(
    water: Water, t_c: ArrayLike, *, pco2: float = AIR_PCO2, si_offset: ArrayLike = 0.0, gas_offset: ArrayLike = 0.0
) -> Vector:
    """Return the potential (see ``ccpp``) in equilibrium with a gas of ``pco2`` (atm): a vented vessel.

    ``gas_offset``: increase of ``pco2`` in powers of ten.
    """
    e = equilibrate(water, t_c, closure=over_calcite_under_gas(pco2), offsets=Offsets(si_offset, gas_offset))
    return (water.ca - e.ca) * molar.MG_CACO3_PER_MOL


def scale_upper_bound(water: Water) -> Vector:
    """Return the most scale that heating can deposit, mg/L CaCO3: the smaller of calcium hardness and alkalinity."""
    return np.maximum(np.minimum(water.calcium_hardness, water.alkalinity_caco3), 0.0)


def scale_grams(precipitation: ArrayLike, litres: ArrayLike) -> Vector:
    """Return the most calcite (g) from ``litres`` of water with a potential in mg/L; 0 if negative."""
    potential = np.maximum(np.asarray(precipitation, dtype=np.float64), 0.0)
    return np.asarray(potential * np.asarray(litres, dtype=np.float64) / 1000.0)


def scale_millimetres(grams: ArrayLike, area_m2: ArrayLike, *, porosity: float = 0.2) -> Vector:
    """Return the thickness (mm) of ``grams`` of calcite spread evenly over a heated area."""
    solid_m3 = np.asarray(grams, dtype=np.float64) / 1000.0 / CALCITE_DENSITY
    return 1000.0 * solid_m3 / (1 - porosity) / np.asarray(area_m2, dtype=np.float64)
