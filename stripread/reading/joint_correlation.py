"""Correlation between the joint values of one sample, from those of its photographs.

What a photograph has of its own averages out like the random parts of the values; the mismatch of its light is the
same in all photographs under one lamp and partly the same under several. Photographs count alike.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from shared.estimate import Correlation, Measurement
from stripread.reading.result import Reading

Array = NDArray[np.float64]

#: Two joint values are never stated to be more alike than this.
_MOST = 0.98


def joint_correlations(readings: Sequence[Reading], joint: Sequence[Measurement], common: float
                       ) -> tuple[Correlation, ...]:
    """Correlations of ``joint`` values; ``common``: share of the mismatch that different photographs have in common."""
    u = {p.analyte: _u(p) for p in joint if p.status == "measured" and _u(p) > 0}
    single = [{p.analyte: _u(p) for p in r.pads} for r in readings]
    found: dict[tuple[str, str], list[tuple[float, float]]] = {}
    for reading, of in zip(readings, single, strict=True):
        for c in reading.correlations:
            scale = of.get(c.analytes[0], 0.0) * of.get(c.analytes[1], 0.0)
            found.setdefault(c.analytes, []).append(((c.r - c.shared) * scale, c.shared * scale))
    return tuple(_joint(pair, np.array(parts), u, common) for pair, parts in found.items() if u.keys() >= set(pair))


def _joint(pair: tuple[str, str], parts: Array, u: Mapping[str, float], common: float) -> Correlation:
    """``parts`` (n, 2): covariances of each photograph by itself, and of its mismatch."""
    own, mismatch = parts.mean(axis=0)
    left = mismatch * (common + (1 - common) / len(parts))
    covariance = np.array([own / len(parts) + left, left]) / (u[pair[0]] * u[pair[1]])
    r, shared = np.clip(covariance, -_MOST, _MOST).tolist()
    return Correlation(analytes=pair, r=round(r, 3), shared=round(shared, 3))


def _u(value: Measurement) -> float:
    return float(np.sqrt(sum(p.u**2 for p in value.budget)))
