"""Minerals added to a water, by contact with calcite or as dosed salts, and reverse osmosis with remineralisation.

Dissolved carbon dioxide limits how much hardness and alkalinity calcite adds.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from assess.treatment import cautions as c
from assess.treatment.kinds import carbon_cautions, left_by
from assess.treatment.treatment import EXACT, Setting, TreatedWater, Variation, ions_added, set_to
from assess.treatment.unit import CatalogueUnit, Kind, MineralRecipe, TreatmentUnit
from shared.water import Vector, Water, mix, molar, open_to_air
from shared.water.salts import Salt, dosed, salt
from shared.water.treating import calcite_contact, permeate

#: Shares of the water that pass the bed.
_SHARES: Final = (0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)


def over_calcite(water: Water, share: Vector | float, *, unit: TreatmentUnit, t_c: float, vary: Variation) -> Water:
    """Return ``water`` of which a ``share`` passes a calcite bed, with the unit's approach to equilibrium."""
    near = np.clip(unit.approach + vary.removal * unit.u_approach, 0.0, 1.0) * np.asarray(share, dtype=np.float64)
    return mix((calcite_contact(water, t_c), water), (near, 1 - near))


@dataclass(frozen=True, slots=True)
class CalciteContact(CatalogueUnit):
    """A calcite bed with a bypass; the setting is the share that passes the bed."""

    @property
    def setting(self) -> Setting:
        """In tenths unless the unit has settings of its own."""
        return Setting("calcite fraction", "share over calcite", 0.0, 1.0, self.unit.bypass_settings or _SHARES)

    @property
    def cautions(self) -> tuple[str, ...]:
        """Those of any unit, of the bed and of the carbon."""
        return (c.LOCAL_CODE, c.FLUSH, c.CALCITE, *carbon_cautions(self.unit))

    def treat(self, water: Water, setting: Vector | float, *, t_c: float, vary: Variation = EXACT) -> TreatedWater:
        """Return the blend of bed and bypass."""
        share = set_to(setting, vary.setting * self.unit.u_setting)
        made = over_calcite(water, share, unit=self.unit, t_c=t_c, vary=vary)
        used = (made.ca - water.ca) * molar.MG_CACO3_PER_MOL
        return TreatedWater(at_tap=made, dose={"CaCO3": used}, disinfectant=left_by(self.unit))


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


#: Largest share of tap water: blends with more need no membrane.
_MOST_TAP: Final = 0.6


class Streams(NamedTuple):
    """Tap water and permeate at a temperature (°C), the unit and its departure from the data sheet."""

    tap: Water
    permeate: Water
    t_c: float
    unit: TreatmentUnit
    vary: Variation


class FinishedWater(NamedTuple):
    """The finished water, its share of permeate, and mg/L of what was added by formula."""

    water: Water
    permeate_share: Vector
    dose: dict[str, Vector]


class Finish(NamedTuple):
    """The setting (name and unit) and the function that gives the finished water."""

    setting: tuple[str, str]
    make: Callable[[Streams, Vector], FinishedWater]


def blended(s: Streams, share: Vector) -> FinishedWater:
    """Return permeate with a share of tap water: hardness and alkalinity fall, CO2 stays."""
    tap = set_to(share, s.vary.setting * s.unit.u_setting)
    return FinishedWater(mix((s.tap, s.permeate), (tap, 1 - tap)), 1 - tap, {})


def calcite_blended(s: Streams, share: Vector) -> FinishedWater:
    """Return permeate over a calcite bed, whose gain the CO2 limits, blended with a share of tap water."""
    contacted = over_calcite(s.permeate, 1.0, unit=s.unit, t_c=s.t_c, vary=s.vary)
    used = (contacted.ca - s.permeate.ca) * molar.MG_CACO3_PER_MOL
    made = blended(s._replace(permeate=contacted), share)
    return made._replace(dose={"CaCO3": used * made.permeate_share})


def dosed_to_recipe(s: Streams, share: Vector) -> FinishedWater:
    """Return permeate with salts: the recipe at a strength from 0 to 1."""
    made, dose = remineralised(s.permeate, s.unit, strength=share, vary=s.vary)
    return FinishedWater(made, np.ones_like(share), dose)


FINISHES: Final[dict[Kind, Finish]] = {
    "osmosis-blend": Finish(("bypass", "share of tap water"), blended),
    "osmosis-calcite": Finish(("bypass", "share of tap water"), calcite_blended),
    "osmosis-doses": Finish(("strength", "share of the recipe"), dosed_to_recipe),
}


@dataclass(frozen=True, slots=True)
class Osmosis(CatalogueUnit):
    """A membrane with one of the three."""

    @property
    def setting(self) -> Setting:
        """From none to the largest share of tap water, or the full recipe, unless the unit has settings of its own."""
        most = 1.0 if self.unit.recipe else _MOST_TAP
        return Setting(*FINISHES[self.unit.kind].setting, 0.0, most, self.unit.bypass_settings)

    @property
    def cautions(self) -> tuple[str, ...]:
        """Those of any membrane, of the carbon upstream and of the salts."""
        membrane = (c.LOCAL_CODE, c.FLUSH, c.OSMOSIS_PLUMBING, c.PROBE, c.SOFT_ACID)
        return (*membrane, *carbon_cautions(self.unit), *salt_cautions(self.unit.recipe))

    def treat(self, water: Water, setting: Vector | float, *, t_c: float, vary: Variation = EXACT) -> TreatedWater:
        """Return ``water`` through the membrane at ``t_c``, aired if the unit's tank is open, then remineralised."""
        passes = (1 - (self.unit.rejection or 0.0)) * np.exp(self.unit.u_passage * vary.removal)
        soft = permeate(water, 1 - np.minimum(passes, 1.0), t_c=t_c)
        if self.unit.aired:
            soft = open_to_air(soft, t_c)
        share = np.asarray(setting, dtype=np.float64)
        made = FINISHES[self.unit.kind].make(Streams(water, soft, t_c, self.unit, vary), share)
        return TreatedWater(
            at_tap=made.water,
            brought=ions_added(soft, made.water) if self.unit.recipe else {},
            dose=made.dose,
            feed_per_litre=self._feed(made.permeate_share),
            disinfectant=left_by(self.unit),
        )

    def _feed(self, permeate_share: Vector) -> Vector | None:
        if self.unit.recovery is None:
            return None
        return permeate_share / self.unit.recovery + (1 - permeate_share)
