"""Carbon dioxide lost to air or with steam."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from shared.water import molar
from shared.water.acid_base import over_calcite_under_gas, under_gas
from shared.water.composition import Vector, Water
from shared.water.equilibrium import Offsets, equilibrate

#: Partial pressure of CO2 in air, atm.
AIR_PCO2: Final = 420e-6
#: Partial pressure of CO2 assumed in a steam boiler, atm: nearly all CO2 leaves with the steam.
STEAM_PCO2: Final = 1e-4
#: Its standard uncertainty in powers of ten: a factor of four either way in 95 % (common practice, no source).
STEAM_PCO2_SD: Final = 0.3


@dataclass(frozen=True, slots=True)
class DegassedWater:
    """Water of a steam boiler after loss of CO2 and precipitation of calcite.

    ``scale`` in mg/L CaCO3 of feed; ``ph`` and free magnesium (mol/L) of the hot water.
    """

    water: Water
    scale: Vector
    ph: Vector
    free_magnesium: Vector


def open_to_air(water: Water, t_c: ArrayLike, *, pco2: float = AIR_PCO2) -> Water:
    """Return ``water`` with its carbon in equilibrium with ``pco2`` (atm) at ``t_c`` (°C); nothing precipitates."""
    return water.with_(carbon=equilibrate(water, t_c, closure=under_gas(pco2)).carbon)


def ph_in_air(water: Water, t_c: ArrayLike, *, pco2: float = AIR_PCO2) -> Vector:
    """Return the pH of ``water`` in equilibrium with air (see ``open_to_air``), at ``t_c`` (°C)."""
    return equilibrate(water, t_c, closure=under_gas(pco2)).ph


def fully_degassed(
    water: Water, t_c: ArrayLike, *, pco2: float = STEAM_PCO2, si_offset: ArrayLike = 0.0
) -> DegassedWater:
    """Return the water with CO2 at ``pco2`` and ``t_c`` and calcite at equilibrium, and its scale.

    The scale is never more than the smaller of calcium hardness and alkalinity.
    ``si_offset``: see ``speciate``.
    """
    e = equilibrate(water, t_c, closure=over_calcite_under_gas(pco2), offsets=Offsets(si_offset))
    scales = e.ca < water.ca
    gas_only = e if scales.all() else equilibrate(water, t_c, closure=under_gas(pco2))
    ca, alkalinity = np.where(scales, e.ca, water.ca), np.where(scales, e.alkalinity, water.alkalinity)
    left = water.with_(ca=ca, alkalinity=alkalinity, carbon=np.where(scales, e.carbon, gas_only.carbon))
    return DegassedWater(left, (water.ca - left.ca) * molar.MG_CACO3_PER_MOL, np.where(scales, e.ph, gas_only.ph),
                         np.where(scales, e.free_magnesium, gas_only.free_magnesium))
