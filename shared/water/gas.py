"""Carbon dioxide lost to air or swept out with steam."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from numpy.typing import ArrayLike

from shared.water.composition import Vector, Water

#: Partial pressure of CO2 in air, atm.
AIR_PCO2: Final = 420e-6
#: Partial pressure of CO2 assumed over a steaming boiler, atm: nearly all is swept out with the steam.
STEAM_PCO2: Final = 1e-4


@dataclass(frozen=True, slots=True)
class Degassed:
    """A steam boiler's water after losing its CO2 and dropping its calcite; scale in mg/L CaCO3 of feed."""

    water: Water
    scale: Vector


def open_to_air(water: Water, t_c: ArrayLike, pco2: float = AIR_PCO2) -> Water:
    """``water`` with its carbon in equilibrium with ``pco2`` (atm) at ``t_c`` (°C); nothing precipitates."""
    raise NotImplementedError


def fully_degassed(water: Water, t_c: ArrayLike, pco2: float = STEAM_PCO2) -> Degassed:
    """CO2 swept out to ``pco2`` at ``t_c`` and calcite at equilibrium: the water left and its scale."""
    raise NotImplementedError
