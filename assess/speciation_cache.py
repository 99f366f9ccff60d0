"""Equilibria that are already solved for a water, so that none is solved twice."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass, field
from typing import Any, Final, TypeVar

import numpy as np

from shared.water import Speciation, Vector, Water, conductivity, ph_in_air, speciate

T = TypeVar("T")
#: °C of a room, and of a stated conductivity.
ROOM_C: Final = 25.0
#: Partial pressure of CO2 in the air of a café with people in it, atm (common practice, no source; 420e-6 outdoors).
ROOM_PCO2: Final = 800e-6


@dataclass(frozen=True, slots=True)
class SpeciationCache:
    """Solved equilibria of a ``water`` with a ``model_error``."""

    water: Water
    model_error: Vector
    _kept: dict[Hashable, Any] = field(default_factory=dict, repr=False)

    def is_of(self, water: Water, model_error: Vector) -> bool:
        """Return whether these arrays (the same objects) were solved."""
        return self.water is water and self.model_error is model_error

    def once(self, what: Hashable, solve: Callable[[], T]) -> T:
        """Return the result of ``solve``, called the first time only. ``what``: what it depends on."""
        if what not in self._kept:
            self._kept[what] = solve()
        kept: T = self._kept[what]
        return kept

    def adopt(self, of_all: SpeciationCache, row: int) -> None:
        """Copy the results of one row of many, where they are plain arrays."""
        for what, kept in of_all._kept.items():
            if isinstance(kept, np.ndarray):
                self._kept[what] = np.broadcast_to(kept, of_all.water.shape)[row]

    def heated(self, t_c: float) -> Speciation:
        """Return the species at ``t_c`` (°C), closed."""
        return self.once(("heated", t_c), lambda: speciate(self.water, t_c))

    def conductivity(self) -> Vector:
        """Return the conductivity, µS/cm at 25 °C."""
        return self.once("conductivity", lambda: conductivity(self.water, self.heated(ROOM_C)))

    def ph_in_air(self) -> Vector:
        """Return the pH after standing in the air of a room at 25 °C."""
        return self.once("pH in air", lambda: ph_in_air(self.water, ROOM_C, pco2=ROOM_PCO2))
