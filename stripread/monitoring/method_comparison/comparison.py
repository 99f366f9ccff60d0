"""How strips agree with a laboratory: bias, limits of agreement, a line with errors in both, whether intervals hold.

Shares of the laboratory's value where a ratio means something, else in the analyte's unit, as `calibration.agreement`.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

import msgspec
import numpy as np

from calibration.agreement import LEAST_WATERS, Agreement, agreement, uncertainty_expected
from calibration.checks import Pair
from calibration.statistics.bland_altman import LimitsOfAgreement, limits_of_agreement
from calibration.statistics.deming import LEAST_POINTS, Jackknifed, Line, Points, deming, jackknife
from calibration.statistics.proportion import at_most, exact_interval
from shared.analytes import ANALYTES
from shared.estimate import Z95
from stripread.monitoring.method_comparison.pairing import MatchedPair, UnmatchedResult, deduplicate, match_results
from stripread.monitoring.sites import Scope, load_sites
from stripread.store.errors import RecordsError
from stripread.store.models.evidence import LabResult
from stripread.store.store import Store

#: What an interval promises, and the probability below which so few hits are called too few.
_PROMISED, _TOO_FEW = 0.95, 0.05


class IntervalCoverage(msgspec.Struct, frozen=True, kw_only=True):
    """``inside`` of ``n`` intervals held the laboratory's value, its own doubt allowed for; the share's 95 % interval.

    ``probability``: of so few or fewer, if 95 % do.
    """

    n: int
    inside: int
    low: float
    high: float
    probability: float

    @property
    def too_narrow(self) -> bool:
        """Whether the intervals promise too much."""
        return self.probability < _TOO_FEW


class StructuralFit(msgspec.Struct, frozen=True, kw_only=True):
    """What is read on what the laboratory found: Deming's line, and jackknife intervals of its two numbers."""

    line: Line
    intervals: Jackknifed


class MethodComparison(msgspec.Struct, frozen=True, kw_only=True):
    """One analyte. None: too few pairs to say it, or no line goes through them."""

    analyte: str
    unit: str
    couples: tuple[MatchedPair, ...]
    alone: tuple[UnmatchedResult, ...]
    agreement: Agreement | None = None
    limits: LimitsOfAgreement | None = None
    fit: StructuralFit | None = None
    coverage: IntervalCoverage | None = None

    @property
    def pairs(self) -> list[Pair]:
        """The couples as calibration knows them."""
        return [Pair(c.lab.id, known=c.lab.value, u_known=c.lab.u or 0.0, read=c.read) for c in self.couples]

    @property
    def without_doubt(self) -> int:
        """Results whose laboratory states no uncertainty; they count as exact."""
        return sum(c.lab.u is None for c in self.couples)


def compare_methods(store: Store, scope: Scope, analyte: str | None = None, *, days: float) -> list[MethodComparison]:
    """Every analyte that a laboratory measured at the sites of a scope, paired within so many days.

    Raises RecordsError where there is no result to compare with.
    """
    # What is closed today was open when its water was compared.
    kept = load_sites(store, scope, date.min)
    results = [r for r in store.find(LabResult) if r.struck is None and r.point in kept.points
               and analyte in (None, r.analyte)]
    if not results:
        raise RecordsError("there is no laboratory result to compare with", where=store.where,
                           found=f"none of {analyte}" if analyte else "none",
                           remedy="keep some for sampling points where strips were read")
    found = list(deduplicate(match_results(store, kept, results, window=timedelta(days=days))))
    return [_analyte(a, [c for c in found if c.lab.analyte == a]) for a in ANALYTES
            if any(r.analyte == a for r in results)]


def _analyte(analyte: str, found: Sequence[MatchedPair | UnmatchedResult]) -> MethodComparison:
    made = MethodComparison(analyte=analyte, unit=ANALYTES[analyte].unit,
                  couples=tuple(c for c in found if isinstance(c, MatchedPair)),
                  alone=tuple(c for c in found if isinstance(c, UnmatchedResult)))
    if not made.couples:
        return made
    pairs = made.pairs
    return msgspec.structs.replace(made, agreement=agreement(pairs), limits=_limits(pairs), fit=_fit(pairs),
                                   coverage=_coverage(pairs))


def _limits(pairs: Sequence[Pair]) -> LimitsOfAgreement | None:
    found = agreement(pairs)
    if found is None or len(pairs) < LEAST_WATERS:
        return None
    return limits_of_agreement(np.array([p.deviation / (p.known if found.relative else 1.0) for p in pairs]))


def _fit(pairs: Sequence[Pair]) -> StructuralFit | None:
    """The strip's own error is in the weights. None where leaving one pair out leaves no line."""
    own = agreement(pairs)
    u_strip = [] if own is None else [own.intrinsic * (p.known if own.relative else 1.0) for p in pairs]
    u_read = uncertainty_expected(pairs, np.array([p.u_read for p in pairs]))
    points = Points(x=np.array([p.known for p in pairs]), y=np.array([p.read.value for p in pairs]),
                    u_x=np.array([p.u_known for p in pairs]),
                    u_y=np.hypot(u_read, u_strip or [0.0] * len(pairs)))
    if len(np.unique(points.x)) <= LEAST_POINTS:
        return None
    try:
        return StructuralFit(line=deming(points), intervals=jackknife(points))
    except ValueError:
        return None


def _coverage(pairs: Sequence[Pair]) -> IntervalCoverage:
    n, inside = len(pairs), sum(abs(p.deviation) <= Z95 * p.u_deviation for p in pairs)
    low, high = exact_interval(inside, n)
    return IntervalCoverage(n=n, inside=inside, low=low, high=high, probability=at_most(inside, n, _PROMISED))
