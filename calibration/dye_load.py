"""Dye of a strip's pads, taken together, compared with the strips that a chart was made with.

Strips of one batch scatter in dye from pad to pad. A strip with more or less of it in all pads is of another batch, or
aged. A pad's three signals show its value and something of its dye; where the pads of a photograph agree on a
difference, the strip is unlike the chart's.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from calibration.curve import Curve
from calibration.observation import PadObservation, Triangles
from calibration.veil import OFF_CURVE, own_parts, usual_veil

Array = NDArray[np.float64]

#: Relative differences of dye that are tried, veils in standard deviations of what is usual, and steps of the curve's
#: grid from one value tried to the next.
_LOADS, _VEILS, _STEP = np.linspace(-0.4, 0.4, 17), np.linspace(-3.0, 3.0, 9), 8
#: Pads that must agree.
LEAST_PADS: Final = 3
#: Standard uncertainties beyond which a strip is unlike the chart's: 1 % of normal deviates (`tests.bench.dye`).
UNLIKE: Final = 2.576
#: Standard uncertainty that all photographs on one chart share: how much the means of the same charts scattered.
CHART_U: Final = 0.015


class DyeLoad(msgspec.Struct, frozen=True):
    """Relative difference of dye from the chart's strips; its standard uncertainty contains the scatter of strips."""

    difference: float
    u: float

    @property
    def unlike(self) -> bool:
        """Whether the strip is of another batch, aged or damaged."""
        return abs(self.difference) > UNLIKE * self.u


def pooled(loads: Sequence[DyeLoad]) -> DyeLoad | None:
    """The difference of several strips of one batch; None without any."""
    if not loads:
        return None
    weight = np.array([load.u**-2 for load in loads])
    mean = float(weight @ [load.difference for load in loads] / weight.sum())
    shared = CHART_U if len(loads) > 1 else 0.0
    return DyeLoad(mean, float(np.hypot(weight.sum() ** -0.5, shared)))


def dye_load(pads: Mapping[str, PadObservation], curves: Mapping[str, Curve]) -> DyeLoad | None:
    """The difference that all ``pads`` of a photograph have in common; None where too few of them lie on a curve."""
    veils = usual_veil(curves).sd * _VEILS
    found = [table for a, pad in pads.items() if (table := _log_likelihood(pad, curves[a], veils)) is not None]
    if len(found) < LEAST_PADS:
        return None
    log = np.sum(found, axis=0) - 0.5 * _VEILS[:, None] ** 2
    share = np.exp(log - log.max()).sum(axis=0)
    share /= share.sum()
    mean = float(share @ _LOADS)
    scatter = np.mean([curves[a].load_sd ** 2 for a in pads])
    return DyeLoad(mean, float(np.sqrt(share @ (_LOADS - mean) ** 2 + scatter)))


def _log_likelihood(pad: PadObservation, curve: Curve, veils: Array) -> Array | None:
    """Log-likelihood (veils, loads) of one pad, whatever its value; None for a pad that no value explains."""
    some = slice(None, None, _STEP)
    factor = Triangles.of(np.sum(list(own_parts(pad, curve, _STEP).values()), axis=0))
    error = pad.signal - pad.response.signal(curve.grid_weights[some])
    by_dye = curve.grid_load[some] @ pad.response.mean[:, 1:].T
    off, white, dye = (factor.whitened(v) for v in (error, np.broadcast_to(pad.response.white, error.shape), by_dye))
    pairs = [(off, off), (off, white), (off, dye), (white, white), (white, dye), (dye, dye)]
    products = np.array([(a * b).sum(axis=0) for a, b in pairs])
    veil, load = (side.ravel() for side in np.meshgrid(veils, _LOADS, indexing="ij"))
    times = np.array([np.ones_like(veil), -2 * veil, -2 * load, veil**2, 2 * veil * load, load**2])
    square = np.einsum("ip,iv->pv", products, times).reshape(-1, len(veils), len(_LOADS))
    if square.min() > OFF_CURVE:
        return None
    log = -0.5 * (square + factor.log_determinant[:, None, None])
    best = log.max(axis=0)
    return np.asarray(best + np.log(np.exp(log - best).sum(axis=0)))
