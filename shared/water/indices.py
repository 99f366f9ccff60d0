"""Scale that a water can deposit; always an upper bound, because deposition takes time and a surface to do so."""

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
    """Standard deviation of the saturation index that the choice of data alone brings, at ``t_c`` (°C).

    Two sets of data, each off the truth by this much, differ by sqrt(2) as much. The calcite data end at
    90 °C; what is said above is extrapolation, and beyond 125 °C the last value is kept.
    """
    t = np.asarray(t_c, dtype=np.float64)
    return np.asarray(np.hypot(np.interp(t, _TEMPERATURES, _DIFFERENCE) / np.sqrt(2.0), _KSP_SD))


def larson_skold(water: Water) -> Vector:
    """(Cl + SO4) / (HCO3 + CO3) in meq/L; infinite without alkalinity, a lower bound without sulfate.

    Larson & Skold 1958, Corrosion 14:285, for mild steel in Great Lakes water; not for very low alkalinity,
    and no evidence about stainless steel, copper or brass. HCO3 + CO3 is taken from the alkalinity.
    """
    aggressive = water.cl + 2 * water.so4
    protects = water.alkalinity > 0
    return np.where(protects, aggressive / np.where(protects, water.alkalinity, 1.0), np.inf)


#: kg/m3 of solid calcite (CRC Handbook of Chemistry and Physics).
CALCITE_DENSITY: Final = 2710.0


def ccpp(water: Water, t_c: ArrayLike, *, si_offset: ArrayLike = 0.0) -> Vector:
    """Calcium carbonate precipitation potential at ``t_c``, closed, mg/L CaCO3.

    Positive precipitates, negative dissolves (Standard Methods 2330 C; at least one regulation,
    35 Ill. Adm. Code 604.900, counts it the other way). ``si_offset``: see ``speciate``.
    """
    e = equilibrate(water, t_c, closure=over_calcite, offsets=Offsets(si_offset))
    return (water.ca - e.ca) * molar.MG_CACO3_PER_MOL


def ccpp_open(
    water: Water, t_c: ArrayLike, *, pco2: float = AIR_PCO2, si_offset: ArrayLike = 0.0, gas_offset: ArrayLike = 0.0
) -> Vector:
    """As ``ccpp``, but with CO2 free to leave to (or come from) a gas of ``pco2`` (atm): a vented vessel.

    ``gas_offset``: ``pco2`` is so much higher, in powers of ten.
    """
    e = equilibrate(water, t_c, closure=over_calcite_under_gas(pco2), offsets=Offsets(si_offset, gas_offset))
    return (water.ca - e.ca) * molar.MG_CACO3_PER_MOL


def scale_upper_bound(water: Water) -> Vector:
    """Most scale that any heating can deposit, mg/L CaCO3: the smaller of calcium hardness and alkalinity."""
    return np.maximum(np.minimum(water.calcium_hardness, water.alkalinity_caco3), 0.0)


def scale_grams(precipitation: ArrayLike, litres: ArrayLike) -> Vector:
    """Return the largest mass of calcite in grams from ``litres`` of water of a potential in mg/L; none if negative."""
    potential = np.maximum(np.asarray(precipitation, dtype=np.float64), 0.0)
    return np.asarray(potential * np.asarray(litres, dtype=np.float64) / 1000.0)


def scale_millimetres(grams: ArrayLike, area_m2: ArrayLike, *, porosity: float = 0.2) -> Vector:
    """Thickness of ``grams`` of calcite spread evenly over a heated area, mm."""
    solid_m3 = np.asarray(grams, dtype=np.float64) / 1000.0 / CALCITE_DENSITY
    return 1000.0 * solid_m3 / (1 - porosity) / np.asarray(area_m2, dtype=np.float64)
