"""Chemical equilibrium: ion pairs, ionic strength and acid-base balance are iterated until they agree."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from shared.errors import InputError
from shared.water import molar
from shared.water.acid_base import Closure, closed_system
from shared.water.composition import Vector, Water
from shared.water.constants import DAVIES_LIMIT, activity, debye_huckel, equilibrium_constants
from shared.water.medium import InitialGuess, Totals, all_free, conditional_constants, medium, pair_up

#: Replaces a saturation of zero (no calcium or no carbonate), whose index would be minus infinity.
_LEAST_SATURATION: Final = 1e-30


@dataclass(frozen=True, slots=True)
class Speciation:
    """A water at one temperature, mol/L and eq/L, all of the water's shape.

    ``ca``, ``alkalinity`` and ``carbon`` are totals after any loss of calcite or CO2; the rest are free species.
    ``saturation``: ion activity product of calcite over its solubility.
    """

    ca: Vector
    alkalinity: Vector
    carbon: Vector
    ph: Vector
    hydroxide: Vector
    co3: Vector
    hco3: Vector
    co2: Vector
    free_calcium: Vector
    free_magnesium: Vector
    free_sulfate: Vector
    saturation: Vector
    ionic_strength: Vector

    @property
    def si_calcite(self) -> Vector:
        """Saturation index of calcite: positive can precipitate, negative dissolves."""
        return np.log10(np.maximum(self.saturation, _LEAST_SATURATION))

    @property
    def co2_mg_l(self) -> Vector:
        """Dissolved carbon dioxide, mg/L."""
        return self.co2 * molar.CO2 * 1e3


#: °C; the fits of the constants end near here.
COLDEST: Final = 0.0
HOTTEST: Final = 150.0
#: Largest change of ln h, ionic strength and free calcium in a last pass: far below 0.001 in pH and SI.
_TOLERANCE: Final = 1e-6
#: Waters of every kind converge in fewer than forty.
_MOST_PASSES: Final = 300
#: Waters solved together: few enough to stay in the processor's cache.
_BLOCK: Final = 4096
#: Where the search starts when the pH is not known.
_ANY_PH: Final = 7.5
_LN10: Final = float(np.log(10.0))


class Offsets(NamedTuple):
    """Errors to apply, in powers of ten: lower solubility of calcite, higher CO2 pressure of a gas."""

    si: ArrayLike = 0.0
    gas: ArrayLike = 0.0


NO_OFFSETS: Final = Offsets()


def speciate(water: Water, t_c: ArrayLike, *, si_offset: ArrayLike = 0.0) -> Speciation:
    """Return the species of ``water`` heated or cooled to ``t_c`` (°C) without loss (closed system).

    Carbon and alkalinity are constant and the pH is solved again; the pH of the cold sample is not used.
    ``si_offset``: an error of the model, added to the saturation index (see ``si_model_sd``).
    """
    return equilibrate(water, t_c, closure=closed_system, offsets=Offsets(si_offset))


def equilibrate(
    water: Water, t_c: ArrayLike, *, closure: Closure, ph: ArrayLike = _ANY_PH, offsets: Offsets = NO_OFFSETS
) -> Speciation:
    """Return the species of ``water`` at ``t_c`` (°C) under a ``closure``; ``ph``: known, or a first guess.

    ``offsets``: errors of the data. Raises InputError outside 0 to 150 °C, or above the ionic strength that the Davies
    equation covers.
    """
    temperatures = _checked_temperature(t_c)
    totals = (getattr(water, name) for name in Totals._fields)
    rows = np.broadcast_arrays(*totals, temperatures, ph, *offsets)
    table = np.stack([np.asarray(r, dtype=np.float64).ravel() for r in rows])
    starts = range(0, table.shape[1], _BLOCK)
    parts = [_block(table[:, i : i + _BLOCK], closure) for i in starts]
    solved = np.concatenate(parts, axis=1) if parts else np.empty((len(fields(Speciation)), 0))
    return Speciation(*(row.reshape(rows[0].shape) for row in solved))


def _block(rows: Vector, closure: Closure) -> Vector:
    """The fields of ``Speciation``, one a row, from rows of totals, temperature (°C), pH and both offsets."""
    *totals, t_c, ph, si_offset, gas_offset = rows
    water = Totals(*totals)
    if np.all(t_c == t_c[0]):
        t_c = t_c[:1]
    k, slopes = equilibrium_constants(t_c), debye_huckel(t_c)
    k["calcite"] = k["calcite"] * 10.0**-si_offset
    k["kh"] = k["kh"] * 10.0**gas_offset
    free, ln_h = all_free(water), -_LN10 * ph
    ionic = 2 * (water.ca + water.mg + water.so4) + 0.5 * (water.na + water.k + 2 * water.cl)
    for _ in range(_MOST_PASSES):
        at = conditional_constants(k, activity(np.minimum(ionic, DAVIES_LIMIT), slopes))
        m = medium(at, free)
        before = ln_h, ionic, free.ca_share
        settled = closure(m, InitialGuess(water, ln_h))
        ln_h = settled.ln_h
        free, ionic = pair_up(at, free, settled=settled)
        if _change(before, (ln_h, ionic, free.ca_share)) < _TOLERANCE:
            break
    else:
        raise ArithmeticError("the ion pairs of the water did not converge")
    _check_ionic_strength(ionic)
    h, co3 = np.exp(ln_h), settled.co3
    solved = Speciation(
        ca=settled.water.ca,
        alkalinity=settled.water.alkalinity,
        carbon=settled.water.carbon,
        ph=-ln_h / _LN10,
        hydroxide=at.hydroxide / h,
        co3=co3,
        hco3=co3 * m.bicarbonate * h,
        co2=co3 * m.none * h * h,
        free_calcium=free.ca,
        free_magnesium=free.mg,
        free_sulfate=free.so4,
        saturation=free.ca * co3 / m.calcite,
        ionic_strength=ionic,
    )
    return np.stack([getattr(solved, f.name) for f in fields(Speciation)])


def _change(before: tuple[Vector, ...], after: tuple[Vector, ...]) -> float:
    return max(float(np.abs(a - b).max()) for a, b in zip(after, before, strict=True))


def _checked_temperature(t_c: ArrayLike) -> Vector:
    temperatures = np.asarray(t_c, dtype=np.float64)
    bad = ~((temperatures >= COLDEST) & (temperatures <= HOTTEST))
    if bad.any():
        raise InputError(
            "temperature outside the range of the chemical model",
            where="temperature",
            found=f"{temperatures[bad].flat[0]:g} °C",
            allowed=f"{COLDEST:g} to {HOTTEST:g} °C",
        )
    return temperatures


def _check_ionic_strength(ionic: Vector) -> None:
    if ionic.max() > DAVIES_LIMIT:
        raise InputError(
            "ionic strength outside the range of the chemical model",
            where="ionic strength",
            found=f"{ionic.max():.3g} mol/L",
            allowed=f"up to {DAVIES_LIMIT:g} mol/L",
            remedy="check the units of hardness, alkalinity and chloride",
        )
