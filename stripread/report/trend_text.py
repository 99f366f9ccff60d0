"""A trend in sentences, for terminal and report, and as an alternative to the plot."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime
from typing import Final

from calibration.statistics.change import LEAST_SIDE
from shared.analytes import ANALYTES
from shared.notation import decimals_of, rounded
from shared.text import format_value
from stripread.monitoring.trend.change_points import FALSE_ALARM, LevelStep, Segments
from stripread.monitoring.trend.drift import READINGS_TO_FALSE_ALARM, Drift, Exhaustion, Slope
from stripread.monitoring.trend.trend import AnalyteTrend, Trend

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


def sentences(found: AnalyteTrend) -> Iterator[str]:
    """Return the sentences for one analyte: number of readings, level or drift, and restrictions."""
    yield _readings(found)
    if found.levels is not None:
        if len(found.seen) >= 2 * LEAST_SIDE:
            yield from _levels(found.levels, found.unit)
    elif found.drift is not None:
        yield from _drift(found.drift, found.analyte, found.seen[-1].at.date())
    else:
        yield (
            "No installation or cartridge change is recorded for a treatment upstream of this point, so drift cannot "
            "be evaluated. Record it with `stripread maintenance record`."
        )
    if found.scatter >= _SCATTER_REPORTED:
        yield (f"Successive values scatter {found.scatter:.1f} times as much as their uncertainty explains: the water "
               "varies, or technique and lighting vary. The intervals given here include this scatter.")
    yield from _restrictions(found)


def _readings(found: AnalyteTrend) -> str:
    first, last, n = found.seen[0], found.seen[-1], len(found.seen)
    value = format_value(last.value, low=last.low, high=last.high, unit=found.unit, status=last.status)
    if n == 1:
        return f"Measured once, on {day(last.at)}: {value}."
    return f"Measured at {n} visits from {day(first.at)} to {day(last.at)}; last value {value}."


def _levels(found: Segments, unit: str) -> Iterator[str]:
    for step in found.steps:
        yield _step(step, unit)
    if not found.steps:
        yield f"No significant step (false alarm probability {100 * FALSE_ALARM:.0f} %)."
    last = found.levels[-1]
    level = format_value(last.value, low=last.low, high=last.high, unit=unit)
    yield f"Level since {day(last.since)}: {level}."


def _step(step: LevelStep, unit: str) -> str:
    places = decimals_of((step.high - step.low) / 2)
    size, low, high = (rounded(abs(v), places) for v in (step.size, step.low, step.high))
    low, high = (low, high) if step.size > 0 else (high, low)
    when = f"Between {day(step.after)} and {day(step.before)}" if step.after < step.before else f"On {day(step.before)}"
    amount = f"{size} ({low} to {high})" if unit == "pH" else f"{size} {unit} ({low} to {high})"
    return f"{when} the level {'rose' if step.size > 0 else 'fell'} by {amount}."


def _drift(found: Drift, analyte: str, last: date) -> Iterator[str]:
    since = f"Since the renewal on {day(found.since)}"
    if found.alarm is None or found.onset is None:
        yield f"{since}: {'no drift detected' if found.enough else 'too few readings to detect drift'}."
    else:
        yield (f"{since}: {found.direction} from about {day(found.onset)} on, detected on {day(found.alarm)} (one "
               f"false alarm in {READINGS_TO_FALSE_ALARM} readings of unchanged water).")
    if found.slope is not None and _agrees(found.slope, found):
        yield _moving(found.slope, ANALYTES[analyte].unit)
    if found.exhaustion is not None:
        yield _exhaustion(found.exhaustion, ANALYTES[analyte].name, last)
    elif found.why:
        yield f"Exhaustion cannot be predicted yet: {found.why}."


def _agrees(s: Slope, found: Drift) -> bool:
    """Return whether the interval of the slope has the sign of the drift; only then is a rate reported."""
    rises, falls = s.low > 0, s.high < 0
    return {"rising": rises, "falling": falls, None: rises or falls}[found.direction]


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


def _restrictions(found: AnalyteTrend) -> Iterator[str]:
    for status, how in (
        ("below", "below range: evaluated as the middle between zero and the lower end of the range"),
        ("above", "above range: evaluated as the upper end of the range; the true value may be higher"),
    ):
        n = sum(s.status == status for s in found.seen)
        if n:
            yield f"{n} {'values' if n > 1 else 'value'} {how}."
    corrected = sum(s.corrected for s in found.seen)
    if corrected:
        yield f"{corrected} {'values were' if corrected > 1 else 'value was'} entered by a reviewer."
