"""Conditional constants at one step of the iteration: they include ionic strength and ion pairs.

The carbonate system then needs only five numbers: amounts per free CO3 with two, one and no equivalents of alkalinity
are proportional to h^0, h^1 and h^2, and water itself adds ``base / h - acid * h``. Ion pairs of potassium are omitted:
at 80 mg/L K they bind about one hundredth of the sulfate.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from shared.water.composition import Vector
from shared.water.constants import Activity


class ConditionalConstants(NamedTuple):
    """Equilibrium constants on concentrations: the activity coefficients at the ionic strength are included.

    Each is an amount (mol/L) per free ions and powers of the hydrogen ion activity h: ``hco3`` per CO3 h, ``co2`` per
    CO3 h^2; pairs of a metal per metal and CO3 (``ca_co3``), CO3 h (``ca_hco3``), SO4 (``ca_so4``), 1/h (``ca_oh``);
    ``h_so4`` per SO4 h; ``hydrogen`` per h, ``hydroxide`` per 1/h. ``calcite``: product of calcium and CO3 over
    calcite. ``co2_per_atm``: CO2 under a gas.
    """

    hco3: Vector
    co2: Vector
    ca_co3: Vector
    ca_hco3: Vector
    ca_so4: Vector
    ca_oh: Vector
    mg_co3: Vector
    mg_hco3: Vector
    mg_so4: Vector
    mg_oh: Vector
    na_co3: Vector
    na_hco3: Vector
    na_so4: Vector
    h_so4: Vector
    hydrogen: Vector
    hydroxide: Vector
    calcite: Vector
    co2_per_atm: Vector


def conditional_constants(k: Mapping[str, Vector], g: Activity) -> ConditionalConstants:
    """Return the constants ``k`` (activity scale) with the activity coefficients ``g``."""
    # An uncharged pair of two divalent ions; a pair with one charge.
    ca, mg, hydrogen = g.ca / g.neutral, g.mg / g.neutral, 1 / g.single
    ca_single, mg_single, co3_per_hco3 = g.ca * hydrogen, g.mg * hydrogen, g.co3 / k["k2"]
    return ConditionalConstants(
        hco3=co3_per_hco3 / g.hco3,
        co2=co3_per_hco3 / (k["k1"] * g.neutral),
        ca_co3=k["ca_co3"] * ca * g.co3,
        ca_hco3=k["ca_hco3"] * ca_single * co3_per_hco3,
        ca_so4=k["ca_so4"] * ca * g.so4,
        ca_oh=k["ca_oh"] * ca_single,
        mg_co3=k["mg_co3"] * mg * g.co3,
        mg_hco3=k["mg_hco3"] * mg_single * co3_per_hco3,
        mg_so4=k["mg_so4"] * mg * g.so4,
        mg_oh=k["mg_oh"] * mg_single,
        na_co3=k["na_co3"] * g.co3,
        na_hco3=k["na_hco3"] * g.single * co3_per_hco3 / g.neutral,
        na_so4=k["na_so4"] * g.so4,
        h_so4=k["h_so4"] * g.so4 * hydrogen,
        hydrogen=hydrogen,
        hydroxide=k["kw"] * hydrogen,
        calcite=k["calcite"] / (g.ca * g.co3),
        co2_per_atm=k["kh"] / g.neutral,
    )


class Totals(NamedTuple):
    """The totals of a ``Water``, unchecked, in the iteration."""

    ca: Vector
    mg: Vector
    na: Vector
    k: Vector
    cl: Vector
    so4: Vector
    alkalinity: Vector
    carbon: Vector


class InitialGuess(NamedTuple):
    """Totals to solve for and a first ln of the hydrogen ion activity."""

    water: Totals
    ln_h: Vector


class AcidBaseSolution(NamedTuple):
    """ln of the hydrogen ion activity, free CO3 (mol/L) and the resulting totals."""

    ln_h: Vector
    co3: Vector
    water: Totals


class FreeIons(NamedTuple):
    """Free ions, mol/L; of calcium also the free share, and its total without carbonate pairs per free ion."""

    ca: Vector
    mg: Vector
    na: Vector
    so4: Vector
    ca_share: Vector
    ca_apart: Vector


class Metal(NamedTuple):
    """A metal's ``free`` ion, mol/L, and its ion pairs per unit of it.

    ``two``, ``one``: pairs with two and one equivalents, for each free CO3 (and h); ``base``: hydroxide, by 1/h;
    ``apart``: the ion itself and its pairs with sulfate.
    """

    free: Vector
    two: Vector
    one: Vector
    base: Vector
    apart: Vector


@dataclass(frozen=True, slots=True)
class Medium:
    """Input of the closures, mol/L and eq/L.

    ``two``, ``one``, ``none``: amounts with two, one and no equivalents per unit of free CO3 and h^0, h^1, h^2,
    without calcium's pairs; those are ``ca_two`` and ``ca_one`` per free CO3 and free calcium ``ca``.
    ``bicarbonate``: the free part of ``one``. ``calcite``: product of free calcium and free CO3 over calcite;
    ``ca_apart``: calcium without its carbonate pairs per free calcium. ``mg``: contribution of magnesium to ``two``,
    ``one`` and ``base``.
    """

    two: Vector
    one: Vector
    none: Vector
    ca_two: Vector
    ca_one: Vector
    ca: Vector
    bicarbonate: Vector
    base: Vector
    acid: Vector
    calcite: Vector
    ca_apart: Vector
    co2_per_atm: Vector
    mg: Metal

    def all_two(self) -> Vector:
        """``two`` with calcium's pair."""
        return self.two + self.ca_two * self.ca

    def all_one(self) -> Vector:
        """``one`` with calcium's pair."""
        return self.one + self.ca_one * self.ca


def all_free(water: Totals) -> FreeIons:
    """Return the start of the iteration: no ion pairs."""
    one = np.ones_like(water.ca)
    return FreeIons(water.ca, water.mg, water.na, water.so4, one, one)


def medium(c: ConditionalConstants, free: FreeIons) -> Medium:
    """Return the medium of these free ions."""
    mg = Metal(free.mg, two=c.mg_co3, one=c.mg_hco3, base=c.mg_oh, apart=1 + c.mg_so4 * free.so4)
    return Medium(
        two=1 + c.mg_co3 * free.mg + c.na_co3 * free.na,
        one=c.hco3 + c.na_hco3 * free.na + c.mg_hco3 * free.mg,
        none=c.co2,
        ca_two=c.ca_co3,
        ca_one=c.ca_hco3,
        ca=free.ca,
        bicarbonate=c.hco3,
        base=c.hydroxide + c.ca_oh * free.ca + c.mg_oh * free.mg,
        acid=c.hydrogen + c.h_so4 * free.so4,
        calcite=c.calcite,
        ca_apart=free.ca_apart,
        co2_per_atm=c.co2_per_atm,
        mg=mg,
    )


def pair_up(c: ConditionalConstants, free: FreeIons, *, settled: AcidBaseSolution) -> tuple[FreeIons, Vector]:
    """Return free ions and ionic strength (mol/L, with pairs) for the solved h and CO3."""
    water, co3, h = settled.water, settled.co3, np.exp(settled.ln_h)
    co3_h = co3 * h
    ca_oh, ca_hco3, mg_oh, mg_hco3 = c.ca_oh / h, c.ca_hco3 * co3_h, c.mg_oh / h, c.mg_hco3 * co3_h
    ca_apart = 1 + c.ca_so4 * free.so4 + ca_oh
    ca_share = 1 / (ca_apart + ca_hco3 + c.ca_co3 * co3)
    ca = water.ca * ca_share
    mg = water.mg / (1 + c.mg_so4 * free.so4 + mg_oh + mg_hco3 + c.mg_co3 * co3)
    na_single = 1 + c.na_co3 * co3 + c.na_so4 * free.so4
    na = water.na / (na_single + c.na_hco3 * co3_h)
    bisulfate = c.h_so4 * h
    so4 = water.so4 / (1 + bisulfate + c.ca_so4 * ca + c.mg_so4 * mg + c.na_so4 * na)
    singles = na * na_single + water.k + water.cl + c.hco3 * co3_h + ca * (ca_oh + ca_hco3) + mg * (mg_oh + mg_hco3)
    singles += so4 * bisulfate + h * c.hydrogen + c.hydroxide / h
    return FreeIons(ca, mg, na, so4, ca_share, ca_apart), 2 * (ca + mg + so4 + co3) + 0.5 * singles
