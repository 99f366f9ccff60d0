"""What is held while the acid-base balance of a water is solved: five ways to close the equations.

Each takes the medium, the totals and a first ln h, and gives ln h, the free CO3 and the totals as they then
are. All but the known pH reduce to the root of one falling function of ln h, so none can fail to converge.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from shared.water.composition import Vector
from shared.water.medium import Medium, Totals
from shared.water.root import falling_root


class Settled(NamedTuple):
    """ln of the hydrogen ion activity, free CO3 (mol/L) and the totals that go with them."""

    ln_h: Vector
    co3: Vector
    water: Totals


Closure = Callable[[Medium, Totals, Vector], Settled]


def closed(m: Medium, water: Totals, ln_h: Vector) -> Settled:
    """Carbon and alkalinity held: heating or cooling with nothing lost."""

    def alkalinity(h: Vector) -> tuple[Vector, Vector]:
        one, none = m.one * h, m.none * h * h
        all_ = m.two + one + none
        share = (2 * m.two + one) / all_
        return water.carbon * share, water.carbon * (one - share * (one + 2 * none)) / all_

    u = _balance(m, alkalinity, water.alkalinity, ln_h)
    return Settled(u, water.carbon / _carbon_per_co3(m, np.exp(u)), water)


def at_ph(m: Medium, water: Totals, ln_h: Vector) -> Settled:
    """Alkalinity held and ``ln_h`` known: the carbon of a sample. Negative carbon: no water can be so."""
    h = np.exp(ln_h)
    co3 = (water.alkalinity - m.water_alkalinity(h)) / (2 * m.two + m.one * h)
    return Settled(ln_h, np.maximum(co3, 0.0), water._replace(carbon=co3 * _carbon_per_co3(m, h)))


def under_gas(pco2: float) -> Closure:
    """Alkalinity held, CO2 in equilibrium with a gas of ``pco2`` (atm)."""

    def settle(m: Medium, water: Totals, ln_h: Vector) -> Settled:
        u = _balance(m, _alkalinity_under_gas(m, pco2), water.alkalinity, ln_h)
        h = np.exp(u)
        co3 = m.co2_per_atm * pco2 / (m.none * h * h)
        return Settled(u, co3, water._replace(carbon=co3 * _carbon_per_co3(m, h)))

    return settle


def over_calcite(m: Medium, water: Totals, ln_h: Vector) -> Settled:
    """Calcite precipitated or dissolved to equilibrium with nothing else lost.

    Twice the carbon less the alkalinity stays as it was; from it follow CO3, carbon and calcium at any h.
    """
    kept = 2 * water.carbon - water.alkalinity

    def at(h: Vector) -> tuple[Vector, Vector]:
        co3 = (m.water_alkalinity(h) + kept) / (h * (m.one + 2 * m.none * h))
        return co3, water.ca - water.carbon + co3 * _carbon_per_co3(m, h)

    def supersaturation(u: Vector) -> tuple[Vector, Vector]:
        h = np.exp(u)
        one, none = m.one * h, m.none * h * h
        co3, ca = at(h)
        possible = (co3 > 0) & (ca > 0)
        co3, ca = np.where(possible, co3, 1.0), np.where(possible, ca, 1.0)
        d_co3 = -(m.base / h + m.acid * h + co3 * (one + 4 * none)) / (one + 2 * none)
        d_ca = d_co3 * (m.two + one + none) + co3 * (one + 2 * none)
        value = np.where(possible, np.log(ca * co3 / m.saturated), -np.inf)
        return value, d_co3 / co3 + d_ca / ca

    u = falling_root(supersaturation, ln_h)
    co3, ca = at(np.exp(u))
    lost = water.ca - ca
    return Settled(u, co3, _without(lost, water))


def over_calcite_under_gas(pco2: float) -> Closure:
    """Calcite to equilibrium and CO2 in equilibrium with a gas of ``pco2`` (atm)."""

    def settle(m: Medium, water: Totals, ln_h: Vector) -> Settled:
        calcium_per_h2 = m.saturated * m.none / (m.co2_per_atm * pco2)
        by_gas = _alkalinity_under_gas(m, pco2)

        def surplus(u: Vector) -> tuple[Vector, Vector]:
            h = np.exp(u)
            value, slope = by_gas(h)
            right = water.alkalinity - 2 * water.ca + 2 * calcium_per_h2 * h * h
            value = value + m.water_alkalinity(h) - right
            return value, slope - m.base / h - m.acid * h - 4 * calcium_per_h2 * h * h

        u = falling_root(surplus, ln_h)
        h = np.exp(u)
        co3 = m.co2_per_atm * pco2 / (m.none * h * h)
        settled = _without(water.ca - calcium_per_h2 * h * h, water)
        return Settled(u, co3, settled._replace(carbon=co3 * _carbon_per_co3(m, h)))

    return settle


def _carbon_per_co3(m: Medium, h: Vector) -> Vector:
    return m.two + h * (m.one + h * m.none)


def _without(calcite: Vector, water: Totals) -> Totals:
    return water._replace(
        ca=water.ca - calcite, alkalinity=water.alkalinity - 2 * calcite, carbon=water.carbon - calcite
    )


def _alkalinity_under_gas(m: Medium, pco2: float) -> Callable[[Vector], tuple[Vector, Vector]]:
    co2 = m.co2_per_atm * pco2 / m.none

    def alkalinity(h: Vector) -> tuple[Vector, Vector]:
        two, one = 2 * co2 * m.two / (h * h), co2 * m.one / h
        return two + one, -2 * two - one

    return alkalinity


def _balance(
    m: Medium, carbonate: Callable[[Vector], tuple[Vector, Vector]], alkalinity: Vector, ln_h: Vector
) -> Vector:
    """ln h at which carbonate and water together make up ``alkalinity``.

    Written as the logarithm of a ratio of positive sums, which is nearly a straight line in ln h.
    """
    basic, acidic = np.maximum(-alkalinity, 0.0), np.maximum(alkalinity, 0.0)

    def log_ratio(u: Vector) -> tuple[Vector, Vector]:
        h = np.exp(u)
        value, slope = carbonate(h)
        left, right = value + m.base / h + basic, acidic + m.acid * h
        return np.log(left / right), (slope - m.base / h) / left - m.acid * h / right

    return falling_root(log_ratio, ln_h)
