"""Correlation between the values of one photograph: its pads share the errors of its light and of its response.

To first order (JCGM 102:2011, 6.2): each value changes with its signals by its gain, and signals of two pads have
in common what neutrals and patches leave open of light, tone and response, and the veil. Errors of the chart are taken
as independent from curve to curve.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from calibration.observation import PadObservation
from calibration.reflectance import augmented
from calibration.value import PadValue
from shared.estimate import Correlation

Array = NDArray[np.float64]

#: The part of a budget that is a veil over all pads.
_VEIL = "surface reflection"
#: No two values are stated to be more alike than this: the parts are known to first order only.
_MOST = 0.98


def correlations(pads: Mapping[str, PadObservation], values: Mapping[str, PadValue]) -> tuple[Correlation, ...]:
    """Correlations of all pairs of measured ``values``, read from ``pads`` of one photograph."""
    measured = [a for a in values if values[a].status == "measured"]
    return tuple(_correlation((a, b), pads, values) for a, b in combinations(measured, 2))


def _correlation(pair: tuple[str, str], pads: Mapping[str, PadObservation], values: Mapping[str, PadValue]
                 ) -> Correlation:
    (one, other), (first, second) = ((pads[a] for a in pair), (values[a] for a in pair))
    mismatch = _common(one, other, (first, second), mismatch=True)
    rest = (_common(one, other, (first, second), mismatch=False)
            + (first.gain @ one.light) @ (second.gain @ other.light) + _veil(one, first) * _veil(other, second))
    covariance = np.array([mismatch + rest, mismatch]) / (_u(first) * _u(second))
    r, shared = np.clip(covariance, -_MOST, _MOST).tolist()
    return Correlation(analytes=pair, r=round(r, 3), shared=round(shared, 3))


def _common(one: PadObservation, other: PadObservation, values: tuple[PadValue, PadValue], *, mismatch: bool) -> float:
    """Covariance of two values from the response: its mismatch, or the noise of the patches it was learned from."""
    first, second = values
    which = [p.response.mismatch if mismatch else p.response.correction for p in (one, other)]
    shared = np.einsum("i,cij,j->c", augmented(first.weights), (which[0] + which[1]) / 2, augmented(second.weights))
    return float((first.gain * second.gain) @ shared)


def _veil(pad: PadObservation, value: PadValue) -> float:
    """Change of a value with one standard deviation of the veil."""
    u = next((p.u for p in value.budget if p.name == _VEIL), 0.0)
    return float(np.copysign(u, value.gain @ pad.response.white))


def _u(value: PadValue) -> float:
    return float(np.sqrt(sum(p.u**2 for p in value.budget)))
