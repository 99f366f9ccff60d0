"""Errors (standards unfit for a curve), warnings (sources of uncertainty of a curve) and outlying photographs.

Photographs are named by stated rules and never dropped here. Grubbs' test within each level, on where along the curve
each photograph puts its pad (outlier at 1 %, straggler at 5 %, ISO 5725-2:2019, 8.3.5); the modified z-score of
Iglewicz and Hoaglin over all photographs of an analyte, on standardised residuals along the curve; and the border
beyond which a reading is refused as off the chart. The last two take each photograph as predicted from all others. A
photograph within twice its stated uncertainty of that prediction is named by neither: of three replicates two may
coincide by chance, which makes an outlier of any third.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

from calibration.curve import Curve
from calibration.fit import CurveFit
from calibration.gaussian_process import SpectralGP
from calibration.standards import StandardRow
from calibration.statistics.outliers import MODIFIED_Z_LIMIT, grubbs, modified_z
from calibration.value import OFF_CURVE
from shared.colour import delta_e_2000
from shared.errors import FileError
from shared.notation import significant
from shared.strip import Pad

Array = NDArray[np.float64]

#: Prepared solutions miss their nominal value by a few percent: so far, as a share of the range, a level may lie
#: outside the strip type's range, and so much of it the levels may leave out unsaid.
BEYOND = 0.05
#: Photographs of one strip, or copies of one photograph, agree within this (CIELAB); strips scatter by more.
TOO_ALIKE_LAB = 0.05
#: Colours closer than this (CIEDE2000) cannot be distinguished under an ordinary lamp.
TOLD_APART = 3.0
#: The curve leaves a colour and comes back where it strays by this many times the distance of the two ends of
#: the loop, and by no less than this (CIEDE2000).
STRAYS, STRAYS_LEAST = 2.0, 1.5
#: Places on the scale among which a fold is sought.
_STEPS = 65


@dataclass(frozen=True, slots=True)
class Fold:
    """Two values of nearly the same colour, ``delta_e`` apart (CIEDE2000), between which the curve strays."""

    low: float
    high: float
    delta_e: float


def check_levels(pad: Pad, rows: Sequence[StandardRow]) -> None:
    """Raise FileError for a level outside the range of the strip type."""
    low, high = pad.range
    spare = BEYOND * (high - low)
    for row in rows:
        level = row.certified.get(pad.analyte)
        if level is not None and not low - spare <= level.value <= high + spare:
            raise FileError("a level lies outside the strip type's range", where=f"{row.where}, column {pad.analyte}",
                            found=f"{row.standard} with {level.value:g} {pad.unit}",
                            allowed=f"{low:g} to {high:g} {pad.unit}",
                            remedy="correct the value or its unit, or correct the range in the strip type's file")


def warnings_of(fit: CurveFit, pad: Pad) -> Iterator[str]:
    """Warnings for those who use the curve, in sentences."""
    curve, (low, high) = fit.curve, pad.range
    if curve.scale.low > low + BEYOND * (high - low) or curve.scale.high < high - BEYOND * (high - low):
        yield (f"The levels run from {curve.scale.low:g} to {curve.scale.high:g} {curve.unit} only; the strip is made "
               f"for {low:g} to {high:g}.")
    fold = find_fold(curve)
    if fold is not None:
        yield (f"The curve folds back: {significant(fold.low)} and {significant(fold.high)} {curve.unit} have nearly "
               f"the same colour (CIEDE2000 {fold.delta_e:.1f}), those between another. Are two standards swapped?")
    reversed_ = find_reversal(fit.process)
    if reversed_ is not None:
        yield (f"The pads of {reversed_[0]:g} and {reversed_[1]:g} {curve.unit} lie along the curve in the opposite "
               "order. Are the two standards swapped?")
    alike = [level for level in curve.levels if level.n > 1 and level.repeatability < TOO_ALIKE_LAB]
    if alike:
        yield (f"Replicates agree more closely than strips can, at {', '.join(f'{v.value:g}' for v in alike)} "
               f"{curve.unit}: photograph a strip of its own each time.")
    if not any(s.u for s in fit.process.standards):
        yield "No uncertainty of the standards is stated; they were taken as exact."


def find_fold(curve: Curve) -> Fold | None:
    """The widest pair of values that the curve leaves and comes back to; None if each colour occurs once."""
    values = curve.scale.value(np.linspace(0.0, 1.0, _STEPS))
    lab = curve.lab(values)
    apart = delta_e_2000(lab[:, None], lab[None])
    strays = _strays(apart)
    loops = (strays > np.maximum(STRAYS * apart, STRAYS_LEAST)) & (apart < TOLD_APART)
    pairs = np.argwhere(np.triu(loops))
    if not len(pairs):
        return None
    i, j = max(pairs.tolist(), key=lambda p: float(p[1] - p[0]))
    return Fold(float(values[i]), float(values[j]), float(apart[i, j]))


def find_reversal(process: SpectralGP) -> tuple[float, float] | None:
    """The first neighbouring levels whose photographs, on average, are in reverse order along the curve."""
    places = process.places()
    means = np.array([places[process.level_of == i].mean() for i in range(len(process.levels))])
    backwards = np.flatnonzero(np.diff(means) <= 0.0)
    if not len(backwards):
        return None
    low, high = process.levels[backwards[0] : backwards[0] + 2].tolist()
    return low, high


def _strays(apart: Array) -> Array:
    """How far (n, n) the curve goes between two of its points from the nearer of them; ``apart`` (n, n)."""
    n = len(apart)
    out = np.zeros((n, n))
    for i in range(n):
        for j in range(i + 2, n):
            out[i, j] = np.minimum(apart[i, i + 1 : j], apart[i + 1 : j, j]).max()
    return out


Rule = Literal["Grubbs", "Iglewicz-Hoaglin", "off the curve"]

#: Multiples of its own standard uncertainty within which a photograph is not suspected.
UNSUSPECTED = 2.0


class Suspect(msgspec.Struct, frozen=True, kw_only=True):
    """A photograph that a rule names for one analyte at ``value``, with the rule's ``statistic``.

    ``straggler``: beyond Grubbs' 5 % but not his 1 %, which chance does to one level in twenty.
    """

    photo: str
    analyte: str
    value: float
    rule: Rule
    statistic: float
    verdict: Literal["outlier", "straggler"] = "outlier"


def suspects(fit: CurveFit) -> Iterator[Suspect]:
    """Every photograph that a rule names; one named by two rules comes twice."""
    along, across = residuals(fit.process)
    strays = np.abs(along) > UNSUSPECTED
    place = fit.process.places()
    for i in range(len(fit.process.levels)):
        members = np.flatnonzero(fit.process.level_of == i)
        tests = grubbs(place[members])
        if tests is not None and tests.verdict != "consistent" and strays[members[tests.index]]:
            named = _named(fit, int(members[tests.index]), "Grubbs", tests.statistic)
            yield msgspec.structs.replace(named, verdict=tests.verdict)
    scores = modified_z(along)
    for j in np.flatnonzero(strays & (np.abs(scores) > MODIFIED_Z_LIMIT)).tolist():
        yield _named(fit, j, "Iglewicz-Hoaglin", scores[j])
    for j in np.flatnonzero(across > OFF_CURVE).tolist():
        yield _named(fit, j, "off the curve", across[j])


def residuals(process: SpectralGP) -> tuple[Array, Array]:
    """Of each photograph, predicted from all others, its residual (n,) along the curve and what is across it (n,).

    The first in standard deviations, the second a chi-square of 2 degrees of freedom.
    """
    along, across = [], []
    for i, shift in enumerate(process.shift):
        error, precision = process.without(np.arange(len(process.x)) == i)
        z = shift @ precision @ error / np.sqrt(shift @ precision @ shift)
        along.append(z)
        across.append(error @ precision @ error - z**2)
    return np.array(along), np.array(across)


def _named(fit: CurveFit, i: int, rule: Rule, statistic: float) -> Suspect:
    standard = fit.process.standards[i]
    return Suspect(photo=standard.photo, analyte=fit.curve.analyte, value=standard.value, rule=rule,
                   statistic=float(statistic))
