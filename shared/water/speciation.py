"""Species of a water."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from shared.water import molar
from shared.water.composition import Vector

#: Replaces a saturation of zero (no calcium or no carbonate), whose index would be minus infinity.
_LEAST_SATURATION: Final = 1e-30


@dataclass(frozen=True, slots=True)
class Speciation:
    """A water at one temperature, mol/L and eq/L, all of the water's shape.

    ``ca``, ``alkalinity`` and ``carbon`` are totals after any loss of calcite or CO2; the rest are free species.
    ``saturation``: ion activity product of calcite over its solubility.
    """

    ca: Vector
    alkalinity: Vector
    carbon: Vector
    ph: Vector
    hydroxide: Vector
    co3: Vector
    hco3: Vector
    co2: Vector
    free_calcium: Vector
    free_magnesium: Vector
    free_sulfate: Vector
    saturation: Vector
    ionic_strength: Vector

    @property
    def si_calcite(self) -> Vector:
        """Saturation index of calcite: positive can precipitate, negative dissolves."""
        return np.log10(np.maximum(self.saturation, _LEAST_SATURATION))

    @property
    def co2_mg_l(self) -> Vector:
        """Dissolved carbon dioxide, mg/L."""
        return self.co2 * molar.CO2 * 1e3
