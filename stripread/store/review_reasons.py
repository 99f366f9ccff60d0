"""Reasons for the review of a reading, their order, and the random sample.

Outlier: the value is more than 3.5 robust standard deviations from the median of the earlier readings at its sampling
point (modified z-score of Iglewicz and Hoaglin, How to Detect and Handle Outliers, ASQC 1993). The scale is at least
the reading's standard uncertainty, so that a history without scatter gives no false outliers. Wide: the interval is
more than twice as wide as the median of the earlier ones. Both rules use the ten readings before, those that a
reviewer rejected excepted, and need five values.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import lru_cache
from hashlib import sha256
from typing import Final, Literal, get_args

import msgspec
import numpy as np

from calibration.statistics.outliers import MODIFIED_Z_LIMIT, earlier, medians, robust_scales
from shared.decoders import from_json
from shared.estimate import Z95
from stripread.store.models.evidence import ValueSummary
from stripread.store.settings import ReviewPolicy

#: Most severe first: the order of the queue. The first two apply only if the policy requires two reviewers.
ReasonKind = Literal["disputed", "waiting", "outlier", "flags", "inconclusive", "refused", "wide", "drawn"]
KINDS: Final[tuple[ReasonKind, ...]] = get_args(ReasonKind)
#: Minimum and maximum number of earlier readings at a point; ratio from which an interval is wide.
LEAST, MOST, TWICE = 5, 10, 2.0
#: Priorities of a kind, one for each number of reasons; lots into which readings are divided for the random sample.
_COUNTS, _LOTS = 16, 1000
#: A value beyond the range is a valid result and needs no review.
_PLAIN_FLAGS: Final = frozenset({"below-range", "above-range"})


class HistoryReason(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """A value that differs from the history of its sampling point.

    ``figure``: the median of the earlier values for an outlier; the ratio to the usual width for a wide interval.
    """

    kind: Literal["outlier", "wide"]
    analyte: str
    figure: float


def encode_reasons(reasons: Sequence[HistoryReason]) -> str:
    """Return the reasons as text, "" without any."""
    return msgspec.json.encode(reasons).decode() if reasons else ""


def decode_reasons(text: str) -> tuple[HistoryReason, ...]:
    """Return the reasons that `encode_reasons` encoded."""
    return from_json(text, tuple[HistoryReason, ...]) if text else ()


def against_history(series: Sequence[ValueSummary | None], runs: Sequence[int] | None = None
                    ) -> dict[int, list[HistoryReason]]:
    """Return the reasons about the values of an analyte at a sampling point, in order of time, by index.

    ``runs``: lengths of several such histories in sequence. None: a reading without a value of the analyte.
    """
    value = np.array([np.nan if v is None else v.value for v in series])
    half = np.array([np.nan if v is None else (v.high - v.low) / 2 for v in series])
    past, widths = earlier(value, MOST, runs), earlier(half, MOST, runs)
    middle, usual = medians(past), medians(widths)
    scale = np.maximum(robust_scales(past), half / Z95)
    known = np.isfinite(past).sum(axis=1) >= LEAST
    off = known & (np.abs(value - middle) > MODIFIED_Z_LIMIT * scale) & (scale > 0)
    wide = known & (half > TWICE * usual) & (usual > 0)
    reasons: dict[int, list[HistoryReason]] = {}
    for i in np.flatnonzero(off | wide).tolist():
        about = series[i]
        assert about is not None  # noqa: S101 - nothing is larger than a missing value
        reasons[i] = [*([HistoryReason("outlier", about.analyte, _six_digits(middle[i]))] if off[i] else []),
                      *([HistoryReason("wide", about.analyte, _six_digits(half[i] / usual[i]))] if wide[i] else [])]
    return reasons


def _six_digits(x: float) -> float:
    """Return a figure as it is stored: the same from any arithmetic library."""
    return float(f"{x:.6g}")


def lasting_kinds(*, status: str, flags: Iterable[str], verdict: str | None) -> list[ReasonKind]:
    """Return the reasons that follow from a reading itself, one for each flag."""
    if status != "measured":
        own: list[ReasonKind] = ["refused"]
    else:
        own = ["flags"] * len(reviewed_flags(flags))
    return [*own, "inconclusive"] if verdict == "inconclusive" else own


def reviewed_flags(flags: Iterable[str]) -> list[str]:
    """Return the flags of a measured reading that need a review."""
    return [flag for flag in flags if flag not in _PLAIN_FLAGS]


def priority(kinds: Sequence[ReasonKind]) -> int:
    """Return a number that is lower for a more severe reason, then for more reasons."""
    most_severe = min((KINDS.index(kind) for kind in kinds), default=KINDS.index("drawn"))
    return most_severe * _COUNTS + _COUNTS - 1 - min(len(kinds), _COUNTS - 1)


def priorities(*kinds: ReasonKind) -> range:
    """Return the priorities of kinds that follow each other; "drawn": of all readings without another reason."""
    places = [KINDS.index(kind) for kind in kinds]
    return range(min(places) * _COUNTS, (max(places) + 1) * _COUNTS)


def kind_bits(kinds: Iterable[ReasonKind]) -> int:
    """Return a set of kinds as the bits of a number."""
    return sum({1 << KINDS.index(kind) for kind in kinds})


def lot_of(reading: str) -> int:
    """Return the lot of a reading, from 0, always the same."""
    return int.from_bytes(sha256(reading.encode()).digest()[:8], "big") % _LOTS


@lru_cache
def drawn_lots(seed: str, share: float) -> frozenset[int]:
    """Return the lots in the random sample; a larger share includes those of a smaller one."""
    order = sorted(range(_LOTS), key=lambda lot: sha256(f"{seed}:{lot}".encode()).digest())
    return frozenset(order[:round(share * _LOTS)])


def randomly_selected(reading: str, policy: ReviewPolicy) -> bool:
    """Return whether a reading is in the random sample: reproducible from id, seed and share."""
    return lot_of(reading) in drawn_lots(policy.seed, policy.share)
