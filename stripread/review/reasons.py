"""Reasons for a review, each by one rule.

Outlier: the value is more than 3.5 robust standard deviations from the median of the earlier readings at its sampling
point (modified z-score of Iglewicz and Hoaglin, How to Detect and Handle Outliers, ASQC 1993). The scale is at least
the reading's standard uncertainty, so that a history without scatter gives no false outliers. Wide: the interval is
more than twice as wide as the median of the earlier ones. Both rules need five earlier readings and use at most ten.
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import Final, Literal, NamedTuple

import numpy as np
from sqlalchemy import ColumnElement, select

from calibration.statistics.outliers import MODIFIED_Z_LIMIT, earlier, medians, robust_scales
from shared.analytes import ANALYTES
from shared.estimate import Z95
from shared.notation import significant
from shared.text import format_value
from stripread.monitoring.valid_readings import is_valid_sql, latest_of_each
from stripread.store.models.evidence import StoredReading
from stripread.store.models.value_summary import ValueSummary, decode_summary
from stripread.store.schema import RECORD_TYPES
from stripread.store.settings import ReviewPolicy
from stripread.store.store import Store

#: An analyte at a sampling point; its values with the ids of their readings, in the order of time.
Histories = Mapping[tuple[str, str], list[tuple[str, ValueSummary]]]
_READINGS = RECORD_TYPES[StoredReading].table


def histories(store: Store, most: int, where: tuple[ColumnElement[bool], ...] = ()) -> Histories:
    """Return the values of the latest ``most`` valid readings of each point under the conditions ``where``."""
    latest = latest_of_each(most, *is_valid_sql(store.review), *where)
    query = (select(latest.c.point, latest.c.reading, _READINGS.c.value_summary)
             .join(_READINGS, _READINGS.c.id == latest.c.reading).order_by(latest.c.point, latest.c.place.desc()))
    found: dict[tuple[str, str], list[tuple[str, ValueSummary]]] = defaultdict(list)
    with store.viewing() as connection:
        for row in connection.execute(query).all():
            for value in decode_summary(row.value_summary):
                found[row.point, value.analyte].append((row.reading, value))
    return found


#: Most severe first: the order of the queue.
ReasonKind = Literal["disputed", "waiting", "outlier", "flags", "undecided", "refused", "wide", "drawn"]
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
