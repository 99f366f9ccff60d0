"""A pad's signals to a value, the most likely point of the chart's curve; the correlation of a photograph's values.

The curve is shown as the photograph's own light and camera would show it. Value and interval come from the
likelihood with its log-determinant; the interval contains every value within 1.92 of the best
(half the 95 % point of chi-square, 1 degree of freedom), so it follows the bend of the curve.

The correlation is that of first order (JCGM 102:2011, 6.2): each value changes with its signals by its gain, and
signals of two pads have in common what neutrals and patches leave open of light, tone and response, and the veil.
Errors of the chart are taken as independent from curve to curve.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from calibration.common_effects import Veil, own_covariance, own_parts
from calibration.curve import Curve
from calibration.observation import PadObservation, Triangles
from calibration.reflectance import augmented
from shared.estimate import Z95, Correlation, Part, Status
from shared.strip import IntrinsicU

Array = NDArray[np.float64]

#: Log-likelihood below the best at which a 95 % interval ends: two-sided, and one-sided (1.645^2 / 2).
TWO_SIDED = 0.5 * 3.8414588
ONE_SIDED = 0.5 * 2.7055434
#: Chi-square, 2 degrees of freedom: a colour farther from the curve than one in a thousand has no result.
OFF_CURVE = 13.815510558


@dataclass(frozen=True, slots=True)
class PadValue:
    """Value, 95 % interval and budget in the curve's unit; ``off_curve`` is chi-square, 2 degrees of freedom.

    ``others``: further values that fit about as well; the interval then includes them. ``extrapolated``: the
    value lies beyond the last standard. ``gain`` (3,): change of the value for a unit of each signal.
    ``weights`` (12,): the curve's coefficients there.
    """

    status: Status
    value: float
    low: float
    high: float
    off_curve: float
    others: tuple[float, ...]
    budget: tuple[Part, ...]
    gain: Array
    weights: Array
    extrapolated: bool = False


def parts_at(pad: PadObservation, curve: Curve, veil: Veil, i: int) -> dict[str, Array]:
    """Covariances (3, 3) of the signals at grid point ``i``, by the name of what causes them."""
    parts = {name: c if c.ndim == 2 else curve.at_grid_point(c, i) for name, c in own_parts(pad, curve).items()}
    return {**parts, "surface reflection": _of_veil(pad, veil)}


def _of_veil(pad: PadObservation, veil: Veil) -> Array:
    """Covariance (3, 3) of the signals from the veil."""
    white = pad.response.white * veil.sd
    return np.outer(white, white)


#: Parts that replicates of one sample have in common.
SHARED_PARTS = frozenset({"lighting mismatch", "chart"})


def _crossing(x: Array, likelihood: Array, floor: float, step: int) -> float:
    """Position where the likelihood falls through ``floor`` for good, walking outwards in ``step``."""
    inside = np.flatnonzero(likelihood >= floor)
    edge = inside[-1] if step > 0 else inside[0]
    beyond = edge + step
    if not 0 <= beyond < len(x):
        return float(x[edge])
    share = (likelihood[edge] - floor) / (likelihood[edge] - likelihood[beyond])
    return float(x[edge] + share * (x[beyond] - x[edge]))


def _peak(x: Array, likelihood: Array) -> float:
    """Position of the highest point, by a parabola through it and its neighbours."""
    i = int(np.argmax(likelihood))
    if i in (0, len(x) - 1):
        return float(x[i])
    a, b, c = likelihood[i - 1 : i + 2]
    bend = a - 2 * b + c
    return float(x[i] + (0.5 * (a - c) / bend * (x[1] - x[0]) if bend < 0 else 0.0))


def _gain(covariance: Array, curve: Curve, pad: PadObservation, i: int) -> Array:
    """Change (3,) of the value for a unit of each signal, by the slope of the curve at grid point ``i``."""
    near = slice(max(0, i - 2), i + 3)
    seen = pad.response.signal(curve.grid_weights[near])
    value = curve.scale.value(curve.grid[near])
    slope = (seen[-1] - seen[0]) / (value[-1] - value[0])
    weight = np.linalg.solve(covariance, slope)
    return np.asarray(weight / (slope @ weight))


def _status(curve: Curve, likelihood: Array, lower: float) -> Status:
    """Whether the likelihood (385,) bounds the value on both sides; ``lower``: the least value of the analyte.

    A value beyond the last standard counts as measured only where the extended curve ends above the whole interval.
    """
    best = int(np.argmax(likelihood))
    if best == 0 and curve.scale.low > lower:
        return "below"
    open_end = likelihood[-1] > likelihood[best] - TWO_SIDED
    return "above" if best == len(likelihood) - 1 or (open_end and curve.grid[best] > 1) else "measured"


def value_of(pad: PadObservation, curve: Curve, chemistry: IntrinsicU, limits: tuple[float, float],
             veil: Veil | None = None) -> PadValue:
    """The value of one pad on its curve. ``limits``: the physical limits of the analyte in its unit.

    ``veil``: the veil estimated from the photograph's other pads [default: that of the curve's standards].
    """
    veil = veil or Veil(0.0, curve.veil_sd)
    total = own_covariance(pad, curve) + _of_veil(pad, veil)
    error = pad.signal - veil.mean * pad.response.white - pad.response.signal(curve.grid_weights)
    factor = Triangles.of(total)
    chi_square = (factor.whitened(error) ** 2).sum(axis=0)
    likelihood = -0.5 * (chi_square + factor.log_determinant)
    best = int(np.argmax(likelihood))
    status = _status(curve, likelihood, limits[0])
    drop = TWO_SIDED if status == "measured" else ONE_SIDED
    ends = [_crossing(curve.grid, likelihood, likelihood[best] - drop, s) for s in (-1, 1)]
    positions = np.array([ends[0], _peak(curve.grid, likelihood), ends[1]])
    if status == "above":
        positions = np.minimum(positions, 1.0)
    low, value, high = (float(v) for v in curve.scale.value(positions))
    u = chemistry.u(value)
    low = max(limits[0], value - float(np.hypot(value - low, Z95 * u)))
    high = min(limits[1], value + float(np.hypot(high - value, Z95 * u)))
    if status == "below":
        low = limits[0]
    if status == "above":
        high = limits[1]
    gain = _gain(total[best], curve, pad, best)
    causes = parts_at(pad, curve, veil, best)
    budget = (*(Part(name=name, u=_u_of(gain, c), shared=name in SHARED_PARTS) for name, c in causes.items()),
              Part(name="strip chemistry", u=u, shared=True))
    return PadValue(status=status, value=value, low=low, high=high, off_curve=float(chi_square.min()),
                    others=_others(curve, likelihood, best), budget=budget,
                    gain=gain, weights=curve.grid_weights[best],
                    extrapolated=status == "measured" and value > curve.scale.high)


def _u_of(gain: Array, covariance: Array) -> float:
    """Standard uncertainty of a value that changes by ``gain`` (3,) with signals of this covariance (3, 3)."""
    return float(np.sqrt(max(0.0, float(gain @ covariance @ gain))))


def _others(curve: Curve, likelihood: Array, best: int) -> tuple[float, ...]:
    """Values at other peaks above the interval's floor, separated from the best by a dip below it."""
    floor = likelihood[best] - TWO_SIDED
    inside = np.flatnonzero(likelihood >= floor)
    runs = np.split(inside, np.flatnonzero(np.diff(inside) > 1) + 1)
    tops = [int(run[np.argmax(likelihood[run])]) for run in runs if best not in run]
    return tuple(float(curve.scale.value(curve.grid[t])) for t in tops)


#: The part of a budget that is a veil over all pads.
_VEIL = "surface reflection"
#: No two values are stated to be more alike than this: the parts are known to first order only.
_MOST = 0.98


def correlations(pads: Mapping[str, PadObservation], values: Mapping[str, PadValue]) -> tuple[Correlation, ...]:
    """Correlations of all pairs of measured ``values``, read from ``pads`` of one photograph."""
    measured = {a: v for a, v in values.items() if v.status == "measured"}
    if len(measured) < 2:
        return ()
    seen = [pads[a] for a in measured]
    light = np.array([v.gain @ p.light for p, v in zip(seen, measured.values(), strict=True)])
    veil = np.array([_veil(p, v) for p, v in zip(seen, measured.values(), strict=True)])
    mismatch = _common([p.response.mismatch for p in seen], list(measured.values()))
    correction = _common([p.response.correction for p in seen], list(measured.values()))
    u = np.array([_u(v) for v in measured.values()])
    whole, shared = np.clip([mismatch + correction + light @ light.T + np.outer(veil, veil), mismatch] / np.outer(u, u),
                            -_MOST, _MOST).round(3).tolist()
    return tuple(Correlation(analytes=(one, other), r=whole[i][j], shared=shared[i][j])
                 for (i, one), (j, other) in combinations(enumerate(measured), 2))


def _common(errors: Sequence[Array], values: Sequence[PadValue]) -> Array:
    """Covariance (n, n) of values from the ``errors`` (3, 13, 13) of the responses their pads were seen with."""
    spectra, gain = augmented(np.array([v.weights for v in values])), np.array([v.gain for v in values])
    first = np.einsum("ik,ickl,jl->cij", spectra, np.array(errors), spectra, optimize=True)
    return np.asarray(np.einsum("ic,jc,cij->ij", gain, gain, (first + first.swapaxes(1, 2)) / 2))


def _veil(pad: PadObservation, value: PadValue) -> float:
    """Change of a value with one standard deviation of the veil."""
    u = next((p.u for p in value.budget if p.name == _VEIL), 0.0)
    return float(np.copysign(u, value.gain @ pad.response.white))


def _u(value: PadValue) -> float:
    return float(np.sqrt(sum(p.u**2 for p in value.budget)))
