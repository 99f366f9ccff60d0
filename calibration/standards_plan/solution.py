"""A standard solution: its aliquots, its composition and the values it may be certified for."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.standards_plan.file import Buffer
from calibration.standards_plan.recipe import Recipe
from calibration.standards_plan.salts import IONS, Composition
from calibration.standards_plan.stock import add
from calibration.standards_plan.uncertainty import At, Prepared, nominal


@dataclass(frozen=True, slots=True)
class Referred:
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
    prepared: Prepared | None
    reference: Referred | None

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
