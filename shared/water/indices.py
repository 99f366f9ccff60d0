"""Scale that a water can deposit (an upper bound: it needs time and a surface), its model error, Larson-Skold index."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from shared.water import molar
from shared.water.acid_base import over_calcite, over_calcite_under_gas
from shared.water.composition import Vector, Water
from shared.water.equilibrium import Offsets, equilibrate
from shared.water.gas import AIR_PCO2

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
