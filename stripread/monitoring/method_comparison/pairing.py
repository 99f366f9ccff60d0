"""Pairing of laboratory results with readings: the nearest in time at the same sampling point."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import timedelta

import msgspec

from shared.estimate import Estimate
from stripread.monitoring.sites import SiteInventory
from stripread.monitoring.trend.visits import same_strip, visits
from stripread.monitoring.valid_readings import ValidReading, valid_readings
from stripread.reading.combine import combine
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
    read = {point: list(visits([c for c in found if c.point == point]))
            for found in (valid_readings(store, points=points),) for point in points}
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


def deduplicate(found: Sequence[MatchedPair | UnmatchedResult]) -> Iterator[MatchedPair | UnmatchedResult]:
    """Return the results with each reading used once: of several results it is paired with the nearest."""
    nearest: dict[tuple[str, tuple[str, ...]], MatchedPair] = {}
    for match in found:
        if isinstance(match, MatchedPair):
            best = nearest.get(match.value)
            if best is None or abs(match.hours) < abs(best.hours):
                nearest[match.value] = match
    for match in found:
        if isinstance(match, UnmatchedResult) or nearest[match.value] is match:
            yield match
        else:
            yield UnmatchedResult(lab=match.lab, why="the reading is paired with another result, nearer in time")
