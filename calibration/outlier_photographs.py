"""Photographs of standards that do not belong with the rest: found by stated rules and named, never dropped here.

Grubbs' test within each level, on where along the curve each photograph puts its pad (outlier at 1 %,
straggler at 5 %, ISO 5725-2:2019, 8.3.5); the modified z-score of Iglewicz and Hoaglin over all photographs of
an analyte, on standardised residuals along the curve; and the border beyond which a reading is refused as off
the chart. The last two take each photograph as predicted from all others. A photograph within twice its
stated uncertainty of that prediction is named by neither: of three replicates two may coincide by chance,
which makes an outlier of any third.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

from calibration.fit import Fitted
from calibration.gaussian_process import SpectralGP
from calibration.statistics.outliers import MODIFIED_Z_LIMIT, grubbs, modified_z
from calibration.value import OFF_CURVE

Array = NDArray[np.float64]
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


def suspects(fit: Fitted) -> Iterator[Suspect]:
    """Every photograph that a rule names; one named by two rules comes twice."""
    along, across = residuals(fit.process)
    strays = np.abs(along) > UNSUSPECTED
    place = fit.process.places()
    for i in range(len(fit.process.levels)):
        members = np.flatnonzero(fit.process.level_of == i)
        found = grubbs(place[members])
        if found is not None and found.verdict != "consistent" and strays[members[found.index]]:
            named = _named(fit, int(members[found.index]), "Grubbs", found.statistic)
            yield msgspec.structs.replace(named, verdict=found.verdict)
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


def _named(fit: Fitted, i: int, rule: Rule, statistic: float) -> Suspect:
    standard = fit.process.standards[i]
    return Suspect(photo=standard.photo, analyte=fit.curve.analyte, value=standard.value, rule=rule,
                   statistic=float(statistic))
