"""Figures of merit of a chart's curve, each by its definition, from the standards that made it.

Sensitivity and resolution: VIM 2012, 4.12 and 4.15. Repeatability and its stages: ISO 5725-2:2019. Working
range: Eurachem Guide, The Fitness for Purpose of Analytical Methods, 2014, 6.3. Lack of fit and Mandel's test
are made on values read back against values known, both as lengths along the curve in CIELAB, where scatter is
about even.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from calibration.curve import Curve
from calibration.fit import Fitted, curve_of
from calibration.geometry import lab_slope, way
from calibration.near_zero import NearZero, near_zero
from calibration.observation import StandardObservation
from calibration.process import Process
from calibration.statistics.least_squares import fit, straight
from calibration.statistics.linearity import FTest, lack_of_fit, mandel
from calibration.statistics.outliers import MODIFIED_Z_LIMIT, Verdict, algorithm_a, grubbs, modified_z
from calibration.statistics.variance import Stage, nested
from calibration.value import PadValue, value_of
from shared.analytes import ANALYTES
from shared.estimate import Z95
from shared.strip import IntrinsicU

Array = NDArray[np.float64]

#: A level lies in the working range where a strip's 95 % interval reaches no farther than this share of the
#: value to either side; for pH, this many units. Default rule, no source.
USEFUL_SHARE, USEFUL_PH = 0.25, 0.3
#: Values at which the resolution is told: where the practical optimum lies (common practice, no source).
RESOLUTION_AT = {"hardness": 60.0}
#: The chart by itself: the strip's own chemistry is stated by its type or by real waters.
_NO_CHEMISTRY = IntrinsicU(relative=0.0, absolute=0.0)


@dataclass(frozen=True, slots=True)
class ReadBack:
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
class Suspect:
    """A photograph whose ``error`` along the curve, in CIELAB units, does not belong with the rest.

    It stays in the chart: leaving it out is a person's decision with a reason.
    """

    photo: str
    standard: str
    error: float
    modified_z: float
    grubbs: Verdict


@dataclass(frozen=True, slots=True)
class Merit:
    """A curve's figures of merit.

    ``stages``: between standards, lights within a standard, strips within a light, in CIELAB units along the
    curve; None without replicates. ``scatter``: all of it together, by Algorithm A, so that ``suspects`` hardly
    count. ``resolution``: smallest difference of two strips of one light that is told
    from chance at 95 %, at ``resolution_at``.
    """

    analyte: str
    unit: str
    levels: tuple[LevelMerit, ...]
    working_range: tuple[float, float] | None
    stages: tuple[Stage, Stage, Stage] | None
    lack_of_fit: FTest | None
    bend: FTest | None
    scatter: float
    suspects: tuple[Suspect, ...]
    near_zero: NearZero | None
    resolution_at: float | None
    resolution: float | None

    @property
    def left_out_rms(self) -> float | None:
        """Root mean square of the left-out errors, each as CIELAB units along the curve."""
        errors = [e.left_out * e.sensitivity for e in self.levels if e.left_out is not None]
        return sqrt(sum(e * e for e in errors) / len(errors)) if errors else None


def merit_of(fitted: Fitted) -> Merit:
    """The figures of merit of a curve and the standards it was fitted to."""
    curve, standards = fitted.curve, fitted.process.standards
    back = read_back(curve, standards)
    levels = tuple(_level(fitted, back, value=v) for v in fitted.process.levels.tolist())
    inside = [b for b in back if b.value.status == "read" and levels[0].value < b.standard.value < levels[-1].value]
    known = way(curve, np.array([b.standard.value for b in inside]))
    read = way(curve, np.array([b.value.value for b in inside]))
    straight_enough = len(np.unique(known)) > 2
    at = RESOLUTION_AT.get(curve.analyte)
    return Merit(
        analyte=curve.analyte, unit=curve.unit, levels=levels, working_range=_working_range(curve.analyte, levels),
        stages=_stages(inside, read - known), scatter=algorithm_a(read - known)[1] if inside else 0.0,
        suspects=tuple(_suspects(inside, read - known)),
        lack_of_fit=lack_of_fit(known, read, fitted=fit(straight(known), read)) if straight_enough else None,
        bend=mandel(known, read), near_zero=near_zero(curve, standards), resolution_at=at,
        resolution=None if at is None else _resolution(back, at))


def read_back(curve: Curve, standards: Sequence[StandardObservation]) -> list[ReadBack]:
    """Each standard read on a curve."""
    limits = ANALYTES[curve.analyte]
    return [ReadBack(s, value_of(s.pad, curve, _NO_CHEMISTRY, (limits.lower, limits.upper))) for s in standards]


def _level(fitted: Fitted, back: Sequence[ReadBack], *, value: float) -> LevelMerit:
    mine = [b.value for b in back if b.standard.value == value]
    width = float(np.mean([v.high - v.low for v in mine])) / 2
    return LevelMerit(value=value, sensitivity=float(np.linalg.norm(lab_slope(fitted.curve, value))),
                      half_width=width if all(v.status == "read" for v in mine) else None,
                      left_out=_left_out(fitted, value))


def _left_out(fitted: Fitted, value: float) -> float | None:
    """Mean error of a level's photographs on the curve that was fitted without them."""
    whole, curve = fitted.process, fitted.curve
    if value in (whole.levels[0], whole.levels[-1]):
        return None
    without = Process([s for s in whole.standards if s.value != value], whole.scale)
    without.solve(whole.shape, rounds=3)
    left_out = [s for s in whole.standards if s.value == value]
    strangers = read_back(curve_of(without, curve.analyte, curve.unit), left_out)
    return float(np.mean([b.value.value for b in strangers])) - value


def _working_range(analyte: str, levels: Sequence[LevelMerit]) -> tuple[float, float] | None:
    """The longest row of neighbouring levels with useful intervals."""
    useful = [e.half_width is not None and e.half_width <= (USEFUL_PH if analyte == "ph" else USEFUL_SHARE * e.value)
              for e in levels]
    edges = [-1, *(i for i, good in enumerate(useful) if not good), len(levels)]
    start, stop = max(pairwise(edges), key=lambda gap: gap[1] - gap[0])
    return (levels[start + 1].value, levels[stop - 1].value) if stop - start > 2 else None


def _stages(inside: Sequence[ReadBack], error: Array) -> tuple[Stage, Stage, Stage] | None:
    standards = [b.standard.standard for b in inside]
    lights = [b.standard.light for b in inside]
    counts = [1, len(set(standards)), len(set(zip(standards, lights, strict=True))), len(inside)]
    if any(a >= b for a, b in pairwise(counts)):
        return None
    a, b, c = nested(error, [standards, lights])
    return a, b, c


def _suspects(inside: Sequence[ReadBack], error: Array) -> Iterator[Suspect]:
    """By Grubbs the farthest, by Iglewicz and Hoaglin any."""
    found, z = grubbs(error), modified_z(error) if len(error) else error
    for i, b in enumerate(inside):
        verdict: Verdict = found.verdict if found is not None and found.index == i else "consistent"
        if verdict != "consistent" or abs(z[i]) > MODIFIED_Z_LIMIT:
            yield Suspect(b.standard.photo, b.standard.standard, error=float(error[i]), modified_z=float(z[i]),
                          grubbs=verdict)


def _resolution(back: Sequence[ReadBack], at: float) -> float | None:
    """Between neighbouring levels the random uncertainty is interpolated."""
    values = np.array(sorted({b.standard.value for b in back if b.value.status == "read"}))
    if len(values) < 2 or not values[0] <= at <= values[-1]:
        return None
    u = [np.mean([b.u_random for b in back if b.standard.value == v and b.value.status == "read"]) for v in values]
    return float(Z95 * sqrt(2.0) * np.interp(at, values, u))
