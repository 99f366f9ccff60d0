"""Standards read on charts fitted without their level or without their light, and the lights a chart is good for.

Scale and shape stay those of the whole fit; what is left out is only the photographs.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.chart import Chart, LightProperties
from calibration.curve import Curve, LightOmission
from calibration.fit import MIN_LEVELS, CurveFit, curve_of
from calibration.gaussian_process import SpectralGP
from calibration.observation import StandardObservation
from calibration.statistics.distributions import at_most
from calibration.value import PadValue, value_of
from shared.analytes import ANALYTES
from shared.strip import IntrinsicU

#: Nominal coverage of intervals, and the probability below which fewer covered values are not due to chance.
NOMINAL, NO_CHANCE = 0.95, 0.01
#: Lamps less likely than this are not named.
LEAST_SHARE = 0.1


@dataclass(frozen=True, slots=True)
class LightCoverage:
    """A light of the standards; ``covered`` of its ``n`` values lie in the intervals of curves fitted without it."""

    seen: LightProperties
    n: int
    covered: int

    @property
    def lamps(self) -> tuple[tuple[str, float], ...]:
        """The CIE lamps it resembles with their probabilities, the likeliest first."""
        likely = [(name, p) for name, p in self.seen.lamps.items() if p >= LEAST_SHARE]
        return tuple(sorted(likely, key=lambda lamp: -lamp[1]))

    @property
    def carries(self) -> bool | None:
        """Whether a chart fitted without it covers its values; None where this is not known."""
        return None if self.n == 0 else at_most(self.covered, self.n, NOMINAL) >= NO_CHANCE


def lights_of(chart: Chart) -> Iterator[LightCoverage]:
    """Each light with its results on all curves of the chart."""
    for seen in chart.conditions.seen:
        values = [v for curve in chart.curves for v in curve.lights if v.light == seen.light]
        yield LightCoverage(seen, n=sum(v.n for v in values), covered=sum(v.covered for v in values))


#: Salt solutions do not show the strip's own chemistry; its stated uncertainty is not part of these readings.
NO_CHEMISTRY = IntrinsicU(relative=0.0, absolute=0.0)


@dataclass(frozen=True, slots=True)
class CrossReading:
    """A standard read on a curve; ``whole``: on the whole one, since its level is an end of it."""

    standard: StandardObservation
    read: PadValue
    whole: bool = False

    @property
    def error(self) -> float:
        """Value read less value known, in the analyte's unit."""
        return self.read.value - self.standard.value

    @property
    def covered(self) -> bool:
        """Whether the known value lies in the 95 % interval."""
        return self.read.low <= self.standard.value <= self.read.high


def without_levels(fit: CurveFit) -> list[CrossReading]:
    """Every standard read on the curve without its level, in the standards' order; the ends on the whole curve."""
    readings: dict[int, CrossReading] = {}
    last = len(fit.process.levels) - 1
    for i in range(last + 1):
        members = fit.process.level_of == i
        end = i in (0, last)
        curve = fit.curve if end else _curve_without(fit, members)
        readings.update(zip(np.flatnonzero(members).tolist(), _read(fit, members, curve, whole=end), strict=True))
    return [readings[i] for i in range(len(readings))]


def without_lights(fit: CurveFit) -> Iterator[LightOmission]:
    """Results of each light on the chart fitted without it; empty if the others have too few levels."""
    lights = np.array([s.light for s in fit.process.standards])
    for light in np.unique(lights).tolist():
        members = lights == light
        if len(np.unique(fit.process.x[~members])) < MIN_LEVELS:
            continue
        readings = list(_read(fit, members, _curve_without(fit, members)))
        errors = np.array([s.error for s in readings])
        yield LightOmission(light=light, n=len(readings), covered=sum(s.covered for s in readings),
                           rms=float(np.sqrt((errors**2).mean())))


def _curve_without(fit: CurveFit, members: NDArray[np.bool_]) -> Curve:
    remaining = [s for s, out in zip(fit.process.standards, members, strict=True) if not out]
    process = SpectralGP(remaining, fit.process.scale)
    process.solve(fit.process.shape, rounds=3)
    return curve_of(process, fit.curve.analyte, fit.curve.unit)


def _read(fit: CurveFit, members: NDArray[np.bool_], curve: Curve, *, whole: bool = False) -> Iterator[CrossReading]:
    limits = ANALYTES[curve.analyte]
    for i in np.flatnonzero(members).tolist():
        standard = fit.process.standards[i]
        yield CrossReading(standard, value_of(standard.pad, curve, NO_CHEMISTRY, (limits.lower, limits.upper)), whole)
