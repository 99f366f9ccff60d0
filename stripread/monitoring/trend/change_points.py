"""Change points in untreated water: when, by how much, and with what uncertainty."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from itertools import pairwise
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from calibration.statistics.change import find_step
from calibration.statistics.least_squares import fit_correlated, mean_correlated
from shared.analytes import ANALYTES
from shared.estimate import Z95
from stripread.monitoring.trend.series import Series

Array = NDArray[np.float64]

#: Probability of a false step in a section of the history.
FALSE_ALARM: Final = 0.01
#: Number of latest readings that give the present level.
RECENT: Final = 8


class LevelStep(msgspec.Struct, frozen=True, kw_only=True):
    """A change of level between the readings of ``after`` and ``before`` (95 % interval of the date).

    ``size`` with its 95 % interval, in the analyte's unit. ``probability``: p-value under unchanged water.
    """

    after: date
    before: date
    size: float
    low: float
    high: float
    probability: float


class Segment(msgspec.Struct, frozen=True, kw_only=True):
    """Level of the water in a period, with its 95 % interval, which includes the charts' shared uncertainty.

    ``u``: standard uncertainty. The interval is truncated at the analyte's physical limits.
    """

    since: date
    until: date
    value: float
    u: float
    low: float
    high: float


class Segments(msgspec.Struct, frozen=True, kw_only=True):
    """Levels of a water, and the steps between them."""

    levels: tuple[Segment, ...]
    steps: tuple[LevelStep, ...]


def levels(s: Series) -> Segments:
    """Return the segments: steps are found by binary segmentation, their sizes fitted jointly. Empty for no values."""
    if len(s) == 0:
        return Segments(levels=(), steps=())
    changes = sorted(_found(s, 0), key=lambda f: f[0])
    places = [place for place, _, _ in changes]
    fitted = fit_correlated(_design(len(s), places), s.measured)
    # Row i adds up the first level and the steps to level i.
    sums = np.tri(len(places) + 1)
    steps = tuple(_sized(fitted.at(np.eye(len(places) + 1)[i]), (s.at[first - 1].date(), s.at[last].date()), p)
                  for i, (_, (first, last), p) in enumerate(changes, start=1))
    return Segments(steps=steps, levels=tuple(_level(s.take(np.arange(*edges)), fitted.at(row)) for row, edges in zip(
        sums, pairwise([0, *places, len(s)]), strict=True)))


def recent_level(s: Series) -> Segment | None:
    """Return the level of the latest readings; None for an empty series."""
    if len(s) == 0:
        return None
    last = s.take(np.arange(len(s))[-RECENT:])
    return _level(last, mean_correlated(last.measured))


def _found(s: Series, offset: int) -> Iterator[tuple[int, tuple[int, int], float]]:
    """Return place, span of places and p-value of each step."""
    # The errors are those of a water without a step: the null hypothesis.
    level, _ = mean_correlated(s.measured)
    step = find_step(s.value, s.measured.covariance(level))
    if step is None or step.probability > FALSE_ALARM:
        return
    first, last = step.span()
    yield offset + step.place, (offset + first, offset + last), step.probability
    everywhere = np.arange(len(s))
    yield from _found(s.take(everywhere[: step.place]), offset)
    yield from _found(s.take(everywhere[step.place :]), offset + step.place)


def _design(n: int, places: list[int]) -> Array:
    """Return the design matrix: the first level, and a step function for each step."""
    steps = [(np.arange(n) >= place).astype(np.float64) for place in places]
    return np.column_stack([np.ones(n), *steps])


def _level(part: Series, change: tuple[float, float]) -> Segment:
    """Return the segment of a part of the history from its level and standard uncertainty."""
    value, u = change
    low, value, high = (ANALYTES[part.analyte].within(x) for x in (value - Z95 * u, value, value + Z95 * u))
    return Segment(since=part.at[0].date(), until=part.at[-1].date(), value=value, u=u, low=low, high=high)


def _sized(change: tuple[float, float], days: tuple[date, date], probability: float) -> LevelStep:
    size, u = change
    return LevelStep(after=days[0], before=days[1], size=size, low=size - Z95 * u, high=size + Z95 * u,
                probability=probability)
