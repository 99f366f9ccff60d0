"""Figures of merit of a chart's curve, each by its definition, from the standards that made it; limits of detection.

Sensitivity and resolution: VIM 2012, 4.12 and 4.14. Repeatability and its stages: ISO 5725-2:2019. Working
range: Eurachem Guide, The Fitness for Purpose of Analytical Methods, 2014, 6.3. Lack of fit and Mandel's test
are made on values read back against values known, both as lengths along the curve in CIELAB, where scatter is
about even.

ISO 11843-2:2000, 5.3 (constant standard deviation), requires a straight line. Lengths along the curve in CIELAB give
one: each standard near zero is set at its known length plus what its signals say it lies off, by the curve's tangent at
the known value, so that a blank may come out below zero. The limits found there are taken back to values through the
curve. The levels used are part of the answer.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from calibration.cross_validation import NO_CHEMISTRY, CrossReading, without_levels
from calibration.curve import STEP, Curve, NearZero, lab_slope, way
from calibration.fit import CurveFit
from calibration.observation import StandardObservation
from calibration.statistics.distributions import t_noncentrality, t_quantile
from calibration.statistics.least_squares import FTest, fit, lack_of_fit, mandel, straight
from calibration.statistics.outliers import Stage, algorithm_a, nested
from calibration.value import PadValue, value_of
from shared.analytes import ANALYTES
from shared.estimate import Z95

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class DetectionLimits:
    """In units of x. ``critical``: a blank is said to contain something with probability alpha.

    ``detectable``: what is really there and missed with probability beta. ``sd``: standard deviation of one
    reading.
    """

    critical: float
    detectable: float
    sd: float


def detection_limits(x: Array, y: Array, *, readings: int = 1, alpha: float = 0.05,
                     beta: float = 0.05) -> DetectionLimits | None:
    """Limits for the mean of ``readings`` of one sample, from standards ``x`` and their responses ``y`` (n,).

    None where the response does not grow with x beyond its own scatter.
    """
    line = fit(straight(x), y)
    slope, u_slope = abs(float(line.coefficients[1])), float(line.u[1])
    t = t_quantile(1.0 - alpha, line.dof)
    if slope <= t * u_slope:
        return None
    sxx = float(((x - x.mean()) ** 2).sum())
    u = line.s / slope * sqrt(1.0 / readings + 1.0 / len(x) + float(x.mean()) ** 2 / sxx)
    return DetectionLimits(t * u, t_noncentrality(line.dof, alpha=alpha, beta=beta) * u, line.s / slope)


#: Levels nearest to zero, it included, from which the limits are taken.
LEVELS_USED = 4
#: ICH Q2(R2): quantified where the standard deviation is this share of the value.
QUANTIFIED_AT = 0.1


def near_zero(curve: Curve, standards: Sequence[StandardObservation]) -> NearZero | None:
    """Limits of a curve and its standards; None for pH, without a blank, or where colour does not change."""
    levels = sorted({s.value for s in standards})[:LEVELS_USED]
    if curve.analyte == "ph" or curve.scale.low > 0 or levels[0] > 0 or len(levels) < LEVELS_USED:
        return None
    used = [s for s in standards if s.value <= levels[-1]]
    known = way(curve, np.array([s.value for s in used]))
    limits = detection_limits(known, known + np.array([_off(curve, s) for s in used]))
    if limits is None:
        return None
    values = curve.scale.value(curve.grid)
    lengths = way(curve, values)
    critical, detectable = np.interp([limits.critical, limits.detectable], lengths, values).tolist()
    return NearZero(critical=critical, detectable=detectable, sd=limits.sd, up_to=levels[-1],
                    quantifiable=_quantifiable(values, lengths, sd=limits.sd))


def _off(curve: Curve, standard: StandardObservation) -> float:
    """Distance along the curve (CIELAB units) between a standard's signals and its known value."""
    response, pad = standard.pad.response, standard.pad
    x = float(curve.scale.position(standard.value))
    ends = np.array([max(0.0, x - STEP), min(1.0, x + STEP)])
    low, here, high = response.signal(curve.weights_at(np.array([ends[0], x, ends[1]])))
    slope = (high - low) / float(np.diff(way(curve, curve.scale.value(ends)))[0])
    noise = pad.pixel + pad.field + np.diag(response.variance(response.correction, curve.weights_at(np.array([x]))[0]))
    weight = np.linalg.solve(noise, slope)
    return float(weight @ (pad.signal - here) / (weight @ slope))


def _quantifiable(values: Array, lengths: Array, *, sd: float) -> float | None:
    """The lowest value at which ``sd`` along the curve is the stated share of the value."""
    good = np.flatnonzero(values * np.gradient(lengths, values) * QUANTIFIED_AT >= sd)
    return float(values[good[0]]) if len(good) else None


#: A level lies in the working range where a strip's 95 % interval reaches no farther than this share of the
#: value to either side; for pH, this many units. Default rule, no source.
USEFUL_SHARE, USEFUL_PH = 0.25, 0.3
#: Values at which the resolution is reported: where the practical optimum lies (common practice, no source).
RESOLUTION_AT = {"hardness": 60.0}


@dataclass(frozen=True, slots=True)
class StandardReading:
    """A standard read on the curve."""

    standard: StandardObservation
    value: PadValue

    @property
    def u_random(self) -> float:
        """Standard uncertainty that differs from strip to strip."""
        return sqrt(sum(p.u**2 for p in self.value.budget if not p.shared))


@dataclass(frozen=True, slots=True)
class LevelMerit:
    """At one level: CIELAB units a unit of the analyte, and what one strip's reading is worth there.

    ``half_width``: half of its 95 % interval, None where a photograph of the level is read beyond an end;
    ``left_out``: mean error of the level's photographs on the curve fitted without it (same scale and shape),
    None for the end levels.
    """

    value: float
    sensitivity: float
    half_width: float | None
    left_out: float | None


@dataclass(frozen=True, slots=True)
class Merit:
    """A curve's figures of merit.

    ``stages``: between standards, lights within a standard, strips within a light, in CIELAB units along the
    curve; None without replicates. ``scatter``: all of it together, by Algorithm A, so that strays hardly count.
    ``resolution``: smallest difference of two strips of one light that is significant at 95 %, at
    ``resolution_at``.
    """

    analyte: str
    unit: str
    levels: tuple[LevelMerit, ...]
    working_range: tuple[float, float] | None
    stages: tuple[Stage, Stage, Stage] | None
    lack_of_fit: FTest | None
    bend: FTest | None
    scatter: float
    near_zero: NearZero | None
    resolution_at: float | None
    resolution: float | None

    @property
    def left_out_rms(self) -> float | None:
        """Root mean square of the left-out errors, each as CIELAB units along the curve."""
        errors = [e.left_out * e.sensitivity for e in self.levels if e.left_out is not None]
        return sqrt(sum(e * e for e in errors) / len(errors)) if errors else None


def merit_of(fitted: CurveFit) -> Merit:
    """The figures of merit of a curve and the standards it was fitted to."""
    curve, standards = fitted.curve, fitted.process.standards
    back = read_back(curve, standards)
    refitted = without_levels(fitted)
    levels = tuple(_level(curve, [b for b in back if b.standard.value == v], refitted=refitted)
                   for v in fitted.process.levels.tolist())
    inside = [b for b in back if b.value.status == "measured" and levels[0].value < b.standard.value < levels[-1].value]
    known = way(curve, np.array([b.standard.value for b in inside]))
    read = way(curve, np.array([b.value.value for b in inside]))
    straight_enough = len(np.unique(known)) > 2
    at = RESOLUTION_AT.get(curve.analyte)
    return Merit(
        analyte=curve.analyte, unit=curve.unit, levels=levels, working_range=_working_range(curve.analyte, levels),
        stages=_stages(inside, read - known), scatter=algorithm_a(read - known)[1] if inside else 0.0,
        lack_of_fit=lack_of_fit(known, read, fitted=fit(straight(known), read)) if straight_enough else None,
        bend=mandel(known, read), near_zero=near_zero(curve, standards), resolution_at=at,
        resolution=None if at is None else _resolution(back, at))


def read_back(curve: Curve, standards: Sequence[StandardObservation]) -> list[StandardReading]:
    """Each standard read on a curve."""
    limits = ANALYTES[curve.analyte]
    return [StandardReading(s, value_of(s.pad, curve, NO_CHEMISTRY, (limits.lower, limits.upper))) for s in standards]


def _level(curve: Curve, back: Sequence[StandardReading], *, refitted: Sequence[CrossReading]) -> LevelMerit:
    """One level from its standards read back, and from all of them read without their level."""
    value = back[0].standard.value
    errors = [s.error for s in refitted if s.standard.value == value and not s.whole]
    width = float(np.mean([b.value.high - b.value.low for b in back])) / 2
    return LevelMerit(value=value, sensitivity=float(np.linalg.norm(lab_slope(curve, value))),
                      half_width=width if all(b.value.status == "measured" for b in back) else None,
                      left_out=float(np.mean(errors)) if errors else None)


def _working_range(analyte: str, levels: Sequence[LevelMerit]) -> tuple[float, float] | None:
    """The longest row of neighbouring levels with useful intervals."""
    useful = [e.half_width is not None and e.half_width <= (USEFUL_PH if analyte == "ph" else USEFUL_SHARE * e.value)
              for e in levels]
    edges = [-1, *(i for i, good in enumerate(useful) if not good), len(levels)]
    start, stop = max(pairwise(edges), key=lambda gap: gap[1] - gap[0])
    return (levels[start + 1].value, levels[stop - 1].value) if stop - start > 2 else None


def _stages(inside: Sequence[StandardReading], error: Array) -> tuple[Stage, Stage, Stage] | None:
    standards = [b.standard.standard for b in inside]
    lights = [b.standard.light for b in inside]
    counts = [1, len(set(standards)), len(set(zip(standards, lights, strict=True))), len(inside)]
    if any(a >= b for a, b in pairwise(counts)):
        return None
    a, b, c = nested(error, [standards, lights])
    return a, b, c


def _resolution(back: Sequence[StandardReading], at: float) -> float | None:
    """Between neighbouring levels the random uncertainty is interpolated."""
    values = np.array(sorted({b.standard.value for b in back if b.value.status == "measured"}))
    if len(values) < 2 or not values[0] <= at <= values[-1]:
        return None
    u = [np.mean([b.u_random for b in back if b.standard.value == v and b.value.status == "measured"]) for v in values]
    return float(Z95 * sqrt(2.0) * np.interp(at, values, u))
