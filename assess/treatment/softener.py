"""Bypass of an existing softener: the water upstream of the softener can only be estimated."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from assess.treatment import cautions as c
from assess.treatment.levels import Kind
from assess.treatment.treatment import EXACT, Setting, TreatedWater, Variation, ions_added, set_to
from shared.water import Vector, Water

#: Calcium share of the hardness before the exchange (common practice, no source).
_CALCIUM_SHARE: Final = 0.75
#: Standard uncertainty of a bypass valve.
_U_SETTING: Final = 0.03
_BYPASS: Final = Setting("bypass", "share of unsoftened water", 0.0, 1.0,
                         (0.1, 0.15, 0.2, 0.25, 0.3, 0.35, 0.4, 0.5, 0.6, 0.8, 1.0))


@dataclass(frozen=True, slots=True)
class SoftenerBypass:
    """The opened bypass of an existing softener; the setting is the share of unsoftened water."""

    id: str = "softener-bypass"
    kind: Kind = "softener-bypass"
    name: str = "existing softener: draw the machine's water upstream of it, or open its bypass"
    cautions: tuple[str, ...] = (c.LOCAL_CODE, c.FLUSH)
    unit: None = None
    setting: Setting = _BYPASS

    def treat(self, water: Water, setting: Vector | float, *, t_c: float,  # noqa: ARG002
              vary: Variation = EXACT) -> TreatedWater:
        """Return the blend of softened and unsoftened water."""
        share = set_to(setting, vary.setting * _U_SETTING)
        exchanged = share * _exchanged(water, vary)
        raw = water.with_(ca=water.ca + _CALCIUM_SHARE * exchanged / 2,
                          mg=water.mg + (1 - _CALCIUM_SHARE) * exchanged / 2, na=water.na - exchanged)
        return TreatedWater(at_tap=raw, brought=ions_added(water, raw))


def _exchanged(water: Water, vary: Variation) -> Vector:
    """Sodium (eq/L) that replaced hardness: between all sodium and the part that chloride does not balance."""
    natural = np.minimum(water.na, water.cl) * _even(np.asarray(vary.removal, dtype=np.float64))
    return np.maximum(water.na - natural, 0.0)


def _even(normal: Vector) -> Vector:
    """Standard normal draws as uniform draws from 0 to 1 (logistic curve, within 0.01 of the normal distribution)."""
    return np.asarray(1 / (1 + np.exp(-1.702 * normal)))
