"""The ionic surroundings at one step of the solution: constants made conditional on ionic strength and pairs.

With them the carbonate system needs only five numbers: the amounts per free CO3 that count for two, one and
no equivalents of alkalinity go with h^0, h^1 and h^2, and water itself adds ``base / h - acid * h``.
Pairs of potassium are left out: at 80 mg/L K they bind about one hundredth of the sulfate.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from shared.water.activity import Activity
from shared.water.composition import Vector

Constants = dict[str, Vector]


class Totals(NamedTuple):
    """The totals of a ``Water`` unchecked, as they pass through the iteration."""

    ca: Vector
    mg: Vector
    na: Vector
    k: Vector
    cl: Vector
    so4: Vector
    alkalinity: Vector
    carbon: Vector


class Free(NamedTuple):
    """Free ions, mol/L, and the share of calcium that is free."""

    ca: Vector
    mg: Vector
    na: Vector
    so4: Vector
    ca_share: Vector


@dataclass(frozen=True, slots=True)
class Medium:
    """``two``, ``one``, ``none``: amounts per free CO3; ``bicarbonate``: the free part of ``one``.

    ``saturated``: product of total calcium and free CO3 over calcite; ``co2_per_atm``: mol/L.
    """

    two: Vector
    one: Vector
    none: Vector
    bicarbonate: Vector
    base: Vector
    acid: Vector
    saturated: Vector
    co2_per_atm: Vector

    def water_alkalinity(self, h: Vector) -> Vector:
        """Hydroxide (free and in pairs) less hydrogen ion and bisulfate, eq/L."""
        return self.base / h - self.acid * h


def all_free(water: Totals) -> Free:
    """The start of the iteration: nothing paired."""
    return Free(water.ca, water.mg, water.na, water.so4, np.ones_like(water.ca))


def medium(k: Constants, g: Activity, free: Free) -> Medium:
    """The medium these free ions make, with activity coefficients ``g``."""
    ca, mg, na = free.ca * g.ca, free.mg * g.mg, free.na * g.single
    bicarbonate = g.co3 / (k["k2"] * g.hco3)
    co3_pairs = (k["ca_co3"] * ca + k["mg_co3"] * mg) / g.neutral + k["na_co3"] * na / g.single
    hco3_pairs = (k["ca_hco3"] * ca + k["mg_hco3"] * mg) / g.single + k["na_hco3"] * na / g.neutral
    return Medium(
        two=1 + g.co3 * co3_pairs,
        one=bicarbonate * (1 + g.hco3 * hco3_pairs),
        none=g.co3 / (k["k1"] * k["k2"] * g.neutral),
        bicarbonate=bicarbonate,
        base=(k["kw"] + k["ca_oh"] * ca + k["mg_oh"] * mg) / g.single,
        acid=(1 + k["h_so4"] * free.so4 * g.so4) / g.single,
        saturated=k["calcite"] / (g.ca * g.co3 * free.ca_share),
        co2_per_atm=k["kh"] / g.neutral,
    )


def pair_up(
    k: Constants, g: Activity, water: Totals, free: Free, h: Vector, co3: Vector
) -> tuple[Free, Vector]:
    """Free ions anew and the ionic strength (mol/L, pairs included), given ``h`` and the free ``co3``."""
    hco3 = co3 * h * g.co3 / (k["k2"] * g.hco3)
    a_co3, a_hco3, a_so4 = co3 * g.co3, hco3 * g.hco3, free.so4 * g.so4

    def divalent(metal: str, total: Vector, gamma: Vector) -> tuple[Vector, Vector, Vector]:
        neutral = gamma * (k[f"{metal}_co3"] * a_co3 + k[f"{metal}_so4"] * a_so4) / g.neutral
        single = gamma * (k[f"{metal}_hco3"] * a_hco3 + k[f"{metal}_oh"] / h) / g.single
        share = 1 / (1 + neutral + single)
        return total * share, total * share * single, share

    ca, ca_single, ca_share = divalent("ca", water.ca, g.ca)
    mg, mg_single, _ = divalent("mg", water.mg, g.mg)
    na_single = k["na_co3"] * a_co3 + k["na_so4"] * a_so4
    na = water.na / (1 + na_single + g.single * k["na_hco3"] * a_hco3 / g.neutral)
    bisulfate = k["h_so4"] * h * g.so4 / g.single
    with_metals = (k["ca_so4"] * ca * g.ca + k["mg_so4"] * mg * g.mg) / g.neutral + k["na_so4"] * na
    so4 = water.so4 / (1 + bisulfate + g.so4 * with_metals)
    singles = na * (1 + na_single) + water.k + water.cl + hco3 + ca_single + mg_single
    singles = singles + so4 * bisulfate + (h + k["kw"] / h) / g.single
    return Free(ca, mg, na, so4, ca_share), 2 * (ca + mg + so4 + co3) + 0.5 * singles
