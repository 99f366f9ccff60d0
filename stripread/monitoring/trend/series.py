"""One analyte of a sampling point over time, as numbers that can be calculated with."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import cached_property
from math import sqrt
from typing import Final

import numpy as np
from numpy.typing import NDArray

from calibration.statistics.correlated import Measured
from calibration.statistics.outliers import PER_MEDIAN
from calibration.value import ONE_SIDED
from shared.analytes import ANALYTES
from shared.estimate import Z95
from stripread.monitoring.trend.visits import Visit
from stripread.store.models.value_summary import ValueSummary

Array = NDArray[np.float64]

#: Differences between neighbours from which a scatter beyond the budgets can be told.
_LEAST_DIFFERENCES: Final = 8
#: Of a value's doubt at least so much is its own, however much is shared.
_LEAST_OWN: Final = 0.1


@dataclass(frozen=True)
class Series:
    """Values (n,) in the analyte's unit at ``at``, with their standard uncertainties.

    ``u_own`` differs from occasion to occasion, ``u_common`` is shared by all on one ``chart`` (a number each).
    ``scatter``: how many times their own doubt the values scatter.
    """

    analyte: str
    at: tuple[datetime, ...]
    value: Array
    u_own: Array
    u_common: Array
    chart: NDArray[np.int64]
    scatter: float = 1.0

    def __len__(self) -> int:
        return len(self.at)

    @cached_property
    def days(self) -> Array:
        """Days (n,) since the first."""
        return self.days_since(self.at[0]) if self.at else np.zeros(0)

    @cached_property
    def measured(self) -> Measured:
        """The values with their errors, their scatter beyond the budgets in it."""
        return Measured(self.value, self.scatter * self.u_own, self.u_common, self.chart)

    def days_since(self, start: datetime) -> Array:
        """Days (n,) since a moment."""
        return np.array([(moment - start).total_seconds() / 86400.0 for moment in self.at])

    def since(self, start: datetime) -> Series:
        """The part from ``start`` on."""
        # They stand in order of time: mostly all are of the part that is wanted.
        first = bisect_left(self.at, start)
        return self.take(np.arange(first, len(self))) if first else self

    def scaled(self) -> Series:
        """The same, with its scatter beyond the budgets as its values show it."""
        return replace(self, scatter=_scatter(self))

    def take(self, places: NDArray[np.int64]) -> Series:
        """Only the values at these places."""
        return replace(self, at=tuple(self.at[i] for i in places), value=self.value[places],
                       u_own=self.u_own[places], u_common=self.u_common[places], chart=self.chart[places])


def series(analyte: str, occasions: Sequence[Visit]) -> Series:
    """The analyte's values on those occasions that have one."""
    held = [(o, b) for o in occasions if (b := o.values.get(analyte)) is not None]
    charts = {chart: i for i, chart in enumerate(dict.fromkeys(o.chart for o, _ in held))}
    numbers = np.array([_numbers(b) for _, b in held]).reshape(-1, 3)
    return Series(analyte=analyte, at=tuple(o.at.astimezone(UTC) for o, _ in held), value=numbers[:, 0],
                  u_own=numbers[:, 1], u_common=numbers[:, 2],
                  chart=np.array([charts[o.chart] for o, _ in held], dtype=np.int64))


def _numbers(b: ValueSummary) -> tuple[float, float, float]:
    """Value, own and common standard uncertainty. Below the range it lies evenly between nothing and the range."""
    if b.status == "below":
        value, u = (b.low + b.high) / 2, (b.high - b.low) / sqrt(12)
    elif b.status == "above":
        value, u = b.value, (b.value - b.low) / sqrt(2 * ONE_SIDED)
    else:
        value, u = b.value, _reach(b) / Z95
    u = max(u, 1e-6 * max(abs(value), 1.0))
    common = min(b.u_same, u)
    return value, sqrt(max(u**2 - common**2, (_LEAST_OWN * u) ** 2)), common


def _reach(b: ValueSummary) -> float:
    """How far the 95 % interval reaches to either side; where a physical limit cuts it, as far as to the other."""
    physical, below, above = ANALYTES[b.analyte], b.value - b.low, b.high - b.value
    if b.low <= physical.lower or b.high >= physical.upper:
        return max(below, above)
    return (below + above) / 2


def _scatter(s: Series) -> float:
    """From the differences between neighbours on one chart, so that steps and slow drifts hardly count."""
    same = s.chart[1:] == s.chart[:-1]
    differences = (np.diff(s.value) / np.hypot(s.u_own[1:], s.u_own[:-1]))[same]
    if len(differences) < _LEAST_DIFFERENCES:
        return 1.0
    return max(1.0, PER_MEDIAN * float(np.median(np.abs(differences))))
