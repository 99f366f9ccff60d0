"""Solutions on the bench: their pH, fresh and in contact with air, and whether calcite can precipitate."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.standards_plan.salts import IONS, water
from calibration.standards_plan.solution import Solution
from calibration.standards_plan.uncertainty import nominal
from shared.water import ccpp, ccpp_open, open_to_air, speciate


@dataclass(frozen=True, slots=True)
class Chemistry:
    """Of one solution: pH and calcite's saturation index as made and in air; ``calcite_mg_l``: the most of it."""

    ph_made: float
    ph_air: float
    si_made: float
    si_air: float
    calcite_mg_l: float

    @property
    def drift(self) -> float:
        """Change of pH from fresh to in equilibrium with air."""
        return self.ph_air - self.ph_made

    @property
    def si(self) -> float:
        """The higher saturation index."""
        return max(self.si_made, self.si_air)


def chemistry(solutions: Sequence[Solution], t_c: float) -> dict[str, Chemistry]:
    """By id, of the solutions made of salts, at ``t_c`` (°C)."""
    made = [s for s in solutions if s.recipe is not None]
    if not made:
        return {}
    held = [s.composition(nominal) for s in made]
    together = water({ion: np.array([float(c.get(ion, 0.0)) for c in held]) for ion in IONS})
    air = open_to_air(together, t_c)
    fresh, aired = speciate(together, t_c), speciate(air, t_c)
    calcite = np.maximum(np.maximum(ccpp(together, t_c), ccpp_open(together, t_c)), 0.0)
    columns = (fresh.ph, aired.ph, fresh.si_calcite, aired.si_calcite, calcite)
    return {s.id: Chemistry(*(float(c[i]) for c in columns)) for i, s in enumerate(made)}
