"""Acid-base balance of a water under five conditions (closures).

Each closure takes the medium, the totals and a first ln h, and returns ln h, free CO3 and the resulting totals. All
except the known pH reduce to two positive sums that intersect once: one falls with h, the other rises.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final, NamedTuple

import numpy as np

from shared.water.composition import Vector
from shared.water.medium import AcidBaseSolution, InitialGuess, Medium, Metal, Totals

#: Natural logarithm of the hydrogen ion activity at pH 16 and pH -2: bounds for every water.
LOWEST: Final = -16 * float(np.log(10.0))
HIGHEST: Final = 2 * float(np.log(10.0))
#: Newton's method converges quadratically: after a last step this small, the error is about its square. The passes
#: that solve again with updated ion pairs end only where their own last step is far smaller.
_TOLERANCE: Final = 1e-2
_MOST_STEPS: Final = 100

#: Value and slope of a function at ``u``.
FallingFunction = Callable[[Vector], tuple[Vector, Vector]]


def falling_root(function: FallingFunction, start: Vector) -> Vector:
    """Return the root by Newton steps from ``start``; a step that would leave the bracket bisects it instead."""
    u = start
    low, high = np.full_like(u, LOWEST), np.full_like(u, HIGHEST)
    for _ in range(_MOST_STEPS):
        value, slope = function(u)
        low, high = np.where(value > 0, u, low), np.where(value < 0, u, high)
        with np.errstate(invalid="ignore", divide="ignore"):
            newton = u - value / slope
        step_stays = (newton >= low) & (newton <= high)
        u, before = np.where(step_stays, newton, 0.5 * (low + high)), u
        if np.abs(u - before).max() < _TOLERANCE:
            break
    return u


class Sides(NamedTuple):
    """A sum that falls with h and one that rises, each with its derivative by ln h."""

    falling: Vector
    d_falling: Vector
    rising: Vector
    d_rising: Vector


Closure = Callable[[Medium, InitialGuess], AcidBaseSolution]


def closed_system(m: Medium, start: InitialGuess) -> AcidBaseSolution:
    """Constant carbon and alkalinity: heating or cooling without loss."""
    water = start.water
    two, one_per_h = m.all_two(), m.all_one()
    basic, acidic = _signs(water.alkalinity)

    def sides(h: Vector) -> Sides:
        one, none, base, acid = one_per_h * h, m.none * h * h, m.base / h, m.acid * h
        all_ = two + one + none
        share = (2 * two + one) / all_
        d_share = (one - share * (one + 2 * none)) / all_
        return Sides(water.carbon * share + base + acidic, water.carbon * d_share - base, acid + basic, acid)

    u = _meeting(sides, start.ln_h)
    return AcidBaseSolution(u, water.carbon / _carbon_per_co3(m, np.exp(u)), water)


def at_ph(m: Medium, start: InitialGuess) -> AcidBaseSolution:
    """Constant alkalinity and known ``ln_h``: the carbon of a sample. Negative carbon: an impossible water."""
    water, ln_h = start
    h = np.exp(ln_h)
    co3 = (water.alkalinity - m.base / h + m.acid * h) / (2 * m.all_two() + m.all_one() * h)
    return AcidBaseSolution(ln_h, np.maximum(co3, 0.0), water._replace(carbon=co3 * _carbon_per_co3(m, h)))


def under_gas(pco2: float) -> Closure:
    """Constant alkalinity, CO2 in equilibrium with a gas of ``pco2`` (atm)."""

    def settle(m: Medium, start: InitialGuess) -> AcidBaseSolution:
        water = start.water
        co3_h2 = m.co2_per_atm * pco2 / m.none
        two_h2, one_h = 2 * co3_h2 * (m.all_two() - m.mg.two * m.mg.free), co3_h2 * m.all_one() + _other_base(m, co3_h2)
        magnesium = _magnesium(m.mg, water.mg, co3_h2)
        basic, acidic = _signs(water.alkalinity)

        def sides(h: Vector) -> Sides:
            two, one, acid = two_h2 / (h * h), one_h / h, m.acid * h
            with_mg, d_with_mg = magnesium(h)
            return Sides(two + one + with_mg + acidic, d_with_mg - 2 * two - one, acid + basic, acid)

        u = _meeting(sides, start.ln_h)
        co3 = co3_h2 * np.exp(-2 * u)
        return AcidBaseSolution(u, co3, water._replace(carbon=co3 * _carbon_per_co3(m, np.exp(u))))

    return settle


def over_calcite(m: Medium, start: InitialGuess) -> AcidBaseSolution:
    """Calcite precipitated or dissolved to equilibrium, without other loss.

    Calcium minus carbon is constant and gives CO3 at any h (a quadratic equation, because calcite couples calcium and
    CO3); twice the carbon minus the alkalinity is constant and gives h.
    """
    water = start.water
    difference = water.ca - water.carbon
    acidic, basic = _signs(2 * water.carbon - water.alkalinity)
    calcium_co3 = m.calcite * m.ca_apart
    acid_per_h = m.acid + m.ca_one * m.calcite

    def free_co3(all_: Vector) -> Vector:
        larger = np.abs(difference) + np.sqrt(difference**2 + 4 * all_ * calcium_co3)
        return np.where(difference > 0, 2 * calcium_co3 / larger, larger / (2 * all_))

    def sides(h: Vector) -> Sides:
        one, none, base, acid = m.one * h, m.none * h * h, m.base / h, acid_per_h * h
        co3 = free_co3(m.two + one + none)
        d_co3 = -co3 * (one + 2 * none) / (m.two + one + none + calcium_co3 / co3**2)
        d_short = d_co3 * (one + 2 * none) + co3 * (one + 4 * none)
        return Sides(base + acidic, -base, co3 * (one + 2 * none) + acid + basic, d_short + acid)

    u = _meeting(sides, start.ln_h)
    h = np.exp(u)
    co3 = free_co3(m.two + h * (m.one + h * m.none))
    return AcidBaseSolution(u, co3, _over_calcite(m, water, h=h, co3=co3))


def over_calcite_under_gas(pco2: float) -> Closure:
    """Calcite to equilibrium and CO2 in equilibrium with a gas of ``pco2`` (atm)."""

    def settle(m: Medium, start: InitialGuess) -> AcidBaseSolution:
        water = start.water
        co3_h2 = m.co2_per_atm * pco2 / m.none
        two_h2, one_h = 2 * co3_h2 * (m.two - m.mg.two * m.mg.free), co3_h2 * m.one + _other_base(m, co3_h2)
        magnesium = _magnesium(m.mg, water.mg, co3_h2)
        calcium_per_h2 = 2 * m.calcite * m.ca_apart / co3_h2
        acid_per_h = m.acid + m.ca_one * m.calcite
        basic, acidic = _signs(water.alkalinity - 2 * water.ca)

        def sides(h: Vector) -> Sides:
            two, one, acid, calcium = two_h2 / (h * h), one_h / h, acid_per_h * h, calcium_per_h2 * h * h
            with_mg, d_with_mg = magnesium(h)
            return Sides(two + one + with_mg + acidic, d_with_mg - 2 * two - one, acid + calcium + basic,
                         acid + 2 * calcium)

        u = _meeting(sides, start.ln_h)
        co3 = co3_h2 * np.exp(-2 * u)
        return AcidBaseSolution(u, co3, _over_calcite(m, water, h=np.exp(u), co3=co3))

    return settle


def _magnesium(mg: Metal, total: Vector, co3_h2: Vector) -> Callable[[Vector], tuple[Vector, Vector]]:
    """Equivalents bound to magnesium under a gas at any h, and their derivative by ln h.

    Under a gas CO3 grows without bound as h falls, and hot water hydrolyses magnesium: with its free ion constant
    within a pass, h would oscillate for twenty passes.
    """
    single, double = co3_h2 * mg.one + mg.base, co3_h2 * mg.two

    def bound(h: Vector) -> tuple[Vector, Vector]:
        one, two = single / h, double / (h * h)
        all_ = mg.apart + one + two
        share = (one + 2 * two) / all_
        return total * share, total * (share * share - (one + 4 * two) / all_)

    return bound


def _other_base(m: Medium, co3_h2: Vector) -> Vector:
    """Coefficient of 1/h under a gas in addition to ``one``, without the contributions of magnesium."""
    return m.base - m.mg.free * (m.mg.base + co3_h2 * m.mg.one)


def _over_calcite(m: Medium, water: Totals, *, h: Vector, co3: Vector) -> Totals:
    """Totals over calcite: calcium from the free CO3, alkalinity with it, carbon from the CO3."""
    pairs = m.calcite * (m.ca_two + m.ca_one * h)
    ca = m.calcite * m.ca_apart / co3 + pairs
    carbon = co3 * (m.two + h * (m.one + h * m.none)) + pairs
    return water._replace(ca=ca, alkalinity=water.alkalinity - 2 * (water.ca - ca), carbon=carbon)


def _carbon_per_co3(m: Medium, h: Vector) -> Vector:
    return m.all_two() + h * (m.all_one() + h * m.none)


def _signs(value: Vector) -> tuple[Vector, Vector]:
    """``value`` as the difference of two positive parts, one for each side of a balance."""
    return np.maximum(value, 0.0), np.maximum(-value, 0.0)


def _meeting(sides: Callable[[Vector], Sides], ln_h: Vector) -> Vector:
    """Natural logarithm of h where both sides are equal, found on the logarithm of their ratio."""

    def log_ratio(u: Vector) -> tuple[Vector, Vector]:
        s = sides(np.exp(u))
        return np.log(s.falling / s.rising), s.d_falling / s.falling - s.d_rising / s.rising

    return falling_root(log_ratio, ln_h)
