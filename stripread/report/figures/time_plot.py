"""Values over time on their limits: the plot of a site's page, and the small line of lists."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Final

from assess.decision import Verdict
from assess.draws import Interval
from shared.notation import Notation
from stripread.report.figures.window import LimitBounds, Tone, list_bar, tone
from stripread.report.render import round_values

HEIGHT: Final = 220
#: Plotting area: left and right in percent, top and bottom in pixels.
_LEFT, _RIGHT, _TOP, _BOTTOM = 8.0, 98.5, 24.0, 190.0
#: Room above and below the values, as a fraction of their span; least number of days shown.
_ROOM, _LEAST_DAYS = 0.08, 14.0
_MOST_LABELS: Final = 5


@dataclass(frozen=True, slots=True)
class PlottedValue:
    """A value with its 95 % interval at a time, and its verdict; ``title``: its text."""

    at: datetime
    value: float
    low: float
    high: float
    tone: Tone
    title: str


@dataclass(frozen=True, slots=True)
class PlacedValue:
    """A value in the figure: percent across, pixels down."""

    x: float
    y: float
    ends: tuple[float, float]
    tone: Tone
    title: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TimePlot:
    """``band``: top and height of the permitted values; ``lines``: heights of limits with their labels."""

    values: tuple[PlacedValue, ...]
    band: tuple[float, float] | None
    lines: tuple[tuple[float, str], ...]
    ticks: tuple[tuple[float, str], ...]
    days: tuple[tuple[float, str], ...]
    events: tuple[tuple[float, int], ...]
    label: str


def time_plot(values: Sequence[PlottedValue], bounds: LimitBounds, events: Sequence[datetime], *, label: str,
              notation: Notation) -> TimePlot:
    """Return the figure of some values, oldest first, in the unit in which they are shown."""
    axes = _axes(values, bounds)
    limits = [b for b in (bounds.at_least, bounds.at_most) if b is not None]
    lines = tuple((axes.down(b), notation.mark(f"{b:g}")) for b in limits)
    ticks = tuple((axes.down(v), notation.mark(f"{v:g}")) for v in round_values(*axes.span))
    free = tuple((y, t) for y, t in ticks if all(abs(y - other) > 14 for other, _ in lines))
    return TimePlot(
        values=tuple(PlacedValue(axes.across(v.at), axes.down(v.value), (axes.down(v.low), axes.down(v.high)), v.tone,
                                 v.title) for v in values),
        band=axes.band(bounds) if limits else None, lines=lines, ticks=free, days=axes.days(notation),
        events=tuple((axes.across(at), n) for n, at in enumerate(events, 1)), label=label)


@dataclass(frozen=True, slots=True)
class _Axes:
    first: datetime
    last: datetime
    span: tuple[float, float]

    def across(self, at: datetime) -> float:
        whole = max(_LEAST_DAYS * 86400.0, (self.last - self.first).total_seconds())
        share = min(1.0, max(0.0, (at - self.first).total_seconds() / whole))
        return round(_LEFT + 1.0 + (_RIGHT - _LEFT - 2.0) * share, 2)

    def down(self, value: float) -> float:
        low, high = self.span
        return round(_BOTTOM - (_BOTTOM - _TOP) * min(1.0, max(0.0, (value - low) / (high - low))), 1)

    def band(self, bounds: LimitBounds) -> tuple[float, float]:
        top = _TOP if bounds.at_most is None else self.down(bounds.at_most)
        bottom = _BOTTOM if bounds.at_least is None else self.down(bounds.at_least)
        return top, round(bottom - top, 1)

    def days(self, notation: Notation) -> tuple[tuple[float, str], ...]:
        """Return the first and last day, and days between them."""
        n = _MOST_LABELS - 1
        moments = [self.first + (self.last - self.first) * i / n for i in range(n + 1)]
        days: dict[date, float] = {}
        for moment in moments:
            days.setdefault(notation.local(moment).date(), self.across(moment))
        return tuple((x, notation.day(day).rpartition(" ")[0]) for day, x in days.items())


def _axes(values: Sequence[PlottedValue], bounds: LimitBounds) -> _Axes:
    ends = [e for v in values for e in (v.low, v.high)] or [0.0, 1.0]
    ends += [b for b in (bounds.at_least, bounds.at_most) if b is not None]
    low, high = min(ends), max(ends)
    room = _ROOM * (high - low) or 0.1 * abs(high) or 1.0
    first, last = values[0].at, values[-1].at
    return _Axes(first, last, (max(0.0, low - room), high + room))


#: View box, and margins for the last mark.
LINE_WIDTH, LINE_HEIGHT = 72.0, 28.0
_LINE_LEFT, _LINE_RIGHT, _EDGE = 3.0, 6.0, 2.0
_FULL: Final = 100.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TrendLine:
    """``points`` in pixels, oldest first; ``band``: top and height of the limits; the last point has the mark."""

    tone: Tone
    points: tuple[tuple[float, float], ...]
    band: tuple[float, float]
    label: str


def trend_line(values: Sequence[float], bounds: LimitBounds, verdict: Verdict | None, label: str) -> TrendLine:
    """Return the line of values, oldest first; ``verdict`` of the last."""
    step = (LINE_WIDTH - _LINE_LEFT - _LINE_RIGHT) / max(1, len(values) - 1)
    places = [list_bar(Interval(value=v, low=v, high=v), bounds, verdict) for v in values]
    low, high = (places[0].band if places else (0.0, _FULL))
    return TrendLine(
        tone=tone(verdict), label=label, band=(round(_height(high), 1), round(_height(low) - _height(high), 1)),
        points=tuple((round(_LINE_LEFT + i * step, 1), round(_height(p.at or 0.0), 1)) for i, p in enumerate(places)))


def _height(percent: float) -> float:
    return LINE_HEIGHT - _EDGE - (LINE_HEIGHT - 2 * _EDGE) * percent / _FULL
