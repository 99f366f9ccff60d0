"""Conditional constants at one step of the iteration: they include ionic strength and ion pairs.

The carbonate system then needs only five numbers: amounts per free CO3 with two, one and no equivalents of alkalinity
are proportional to h^0, h^1 and h^2, and water itself adds ``base / h - acid * h``. Ion pairs of potassium are omitted:
at 80 mg/L K they bind about one hundredth of the sulfate.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from shared.water.activity import Activity
from shared.water.composition import Vector


class ConditionalConstants(NamedTuple):
    """Equilibrium constants at the temperature and activity coefficients at the ionic strength."""

    k: dict[str, Vector]
    g: Activity


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


def medium(at: ConditionalConstants, free: FreeIons) -> Medium:
    """Return the medium of these free ions."""
    k, g = at
    bicarbonate = g.co3 / (k["k2"] * g.hco3)
    mg = Metal(
        free=free.mg,
        two=k["mg_co3"] * g.mg * g.co3 / g.neutral,
        one=k["mg_hco3"] * g.mg * g.co3 / (k["k2"] * g.single),
        base=k["mg_oh"] * g.mg / g.single,
        apart=1 + k["mg_so4"] * g.mg * g.so4 * free.so4 / g.neutral,
    )
    return Medium(
        two=1 + mg.two * mg.free + k["na_co3"] * g.co3 * free.na,
        one=bicarbonate * (1 + k["na_hco3"] * g.hco3 * g.single * free.na / g.neutral) + mg.one * mg.free,
        none=g.co3 / (k["k1"] * k["k2"] * g.neutral),
        ca_two=k["ca_co3"] * g.ca * g.co3 / g.neutral,
        ca_one=k["ca_hco3"] * g.ca * g.co3 / (k["k2"] * g.single),
        ca=free.ca,
        bicarbonate=bicarbonate,
        base=(k["kw"] + k["ca_oh"] * free.ca * g.ca) / g.single + mg.base * mg.free,
        acid=(1 + k["h_so4"] * free.so4 * g.so4) / g.single,
        calcite=k["calcite"] / (g.ca * g.co3),
        ca_apart=free.ca_apart,
        co2_per_atm=k["kh"] / g.neutral,
        mg=mg,
    )


def pair_up(at: ConditionalConstants, free: FreeIons, *, settled: AcidBaseSolution) -> tuple[FreeIons, Vector]:
    """Return free ions and ionic strength (mol/L, with pairs) for the solved h and CO3."""
    k, g = at
    water, co3, h = settled.water, settled.co3, np.exp(settled.ln_h)
    hco3 = co3 * h * g.co3 / (k["k2"] * g.hco3)
    a_co3, a_hco3, a_so4 = co3 * g.co3, hco3 * g.hco3, free.so4 * g.so4

    def divalent(metal: str, gamma: Vector) -> tuple[Vector, Vector, Vector]:
        hydroxide = gamma * k[f"{metal}_oh"] / (h * g.single)
        bicarbonate = gamma * k[f"{metal}_hco3"] * a_hco3 / g.single
        apart = 1 + gamma * k[f"{metal}_so4"] * a_so4 / g.neutral + hydroxide
        share = 1 / (apart + bicarbonate + gamma * k[f"{metal}_co3"] * a_co3 / g.neutral)
        return share, apart, hydroxide + bicarbonate

    ca_share, ca_apart, ca_single = divalent("ca", g.ca)
    mg_share, _, mg_single = divalent("mg", g.mg)
    ca, mg = water.ca * ca_share, water.mg * mg_share
    na_single = k["na_co3"] * a_co3 + k["na_so4"] * a_so4
    na = water.na / (1 + na_single + g.single * k["na_hco3"] * a_hco3 / g.neutral)
    bisulfate = k["h_so4"] * h * g.so4 / g.single
    with_metals = (k["ca_so4"] * ca * g.ca + k["mg_so4"] * mg * g.mg) / g.neutral + k["na_so4"] * na
    so4 = water.so4 / (1 + bisulfate + g.so4 * with_metals)
    singles = na * (1 + na_single) + water.k + water.cl + hco3 + ca * ca_single + mg * mg_single
    singles = singles + so4 * bisulfate + (h + k["kw"] / h) / g.single
    return FreeIons(ca, mg, na, so4, ca_share, ca_apart), 2 * (ca + mg + so4 + co3) + 0.5 * singles
