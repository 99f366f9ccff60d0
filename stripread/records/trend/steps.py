"""Steps in a water that nobody treated: when, by how much, and how sure."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from itertools import pairwise
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from calibration.statistics.change import find_step
from calibration.statistics.correlated import fit_correlated, mean_correlated
from calibration.statistics.least_squares import Fit
from shared.estimate import Z95
from stripread.records.trend.series import Series

Array = NDArray[np.float64]

#: Chance at which a part of the history shows a step that is none.
FALSE_ALARM: Final = 0.01
#: Readings, the latest, that tell the present level.
RECENT: Final = 8


class Step(msgspec.Struct, frozen=True, kw_only=True):
    """The level changed after the reading of ``after`` and before that of ``before`` (95 %).

    ``size`` with its 95 % interval, in the analyte's unit. ``probability``: that unchanged water shows as much.
    """

    after: date
    before: date
    size: float
    low: float
    high: float
    probability: float


class Level(msgspec.Struct, frozen=True, kw_only=True):
    """The water's level from one day to another, with its 95 % interval, what its charts share included."""

    since: date
    until: date
    value: float
    low: float
    high: float


class Levels(msgspec.Struct, frozen=True, kw_only=True):
    """The levels of a water and the steps between them."""

    levels: tuple[Level, ...]
    steps: tuple[Step, ...]


def levels(s: Series) -> Levels:
    """Steps found one within the other, their sizes then fitted all together. Nothing for an empty series."""
    if len(s) == 0:
        return Levels(levels=(), steps=())
    found = sorted(_found(s, 0), key=lambda f: f[0])
    places = [place for place, _, _ in found]
    fitted = fit_correlated(_design(len(s), places), s.value, covariance=s.covariance)
    steps = tuple(Step(after=s.at[first - 1].date(), before=s.at[last].date(), probability=p, **_interval(
        fitted, np.eye(len(places) + 1)[i], "size")) for i, (_, (first, last), p) in enumerate(found, start=1))
    edges = [0, *places, len(s)]
    return Levels(steps=steps, levels=tuple(
        Level(since=s.at[start].date(), until=s.at[end - 1].date(), **_interval(
            fitted, (np.arange(len(places) + 1) <= i).astype(np.float64), "value"))
        for i, (start, end) in enumerate(pairwise(edges))))


def recent_level(s: Series) -> Level | None:
    """The level of the latest readings; None for an empty series."""
    if len(s) == 0:
        return None
    last = s.take(np.arange(len(s))[-RECENT:])
    value, u = mean_correlated(last.value, last.covariance)
    return Level(since=last.at[0].date(), until=last.at[-1].date(), value=value, low=value - Z95 * u,
                 high=value + Z95 * u)


def _found(s: Series, offset: int) -> Iterator[tuple[int, tuple[int, int], float]]:
    """Place, span of places and probability of each step."""
    step = find_step(s.value, s.covariance)
    if step is None or step.probability > FALSE_ALARM:
        return
    first, last = step.span()
    yield offset + step.place, (offset + first, offset + last), step.probability
    everywhere = np.arange(len(s))
    yield from _found(s.take(everywhere[: step.place]), offset)
    yield from _found(s.take(everywhere[step.place :]), offset + step.place)


def _design(n: int, places: list[int]) -> Array:
    """The first level, and a column that sets in at each step."""
    steps = [(np.arange(n) >= place).astype(np.float64) for place in places]
    return np.column_stack([np.ones(n), *steps])


def _interval(fitted: Fit, row: Array, name: str) -> dict[str, float]:
    value, u = fitted.at(row)
    return {name: value, "low": value - Z95 * u, "high": value + Z95 * u}
