"""How sites stand now: the latest reading that counts and was judged, of the water nearest to the machine."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from stripread.records.kinds.evidence import StoredAssessment
from stripread.records.kinds.places import Place, SamplingPoint
from stripread.records.listing import Listed
from stripread.records.store import Store
from stripread.report.verdicts import AssessmentSheet, assessment_sheet

#: The nearer to the machine, the more it says of what the machine gets.
NEAREST: Final[tuple[Place, ...]] = ("at the machine", "after treatment", "mains")


@dataclass(frozen=True, slots=True)
class Now:
    """A site's judged reading, and what it was judged to be."""

    listed: Listed
    sheet: AssessmentSheet


def counting(listed: Sequence[Listed]) -> list[Listed]:
    """Readings that gave values and were not rejected."""
    return [x for x in listed if x.status == "read" and x.reviewed != "rejected"]


def nearest(listed: Sequence[Listed], points: Mapping[str, SamplingPoint]) -> dict[str, Listed]:
    """By site: of its judged readings, which are latest first, the latest at the point nearest to the machine."""
    found: dict[str, Listed] = {}
    for x in counting(listed):
        if x.site is None or x.point not in points or x.verdict is None:
            continue
        there = found.get(x.site)
        if there is None or _distance(points, x) < _distance(points, there):
            found[x.site] = x
    return found


def now(store: Store, listed: Listed) -> Now:
    """What the latest assessment of a judged reading says."""
    judged = max(store.find(StoredAssessment, reading=listed.id), key=lambda a: (a.at, a.id))
    return Now(listed, assessment_sheet(judged.assessment))


def _distance(points: Mapping[str, SamplingPoint], x: Listed) -> int:
    return NEAREST.index(points[x.point or ""].place)
