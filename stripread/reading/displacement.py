"""Displacement of the print from where a flat card and a lens without distortion would show it.

A bent card and a lens move what is printed smoothly: a polynomial of degree 3 over the card (the radial distortion of a
lens begins with the third power of the distance: Brown, Photogramm. Eng. 37:855, 1971; a bent card with the second).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_POWERS = np.array([(i, j) for i in range(4) for j in range(4 - i)])
#: Displacement (mm) that a coefficient may bring, and standard deviations with which the middles of a patch and of a
#: marker are seen: the perspective comes from the edges of markers.
_USUAL_MM, PATCH_MM, MARKER_MM = 0.5, 0.05, 0.025
#: A middle farther from the others' polynomial counts less (Huber): something covers one of its edges.
_STRAY_MM, _ROUNDS = 0.15, 5
#: A card with less displacement is flat: printers move edges to whole dots (a pixel of 300 dpi is 0.085 mm).
_PRINTED_MM = 0.12
#: Share of the middles whose remaining distance is stated.
_STATED = 0.9


@dataclass(frozen=True, slots=True)
class Displacement:
    """``coefficients`` (10, 2) in millimetres over a card of ``size``.

    ``residual_mm``: what remains at nine of ten middles of patches and markers; None where nothing was fitted.
    """

    size: tuple[float, float]
    coefficients: Array
    residual_mm: float | None = None

    @property
    def is_none(self) -> bool:
        """Whether everything is where the layout has it."""
        return not self.coefficients.any()

    def at(self, mm: Array) -> Array:
        """Displacement (..., 2) in millimetres of what the layout has at places (..., 2)."""
        if self.is_none:
            return np.zeros(mm.shape)
        return np.asarray(_terms(mm, self.size) @ self.coefficients)


def none(size: tuple[float, float]) -> Displacement:
    """No displacement: what the corners give is used as it is."""
    return Displacement(size, np.zeros((len(_POWERS), 2)))


def fit_displacement(size: tuple[float, float], places: Array, seen: Array, sd: Array) -> Displacement:
    """The smooth displacement of middles that the layout has at ``places`` (n, 2) and that are ``seen`` (n, 2).

    ``sd`` (n,): with which they are seen; all in millimetres.
    """
    terms, off = _terms(places, size), seen - places
    flat = replace(none(size), residual_mm=_stated(off))
    if flat.residual_mm is not None and flat.residual_mm < _PRINTED_MM:
        return flat
    weight, prior = np.ones(len(off)), np.eye(terms.shape[1]) / _USUAL_MM**2
    for _ in range(_ROUNDS):
        weighted = terms.T * (weight / sd**2)
        coefficients = np.asarray(np.linalg.solve(weighted @ terms + prior, weighted @ off), dtype=np.float64)
        left = off - terms @ coefficients
        weight = np.minimum(1.0, _STRAY_MM / np.maximum(np.linalg.norm(left, axis=1), 1e-9))
    return Displacement(size, coefficients, _stated(left))


def _stated(off: Array) -> float:
    """Distance within which nine of ten of the middles (n, 2) remain from their places."""
    return round(float(np.quantile(np.linalg.norm(off, axis=1), _STATED)), 3)


def _terms(mm: Array, size: tuple[float, float]) -> Array:
    """Products of powers (..., 10) of both coordinates, -1 to 1 over the card."""
    x, y = np.moveaxis(2 * mm / np.array(size) - 1, -1, 0)
    across, down = ([np.ones_like(side), side, side**2, side**3] for side in (x, y))
    return np.stack([across[i] * down[j] for i, j in _POWERS], axis=-1)
