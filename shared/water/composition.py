"""Composition of a water: its conserved totals, and blends of waters."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from shared.errors import InputError
from shared.water import molar

Vector = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Water:
    """Totals that heating and mixing conserve: mol/L, alkalinity in eq/L; all arrays of one shape.

    ``carbon`` is all inorganic carbon (CO2 + HCO3 + CO3). Scalars are accepted and broadcast. Equality is identity, so
    that solved equilibria can be cached by object.
    """

    ca: Vector
    mg: Vector
    na: Vector
    k: Vector
    cl: Vector
    so4: Vector
    alkalinity: Vector
    carbon: Vector

    def __post_init__(self) -> None:
        names = [f.name for f in fields(self)]
        given = [np.asarray(getattr(self, n), dtype=np.float64) for n in names]
        arrays = given if len({a.shape for a in given}) == 1 else np.broadcast_arrays(*given)
        for name, values in zip(names, arrays, strict=True):
            _check(name, values)
            object.__setattr__(self, name, values)

    @property
    def shape(self) -> tuple[int, ...]:
        """The common shape of all totals."""
        return self.ca.shape

    @property
    def calcium_hardness(self) -> Vector:
        """mg/L CaCO3."""
        return self.ca * molar.MG_CACO3_PER_MOL

    @property
    def hardness(self) -> Vector:
        """Calcium and magnesium, mg/L CaCO3."""
        return (self.ca + self.mg) * molar.MG_CACO3_PER_MOL

    @property
    def alkalinity_caco3(self) -> Vector:
        """mg/L CaCO3."""
        return self.alkalinity * molar.MG_CACO3_PER_EQ

    @property
    def chloride_mg_l(self) -> Vector:
        """mg/L Cl."""
        return self.cl * molar.CL * 1e3

    @property
    def sodium_mg_l(self) -> Vector:
        """mg/L Na."""
        return self.na * molar.NA * 1e3

    @property
    def potassium_mg_l(self) -> Vector:
        """mg/L K."""
        return self.k * molar.K * 1e3

    @property
    def sulfate_mg_l(self) -> Vector:
        """mg/L SO4."""
        return self.so4 * molar.SO4 * 1e3

    @property
    def charge(self) -> Vector:
        """Strong ions minus alkalinity, eq/L; zero if the charge is balanced."""
        cations = 2 * (self.ca + self.mg) + self.na + self.k
        return cations - self.cl - 2 * self.so4 - self.alkalinity

    def with_(self, **totals: ArrayLike) -> Water:
        """Return the water with some totals replaced, mol/L (eq/L)."""
        changed: dict[str, Any] = totals
        return replace(self, **changed)

    def scaled(self, factor: ArrayLike) -> Water:
        """Return every total times ``factor``: diluted with pure water, or concentrated by evaporation."""
        return Water(*(getattr(self, f.name) * np.asarray(factor) for f in fields(self)))

    def take(self, which: NDArray[Any]) -> Water:
        """Return the waters selected by an index or mask along the first axis."""
        return Water(*(getattr(self, f.name)[which] for f in fields(self)))


def mix(waters: Sequence[Water], fractions: Sequence[ArrayLike]) -> Water:
    """Return ``waters`` blended by volume; ``fractions`` (0 to 1) sum to one. Every total is conserved."""
    total = np.sum(np.broadcast_arrays(*fractions), axis=0)
    if not np.allclose(total, 1.0, atol=1e-9):
        raise InputError("the fractions of a blend must add up to 1", where="blend", found=f"{total}")
    shares = [np.asarray(f, dtype=np.float64) for f in fractions]
    return Water(*(sum(s * getattr(w, f.name) for s, w in zip(shares, waters, strict=True)) for f in fields(Water)))


def _check(name: str, values: Vector) -> None:
    least = -np.inf if name == "alkalinity" else -np.nextafter(0.0, 1.0)
    if values.size == 0 or (values.min() > least and values.max() < np.inf):
        return
    bad = ~np.isfinite(values) if name == "alkalinity" else ~(np.isfinite(values) & (values >= 0))
    if bad.any():
        allowed = "a number" if name == "alkalinity" else "zero or more"
        found = f"{values[bad].flat[0]:g} mol/L"
        raise InputError("the concentration is not possible", where=name, found=found, allowed=allowed)
