"""Which species the totals of a water split into at a temperature."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from shared.water import molar
from shared.water.closure import closed
from shared.water.composition import Vector, Water
from shared.water.equilibrium import equilibrate

#: Stands for "no calcium or no carbonate at all" where a saturation index would be minus infinity.
_LEAST_SATURATION = 1e-30


@dataclass(frozen=True, slots=True)
class Speciation:
    """Species at one temperature, mol/L, free of ion pairs; all of the water's shape."""

    ph: Vector
    si_calcite: Vector
    ionic_strength: Vector
    co2: Vector
    hco3: Vector
    co3: Vector
    free_calcium: Vector

    @property
    def co2_mg_l(self) -> Vector:
        """Dissolved carbon dioxide, mg/L."""
        return self.co2 * molar.CO2 * 1e3


def speciate(water: Water, t_c: ArrayLike) -> Speciation:
    """The species of ``water`` heated or cooled to ``t_c`` (°C) with nothing lost (closed).

    Carbon and alkalinity are held and the pH is solved anew; the pH of the cold sample is not used.
    """
    e = equilibrate(water, t_c, closed)
    si = np.log10(np.maximum(e.saturation, _LEAST_SATURATION))
    return Speciation(e.ph, si, e.ionic_strength, e.co2, e.hco3, e.co3, e.free_calcium)
