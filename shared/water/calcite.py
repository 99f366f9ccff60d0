"""How much scale a water can lay down; always an upper bound, for it takes time and a surface to do so."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from shared.water import molar
from shared.water.acid_base import over_calcite, over_calcite_under_gas
from shared.water.composition import Vector, Water
from shared.water.equilibrium import Offsets, equilibrate
from shared.water.gas import AIR_PCO2

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
    """The most scale any heating can lay down, mg/L CaCO3: the smaller of calcium hardness and alkalinity."""
    return np.maximum(np.minimum(water.calcium_hardness, water.alkalinity_caco3), 0.0)


def scale_grams(precipitation: ArrayLike, litres: ArrayLike) -> Vector:
    """At most so many grams of calcite from ``litres`` of water of a potential in mg/L; none if negative."""
    potential = np.maximum(np.asarray(precipitation, dtype=np.float64), 0.0)
    return np.asarray(potential * np.asarray(litres, dtype=np.float64) / 1000.0)


def scale_millimetres(grams: ArrayLike, area_m2: ArrayLike, *, porosity: float = 0.2) -> Vector:
    """Thickness of ``grams`` of calcite spread evenly over a heated area, mm."""
    solid_m3 = np.asarray(grams, dtype=np.float64) / 1000.0 / CALCITE_DENSITY
    return 1000.0 * solid_m3 / (1 - porosity) / np.asarray(area_m2, dtype=np.float64)
