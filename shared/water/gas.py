"""Carbon dioxide lost to air or swept out with steam."""

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
#: Partial pressure of CO2 assumed over a steaming boiler, atm: nearly all is swept out with the steam.
STEAM_PCO2: Final = 1e-4
#: Its standard uncertainty in powers of ten: a factor of four either way in 95 % (common practice, no source).
STEAM_PCO2_SD: Final = 0.3


@dataclass(frozen=True, slots=True)
class DegassedWater:
    """A steam boiler's water after losing its CO2 and dropping its calcite; scale in mg/L CaCO3 of feed."""

    water: Water
    scale: Vector


def open_to_air(water: Water, t_c: ArrayLike, *, pco2: float = AIR_PCO2) -> Water:
    """``water`` with its carbon in equilibrium with ``pco2`` (atm) at ``t_c`` (°C); nothing precipitates."""
    return water.with_(carbon=equilibrate(water, t_c, closure=under_gas(pco2)).carbon)


def ph_in_air(water: Water, t_c: ArrayLike, *, pco2: float = AIR_PCO2) -> Vector:
    """The pH of ``water`` once it is open to air (see ``open_to_air``), at ``t_c`` (°C)."""
    return equilibrate(water, t_c, closure=under_gas(pco2)).ph


def fully_degassed(
    water: Water, t_c: ArrayLike, *, pco2: float = STEAM_PCO2, si_offset: ArrayLike = 0.0
) -> DegassedWater:
    """CO2 swept out to ``pco2`` at ``t_c`` and calcite at equilibrium: the water left and its scale.

    The scale is never more than the smaller of calcium hardness and alkalinity.
    ``si_offset``: see ``speciate``.
    """
    airless = open_to_air(water, t_c, pco2=pco2)
    e = equilibrate(water, t_c, closure=over_calcite_under_gas(pco2), offsets=Offsets(si_offset))
    scales = e.ca < water.ca
    left = water.with_(
        ca=np.where(scales, e.ca, water.ca),
        alkalinity=np.where(scales, e.alkalinity, water.alkalinity),
        carbon=np.where(scales, e.carbon, airless.carbon),
    )
    return DegassedWater(left, (water.ca - left.ca) * molar.MG_CACO3_PER_MOL)
