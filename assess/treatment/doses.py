"""Salts dosed into a water to reach a recipe, without or downstream of a membrane."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import ArrayLike

from assess.treatment import cautions as c
from assess.treatment.plain import carbon_cautions, left_by
from assess.treatment.treatment import EXACT, Setting, TreatedWater, Variation, ions_added
from assess.treatment.unit import CatalogueUnit, MineralRecipe, TreatmentUnit
from shared.water import Vector, Water
from shared.water.salts import Salt, dosed, salt


def doses(water: Water, recipe: MineralRecipe, *, strength: ArrayLike = 1.0) -> dict[Salt, Vector]:
    """Return mg/L of each salt that bring ``water`` to ``strength`` times the recipe; what it contains is not added."""
    part = np.asarray(strength, dtype=np.float64)
    hardness = part * recipe.hardness
    calcium = hardness * (1 - recipe.magnesium_share)
    magnesium = hardness - np.maximum(calcium, water.calcium_hardness)
    wanted = (
        (recipe.calcium_salt, calcium - water.calcium_hardness, "ca"),
        (recipe.magnesium_salt, magnesium - (water.hardness - water.calcium_hardness), "mg"),
        (recipe.alkalinity_salt, part * recipe.alkalinity - water.alkalinity_caco3, "alkalinity"),
    )
    result: dict[Salt, Vector] = {}
    for formula, missing, total in wanted:
        if formula is not None:
            chosen = salt(formula, where=f"recipe for {total}")
            factor = chosen.mg_per_alkalinity if total == "alkalinity" else chosen.mg_per_hardness
            result[chosen] = np.maximum(missing, 0.0) * factor
    return result


def remineralised(
    water: Water, unit: TreatmentUnit, *, strength: Vector, vary: Variation
) -> tuple[Water, dict[str, Vector]]:
    """Return ``water`` with the doses of the unit's recipe, and mg/L to weigh by formula.

    The pump is set once, for the median water; its dose varies.
    """
    planned = doses(_median(water), unit.recipe, strength=strength) if unit.recipe else {}
    factor = np.maximum(1 + unit.u_dose * vary.dose, 0.0)
    made = dosed(water, {each: mg_l * factor for each, mg_l in planned.items()})
    return made, {each.formula: mg_l for each, mg_l in planned.items()}


def salt_cautions(recipe: MineralRecipe | None) -> tuple[str, ...]:
    """Return the cautions for dosing salts into drinking water."""
    if recipe is None:
        return ()
    formulas = (recipe.calcium_salt, recipe.magnesium_salt, recipe.alkalinity_salt)
    brings = {total for formula in formulas if formula for total, _ in salt(formula).adds}
    sodium = (c.SODIUM, c.CAUSTIC) if "na" in brings else ()
    potassium = (c.POTASSIUM, c.CAUSTIC) if "k" in brings else ()
    return tuple(dict.fromkeys((c.FOOD_GRADE, c.DOSING, *sodium, *potassium)))


@dataclass(frozen=True, slots=True)
class MineralDosing(CatalogueUnit):
    """Minerals dosed into tap water without a membrane; the setting is the strength of the recipe."""

    @property
    def setting(self) -> Setting:
        """From none to the full recipe unless the unit has settings of its own."""
        return Setting("strength", "share of the recipe", 0.0, 1.0, self.unit.bypass_settings)

    @property
    def cautions(self) -> tuple[str, ...]:
        """Those of any unit and of the salts."""
        return (c.LOCAL_CODE, c.FLUSH, *carbon_cautions(self.unit), *salt_cautions(self.unit.recipe))

    def treat(self, water: Water, setting: Vector | float, *, t_c: float,  # noqa: ARG002
              vary: Variation = EXACT) -> TreatedWater:
        """Return ``water`` with what it lacks of the recipe."""
        made, dose = remineralised(water, self.unit, strength=np.asarray(setting, dtype=np.float64), vary=vary)
        return TreatedWater(at_tap=made, brought=ions_added(water, made), dose=dose, disinfectant=left_by(self.unit))


def _median(water: Water) -> Water:
    """Water of the medians over the last axis."""
    if not water.shape:
        return water
    return Water(*(np.median(np.atleast_1d(getattr(water, f.name)), axis=-1, keepdims=True) for f in fields(Water)))
