"""What is already solved of a water, so that no equilibrium is solved twice however many ask for it."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass, field
from typing import Any, Final, TypeVar

from shared.water import Speciation, Vector, Water, conductivity, ph_in_air, speciate

T = TypeVar("T")
#: °C of a room, and of a stated conductivity.
ROOM_C: Final = 25.0


@dataclass(frozen=True, slots=True)
class Solved:
    """``water`` and the chemistry's ``model_error`` that go with what is kept here."""

    water: Water
    model_error: Vector
    _kept: dict[Hashable, Any] = field(default_factory=dict, repr=False)

    def is_of(self, water: Water, model_error: Vector) -> bool:
        """Whether it is these very arrays that were solved."""
        return self.water is water and self.model_error is model_error

    def once(self, what: Hashable, solve: Callable[[], T]) -> T:
        """What ``solve`` gives, called the first time only. ``what`` names all it depends on but the water."""
        if what not in self._kept:
            self._kept[what] = solve()
        kept: T = self._kept[what]
        return kept

    def heated(self, t_c: float) -> Speciation:
        """The species at ``t_c`` (°C), closed."""
        return self.once(("heated", t_c), lambda: speciate(self.water, t_c))

    def conductivity(self) -> Vector:
        """µS/cm at 25 °C."""
        return self.once("conductivity", lambda: conductivity(self.water, self.heated(ROOM_C)))

    def ph_in_air(self) -> Vector:
        """The pH after standing in air at 25 °C."""
        return self.once("pH in air", lambda: ph_in_air(self.water, ROOM_C))
