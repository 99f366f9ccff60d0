"""The white veil of mirrored light over the wet pads of one photograph, estimated from all of them together.

Each pad's three signals leave two to spare once its value is found; what they have in common is the veil. Of a pad
to be read only the other pads are asked, so that nothing is counted twice (the cavity of expectation propagation:
Minka, UAI 2001, 362). The veil counts from the mean one of the chart's standards, which their curves contain.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.curve import Curve
from calibration.observation import PadObservation, Triangles

Array = NDArray[np.float64]

#: Veils that are tried, in standard deviations of what the chart's photographs scatter.
_TRIED: Array = np.linspace(-4.0, 4.0, 41)
#: A pad that no veil and no value explain says nothing of the veil (chi-square, 1 degree of freedom, 0.1 %), nor does
#: with this probability any other.
OFF_CURVE, _ASTRAY = 10.83, 0.01


@dataclass(frozen=True, slots=True)
class Veil:
    """Estimate of a photograph's veil: mean and standard deviation, shares of white beyond the usual one."""

    mean: float
    sd: float


def usual_veil(curves: Mapping[str, Curve]) -> Veil:
    """The prior of the veil, from the photographs of a chart."""
    return Veil(0.0, float(np.sqrt(np.mean([c.veil_sd**2 for c in curves.values()]))))


def veils(pads: Mapping[str, PadObservation], curves: Mapping[str, Curve],
          known: Mapping[str, float] | None = None) -> dict[str, Veil]:
    """The veil of each pad, estimated from the photograph's other pads. ``known``: values of pads that are known."""
    usual = usual_veil(curves)
    tried = usual.sd * _TRIED
    likelihoods = {a: _log_likelihood(pad, curves[a], tried, (known or {}).get(a))
                   for a, pad in pads.items() if a in curves}
    whole = -0.5 * _TRIED**2 + np.sum(list(likelihoods.values()), axis=0)
    return {a: _moments(tried, whole - likelihoods.get(a, 0.0)) for a in pads}


def _moments(tried: Array, log_density: Array) -> Veil:
    share = np.exp(log_density - log_density.max())
    share /= share.sum()
    mean = float(share @ tried)
    return Veil(mean, float(np.sqrt(share @ (tried - mean) ** 2)))


def _log_likelihood(pad: PadObservation, curve: Curve, tried: Array, known: float | None) -> Array:
    """Log-likelihood (41,) of veils from one pad, wherever on its curve it lies."""
    at = slice(None) if known is None else [int(np.argmin(np.abs(curve.grid - float(curve.scale.position(known)))))]
    noise = np.sum(list(own_parts(pad, curve).values()), axis=0)[at]
    error = (pad.signal - pad.response.signal(curve.grid_weights))[at]
    factor = Triangles.of(noise)
    off, veil = factor.whitened(error), factor.whitened(np.broadcast_to(pad.response.white, error.shape))
    square, along, white = ((a * b).sum(axis=0) for a, b in ((off, off), (off, veil), (veil, veil)))
    if (square - along**2 / white).min() > OFF_CURVE:
        return np.zeros_like(tried)
    square = square + factor.log_determinant
    log = -0.5 * (square[:, None] - 2 * along[:, None] * tried + white[:, None] * tried**2)
    marginal = log.max(axis=0) + np.log(np.exp(log - log.max(axis=0)).sum(axis=0))
    return np.asarray(np.log((1 - _ASTRAY) * np.exp(marginal - marginal.max()) + _ASTRAY))


def own_parts(pad: PadObservation, curve: Curve, step: int = 1) -> dict[str, Array]:
    """Covariances (n, 3, 3) of the signals but for the veil's, by the name of what causes them.

    At every ``step``-th of the 385 points of the curve's grid.
    """
    weights = curve.grid_weights[::step]
    h = pad.response.mean[:, 1:]
    load = (curve.grid_load[::step] @ h.T) * curve.load_sd
    eye = np.eye(3)
    n = len(weights)
    return {
        "pad pixels": np.broadcast_to(pad.pixel, (n, 3, 3)),
        "pad texture": np.broadcast_to(np.diag((curve.texture_sd * pad.signal) ** 2), (n, 3, 3)),
        "light field": np.broadcast_to(pad.field, (n, 3, 3)),
        "colour correction": pad.response.variance(pad.response.correction, weights)[:, :, None] * eye,
        "lighting mismatch": pad.response.variance(pad.response.mismatch, weights)[:, :, None] * eye,
        "chart": curve.on_grid(h @ curve.node_covariance @ h.T)[::step],
        "strip repeatability": load[:, :, None] * load[:, None, :],
    }
