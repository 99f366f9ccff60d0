"""Many comparisons added up: how many readings change, by how much, and which verdicts flip."""

from __future__ import annotations

from collections import Counter, defaultdict
from statistics import median

import msgspec

from stripread.review.reanalysis.comparison import Outcome, ReadingComparison


class AnalyteShift(msgspec.Struct, frozen=True, kw_only=True):
    """How far the values of an analyte moved, in intervals: of the ``readings`` in which they did."""

    analyte: str
    readings: int
    median: float
    largest: float


class ReanalysisSummary(msgspec.Struct, frozen=True, kw_only=True):
    """Readings by what came of them and why they were passed over, by what is another now, by verdicts that flipped."""

    readings: int
    outcomes: dict[Outcome, int]
    passed_over: dict[str, int]
    superseded: int
    moved: tuple[AnalyteShift, ...]
    gained: int
    lost: int
    flips: dict[str, int]
    causes: dict[str, int]


class SummaryBuilder:
    """Takes comparisons one by one and keeps only what is added up."""

    def __init__(self) -> None:
        self._outcomes: Counter[Outcome] = Counter()
        self._counts: Counter[str] = Counter()
        self._shares: dict[str, list[float]] = defaultdict(list)
        self._flips: Counter[str] = Counter()
        self._causes: Counter[str] = Counter()
        self._passed: Counter[str] = Counter()

    def add(self, found: ReadingComparison) -> None:
        """One more."""
        self._outcomes[found.outcome] += 1
        self._counts["superseded"] += found.new is not None
        if found.outcome == "passed over":
            self._passed[found.why] += 1
        self._causes.update((*found.inputs, *found.versions))
        self._flips.update(f"{f.severity}: {f.was or 'not judged'} -> {f.now or 'not judged'}" for f in found.flips)
        for shift in found.shifts:
            if shift.share is not None:
                self._shares[shift.analyte].append(shift.share)
            else:
                self._counts["gained" if shift.was == "no value" else "lost"] += 1

    def summary(self) -> ReanalysisSummary:
        """What they add up to."""
        moved = tuple(AnalyteShift(analyte=analyte, readings=len(shares), median=median(shares), largest=max(shares))
                      for analyte, shares in self._shares.items())
        return ReanalysisSummary(readings=self._outcomes.total(), outcomes=dict(self._outcomes), moved=moved,
                       passed_over=dict(self._passed), superseded=self._counts["superseded"],
                       gained=self._counts["gained"], lost=self._counts["lost"], flips=dict(self._flips.most_common()),
                       causes=dict(self._causes.most_common()))
