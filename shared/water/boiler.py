"""Water that loses gas or steam: carbon dioxide to air or with steam, and salts that remain in a steam boiler."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import exp, expm1, inf, log1p
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from shared.errors import InputError
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
                raise InputError("this boiler is impossible", where=name, found=f"{value:g}", allowed=least)

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
