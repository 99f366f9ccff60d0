"""A trend in sentences, for terminal, report and those who do not see the drawing."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime
from typing import Final

from calibration.statistics.change import LEAST_SIDE
from shared.analytes import ANALYTES
from shared.rounding import decimals_of, rounded
from shared.text import format_value
from stripread.monitoring.trend.change_points import FALSE_ALARM, LevelStep, Segments
from stripread.monitoring.trend.drift import READINGS_TO_FALSE_ALARM, Drift, Exhaustion, Slope
from stripread.monitoring.trend.trend import AnalyteTrend, Trend

#: A scatter beyond the budgets is told from here on.
_SCATTER_TOLD: Final = 1.5


def headline(trend: Trend) -> str:
    """The point, in a line."""
    behind = f": {trend.treatment}" if trend.treatment else ""
    return f"{trend.site}, {trend.name} ({trend.place}{behind})"


def change(trend: Trend) -> Iterator[str]:
    """When the unit upstream is to be changed, where anything gives a day."""
    if trend.change is not None:
        yield f"Change {trend.treatment} by {day(trend.change.on)}: {trend.change.why}."


def day(moment: date | datetime) -> str:
    """As it is written everywhere."""
    return f"{moment:%Y-%m-%d}"


def sentences(found: AnalyteTrend) -> Iterator[str]:
    """What one analyte tells: how much was read, what it does, and what to mind."""
    yield _read(found)
    if found.levels is not None:
        if len(found.seen) >= 2 * LEAST_SIDE:
            yield from _levels(found.levels, found.unit)
    elif found.drift is not None:
        yield from _drift(found.drift, found.analyte, found.seen[-1].at.date())
    else:
        yield ("No fitting and no change of cartridge is kept of a treatment before this point, so there is nothing to "
               "compare with: note it with `stripread records service`.")
    if found.scatter >= _SCATTER_TOLD:
        yield (f"From one reading to the next the values scatter {found.scatter:.1f} times as far as their intervals "
               "say: the water itself is restless, or dipping and light differ. What is told here allows for it.")
    yield from _minded(found)


def _read(found: AnalyteTrend) -> str:
    first, last, n = found.seen[0], found.seen[-1], len(found.seen)
    value = format_value(last.value, low=last.low, high=last.high, unit=found.unit, status=last.status)
    if n == 1:
        return f"Read once, on {day(last.at)}: {value}."
    return f"Read on {n} occasions from {day(first.at)} to {day(last.at)}, the last {value}."


def _levels(found: Segments, unit: str) -> Iterator[str]:
    for step in found.steps:
        yield _step(step, unit)
    if not found.steps:
        yield f"No step: what is seen would be seen in unchanged water more often than once in {1 / FALSE_ALARM:.0f}."
    last = found.levels[-1]
    level = format_value(last.value, low=last.low, high=last.high, unit=unit)
    yield f"Level since {day(last.since)}: {level}."


def _step(step: LevelStep, unit: str) -> str:
    places = decimals_of((step.high - step.low) / 2)
    size, low, high = (rounded(abs(v), places) for v in (step.size, step.low, step.high))
    low, high = (low, high) if step.size > 0 else (high, low)
    when = f"Between {day(step.after)} and {day(step.before)}" if step.after < step.before else f"On {day(step.before)}"
    amount = f"{size} ({low} to {high})" if unit == "pH" else f"{size} {unit} ({low} to {high})"
    return f"{when} it {'rose' if step.size > 0 else 'fell'} by {amount}."


def _drift(found: Drift, analyte: str, last: date) -> Iterator[str]:
    since = f"Since the renewal on {day(found.since)}"
    if found.alarm is None or found.onset is None:
        yield f"{since} {'no drift is seen' if found.enough else 'too little was read to tell a drift'}."
    else:
        yield (f"{since}: {found.direction} from about {day(found.onset)} on, told on {day(found.alarm)} (unchanged "
               f"water says so once in {READINGS_TO_FALSE_ALARM} readings).")
    if found.slope is not None and _agrees(found.slope, found):
        yield _moving(found.slope, ANALYTES[analyte].unit)
    if found.exhaustion is not None:
        yield _spent(found.exhaustion, ANALYTES[analyte].name, last)
    elif found.why:
        yield f"When it will be spent is not yet told: {found.why}."


def _agrees(s: Slope, found: Drift) -> bool:
    """Whether the line runs as the drift does: a rate is given only where its interval has the drift's sign."""
    rises, falls = s.low > 0, s.high < 0
    return {"rising": rises, "falling": falls, None: rises or falls}[found.direction]


def _moving(s: Slope, unit: str) -> str:
    places = decimals_of((s.high - s.low) / 2)
    rate, low, high = (rounded(v, places) for v in (s.per_month, s.low, s.high))
    change = f"{rate} ({low} to {high})" if unit == "pH" else f"{rate} {unit} ({low} to {high})"
    ahead = format_value(s.reading, low=s.reading_low, high=s.reading_high, unit=unit)
    return f"As a straight line since then: {change} in 30 days; on {day(s.on)} it will read {ahead}, if it goes on so."


def _spent(e: Exhaustion, name: str, last: date) -> str:
    when = f"{day(e.on)} ({day(e.earliest)} to {day(e.latest)})"
    if e.on <= last:
        return f"It is spent: half of the {name} that it held back passes since about {when}."
    return f"Half of the {name} that it holds back passes from about {when} on, if use stays as it is."


def _minded(found: AnalyteTrend) -> Iterator[str]:
    for status, how in (("below", "below the range count as in the middle between nothing and its beginning"),
                        ("above", "above the range count as its end: the water may have more")):
        n = sum(s.status == status for s in found.seen)
        if n:
            yield f"{n} {'values' if n > 1 else 'value'} {how}."
    corrected = sum(s.corrected for s in found.seen)
    if corrected:
        yield f"{corrected} {'values were' if corrected > 1 else 'value was'} set by a reviewer."
