"""A trend in sentences, and as a plot of a sampling point's history."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Final

from calibration.statistics.change import LEAST_SIDE
from shared.analytes import ANALYTES
from shared.notation import decimals_of, rounded
from shared.text import format_value
from stripread.monitoring.trend.change_points import FALSE_ALARM, LevelStep, Segments
from stripread.monitoring.trend.drift import READINGS_TO_FALSE_ALARM, Drift, Exhaustion, Slope
from stripread.monitoring.trend.series import Event
from stripread.monitoring.trend.trend import AnalyteTrend, Trend, TrendPoint
from stripread.report.render import (
    SHAPES,
    Area,
    Frame,
    Plot,
    PlotDot,
    PlotLabel,
    PlotLine,
    Ticks,
    even_ticks,
    write_page,
)

#: Ratio of observed to expected scatter from which it is reported.
_SCATTER_REPORTED: Final = 1.5


def headline(trend: Trend) -> str:
    """Return the point with its treatment on one line."""
    treated_by = f": {trend.treatment}" if trend.treatment else ""
    return f"{trend.site}, {trend.name} ({trend.place}{treated_by})"


def change(trend: Trend) -> Iterator[str]:
    """Return a sentence on when the unit upstream is due for change, if a date is known."""
    if trend.change is not None:
        yield f"Change the {trend.treatment} by {day(trend.change.on)}: {trend.change.why}."


def day(moment: date | datetime) -> str:
    """Return the date in ISO 8601 format."""
    return f"{moment:%Y-%m-%d}"


def sentences(trend: AnalyteTrend) -> Iterator[str]:
    """Return the sentences for one analyte: number of readings, level or drift, and restrictions."""
    yield _readings(trend)
    if trend.levels is not None:
        if len(trend.seen) >= 2 * LEAST_SIDE:
            yield from _levels(trend.levels, trend.unit)
    elif trend.drift is not None:
        yield from _drift(trend.drift, trend.analyte, trend.seen[-1].at.date())
    else:
        yield (
            "No installation or cartridge change is recorded for a treatment upstream of this point, so drift cannot "
            "be evaluated. Record it with `stripread maintenance record`."
        )
    if trend.scatter >= _SCATTER_REPORTED:
        yield (f"Successive values scatter {trend.scatter:.1f} times as much as their uncertainty explains: the water "
               "varies, or technique and lighting vary. The intervals given here include this scatter.")
    yield from _restrictions(trend)


def _readings(trend: AnalyteTrend) -> str:
    first, last, n = trend.seen[0], trend.seen[-1], len(trend.seen)
    value = format_value(last.value, low=last.low, high=last.high, unit=trend.unit, status=last.status)
    if n == 1:
        return f"Measured once, on {day(last.at)}: {value}."
    return f"Measured at {n} visits from {day(first.at)} to {day(last.at)}; last value {value}."


def _levels(segments: Segments, unit: str) -> Iterator[str]:
    for step in segments.steps:
        yield _step(step, unit)
    if not segments.steps:
        yield f"No significant step (false alarm probability {100 * FALSE_ALARM:.0f} %)."
    last = segments.levels[-1]
    level = format_value(last.value, low=last.low, high=last.high, unit=unit)
    yield f"Level since {day(last.since)}: {level}."


def _step(step: LevelStep, unit: str) -> str:
    places, sign = decimals_of((step.high - step.low) / 2), 1 if step.size > 0 else -1
    low, size, high = (rounded(sign * v, places) for v in (step.low, step.size, step.high)[::sign])
    when = f"Between {day(step.after)} and {day(step.before)}" if step.after < step.before else f"On {day(step.before)}"
    amount = f"{size} ({low} to {high})" if unit == "pH" else f"{size} {unit} ({low} to {high})"
    return f"{when} the level {'rose' if step.size > 0 else 'fell'} by {amount}."


def _drift(drift: Drift, analyte: str, last: date) -> Iterator[str]:
    since = f"Since the renewal on {day(drift.since)}"
    if drift.alarm is None or drift.onset is None:
        yield f"{since}: {'no drift detected' if drift.enough else 'too few readings to detect drift'}."
    else:
        yield (f"{since}: {drift.direction} from about {day(drift.onset)} on, detected on {day(drift.alarm)} (one "
               f"false alarm in {READINGS_TO_FALSE_ALARM} readings of unchanged water).")
    if drift.slope is not None and _agrees(drift.slope, drift):
        yield _moving(drift.slope, ANALYTES[analyte].unit)
    if drift.exhaustion is not None:
        yield _exhaustion(drift.exhaustion, ANALYTES[analyte].name, last)
    elif drift.why:
        yield f"Exhaustion cannot be predicted yet: {drift.why}."


def _agrees(s: Slope, drift: Drift) -> bool:
    """Return whether the interval of the slope has the sign of the drift; only then is a rate reported."""
    rises, falls = s.low > 0, s.high < 0
    return {"rising": rises, "falling": falls, None: rises or falls}[drift.direction]


def _moving(s: Slope, unit: str) -> str:
    places = decimals_of((s.high - s.low) / 2)
    rate, low, high = (rounded(v, places) for v in (s.per_month, s.low, s.high))
    change = f"{rate} ({low} to {high})" if unit == "pH" else f"{rate} {unit} ({low} to {high})"
    ahead = format_value(s.reading, low=s.reading_low, high=s.reading_high, unit=unit)
    return f"Linear rate since then: {change} in 30 days. Predicted reading on {day(s.on)} at this rate: {ahead}."


def _exhaustion(e: Exhaustion, name: str, last: date) -> str:
    when = f"{day(e.on)} ({day(e.earliest)} to {day(e.latest)})"
    if e.limit is not None and e.on <= last:
        return f"Exhausted: the {name} of the treated water has been above its limit of {e.limit:g} since about {when}."
    if e.limit is not None:
        return (f"The {name} of the treated water will be above its limit of {e.limit:g} from about {when} on at the "
                "present use.")
    if e.on <= last:
        return (f"Exhausted: since about {when} the filter has removed less than half of the {name} that it removed "
                "when new.")
    return (f"From about {when} on, at the present use, the filter will remove less than half of the {name} that it "
            "removes when new.")


def _restrictions(trend: AnalyteTrend) -> Iterator[str]:
    for status, how in (
        ("below", "below range: evaluated as the lower end of the range; the true value may be lower"
         if trend.unit == "pH" else "below range: evaluated as the middle between zero and the lower end of the range"),
        ("above", "above range: evaluated as the upper end of the range; the true value may be higher"),
    ):
        n = sum(s.status == status for s in trend.seen)
        if n:
            yield f"{n} {'values' if n > 1 else 'value'} {how}."
    corrected = sum(s.corrected for s in trend.seen)
    if corrected:
        yield f"{corrected} {'values were' if corrected > 1 else 'value was'} entered by a reviewer."


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
    plots = [trend_plot(trend, one) for one in trend.analytes]
    write_page(path, "trend.svg", context={
        "plots": plots, "headline": headline(trend), "width": _SIZE[0], "top": _TOP, "step": _SIZE[1],
        "height": _TOP + _SIZE[1] * len(plots)})


def trend_plot(trend: Trend, one: AnalyteTrend) -> Plot:
    """Return the plot of one analyte, with its description."""
    start, end = _span(one)
    frame = Frame(x=(0.0, max(_LEAST_DAYS, _days(start, end))), y=_heights(one), size=_SIZE, room=_ROOM)
    seen = [m for m in _marks(trend) if start <= m.at <= end]
    return Plot(
        title=ANALYTES[one.analyte].name, description=" ".join(sentences(one)).removesuffix("."), frame=frame,
        x_ticks=_months(start, frame.x[1]), y_ticks=even_ticks(frame.y), x_title="first day of the month",
        y_title=one.unit if one.unit == "pH" else f"{ANALYTES[one.analyte].name} [{one.unit}]",
        areas=tuple(_areas(one, frame, start)), dots=tuple(_dot(s, frame, start) for s in one.seen),
        lines=(*_mark_lines(seen, frame, start), *_curves(one, frame, start), *_intervals(one, frame, start)),
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


def _span(trend: AnalyteTrend) -> tuple[datetime, datetime]:
    first, last = trend.seen[0].at, trend.seen[-1].at
    if trend.fitted is not None:
        first, last = min(first, trend.fitted.on[0]), max(last, trend.fitted.on[-1])
    return first - timedelta(days=3), last + timedelta(days=3)


def _heights(trend: AnalyteTrend) -> tuple[float, float]:
    """Return the lowest and highest value shown; the open end of a value above the range is ignored."""
    ends = [e for s in trend.seen for e in (s.low, s.value if s.status == "above" else s.high)]
    if trend.fitted is not None:
        ends += [*trend.fitted.low, *trend.fitted.high]
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


def _areas(trend: AnalyteTrend, frame: Frame, start: datetime) -> Iterator[Area]:
    for level in trend.levels.levels if trend.levels else ():
        x = (_days(start, level.since), _days(start, level.until) + 1)
        yield Area(frame.points([(x[0], level.low), (x[1], level.low), (x[1], level.high), (x[0], level.high)]))
    if trend.fitted is not None:
        x_all = [_days(start, moment) for moment in trend.fitted.on]
        there, back = zip(x_all, trend.fitted.high, strict=True), zip(x_all, trend.fitted.low, strict=True)
        yield Area(frame.points([*there, *reversed(list(back))]))


def _curves(trend: AnalyteTrend, frame: Frame, start: datetime) -> Iterator[PlotLine]:
    for level in trend.levels.levels if trend.levels else ():
        ends = (_days(start, level.since), _days(start, level.until) + 1)
        yield PlotLine(frame.points([(x, level.value) for x in ends]), colour="var(--accent)", width=2.5)
    if trend.fitted is not None:
        x = [_days(start, moment) for moment in trend.fitted.on]
        yield PlotLine(frame.points(zip(x, trend.fitted.value, strict=True)), colour="var(--accent)", width=2.5)
    if trend.drift is not None and trend.drift.exhaustion is not None:
        e = trend.drift.exhaustion
        for moment in (e.earliest, e.latest):
            yield PlotLine(_upright(frame, _days(start, moment)), colour="var(--bad)", dash="3 4")


def _intervals(trend: AnalyteTrend, frame: Frame, start: datetime) -> Iterator[PlotLine]:
    for s in trend.seen:
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
