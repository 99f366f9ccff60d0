"""A steam boiler: steam leaves, salts stay."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, inf, log

import numpy as np
from numpy.typing import ArrayLike

from shared.errors import InputError
from shared.water.composition import Water
from shared.water.gas import Degassed, fully_degassed


@dataclass(frozen=True, slots=True, kw_only=True)
class SteamBoiler:
    """Water held (kg), steam made and liquid drained or drawn (kg a day), in steady use.

    Concentration is counted in cycles: boiler over feed, for salts that neither scale nor leave with steam.
    """

    mass: float
    steam_per_day: float
    drained_per_day: float = 0.0

    def __post_init__(self) -> None:
        for name in ("mass", "steam_per_day", "drained_per_day"):
            value = getattr(self, name)
            least = "more than 0 kg" if name == "mass" else "0 kg a day or more"
            if not (0 <= value < inf) or (name == "mass" and value == 0):
                raise InputError("impossible boiler", where=name, found=f"{value:g}", allowed=least)

    @property
    def steady_cycles(self) -> float:
        """Cycles after a long time: feed over drained; infinite if steam is made and nothing drained."""
        if self.drained_per_day == 0:
            return inf if self.steam_per_day > 0 else 1.0
        return (self.steam_per_day + self.drained_per_day) / self.drained_per_day

    def cycles(self, days: float, start: float = 1.0) -> float:
        """Cycles ``days`` after they stood at ``start``."""
        if self.drained_per_day == 0:
            return start + self.steam_per_day * days / self.mass
        steady = self.steady_cycles
        return steady - (steady - start) * self._kept(days)

    def days_until(self, cycles: float, start: float = 1.0) -> float:
        """Days until the boiler has concentrated to ``cycles``; infinite if it never does."""
        if cycles <= start:
            return 0.0
        if cycles >= self.steady_cycles:
            return inf
        if self.drained_per_day == 0:
            return (cycles - start) * self.mass / self.steam_per_day
        steady = self.steady_cycles
        return log((steady - start) / (steady - cycles)) * self.mass / self.drained_per_day

    def peak_cycles(self, interval_days: float, share: float) -> float:
        """Cycles just before a drain once all has settled.

        ``share`` (0 to 1) of the water is drained and refilled every ``interval_days``.
        """
        kept = self._kept(interval_days)
        fresh_end = self.cycles(interval_days, start=1.0) - kept
        carried = kept * (1 - share)
        return (fresh_end + kept * share) / (1 - carried) if carried < 1 else self.steady_cycles

    def drain_interval(self, cycles: float, share: float) -> float:
        """Longest days between drains of ``share`` of the water that keep the peak at ``cycles`` or below."""
        if self.steady_cycles <= cycles:
            return inf
        return self.days_until(cycles, start=drain_and_refill(cycles, share))

    def _kept(self, days: float) -> float:
        """Share of the salts of today still in the boiler after ``days``."""
        return exp(-self.drained_per_day * days / self.mass)


def drain_and_refill(cycles: float, share: float) -> float:
    """Cycles after ``share`` (0 to 1) of the boiler is drained and refilled with feed."""
    return cycles * (1 - share) + share


def boiler_water(feed: Water, cycles: ArrayLike, *, t_c: ArrayLike) -> Degassed:
    """``feed`` concentrated ``cycles`` times and boiled at ``t_c`` (°C); scale is per litre of feed."""
    boiled = fully_degassed(feed.scaled(cycles), t_c)
    return Degassed(boiled.water, boiled.scale / np.asarray(cycles, dtype=np.float64))
