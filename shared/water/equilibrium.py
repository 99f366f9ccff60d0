"""The iteration: ion pairs and ionic strength until they agree with the acid-base balance they cause."""

from __future__ import annotations

from dataclasses import astuple, dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from shared.errors import InputError
from shared.water.activity import DAVIES_LIMIT, activity, debye_huckel
from shared.water.closure import Closure
from shared.water.composition import Vector, Water
from shared.water.constants import equilibrium_constants
from shared.water.medium import Totals, all_free, medium, pair_up

#: °C; the fits of the constants end near here.
COLDEST: Final = 0.0
HOTTEST: Final = 150.0
_TOLERANCE: Final = 1e-6
_MOST_PASSES: Final = 300
#: Waters solved together: few enough to stay in the processor's cache.
_BLOCK: Final = 2048
#: Where the search starts when the pH is not known.
_ANY_PH: Final = 7.5
_LN10: Final = float(np.log(10.0))


@dataclass(frozen=True, slots=True)
class Equilibrium:
    """A solved water: mol/L, eq/L; ``ca``, ``alkalinity`` and ``carbon`` are totals as they came out.

    ``saturation``: ion activity product of calcite over its solubility product.
    """

    ca: Vector
    alkalinity: Vector
    carbon: Vector
    ph: Vector
    co3: Vector
    hco3: Vector
    co2: Vector
    free_calcium: Vector
    saturation: Vector
    ionic_strength: Vector


def equilibrate(water: Water, t_c: ArrayLike, closure: Closure, ph: ArrayLike = _ANY_PH) -> Equilibrium:
    """``water`` at ``t_c`` (°C) with what ``closure`` says held; ``ph`` known or a first guess.

    Raises InputError outside 0 to 150 °C or above the ionic strength the Davies equation covers.
    """
    temperatures = _checked_temperature(t_c)
    totals, temperatures, phs = _flat(water, temperatures, ph)
    shape = np.broadcast_shapes(water.shape, np.shape(t_c), np.shape(ph))
    parts = [
        _block(Totals(*totals[:, i : i + _BLOCK]), temperatures[i : i + _BLOCK], closure, phs[i : i + _BLOCK])
        for i in range(0, totals.shape[1], _BLOCK)
    ]
    solved = np.concatenate(parts, axis=1) if parts else np.empty((10, 0))
    return Equilibrium(*(row.reshape(shape) for row in solved))


def _flat(water: Water, t_c: Vector, ph: ArrayLike) -> tuple[Vector, Vector, Vector]:
    """Totals (8, n), temperatures and pH (n,); one temperature for all stays of length one."""
    rows = np.broadcast_arrays(*astuple(water), t_c, np.asarray(ph, dtype=np.float64))
    flat = np.stack([r.ravel() for r in rows])
    return flat[:8], flat[8], flat[9]


def _block(water: Totals, t_c: Vector, closure: Closure, ph: Vector) -> Vector:
    """The rows of ``Equilibrium`` for one block, (10, n)."""
    if t_c.size and np.all(t_c == t_c[0]):
        t_c = t_c[:1]
    k, slopes = equilibrium_constants(t_c), debye_huckel(t_c)
    free, ln_h = all_free(water), -_LN10 * ph
    ionic = 2 * (water.ca + water.mg + water.so4) + 0.5 * (water.na + water.k + 2 * water.cl)
    for _ in range(_MOST_PASSES):
        g = activity(np.minimum(ionic, DAVIES_LIMIT), slopes)
        m = medium(k, g, free)
        before = ln_h, ionic, free.ca_share
        ln_h, co3, settled = closure(m, water, ln_h)
        free, ionic = pair_up(k, g, settled, free, np.exp(ln_h), co3)
        if _change(before, (ln_h, ionic, free.ca_share)) < _TOLERANCE:
            break
    _check_ionic_strength(ionic)
    h = np.exp(ln_h)
    return np.stack(
        [
            settled.ca,
            settled.alkalinity,
            settled.carbon,
            -ln_h / _LN10,
            co3,
            co3 * m.bicarbonate * h,
            co3 * m.none * h * h,
            free.ca,
            free.ca * co3 * g.ca * g.co3 / k["calcite"],
            ionic,
        ]
    )


def _change(before: tuple[Vector, ...], after: tuple[Vector, ...]) -> float:
    return max(float(np.abs(a - b).max(initial=0.0)) for a, b in zip(after, before, strict=True))


def _checked_temperature(t_c: ArrayLike) -> Vector:
    temperatures = np.asarray(t_c, dtype=np.float64)
    bad = ~((temperatures >= COLDEST) & (temperatures <= HOTTEST))
    if bad.any():
        raise InputError(
            "no chemistry at this temperature",
            where="temperature",
            found=f"{temperatures[bad].flat[0]:g} °C",
            allowed=f"{COLDEST:g} to {HOTTEST:g} °C",
        )
    return temperatures


def _check_ionic_strength(ionic: Vector) -> None:
    if ionic.size and ionic.max() > DAVIES_LIMIT:
        raise InputError(
            "too salty for this chemistry",
            where="ionic strength",
            found=f"{ionic.max():.3g} mol/L",
            allowed=f"up to {DAVIES_LIMIT:g} mol/L",
            remedy="check the units of hardness, alkalinity and chloride",
        )
