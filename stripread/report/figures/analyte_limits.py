"""The limits that the five measured values are shown on, from an assessment."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from assess.assessment import Assessment
from assess.decision import VERDICTS
from assess.judgement import Judgement
from assess.limits import Limit
from stripread.report.figures.window import LimitBounds

#: Criteria that limit an analyte itself, not a quantity computed from several.
_OWN: Final[dict[str, tuple[str, ...]]] = {
    "hardness": ("hardness",), "alkalinity": ("alkalinity",), "ph": ("ph", "soft-acid", "copper-acid"),
    "chloride": ("chloride",), "chlorine": ("chlorine", "metal-chlorine"),
    "total-chlorine": ("chloramine",)}
#: Cost in the cup up to which a value is in the best zone, noticeable differences.
_BEST: Final = 0.1


def own_judgement(assessment: Assessment, analyte: str) -> Judgement | None:
    """Return the criterion that limits an analyte; of several the most severe, then the tightest."""
    return own_of(assessment.judgements, analyte)


def own_of(judgements: Iterable[Judgement], analyte: str) -> Judgement | None:
    """Return the criterion of some that limits an analyte, as `own_judgement`."""
    measures = _OWN.get(analyte, ())
    found = [j for j in judgements if j.limit.measure in measures and j.severity != "information"]
    return max(found, key=_severity, default=None)


def _severity(j: Judgement) -> tuple[int, float, float]:
    most = float("inf") if j.limit.at_most is None else j.limit.at_most
    return VERDICTS.index(j.verdict), -most, j.limit.at_least or 0.0


def bounds_of(limit: Limit) -> LimitBounds:
    """Return the bounds of a limit, and the zone that costs nothing in the cup."""
    return LimitBounds(at_least=limit.at_least, at_most=limit.at_most, zone=_zone(limit))


def _zone(limit: Limit) -> tuple[float, float] | None:
    """Return the values between which the loss is at most `_BEST`, within the limits."""
    if not limit.loss or limit.at_most is None:
        return None
    ends = [_crossing(*pair) for pair in zip(limit.loss, limit.loss[1:], strict=False)]
    inside = [v for v, cost in limit.loss if cost <= _BEST] + [v for v in ends if v is not None]
    if not inside:
        return None
    low = limit.at_least or 0.0
    first = low if limit.loss[0][1] <= _BEST else min(inside)
    return max(low, first), min(limit.at_most, max(inside))


def _crossing(a: tuple[float, float], b: tuple[float, float]) -> float | None:
    (x0, y0), (x1, y1) = a, b
    if (y0 - _BEST) * (y1 - _BEST) >= 0:
        return None
    return x0 + (x1 - x0) * (_BEST - y0) / (y1 - y0)
