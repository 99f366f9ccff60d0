"""Plot of a sampling point's history: readings with intervals, levels, or the breakthrough curve of a filter."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Final

from shared.analytes import ANALYTES
from shared.text import format_value
from stripread.monitoring.trend.series import Event
from stripread.monitoring.trend.trend import AnalyteTrend, Trend, TrendPoint
from stripread.report.frame import SHAPES, Area, Frame, Plot, PlotDot, PlotLabel, PlotLine, Ticks, even_ticks
from stripread.report.render import write_page
from stripread.report.trend_text import day, headline, sentences

#: Size of a plot, and its margins: left, top (for event labels), right, bottom.
_SIZE, _ROOM = (960.0, 340.0), (64.0, 58.0, 16.0, 50.0)
#: Height of the heading; rows of event labels, their distance, and width of a character.
_TOP, _ROWS, _ROW, _LETTER = 40.0, 3, 16.0, 9.2
#: Shortest time axis, days, so that a single reading can be shown.
_LEAST_DAYS: Final = 14.0
#: Candidate numbers of months between ticks.
_MONTHS, _MOST_TICKS = (1, 2, 3, 6, 12, 24, 60), 9


def write_trend_plot(path: Path, trend: Trend) -> None:
    """Write an SVG with a plot for each analyte. Raises FileError where it cannot be written."""
    plots = [trend_plot(trend, found) for found in trend.analytes]
    write_page(path, "trend.svg", context={
        "plots": plots, "headline": headline(trend), "width": _SIZE[0], "top": _TOP, "step": _SIZE[1],
        "height": _TOP + _SIZE[1] * len(plots)})


def trend_plot(trend: Trend, found: AnalyteTrend) -> Plot:
    """Return the plot of one analyte, with its description."""
    start, end = _span(found)
    frame = Frame(x=(0.0, max(_LEAST_DAYS, _days(start, end))), y=_heights(found), size=_SIZE, room=_ROOM)
    seen = [m for m in _marks(trend) if start <= m.at <= end]
    return Plot(
        title=ANALYTES[found.analyte].name, description=" ".join(sentences(found)).removesuffix("."), frame=frame,
        x_ticks=_months(start, frame.x[1]), y_ticks=even_ticks(frame.y), x_title="first day of the month",
        y_title=found.unit if found.unit == "pH" else f"{ANALYTES[found.analyte].name} [{found.unit}]",
        areas=tuple(_areas(found, frame, start)), dots=tuple(_dot(s, frame, start) for s in found.seen),
        lines=(*_mark_lines(seen, frame, start), *_curves(found, frame, start), *_intervals(found, frame, start)),
        labels=tuple(_names(seen, frame, start)))


def _marks(trend: Trend) -> Iterator[Event]:
    """Yield the events, and the date on which the unit is due to be changed."""
    yield from trend.marks
    if trend.change is not None:
        yield Event(at=datetime.combine(trend.change.on, time(), UTC), what="change due", water=True)


def _days(start: datetime, moment: datetime | date) -> float:
    if not isinstance(moment, datetime):
        moment = datetime.combine(moment, time(), UTC)
    return (moment - start).total_seconds() / 86400.0


def _span(found: AnalyteTrend) -> tuple[datetime, datetime]:
    first, last = found.seen[0].at, found.seen[-1].at
    if found.fitted is not None:
        first, last = min(first, found.fitted.on[0]), max(last, found.fitted.on[-1])
    return first - timedelta(days=3), last + timedelta(days=3)


def _heights(found: AnalyteTrend) -> tuple[float, float]:
    """Return the lowest and highest value shown; the open end of a value above the range is ignored."""
    ends = [e for s in found.seen for e in (s.low, s.value if s.status == "above" else s.high)]
    if found.fitted is not None:
        ends += [*found.fitted.low, *found.fitted.high]
    low, high = min(ends), max(ends)
    room = 0.08 * (high - low) or 0.1 * abs(high) or 1.0
    return max(low - room, 0.0), high + room


def _months(start: datetime, days: float) -> Ticks:
    first = start.year * 12 + start.month
    last = first + int(days / 28) + 2
    for step in _MONTHS:
        months = [m for m in range(first, last) if m % step == 0]
        dates = [date(m // 12, m % 12 + 1, 1) for m in months]
        ticks = tuple((x, f"{d:%Y-%m}") for d in dates if 0 <= (x := _days(start, d)) <= days)
        if len(ticks) <= _MOST_TICKS:
            return ticks
    return ()


def _areas(found: AnalyteTrend, frame: Frame, start: datetime) -> Iterator[Area]:
    for level in found.levels.levels if found.levels else ():
        x = (_days(start, level.since), _days(start, level.until) + 1)
        yield Area(frame.points([(x[0], level.low), (x[1], level.low), (x[1], level.high), (x[0], level.high)]))
    if found.fitted is not None:
        x_all = [_days(start, moment) for moment in found.fitted.on]
        there, back = zip(x_all, found.fitted.high, strict=True), zip(x_all, found.fitted.low, strict=True)
        yield Area(frame.points([*there, *reversed(list(back))]))


def _curves(found: AnalyteTrend, frame: Frame, start: datetime) -> Iterator[PlotLine]:
    for level in found.levels.levels if found.levels else ():
        ends = (_days(start, level.since), _days(start, level.until) + 1)
        yield PlotLine(frame.points([(x, level.value) for x in ends]), colour="var(--accent)", width=2.5)
    if found.fitted is not None:
        x = [_days(start, moment) for moment in found.fitted.on]
        yield PlotLine(frame.points(zip(x, found.fitted.value, strict=True)), colour="var(--accent)", width=2.5)
    if found.drift is not None and found.drift.exhaustion is not None:
        e = found.drift.exhaustion
        for moment in (e.earliest, e.latest):
            yield PlotLine(_upright(frame, _days(start, moment)), colour="var(--bad)", dash="3 4")


def _intervals(found: AnalyteTrend, frame: Frame, start: datetime) -> Iterator[PlotLine]:
    for s in found.seen:
        x = _days(start, s.at)
        yield PlotLine(frame.points([(x, s.low), (x, min(s.high, frame.y[1]))]), colour="var(--soft)", width=1.0)


def _dot(seen: TrendPoint, frame: Frame, start: datetime) -> PlotDot:
    value = format_value(seen.value, low=seen.low, high=seen.high, unit="", status=seen.status)
    return PlotDot(frame.across(_days(start, seen.at)), frame.up(seen.value), shape=SHAPES[0],
               title=f"{day(seen.at)}: {value}" + (", corrected by a reviewer" if seen.corrected else ""),
               hollow=seen.status != "measured", ringed=seen.corrected)


def _mark_lines(marks: Sequence[Event], frame: Frame, start: datetime) -> Iterator[PlotLine]:
    for mark in marks:
        yield PlotLine(_upright(frame, _days(start, mark.at)), width=1.0, dash="" if mark.water else "2 4")


def _upright(frame: Frame, x: float) -> str:
    return frame.points([(x, frame.y[0]), (x, frame.y[1])])


def _names(marks: Sequence[Event], frame: Frame, start: datetime) -> Iterator[PlotLabel]:
    """Yield event labels above the plotting area, in rows; labels without room are only in the list of events."""
    free = [0.0] * _ROWS
    for mark in marks:
        x, wide = frame.across(_days(start, mark.at)), _LETTER * len(mark.what)
        right = x + wide > _SIZE[0]
        left = x - wide if right else x
        row = next((i for i, end in enumerate(free) if left >= end), None)
        if row is not None:
            free[row] = left + wide
            yield PlotLabel(x, frame.field[1] - 8 - row * _ROW, mark.what, "end" if right else "start")
