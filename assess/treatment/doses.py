"""How much of which salt makes the water of a recipe out of permeate."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from assess.treatment.unit import Recipe
from shared.water import Vector, Water
from shared.water.salts import Salt, salt


def doses(water: Water, recipe: Recipe, *, strength: ArrayLike = 1.0) -> dict[Salt, Vector]:
    """Weights (mg/L) that bring ``water`` to ``strength`` times the recipe; what it has already is not added."""
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
