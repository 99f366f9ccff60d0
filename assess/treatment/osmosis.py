"""Reverse osmosis with three kinds of remineralisation: blend, calcite, doses."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from assess.treatment import cautions as c
from assess.treatment.plain import carbon_cautions, left_by
from assess.treatment.remineralisation import over_calcite, remineralised, salt_cautions
from assess.treatment.treatment import EXACT, Setting, TreatedWater, Variation, ions_added, set_to
from assess.treatment.unit import CatalogueUnit, Kind, TreatmentUnit
from shared.water import Vector, Water, mix, molar, open_to_air
from shared.water.treating import permeate

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
    "osmosis-blend": Finish(("tap fraction", "share of tap water"), blended),
    "osmosis-calcite": Finish(("tap fraction", "share of tap water"), calcite_blended),
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

