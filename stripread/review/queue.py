"""The review queue: readings without a decision, by priority, each with the reasons for review.

Order: most severe reason (`ReasonKind`), then number of reasons, then oldest first. Not in the queue: readings
without a reason that are not in the random sample, and readings older than the review policy states.

Outlier: the value is more than 3.5 robust standard deviations from the median of the earlier readings at its sampling
point (modified z-score of Iglewicz and Hoaglin, How to Detect and Handle Outliers, ASQC 1993). The scale is at least
the reading's standard uncertainty, so that a history without scatter gives no false outliers. Wide: the interval is
more than twice as wide as the median of the earlier ones. Both rules need five earlier readings and use at most ten.
"""

from __future__ import annotations

import hashlib
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from datetime import timedelta
from typing import Final, Literal, NamedTuple, get_args

import msgspec
import numpy as np
from msgspec.structs import replace
from sqlalchemy import ColumnElement, select

from calibration.statistics.outliers import MODIFIED_Z_LIMIT, earlier, medians, robust_scales
from shared.analytes import ANALYTES
from shared.estimate import Z95
from shared.flags import FLAGS
from shared.notation import significant
from shared.text import format_value
from stripread.monitoring.valid_readings import latest_of_each
from stripread.store.models.evidence import StoredReading
from stripread.store.models.sites import Site
from stripread.store.models.value_summary import ValueSummary, decode_summary
from stripread.store.reading_query import ReadingFilter, ReadingRow, readings
from stripread.store.reading_status import REVIEW_STATUS_NAMES
from stripread.store.schema import RECORD_TYPES
from stripread.store.settings import ReviewPolicy
from stripread.store.site_access import ALL_SITES, SiteAccess
from stripread.store.store import Store

#: An analyte at a sampling point; its values with the ids of their readings, in the order of time.
Histories = Mapping[tuple[str, str], list[tuple[str, ValueSummary]]]
_READINGS, _SITES = RECORD_TYPES[StoredReading].table, RECORD_TYPES[Site].table


def histories(store: Store, most: int, *of: ColumnElement[bool]) -> Histories:
    """Return the values of the latest ``most`` valid readings of each point; ``of``: conditions on points and sites."""
    latest = latest_of_each(store, most, *of)
    query = (select(latest.c.point, latest.c.reading, _READINGS.c.value_summary)
             .join(_READINGS, _READINGS.c.id == latest.c.reading).order_by(latest.c.point, latest.c.place.desc()))
    found: dict[tuple[str, str], list[tuple[str, ValueSummary]]] = defaultdict(list)
    with store.viewing() as connection:
        for row in connection.execute(query).all():
            for value in decode_summary(row.value_summary):
                found[row.point, value.analyte].append((row.reading, value))
    return found


#: Most severe first: the order of the queue.
ReasonKind = Literal["disputed", "waiting", "outlier", "flags", "inconclusive", "refused", "wide", "drawn"]
#: Minimum and maximum number of earlier readings at a point; ratio from which an interval is wide.
LEAST, MOST, TWICE = 5, 10, 2.0
#: Number of values of eight bytes, to convert the first eight bytes of a hash to a fraction.
_WHOLE: Final = 2.0**64


class FoundReason(NamedTuple):
    """A reason for the review of a reading, with a description."""

    kind: ReasonKind
    words: str


def against_history(series: Sequence[ValueSummary], runs: Sequence[int] | None = None) -> dict[int, list[FoundReason]]:
    """Return the reasons about the values of an analyte at a sampling point, in order of time, by index.

    ``runs``: lengths of several such histories in sequence.
    """
    value = np.array([v.value for v in series])
    half = (np.array([v.high for v in series]) - np.array([v.low for v in series])) / 2
    past = earlier(value, MOST, runs)
    middle, usual = medians(past), medians(earlier(half, MOST, runs))
    scale = np.maximum(robust_scales(past), half / Z95)
    known = np.isfinite(past).sum(axis=1) >= LEAST
    off = known & (np.abs(value - middle) > MODIFIED_Z_LIMIT * scale) & (scale > 0)
    wide = known & (half > TWICE * usual) & (usual > 0)
    found: dict[int, list[FoundReason]] = {}
    for i in np.flatnonzero(off | wide).tolist():
        found[i] = [*([_outlier(series[i], float(middle[i]))] if off[i] else []),
                    *([_wide(series[i], float(half[i] / usual[i]))] if wide[i] else [])]
    return found


def randomly_selected(reading: str, policy: ReviewPolicy) -> bool:
    """Return whether a reading is in the random sample: reproducible from id, seed and share."""
    digest = hashlib.sha256(f"{policy.seed}:{reading}".encode()).digest()
    return int.from_bytes(digest[:8], "big") / _WHOLE < policy.share


def _outlier(value: ValueSummary, middle: float) -> FoundReason:
    analyte = ANALYTES[value.analyte]
    read = format_value(value.value, low=value.low, high=value.high, unit=analyte.unit)
    # The unit of pH repeats its name.
    named = read if analyte.unit == analyte.name else f"{analyte.name} {read}"
    return FoundReason(
        "outlier", f"{named} differs from the median of earlier readings at this point, {significant(middle)}"
    )


def _wide(value: ValueSummary, times: float) -> FoundReason:
    return FoundReason(
        "wide", f"{ANALYTES[value.analyte].name}: interval {times:.1f} times as wide as the median at this point"
    )


#: A value beyond the range is a valid result and needs no review.
_PLAIN_FLAGS: Final = frozenset({"below-range", "above-range"})
_ORDER: Final[tuple[ReasonKind, ...]] = get_args(ReasonKind)


class ReviewReason(msgspec.Struct, frozen=True):
    """A reason for review, and its description."""

    kind: ReasonKind
    words: str


class QueueEntry(msgspec.Struct, frozen=True, kw_only=True):
    """A reading in the queue; site and point are None where the photograph names none."""

    reading: str
    sampled: str
    status: str
    photo: str
    site: str | None
    site_name: str | None
    point: str | None
    point_name: str | None
    why: tuple[ReviewReason, ...]


def queue(store: Store, *, site: str | None = None, group: str | None = None, access: SiteAccess = ALL_SITES
          ) -> list[QueueEntry]:
    """Return the readings that wait for review, of a site, of the sites of a group, or of all that are visible."""
    listed = _open(store, ReadingFilter(site=site, group=group, access=access))
    of = [access.group_sql(_SITES.c.group), *(
        column == id_ for column, id_ in ((_SITES.c.id, site), (_SITES.c.group, group)) if id_ is not None)]
    from_history = _from_history(store, listed, of)
    entries = [_entry(x, [*_from_reading(x, store.review), *from_history.get(x.id, ())]) for x in listed]
    return sorted((e for e in entries if e.why), key=_urgency)


def _open(store: Store, query_filter: ReadingFilter) -> list[ReadingRow]:
    """Return recent readings without a decision, and all readings with an incomplete decision."""
    since = store.clock() - timedelta(days=store.review.days)
    # A decision is incomplete only if the policy requires two reviewers.
    begun = [x for status in ("waiting", "disputed") if store.review.two_reviewers
             for x in readings(store, replace(query_filter, reviewed=status))]
    return [*begun, *readings(store, replace(query_filter, since=since, reviewed="unreviewed"))]


def _from_history(
    store: Store, listed: Sequence[ReadingRow], of: Sequence[ColumnElement[bool]]
) -> dict[str, list[FoundReason]]:
    """Return the reasons from the history of each sampling point, by reading; none without a sampling point."""
    of_late = Counter(x.point for x in listed if x.point is not None)
    if not of_late:
        return {}
    runs = histories(store, max(of_late.values()) + MOST, *of).values()
    values = [value for run in runs for value in run]
    found: dict[str, list[FoundReason]] = defaultdict(list)
    for place, reasons in against_history([brief for _, brief in values], [len(run) for run in runs]).items():
        found[values[place][0]] += reasons
    return found


def _from_reading(x: ReadingRow, policy: ReviewPolicy) -> Iterator[FoundReason]:
    if x.reviewed in ("waiting", "disputed"):
        yield FoundReason(x.reviewed, REVIEW_STATUS_NAMES[x.reviewed])
    for flag in x.flags:
        if flag not in _PLAIN_FLAGS and x.status == "measured":
            yield FoundReason("flags", FLAGS[flag].meaning)
    if x.verdict == "inconclusive":
        yield FoundReason("inconclusive", "a verdict is inconclusive")
    if x.status == "no-result":
        yield FoundReason("refused", " ".join(("no result:", *(FLAGS[flag].meaning for flag in x.flags))))
    if randomly_selected(x.id, policy):
        yield FoundReason("drawn", f"random sample, {100 * policy.share:g} % of all readings")


def _entry(x: ReadingRow, found: list[FoundReason]) -> QueueEntry:
    found.sort(key=lambda f: _ORDER.index(f.kind))
    return QueueEntry(
        reading=x.id,
        sampled=x.sampled,
        status=x.status,
        photo=x.photo,
        site=x.site,
        site_name=x.site_name,
        point=x.point,
        point_name=x.point_name,
        why=tuple(ReviewReason(*f) for f in found),
    )


def _urgency(entry: QueueEntry) -> tuple[int, int, str, str]:
    return _ORDER.index(entry.why[0].kind), -len(entry.why), entry.sampled, entry.reading
