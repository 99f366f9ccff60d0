"""Strips against a laboratory: bias, limits of agreement, Deming regression, coverage of the intervals.

A laboratory result is paired with the reading nearest in time at the same sampling point. Differences are relative to
the laboratory's value where a ratio is meaningful, else in the analyte's unit, as in `calibration.checks`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date, timedelta

import msgspec
import numpy as np

from calibration.checks import LEAST_WATERS, Agreement, Pair, agreement, uncertainty_expected
from calibration.statistics.agreement import (
    LEAST_POINTS,
    JackknifeIntervals,
    LimitsOfAgreement,
    Line,
    Points,
    deming,
    jackknife,
    limits_of_agreement,
)
from calibration.statistics.distributions import at_most, exact_interval
from shared.analytes import ANALYTES
from shared.estimate import Z95, Estimate
from stripread.monitoring.sites import Scope, SiteInventory, load_sites
from stripread.monitoring.trend.series import same_strip, visits
from stripread.monitoring.valid_readings import ValidReading, valid_readings
from stripread.reading.combine import combine
from stripread.store.errors import RecordsError
from stripread.store.models.evidence import LabResult, StoredReading
from stripread.store.store import Store


class MatchedPair(msgspec.Struct, frozen=True, kw_only=True):
    """A laboratory result and the value read ``hours`` after it (negative: before it)."""

    lab: LabResult
    site: str
    readings: tuple[str, ...]
    hours: float
    read: Estimate

    @property
    def value(self) -> tuple[str, tuple[str, ...]]:
        """Identity of the value that was read: analyte and readings."""
        return self.lab.analyte, self.readings


class UnmatchedResult(msgspec.Struct, frozen=True, kw_only=True):
    """A laboratory result without a matching reading, and why."""

    lab: LabResult
    why: str


def match_results(
    store: Store, inventory: SiteInventory, results: Sequence[LabResult], *, window: timedelta
) -> list[MatchedPair | UnmatchedResult]:
    """Return each result with its reading, in order of time.

    A reviewer's correction is not used: the comparison is of the method, not of the reviewer.
    """
    points = sorted({r.point for r in results})
    read = {point: list(visits([c for c in readings if c.point == point]))
            for readings in (valid_readings(store, points=points),) for point in points}
    return [_match(store, inventory.points[r.point].site, r, _near(read[r.point], r, window))
            for r in sorted(results, key=lambda r: (r.taken, r.id))]


def _near(visits: Sequence[list[ValidReading]], result: LabResult, window: timedelta) -> list[list[ValidReading]]:
    """Return the visits within the window at which the analyte was read, nearest first."""
    near = [v for v in visits if abs(v[0].at - result.taken) <= window
            and any(b.analyte == result.analyte for r in v for b in r.values)]
    return sorted(near, key=lambda v: abs(v[0].at - result.taken))


def _match(
    store: Store, site: str, result: LabResult, near: Sequence[list[ValidReading]]
) -> MatchedPair | UnmatchedResult:
    if result.status != "measured":
        return UnmatchedResult(
            lab=result, why=f"the laboratory reports only a limit ({result.status} {result.value:g})"
        )
    if not near:
        return UnmatchedResult(lab=result, why="no reading within the allowed number of days")
    visit = near[0]
    read = _estimate(store, visit, result.analyte)
    if read is None or read.status != "measured":
        return UnmatchedResult(lab=result, why="the reading has no value" if read is None else
                     f"the reading is {read.status} its range")
    return MatchedPair(lab=result, site=site, readings=tuple(r.id for r in visit), read=read,
                  hours=round((visit[0].at - result.taken).total_seconds() / 3600, 1))


def _estimate(store: Store, visit: Sequence[ValidReading], analyte: str) -> Estimate | None:
    """Return the value read on a visit with its uncertainty budget, or None."""
    bodies = [store.get(StoredReading, r.id).reading for r in visit]
    values = combine(bodies, same_strip=same_strip(visit)).values() if len(bodies) > 1 else bodies[0].values()
    return next((e for e in values if e.analyte == analyte), None)


def deduplicate(matches: Sequence[MatchedPair | UnmatchedResult]) -> Iterator[MatchedPair | UnmatchedResult]:
    """Return the results with each reading used once: of several results it is paired with the nearest."""
    nearest: dict[tuple[str, tuple[str, ...]], MatchedPair] = {}
    for match in matches:
        if isinstance(match, MatchedPair):
            best = nearest.get(match.value)
            if best is None or abs(match.hours) < abs(best.hours):
                nearest[match.value] = match
    for match in matches:
        if isinstance(match, UnmatchedResult) or nearest[match.value] is match:
            yield match
        else:
            yield UnmatchedResult(lab=match.lab, why="the reading is paired with another result, nearer in time")


#: Nominal coverage of the intervals, and the significance level of the test for too low a coverage.
_PROMISED, _TOO_FEW = 0.95, 0.05


class IntervalCoverage(msgspec.Struct, frozen=True, kw_only=True):
    """``inside`` of ``n`` intervals contain the laboratory value within its uncertainty; 95 % interval of the share.

    ``probability``: of ``inside`` or fewer if the true coverage is 95 %.
    """

    n: int
    inside: int
    low: float
    high: float
    probability: float

    @property
    def too_narrow(self) -> bool:
        """Whether the coverage is significantly below 95 %."""
        return self.probability < _TOO_FEW


class StructuralFit(msgspec.Struct, frozen=True, kw_only=True):
    """Deming regression of readings on laboratory results, with jackknife intervals of slope and intercept."""

    line: Line
    intervals: JackknifeIntervals


class MethodComparison(msgspec.Struct, frozen=True, kw_only=True):
    """The comparison for one analyte. None: too few pairs, or no line can be fitted."""

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
        """The matched pairs in the form that `calibration` uses."""
        return [Pair(c.lab.id, known=c.lab.value, u_known=c.lab.u or 0.0, read=c.read) for c in self.couples]

    @property
    def without_uncertainty(self) -> int:
        """Number of results without a stated uncertainty; they are treated as exact."""
        return sum(c.lab.u is None for c in self.couples)


def compare_methods(store: Store, scope: Scope, analyte: str | None = None, *, days: float) -> list[MethodComparison]:
    """Return the comparison of each analyte that a laboratory measured at the sites of a scope.

    ``days``: largest time between reading and laboratory sample. Raises RecordsError if there is no laboratory result.
    """
    # Points that are closed today were open when their water was compared.
    inventory = load_sites(store, scope, date.min)
    results = [r for r in store.find(LabResult) if r.struck is None and r.point in inventory.points
               and analyte in (None, r.analyte)]
    if not results:
        raise RecordsError("no laboratory results to compare with", where=store.where,
                           found=f"none of {analyte}" if analyte else "none",
                           remedy="import laboratory results for sampling points that have strip readings")
    matches = list(deduplicate(match_results(store, inventory, results, window=timedelta(days=days))))
    return [_analyte(a, [c for c in matches if c.lab.analyte == a]) for a in ANALYTES
            if any(r.analyte == a for r in results)]


def _analyte(analyte: str, matches: Sequence[MatchedPair | UnmatchedResult]) -> MethodComparison:
    made = MethodComparison(analyte=analyte, unit=ANALYTES[analyte].unit,
                  couples=tuple(c for c in matches if isinstance(c, MatchedPair)),
                  alone=tuple(c for c in matches if isinstance(c, UnmatchedResult)))
    if not made.couples:
        return made
    pairs = made.pairs
    return msgspec.structs.replace(made, agreement=agreement(pairs), limits=_limits(pairs), fit=_fit(pairs),
                                   coverage=_coverage(pairs))


def _limits(pairs: Sequence[Pair]) -> LimitsOfAgreement | None:
    limits = agreement(pairs)
    if limits is None or len(pairs) < LEAST_WATERS:
        return None
    return limits_of_agreement(np.array([p.deviation / (p.known if limits.relative else 1.0) for p in pairs]))


def _fit(pairs: Sequence[Pair]) -> StructuralFit | None:
    """Return the fit, with the strip's intrinsic error in the weights; None if it fails without one of the pairs."""
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
