"""Concentration of salts in a steam boiler: steam leaves, salts remain."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import exp, expm1, inf, log1p

import numpy as np
from numpy.typing import ArrayLike

from shared.errors import InputError
from shared.water.composition import Water
from shared.water.gas import DegassedWater, fully_degassed


@dataclass(frozen=True, slots=True, kw_only=True)
class SteamBoiler:
    """Water content (kg), steam produced and water drained or drawn (kg per day), in steady use.

    Cycles of concentration: boiler over feed, for salts that neither precipitate nor leave with the steam.
    """

    mass: float
    steam_per_day: float
    drained_per_day: float = 0.0

    def __post_init__(self) -> None:
        for name in ("mass", "steam_per_day", "drained_per_day"):
            value = getattr(self, name)
            least = "more than 0 kg" if name == "mass" else "0 kg a day or more"
            if not (0 <= value < inf) or (name == "mass" and value == 0):
                raise InputError("the boiler is not possible", where=name, found=f"{value:g}", allowed=least)

    @property
    def steady_cycles(self) -> float:
        """Cycles after a long time: feed over drained water; infinite with steam and no draining."""
        if self.drained_per_day == 0:
            return inf if self.steam_per_day > 0 else 1.0
        return self._feed / self.drained_per_day

    def cycles(self, days: float, start: float = 1.0) -> float:
        """Return the cycles ``days`` after ``start``."""
        return start * exp(-self._renewals(days)) + self._brought(days)

    def days_until(self, cycles: float, start: float = 1.0) -> float:
        """Return the days until the boiler reaches ``cycles``; infinite if it never does."""
        if cycles <= start:
            return 0.0
        gain = self._feed - cycles * self.drained_per_day
        if gain <= 0:
            return inf
        days = (cycles - start) * self.mass / gain
        slowed = self._renewals(days)
        return days * (log1p(slowed) / slowed if slowed > 0 else 1.0)

    def peak_cycles(self, interval_days: float, share: float) -> float:
        """Return the cycles just before draining, in steady use.

        ``share`` (0 to 1) of the water is drained and refilled every ``interval_days``.
        """
        remaining = exp(-self._renewals(interval_days))
        lost = -expm1(-self._renewals(interval_days)) + remaining * share
        return (self._brought(interval_days) + remaining * share) / lost if lost > 0 else self.steady_cycles

    def drain_interval(self, cycles: float, share: float) -> float:
        """Return the longest interval (days) between drains of ``share`` that keeps to ``cycles`` at most."""
        if self.steady_cycles <= cycles:
            return inf
        return self.days_until(cycles, start=drain_and_refill(cycles, share))

    @property
    def _feed(self) -> float:
        return self.steam_per_day + self.drained_per_day

    def _renewals(self, days: float) -> float:
        """Number of boiler contents drained in ``days``."""
        return self.drained_per_day * days / self.mass

    def _brought(self, days: float) -> float:
        """Cycles that the feed of ``days`` adds, less what was drained."""
        renewals = self._renewals(days)
        return self._feed * days / self.mass * (-expm1(-renewals) / renewals if renewals > 0 else 1.0)


def drain_and_refill(cycles: float, share: float) -> float:
    """Return the cycles after ``share`` (0 to 1) of the boiler is drained and refilled with feed."""
    return cycles * (1 - share) + share


def boiler_water(feed: Water, cycles: ArrayLike, *, t_c: ArrayLike) -> DegassedWater:
    """Return ``feed`` concentrated ``cycles`` times and boiled at ``t_c`` (°C); scale is per litre of feed."""
    boiled = fully_degassed(feed.scaled(cycles), t_c)
    return replace(boiled, scale=boiled.scale / np.asarray(cycles, dtype=np.float64))
