"""Which species the totals of a water split into at a temperature."""

from __future__ import annotations

from dataclasses import dataclass

from numpy.typing import ArrayLike

from shared.water.composition import Vector, Water


@dataclass(frozen=True, slots=True)
class Speciation:
    """Species at one temperature, mol/L, free of ion pairs unless named a total; all of the water's shape."""

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
        raise NotImplementedError


def speciate(water: Water, t_c: ArrayLike) -> Speciation:
    """The species of ``water`` heated or cooled to ``t_c`` (°C) with nothing lost (closed).

    Carbon and alkalinity are held and the pH is solved anew; the pH of the cold sample is not used.
    """
    raise NotImplementedError
