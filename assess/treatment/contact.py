"""Contact with calcite: dissolved carbon dioxide limits how much hardness and alkalinity it adds."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from assess.treatment import cautions as c
from assess.treatment.plain import carbon_cautions, left_by
from assess.treatment.treatment import EXACT, Setting, TreatedWater, Variation, set_to
from assess.treatment.unit import CatalogueUnit, TreatmentUnit
from shared.water import Vector, Water, mix, molar
from shared.water.membrane import calcite_contact

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
