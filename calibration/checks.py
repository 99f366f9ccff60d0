"""Check standards and real waters read on a chart against their reference values: recovery, zeta score, agreement.

Recovery and its uncertainty: JCGM 100:2008, 5.1. Zeta score and its limits: ISO 13528:2022, 9.4 and 9.6.

Strips are not commutable with salt solutions, so only natural waters show the strip's own error. Excess scatter: Paule
and Mandel, J. Res. NBS 87:377, 1982, with the bound of Viechtbauer, Stat. Med. 26:37, 2007 (Q profile).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import hypot, sqrt
from typing import Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

from calibration.statistics.agreement import limits_of_agreement
from calibration.statistics.distributions import chi2_quantile, t_quantile
from calibration.statistics.least_squares import Inverse, fit, inverse, straight, uncertainty_at
from shared.estimate import Z95, Estimate, Part

Verdict = Literal["pass", "warning", "fail"]

#: The part of a reading's budget that the strip type states for its own chemistry.
CHEMISTRY = "strip chemistry"


@dataclass(frozen=True, slots=True)
class CheckRule:
    """Acceptance limits of a check, which the laboratory sets. Default: |zeta| above 2 is a warning, above 3 a failure.

    A deviation beyond both ``relative`` of the known value and ``of_range`` of the chart's range fails too,
    however wide its interval.
    """

    warn_zeta: float = 2.0
    fail_zeta: float = 3.0
    relative: float = 0.20
    of_range: float = 0.10


DEFAULT_RULE = CheckRule()


@dataclass(frozen=True, slots=True)
class Pair:
    """A value measured on the chart, and the known value, ``known``, with its standard uncertainty.

    ``light``: as the standards table names it; empty where it is not known.
    """

    sample: str
    known: float
    u_known: float
    read: Estimate
    photo: str = ""
    light: str = ""

    def __post_init__(self) -> None:
        if not self.u_deviation > 0.0:
            raise ValueError(f"{self.sample}: neither the measured nor the known value has an uncertainty")

    @property
    def u_read(self) -> float:
        """Standard uncertainty of the value read, from its interval on the side where the known value lies.

        From the other side where that one has no width: a value of zero has no lower side.
        """
        sides = self.read.high - self.read.value, self.read.value - self.read.low
        near, far = sides if self.known > self.read.value else sides[::-1]
        return (near or far) / Z95

    @property
    def u_chemistry(self) -> float:
        """The part of `u_read` that is the intrinsic uncertainty stated in the strip type."""
        return min(self.u_read, sum(p.u for p in self.read.budget if p.name == CHEMISTRY))

    @property
    def deviation(self) -> float:
        """Read less known, in the analyte's unit."""
        return self.read.value - self.known

    @property
    def u_deviation(self) -> float:
        """Standard uncertainty of the deviation."""
        return sqrt(self.u_read**2 + self.u_known**2)

    @property
    def zeta(self) -> float:
        """Deviation in its standard uncertainties."""
        return self.deviation / self.u_deviation


@dataclass(frozen=True, slots=True)
class Check:
    """The verdict on one check standard. ``recovery`` with its uncertainty; None where nothing is certified."""

    pair: Pair
    recovery: tuple[float, float] | None
    zeta: float
    allowed: float
    verdict: Verdict


def check(pair: Pair, *, span: float, rule: CheckRule = DEFAULT_RULE) -> Check:
    """Judge one check standard; ``span`` is the width of the chart's range in the analyte's unit."""
    allowed = max(rule.relative * pair.known, rule.of_range * span)
    beyond = abs(pair.deviation) > allowed or abs(pair.zeta) > rule.fail_zeta
    verdict: Verdict = "fail" if beyond else "warning" if abs(pair.zeta) > rule.warn_zeta else "pass"
    return Check(pair, recovery=_recovery(pair), zeta=pair.zeta, allowed=allowed, verdict=verdict)


def _recovery(pair: Pair) -> tuple[float, float] | None:
    if pair.known <= 0 or pair.read.unit == "pH":
        return None
    ratio = pair.read.value / pair.known
    return ratio, sqrt(pair.u_read**2 + (ratio * pair.u_known) ** 2) / pair.known


Array = NDArray[np.float64]

#: Smallest number of waters for a result.
LEAST_WATERS = 3


@dataclass(frozen=True, slots=True)
class Agreement:
    """How values read on ``n`` waters agree with their reference values.

    ``relative``: all of it as shares of the reference value, else in the analyte's unit. ``bias`` with its
    95 % ``interval``; ``limits`` within which 95 % of single deviations lie (Bland and Altman, Lancet
    327:307, 1986); ``intrinsic``: standard deviation that the stated uncertainties leave unexplained, the
    strip's own, and ``intrinsic_below``, its one-sided 95 % bound.
    """

    n: int
    relative: bool
    bias: float
    interval: tuple[float, float]
    limits: tuple[float, float]
    intrinsic: float
    intrinsic_below: float


def by_sample(pairs: Sequence[Pair]) -> list[Pair]:
    """One pair for each sample: readings averaged, random parts of their uncertainty reduced, shared ones not."""
    samples = {p.sample: [q for q in pairs if q.sample == p.sample] for p in pairs}
    return [_joined(own) for own in samples.values()]


def _joined(pairs: Sequence[Pair]) -> Pair:
    if len(pairs) == 1:
        return pairs[0]
    reads = [p.read for p in pairs]
    value = float(np.mean([r.value for r in reads]))
    shared = float(np.mean([r.u_shared for r in reads]))
    u = hypot(shared, float(np.mean([r.u_random for r in reads])) / sqrt(len(reads)))
    chemistry = Part(name=CHEMISTRY, u=float(np.mean([p.u_chemistry for p in pairs])), shared=True)
    return replace(pairs[0], read=msgspec.structs.replace(
        reads[0], value=value, low=value - Z95 * u, high=value + Z95 * u, status="measured", budget=(chemistry,)))


def agreement(pairs: Sequence[Pair]) -> Agreement | None:
    """Agreement over waters, each once; None with fewer than three.

    Relative where every reference value is above 0 and a ratio means something, which it does not for pH.
    """
    if len(pairs) < LEAST_WATERS:
        return None
    relative = _is_relative(pairs)
    scale = np.array([p.known if relative else 1.0 for p in pairs])
    deviation = np.array([p.deviation for p in pairs]) / scale
    # The strip's own error is to be estimated: the value that its type states must not be subtracted from the scatter.
    u_read = uncertainty_expected(pairs, np.sqrt([max(p.u_read**2 - p.u_chemistry**2, 0.0) for p in pairs]))
    variance = (u_read**2 + np.array([p.u_known for p in pairs]) ** 2) / scale**2
    dof = len(pairs) - 1
    extra = excess_variance(deviation, variance, chi_square=dof)
    weight = 1.0 / (variance + extra)
    bias, u = float(weight @ deviation / weight.sum()), float(weight.sum() ** -0.5)
    reach = t_quantile(0.975, dof) * u
    return Agreement(n=len(pairs), relative=relative, bias=bias, interval=(bias - reach, bias + reach),
                     limits=limits_of_agreement(deviation).limits, intrinsic=sqrt(extra), intrinsic_below=sqrt(
                         excess_variance(deviation, variance, chi_square=chi2_quantile(0.05, dof))))


def uncertainty_expected(pairs: Sequence[Pair], u: Array) -> Array:
    """Standard uncertainties (n,), stated as ``u`` at the values read, where the mean deviation puts these.

    At the measured values, low readings would have too much weight (D'Agostini, NIM A 346:306, 1994).
    """
    known, read = np.array([[p.known, p.read.value] for p in pairs]).T
    scale = known if _is_relative(pairs) else np.ones(len(pairs))
    return uncertainty_at(read, u, known + scale * float(((read - known) / scale).mean()))


def _is_relative(pairs: Sequence[Pair]) -> bool:
    """Whether deviations are shares of the reference values."""
    return all(p.known > 0 and p.read.unit != "pH" for p in pairs)


def reference_for(pairs: Sequence[Pair], reading: float) -> Inverse | None:
    """The reference value that belongs to a reading, by the line of values read on reference values.

    Each water is weighted by its own uncertainty, the strip's own error included. None with fewer than three different
    reference values, and for a reading beyond those of all waters, where the line is not valid.
    """
    known = np.array([p.known for p in pairs])
    result = agreement(pairs)
    if result is None or len(np.unique(known)) < LEAST_WATERS or not within(pairs, reading):
        return None
    u_read = uncertainty_expected(pairs, np.array([p.u_read for p in pairs]))
    u = np.array([hypot(own, p.u_known, result.intrinsic * (p.known if result.relative else 1.0))
                  for own, p in zip(u_read.tolist(), pairs, strict=True)])
    read = np.array([p.read.value for p in pairs])
    order = np.argsort(read)
    return inverse(fit(straight(known), read, u=u), reading, u_y=float(np.interp(reading, read[order], u[order])))


def within(pairs: Sequence[Pair], reading: float) -> bool:
    """Whether a reading lies among those on these waters, within their uncertainty."""
    return min(p.read.low for p in pairs) <= reading <= max(p.read.high for p in pairs)


def excess_variance(deviation: Array, variance: Array, *, chi_square: float) -> float:
    """Variance that, added to each of ``variance`` (n,), brings the weighted sum of squares to ``chi_square``.

    At n - 1 it is Paule and Mandel's estimate; 0 where the stated variances explain the scatter.
    """
    def falls_short(extra: float) -> bool:
        weight = 1.0 / (variance + extra)
        return float(weight @ (deviation - weight @ deviation / weight.sum()) ** 2) <= chi_square

    if falls_short(0.0):
        return 0.0
    low, high = 0.0, float(variance.max())
    while not falls_short(high):
        low, high = high, 2.0 * high
    for _ in range(60):
        middle = (low + high) / 2.0
        low, high = (low, middle) if falls_short(middle) else (middle, high)
    return high
