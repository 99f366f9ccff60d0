"""Two charts of the same analyte: whether the difference between their curves is real, and matters.

Real: the colours differ by more than the covariances of both curves allow (chi-square on 3 degrees of freedom
at each of the first chart's levels, Bonferroni's bound over the levels). It matters where a strip read on the
second chart instead of the first would change its value by more than the lab allows.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.chart import Chart
from calibration.curve import Curve, lab_slope
from calibration.statistics.distributions import chi2_tail
from shared.colour import delta_e_2000
from shared.errors import MismatchError
from shared.estimate import Z95

Array = NDArray[np.float64]

#: Significance level of a difference.
REAL_BELOW = 0.05
#: Grid points of the search for the nearest colour; a second search refines the first.
_STEPS = 401
#: Shift that does not matter if the lab states none: the larger of this share of the value and that share of the
#: range (common practice, no source); for pH, whose colour scales go by halves, this many units.
SHARE_OF_VALUE, SHARE_OF_RANGE, PH_UNITS = 0.05, 0.01, 0.1


@dataclass(frozen=True, slots=True)
class Difference:
    """The charts at one value of the first.

    ``shift``: how much more the second chart would say, with its standard uncertainty ``u``; ``delta_e``:
    CIEDE2000 between the curves; ``p``: probability that chance makes them differ so; ``allowed``: the
    shift that still does not matter.
    """

    value: float
    shift: float
    u: float
    delta_e: float
    p: float
    allowed: float

    @property
    def matters(self) -> bool:
        """Whether the shift is larger than allowed."""
        return abs(self.shift) > self.allowed

    @property
    def may_matter(self) -> bool:
        """Whether a shift larger than allowed lies within its 95 % interval."""
        return abs(self.shift) + Z95 * self.u > self.allowed


@dataclass(frozen=True, slots=True)
class Comparison:
    """One analyte of two charts, level by level."""

    analyte: str
    unit: str
    levels: tuple[Difference, ...]

    @property
    def p(self) -> float:
        """Probability that chance alone makes the curves differ as they do somewhere."""
        return min(1.0, len(self.levels) * min(d.p for d in self.levels))

    @property
    def real(self) -> bool:
        """Whether the curves differ."""
        return self.p < REAL_BELOW

    @property
    def matters(self) -> bool:
        """Whether they differ, and somewhere by more than is allowed."""
        return self.real and any(d.matters for d in self.levels)

    @property
    def undecided(self) -> bool:
        """Whether no difference is shown, and yet one that matters is not excluded: more standards are needed."""
        return not self.real and any(d.may_matter for d in self.levels)


def compare(first: Chart, second: Chart, *, allowed: Mapping[str, float] | None = None) -> tuple[Comparison, ...]:
    """Every analyte that both charts have. ``allowed``: largest shift that does not matter, by analyte.

    Raises MismatchError where the charts have no analyte in common.
    """
    own = dict(allowed or {})
    pairs = [(a, b) for a in first.curves if (b := second.curve(a.analyte)) is not None]
    if not pairs:
        raise MismatchError("the charts have no analyte in common", where="charts",
                            found=", ".join(c.analyte for c in first.curves),
                            allowed=", ".join(c.analyte for c in second.curves))
    return tuple(_compared(a, b, allowed=own.get(a.analyte)) for a, b in pairs)


def _compared(a: Curve, b: Curve, *, allowed: float | None) -> Comparison:
    low, high = max(a.scale.low, b.scale.low), min(a.scale.high, b.scale.high)
    inside = [level.value for level in a.levels if low <= level.value <= high]
    if not inside:
        raise MismatchError(f"the charts' ranges of {a.analyte} do not overlap", where="charts",
                            found=f"{a.scale.low:g} to {a.scale.high:g}",
                            allowed=f"{b.scale.low:g} to {b.scale.high:g} {b.unit}")
    return Comparison(a.analyte, a.unit, tuple(_difference(a, b, value=v, allowed=allowed) for v in inside))


def _difference(a: Curve, b: Curve, *, value: float, allowed: float | None) -> Difference:
    """Where on ``b`` the colour of ``a`` at ``value`` lies, in the metric of both curves' covariances."""
    precision: Array = np.linalg.inv(a.lab_covariance(value) + b.lab_covariance(value)).astype(np.float64)
    lab, there = a.lab(value)[0], b.lab(value)[0]
    gap = lab - there
    slope = lab_slope(b, value)
    return Difference(
        value=value, shift=_nearest(b, lab, precision=precision) - value, u=float((slope @ precision @ slope) ** -0.5),
        delta_e=float(delta_e_2000(lab, there)), p=chi2_tail(float(gap @ precision @ gap), 3),
        allowed=_small(a, value) if allowed is None else allowed)


def _nearest(curve: Curve, lab: Array, *, precision: Array) -> float:
    """The value whose colour on the curve comes nearest to ``lab`` (3,)."""
    low, high = curve.scale.low, curve.scale.high
    for _ in range(2):
        candidates = np.linspace(low, high, _STEPS)
        apart = curve.lab(candidates) - lab
        best = int(np.argmin(np.einsum("ni,ij,nj->n", apart, precision, apart)))
        low, high = float(candidates[max(0, best - 1)]), float(candidates[min(_STEPS - 1, best + 1)])
    return float(candidates[best])


def _small(curve: Curve, value: float) -> float:
    if curve.analyte == "ph":
        return PH_UNITS
    return max(SHARE_OF_VALUE * value, SHARE_OF_RANGE * (curve.scale.high - curve.scale.low))
