"""Reverse osmosis, and three ways to make a water of its permeate."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from assess.treatment import cautions as c
from assess.treatment.carbon import carbon_cautions, left_by
from assess.treatment.doses import doses
from assess.treatment.treatment import Setting, Treated, ions_added
from assess.treatment.unit import Kind, Recipe, TreatmentUnit
from shared.water import Vector, Water, mix, molar, open_to_air
from shared.water.membrane import calcite_contact, permeate
from shared.water.salts import dosed, salt


class Streams(NamedTuple):
    """Tap water and permeate at a temperature (°C), and the recipe if there is one."""

    tap: Water
    permeate: Water
    t_c: float
    recipe: Recipe | None


class Finished(NamedTuple):
    """The water made, the share of it that is permeate, and mg/L of what was put in by formula."""

    water: Water
    permeate_share: Vector
    dose: dict[str, Vector]


class Finish(NamedTuple):
    """What is turned (name and unit) and what it makes."""

    setting: tuple[str, str]
    make: Callable[[Streams, Vector], Finished]


def blended(s: Streams, share: Vector) -> Finished:
    """With a share of tap water: hardness and alkalinity fall alike, the CO2 is still the tap's."""
    return Finished(mix((s.tap, s.permeate), (share, 1 - share)), 1 - share, {})


def over_calcite(s: Streams, share: Vector) -> Finished:
    """A share of the permeate over a bed of calcite, taken to reach equilibrium: at most so hard."""
    water = mix((calcite_contact(s.permeate, s.t_c), s.permeate), (share, 1 - share))
    used = (water.ca - s.permeate.ca) * molar.MG_CACO3_PER_MOL
    return Finished(water, np.ones_like(share), {"CaCO3": used})


def remineralised(s: Streams, share: Vector) -> Finished:
    """Salts weighed in: the recipe at a strength from none to full."""
    weighed = doses(s.permeate, s.recipe, strength=share) if s.recipe else {}
    made = dosed(s.permeate, weighed)
    return Finished(made, np.ones_like(share), {each.formula: mg_l for each, mg_l in weighed.items()})


FINISHES: Final[dict[Kind, Finish]] = {
    "osmosis-blend": Finish(("tap fraction", "share of tap water"), blended),
    "osmosis-calcite": Finish(("calcite fraction", "share over calcite"), over_calcite),
    "osmosis-doses": Finish(("strength", "share of the recipe"), remineralised),
}


@dataclass(frozen=True, slots=True)
class Osmosis:
    """A membrane and one of the three."""

    id: str
    unit: TreatmentUnit

    @property
    def name(self) -> str:
        """As in the catalogue."""
        return self.unit.name

    @property
    def setting(self) -> Setting:
        """From none to all unless the unit has marks."""
        return Setting(*FINISHES[self.unit.kind].setting, 0.0, 1.0, self.unit.bypass_settings)

    @property
    def cautions(self) -> tuple[str, ...]:
        """Those of any membrane, of the carbon before it, and of what the salts bring."""
        membrane = (c.LOCAL_CODE, c.FLUSH, c.OSMOSIS_PLUMBING, c.PROBE, c.SOFT_ACID)
        return (*membrane, *carbon_cautions(self.unit), *_recipe_cautions(self.unit.recipe))

    def treat(self, water: Water, setting: Vector | float, *, t_c: float) -> Treated:
        """``water`` through the membrane at ``t_c``, aired if the unit's tank is open, then finished."""
        soft = permeate(water, self.unit.rejection or 0.0, t_c=t_c)
        if self.unit.aired:
            soft = open_to_air(soft, t_c)
        share = np.asarray(setting, dtype=np.float64)
        made = FINISHES[self.unit.kind].make(Streams(water, soft, t_c, self.unit.recipe), share)
        return Treated(
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


def _recipe_cautions(recipe: Recipe | None) -> tuple[str, ...]:
    if recipe is None:
        return ()
    formulas = (recipe.calcium_salt, recipe.magnesium_salt, recipe.alkalinity_salt)
    brings = {total for formula in formulas if formula for total, _ in salt(formula).adds}
    sodium = (c.SODIUM, c.CAUSTIC) if "na" in brings else ()
    potassium = (c.POTASSIUM, c.CAUSTIC) if "k" in brings else ()
    return (c.FOOD_GRADE, *sodium, *potassium)
