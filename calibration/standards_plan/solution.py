"""A standard solution: its aliquots, composition and certified values, its pH, and whether calcite can precipitate."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.standards_plan.file import Buffer
from calibration.standards_plan.recipe import Recipe
from calibration.standards_plan.salts import IONS, Composition, water
from calibration.standards_plan.stock import add
from calibration.standards_plan.uncertainty import At, PreparedValue, nominal
from shared.water import ccpp, ccpp_open, open_to_air, speciate


@dataclass(frozen=True, slots=True)
class ReferenceValue:
    """A reference value in the analyte's own unit, and how it was found."""

    value: float
    u: float
    method: str


@dataclass(frozen=True, slots=True)
class Value:
    """``wanted`` and ``prepared`` in the analyte's own unit; ``prepared`` is None where it is not known yet."""

    analyte: str
    unit: str
    wanted: float | None
    prepared: PreparedValue | None
    reference: ReferenceValue | None

    @property
    def certified(self) -> tuple[float, float] | None:
        """Value and standard uncertainty to calibrate with: the reference takes precedence over the preparation."""
        best = self.reference or self.prepared
        return None if best is None else (best.value, best.u)

    @property
    def zeta(self) -> float | None:
        """Reference less preparation over the standard uncertainty of the difference (a zeta score, ISO 13528)."""
        if self.reference is None or self.prepared is None:
            return None
        return (self.reference.value - self.prepared.value) / float(np.hypot(self.reference.u, self.prepared.u))


@dataclass(frozen=True, slots=True)
class Solution:
    """``recipe`` or ``buffer``: made here or bought. ``family``: what it is for, in words; ``group``: its id."""

    id: str
    family: str
    role: str
    values: tuple[Value, ...]
    group: str = ""
    recipe: Recipe | None = None
    buffer: Buffer | None = None

    def composition(self, at: At) -> Composition:
        """mmol/L of each ion its salts brought; of a buffer only its manufacturer knows."""
        return mixed(self.recipe, at) if self.recipe else {}

    @property
    def ions_mg_l(self) -> dict[str, float]:
        """mg/L of each ion."""
        return {ion: float(mmol) * IONS[ion].molar_mass for ion, mmol in self.composition(nominal).items()}

    def value(self, analyte: str) -> Value | None:
        """The values of an analyte."""
        return next((v for v in self.values if v.analyte == analyte), None)


def mixed(recipe: Recipe, at: At) -> Composition:
    """mmol/L of each ion in a flask of aliquots."""
    litres = recipe.made.litres(at)
    parts = {}
    for aliquot in recipe.aliquots:
        name = f"{aliquot.stock.id} to {recipe.made.what}"
        share = aliquot.draw.measured(at, name) / 1e3 / litres
        parts[name] = {ion: share * mmol for ion, mmol in aliquot.stock.composition(at).items()}
    return add(parts)


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
