"""What all pads of one photograph have in common: the white veil of mirrored light, and the dye of the strip.

Each pad's three signals leave two to spare once its value is found; what they have in common is the veil. Of a pad
to be read only the other pads are asked, so that nothing is counted twice (the cavity of expectation propagation:
Minka, UAI 2001, 362). The veil counts from the mean one of the chart's standards, which their curves contain.

Strips of one batch scatter in dye from pad to pad. A strip with more or less of it in all pads is of another batch, or
aged. Where the pads of a photograph agree on a difference, the strip is unlike the chart's. The strips of one tube are
judged one after the other by a cumulative sum in both directions (Page, Biometrika 41:100, 1954) of log-likelihood
ratios, with a head start for tubes that differ from their first strip (Lucas and Crosier, Technometrics 24:199, 1982).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from calibration.curve import NODES, Curve
from calibration.observation import PadObservation, Triangles

Array = NDArray[np.float64]

#: Veils that are tried, in standard deviations of what the chart's photographs scatter.
_TRIED: Array = np.linspace(-4.0, 4.0, 41)
#: Points of the curve's grid at which a value is tried. Against all 385, values move by at most 2.3 % of their interval
#: (60 simulated photographs).
_SOME: Final = slice(None, None, 8)
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


def veils(pads: Mapping[str, PadObservation], curves: Mapping[str, Curve]) -> dict[str, Veil]:
    """The veil of each pad, estimated from the photograph's other pads."""
    tried = usual_veil(curves).sd * _TRIED
    likelihoods = {a: _veil_log_likelihood(pad, curves[a], tried) for a, pad in pads.items() if a in curves}
    whole = -0.5 * _TRIED**2 + np.sum(list(likelihoods.values()), axis=0)
    return {a: _moments(tried, whole - likelihoods.get(a, 0.0)) for a in pads}


def _moments(tried: Array, log_density: Array) -> Veil:
    share = np.exp(log_density - log_density.max())
    share /= share.sum()
    mean = float(share @ tried)
    return Veil(mean, float(np.sqrt(share @ (tried - mean) ** 2)))


def _veil_log_likelihood(pad: PadObservation, curve: Curve, tried: Array) -> Array:
    """Log-likelihood (41,) of veils from one pad, wherever on its curve it lies."""
    error = pad.signal - pad.response.signal(curve.grid_weights[_SOME])
    factor = Triangles.of(own_covariance(pad, curve)[_SOME])
    off, veil = factor.whitened(error), factor.whitened(np.broadcast_to(pad.response.white, error.shape))
    square, along, white = ((a * b).sum(axis=0) for a, b in ((off, off), (off, veil), (veil, veil)))
    if (square - along**2 / white).min() > OFF_CURVE:
        return np.zeros_like(tried)
    square = square + factor.log_determinant
    log = -0.5 * (square[:, None] - 2 * along[:, None] * tried + white[:, None] * tried**2)
    marginal = log.max(axis=0) + np.log(np.exp(log - log.max(axis=0)).sum(axis=0))
    return np.asarray(np.log((1 - _ASTRAY) * np.exp(marginal - marginal.max()) + _ASTRAY))


@lru_cache(maxsize=16)
def own_parts(pad: PadObservation, curve: Curve) -> dict[str, Array]:
    """Covariances of the signals but for the veil's, by the name of what causes them.

    Each is (33, 3, 3), at the curve's nodes, or (3, 3) if it is the same everywhere.
    """
    h = pad.response.mean[:, 1:]
    load = (curve.grid_load[NODES] @ h.T) * curve.load_sd
    return {
        "pad pixels": pad.pixel,
        "pad texture": np.diag((curve.texture_sd * pad.signal) ** 2),
        "light field": pad.field,
        "colour correction": _of_response(pad, pad.response.correction, curve),
        "lighting mismatch": _of_response(pad, pad.response.mismatch, curve),
        "chart": h @ curve.node_covariance @ h.T,
        "strip repeatability": load[:, :, None] * load[:, None, :],
    }


def _of_response(pad: PadObservation, error: Array, curve: Curve) -> Array:
    """Covariance (33, 3, 3) of the signals at the curve's nodes from an ``error`` (3, 13, 13) of the response.

    Also of the part of the spectrum that the chart leaves open: a product of two errors, which is not small where
    neither the chart's lights nor the patches show a colour (JCGM 100:2008, 5.1.2, note).
    """
    product = curve.node_covariance.reshape(len(curve.nodes), -1) @ error[:, 1:, 1:].reshape(3, -1).T
    seen = pad.response.variance(error, curve.grid_weights[NODES])
    return np.asarray((seen + product)[:, :, None] * np.eye(3))


@lru_cache(maxsize=16)
def own_covariance(pad: PadObservation, curve: Curve) -> Array:
    """The covariance (385, 3, 3) of the signals along the curve but for the veil's: all parts together."""
    return curve.on_grid(np.asarray(sum(own_parts(pad, curve).values())))


#: Relative differences of dye that are tried, and veils in standard deviations of what is usual.
_LOADS, _VEILS = np.linspace(-0.4, 0.4, 17), np.linspace(-3.0, 3.0, 9)
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


#: Difference of dye that is sought in a tube, and the logarithm of the likelihood ratio that shows it. The false-alarm
#: rate is that of `tests.bench.dye`: 1 % in SEQUENCE strips, whatever the uncertainty of single ones.
SOUGHT: Final = 0.12
LIMIT: Final = 12.0
#: Strips of a tube that are judged together, the latest; a tube contains about as many.
SEQUENCE: Final = 50


class StripSequence(msgspec.Struct, frozen=True):
    """Strips of one tube in order of time, judged together.

    ``difference``: weighted mean over the ``strips``, with the sum ``weight`` of their inverse variances. ``more``,
    ``less``: cumulative sums of log-likelihood ratios for SOUGHT more and less dye. ``tube``: None where the tube is
    not recorded; then the strips are those of one batch that one technician used.
    """

    tube: str | None = None
    strips: int = 0
    difference: float = 0.0
    weight: float = 0.0
    more: float = LIMIT / 2
    less: float = LIMIT / 2

    def followed_by(self, load: DyeLoad) -> StripSequence:
        """The sequence with one more strip."""
        own = load.u**-2
        weight = self.weight + own
        mean = self.difference + (load.difference - self.difference) * own / weight
        ratio, each = SOUGHT * own * load.difference, SOUGHT**2 * own / 2
        return StripSequence(tube=self.tube, strips=self.strips + 1, difference=mean, weight=weight,
                             more=max(0.0, self.more + ratio - each), less=max(0.0, self.less - ratio - each))

    @property
    def unlike(self) -> bool:
        """Whether the strips are of another batch than the chart's, aged or damaged."""
        return max(self.more, self.less) > LIMIT


def dye_load(pads: Mapping[str, PadObservation], curves: Mapping[str, Curve]) -> DyeLoad | None:
    """The difference that all ``pads`` of a photograph have in common; None where too few of them lie on a curve."""
    veils = usual_veil(curves).sd * _VEILS
    found = [table for a, pad in pads.items() if (table := _dye_log_likelihood(pad, curves[a], veils)) is not None]
    if len(found) < LEAST_PADS:
        return None
    log = np.sum(found, axis=0) - 0.5 * _VEILS[:, None] ** 2
    share = np.exp(log - log.max()).sum(axis=0)
    share /= share.sum()
    mean = float(share @ _LOADS)
    scatter = np.mean([curves[a].load_sd ** 2 for a in pads])
    return DyeLoad(mean, float(np.sqrt(share @ (_LOADS - mean) ** 2 + scatter)))


def _dye_log_likelihood(pad: PadObservation, curve: Curve, veils: Array) -> Array | None:
    """Log-likelihood (veils, loads) of one pad, whatever its value; None for a pad that no value explains."""
    factor = Triangles.of(own_covariance(pad, curve)[_SOME])
    error = pad.signal - pad.response.signal(curve.grid_weights[_SOME])
    by_dye = curve.grid_load[_SOME] @ pad.response.mean[:, 1:].T
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
