"""A steam boiler: steam leaves, salts stay."""

from __future__ import annotations

from dataclasses import dataclass

from numpy.typing import ArrayLike

from shared.water.composition import Vector


@dataclass(frozen=True, slots=True, kw_only=True)
class SteamBoiler:
    """Water held (kg), steam made and liquid drained or drawn (kg a day)."""

    mass: float
    steam_per_day: float
    drained_per_day: float = 0.0

    @property
    def steady_cycles(self) -> float:
        """Boiler concentration over feed after a long time; infinite if nothing is drained."""
        raise NotImplementedError

    def cycles(self, days: ArrayLike, start: float = 1.0) -> Vector:
        """Concentration over feed ``days`` after it stood at ``start``."""
        raise NotImplementedError

    def days_until(self, cycles: float, start: float = 1.0) -> float:
        """Days until the concentration reaches ``cycles``; infinite if it never does."""
        raise NotImplementedError


def drain_and_refill(cycles: ArrayLike, share: ArrayLike) -> Vector:
    """Concentration over feed after a ``share`` (0 to 1) of the boiler is drained and refilled with feed."""
    raise NotImplementedError
