"""Visits to a sampling point, with replicates combined and corrections applied, and the time series of one analyte."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import cached_property
from itertools import pairwise
from math import sqrt
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from calibration.statistics.change import Cusum, cusum
from calibration.statistics.least_squares import MeasuredValues
from calibration.statistics.outliers import PER_MEDIAN
from calibration.value import ONE_SIDED
from shared.analytes import ANALYTES
from shared.estimate import Z95
from stripread.monitoring.valid_readings import ValidReading, corrections
from stripread.reading.combine import combine
from stripread.store.models.evidence import StoredReading, ValueSummary, summarise_value
from stripread.store.models.sites import Service
from stripread.store.store import Store

#: Maximum time from the first reading of a visit: readings of a point on one chart are then of the same water.
VISIT: Final = timedelta(minutes=30)


class Visit(msgspec.Struct, frozen=True, kw_only=True):
    """Values of one visit by analyte, and their readings; ``corrected``: analytes entered by a reviewer."""

    at: datetime
    batch: str
    chart: str
    values: dict[str, ValueSummary]
    readings: tuple[str, ...]
    corrected: tuple[str, ...] = ()


def load_visits(store: Store, readings: Sequence[ValidReading],
              corrected: Mapping[tuple[str, str], ValueSummary] | None = None) -> list[Visit]:
    """Return the visits of one sampling point's readings, which are in order of time.

    ``corrected``: their corrections, if they are already loaded.
    """
    if corrected is None:
        corrected = corrections(store, readings)
    return [_visit(store, group, corrected) for group in visits(readings)]


def visits(readings: Sequence[ValidReading]) -> Iterator[list[ValidReading]]:
    """Return the readings of one sampling point, in order of time, grouped by visit and chart."""
    open_: dict[str, list[ValidReading]] = {}
    groups: list[list[ValidReading]] = []
    for reading in readings:
        group = open_.get(reading.chart)
        if group is None or reading.at - group[0].at > VISIT:
            groups.append(group := [])
            open_[reading.chart] = group
        group.append(reading)
    yield from groups


def same_strip(visit: Sequence[ValidReading]) -> bool:
    """Return whether photographs may show the same strip: fewer dip times are known than there are photographs."""
    return len({r.dipped for r in visit if r.dipped}) < len(visit)


def _visit(store: Store, group: Sequence[ValidReading], corrected: Mapping[tuple[str, str], ValueSummary]) -> Visit:
    values = {b.analyte: b for b in (group[0].values if len(group) == 1 else _joined(store, group))}
    corrections_here = (
        {a: b for r in group for a in ANALYTES if (b := corrected.get((r.id, a))) is not None} if corrected else {}
    )
    return Visit(at=group[0].at, batch=group[0].batch, chart=group[0].chart, values={**values, **corrections_here},
                    readings=tuple(r.id for r in group), corrected=tuple(corrections_here))


def _joined(store: Store, group: Sequence[ValidReading]) -> Iterator[ValueSummary]:
    bodies = [store.get(StoredReading, r.id).reading for r in group]
    try:
        joined = combine(bodies, same_strip=same_strip(group))
    except ValueError:
        # Without an uncertainty budget the shared part is unknown, so only the first reading is used.
        yield from group[0].values
        return
    yield from (b for pad in joined.pads if (b := summarise_value(pad)) is not None)


class Event(msgspec.Struct, frozen=True, kw_only=True):
    """An event; ``water``: it may change the water itself, not only how it is measured."""

    at: datetime
    what: str
    water: bool


def events(services: Sequence[Service], visits: Sequence[Visit]) -> tuple[Event, ...]:
    """Return service of the unit and the first reading on each new batch or chart, in order of time."""
    return tuple(sorted((*_work(services), *_batches(visits)), key=lambda m: m.at))


def _work(services: Sequence[Service]) -> Iterator[Event]:
    for s in services:
        setting = "" if s.setting is None else f" (setting {100 * s.setting:.0f} %)"
        yield Event(at=s.at, what=f"{s.job}{setting}", water=s.job != "inspected")


def _batches(visits: Sequence[Visit]) -> Iterator[Event]:
    for before, after in pairwise(visits):
        if after.chart != before.chart:
            same = after.batch == before.batch
            yield Event(at=after.at, what=f"{'new chart of batch' if same else 'batch'} {after.batch or 'unnamed'}",
                       water=False)


Array = NDArray[np.float64]

#: Minimum number of successive differences for an estimate of excess scatter.
_LEAST_DIFFERENCES: Final = 8
#: Minimum fraction of a value's uncertainty that is independent, however much is shared.
_LEAST_OWN: Final = 0.1


@dataclass(frozen=True)
class Series:
    """Values (n,) in the analyte's unit at times ``at``, with standard uncertainties.

    ``u_own`` is independent between visits; ``u_common`` is shared by all values on one ``chart`` (an index).
    ``scatter``: ratio of the observed scatter to ``u_own``.
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
        """Days (n,) since the first value."""
        return self.days_since(self.at[0]) if self.at else np.zeros(0)

    @cached_property
    def measured(self) -> MeasuredValues:
        """The values with their uncertainties, scaled by the observed scatter."""
        return MeasuredValues(self.value, self.scatter * self.u_own, self.u_common, self.chart)

    @cached_property
    def cusum(self) -> Cusum:
        """CUSUM of recursive residuals: each value against the mean of the earlier ones, charts allowed for.

        The residuals are independent with unit variance while the water is unchanged (Brown, Durbin and Evans, J. R.
        Stat. Soc. B 37:149, 1975; as a CUSUM: Hawkins, The Statistician 36:299, 1987). The first value has no residual.
        """
        # The median is the level of the unchanged water, even if the latest readings rose.
        unchanged = self.measured.covariance(float(np.median(self.value)))
        wide = 1e4 * float(np.sqrt(unchanged.diagonal().max()))
        root = np.linalg.cholesky(unchanged + wide**2)
        return cusum(np.linalg.solve(root, self.value - self.value[0])[1:])

    def days_since(self, start: datetime) -> Array:
        """Return the days (n,) since a time."""
        return np.array([(moment - start).total_seconds() / 86400.0 for moment in self.at])

    def since(self, start: datetime) -> Series:
        """Return the part from ``start`` on."""
        # Values are in order of time, and usually all are selected.
        first = bisect_left(self.at, start)
        return self.take(np.arange(first, len(self))) if first else self

    def scaled(self) -> Series:
        """Return the series with its scatter estimated from its values."""
        return replace(self, scatter=_scatter(self))

    def take(self, places: NDArray[np.int64]) -> Series:
        """Return the values at these indices."""
        return replace(self, at=tuple(self.at[i] for i in places), value=self.value[places],
                       u_own=self.u_own[places], u_common=self.u_common[places], chart=self.chart[places])


def series(analyte: str, visits: Sequence[Visit]) -> Series:
    """Return the values of an analyte at the visits that have one."""
    selected = [(o, b) for o in visits if (b := o.values.get(analyte)) is not None]
    charts = {chart: i for i, chart in enumerate(dict.fromkeys(o.chart for o, _ in selected))}
    numbers = np.array([_numbers(b) for _, b in selected]).reshape(-1, 3)
    return Series(analyte=analyte, at=tuple(o.at.astimezone(UTC) for o, _ in selected), value=numbers[:, 0],
                  u_own=numbers[:, 1], u_common=numbers[:, 2],
                  chart=np.array([charts[o.chart] for o, _ in selected], dtype=np.int64))


def _numbers(b: ValueSummary) -> tuple[float, float, float]:
    """Return value, independent and shared standard uncertainty.

    A concentration below the range: uniform between zero and the bound. Above it, and pH beyond either end: the end.
    """
    if b.status == "below" and b.analyte != "ph":
        value, u = (b.low + b.high) / 2, (b.high - b.low) / sqrt(12)
    elif b.status != "measured":
        value, u = b.value, (b.high - b.value if b.status == "below" else b.value - b.low) / sqrt(2 * ONE_SIDED)
    else:
        value, u = b.value, _reach(b) / Z95
    u = max(u, 1e-6 * max(abs(value), 1.0))
    common = min(b.u_same, u)
    return value, sqrt(max(u**2 - common**2, (_LEAST_OWN * u) ** 2)), common


def _reach(b: ValueSummary) -> float:
    """Return the half-width of the 95 % interval; if a physical limit truncates it, that of the other side."""
    physical, below, above = ANALYTES[b.analyte], b.value - b.low, b.high - b.value
    if b.low <= physical.lower or b.high >= physical.upper:
        return max(below, above)
    return (below + above) / 2


def _scatter(s: Series) -> float:
    """Return the scatter from successive differences on one chart: steps and slow drifts hardly affect these."""
    same = s.chart[1:] == s.chart[:-1]
    differences = (np.diff(s.value) / np.hypot(s.u_own[1:], s.u_own[:-1]))[same]
    if len(differences) < _LEAST_DIFFERENCES:
        return 1.0
    return max(1.0, PER_MEDIAN * float(np.median(np.abs(differences))))
