"""Window bar: a quantity on its limits or on its curve, with its 95 % interval and verdict; rows of values."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from assess.assessment import Assessment
from assess.decision import VERDICTS, Verdict
from assess.judgement import Judgement
from assess.limits import Limit
from calibration.curve import Curve
from shared.estimate import Measurement
from shared.notation import PLAIN, Notation
from shared.text import ValueWithInterval
from stripread.reading.result import PadReading
from stripread.report.ramp import swatch
from stripread.report.text import ValueCells, cells, permitted
from stripread.report.verdicts import VERDICT_WORDS

#: Class of a verdict in the style sheet: within limits, inconclusive, out of limits, no result.
Tone = Literal["ok", "un", "out", "nr"]
_TONES: Final[dict[Verdict | None, Tone]] = {"within-limits": "ok", "inconclusive": "un", "out-of-limits": "out",
                                               None: "nr"}
#: Place of the limits on the scale of lists, percent: they line up in a column, whatever the quantity.
LOW_AT, HIGH_AT = 25.0, 75.0
#: Marks never touch the ends, where half of them would be cut.
_FIRST, _LAST = 2.0, 98.0
Scale = Callable[[float], float]


def tone(verdict: Verdict | None) -> Tone:
    """Return the class of a verdict."""
    return _TONES[verdict]


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitBounds:
    """Limits of a quantity, and its best zone; None: no such limit."""

    at_least: float | None = None
    at_most: float | None = None
    zone: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class WindowBar:
    """Positions in percent of the width. ``band``: within the limits; ``limits``: where they are drawn.

    ``at`` None: no value. ``label``: text for screen readers; empty where the page has the same text next to it.
    """

    tone: Tone
    at: float | None
    interval: tuple[float, float] | None
    band: tuple[float, float]
    limits: tuple[float, ...]
    zone: tuple[float, float] | None = None
    label: str = ""


def list_bar(x: ValueWithInterval | None, bounds: LimitBounds, verdict: Verdict | None, label: str = "") -> WindowBar:
    """Return a bar on the scale of lists: limits at 25 and 75 %, an upper limit alone at 75 %, compressed outside."""
    return bar_on(_list_scale(bounds), x, bounds, tone=tone(verdict), label=label)


def plain_bar(x: ValueWithInterval | None, bounds: LimitBounds, end: float, tone: Tone, label: str = "") -> WindowBar:
    """Return a bar on a linear scale from zero to ``end``: seconds, remaining capacity, age, space."""
    return bar_on(lambda value: min(_LAST, max(0.0, 100 * value / end)), x, bounds, tone=tone, label=label)


def bar_on(scale: Scale, x: ValueWithInterval | None, bounds: LimitBounds, *, tone: Tone, label: str) -> WindowBar:
    """Return a bar with positions by a scale that returns percent."""
    ends = (bounds.at_least, bounds.at_most)
    return WindowBar(
        tone=tone, label=label, at=None if x is None else scale(x.value),
        interval=None if x is None or x.low == x.high else (scale(x.low), scale(x.high)),
        band=(0.0 if ends[0] is None else scale(ends[0]), 100.0 if ends[1] is None else scale(ends[1])),
        limits=tuple(scale(e) for e in ends if e is not None),
        zone=bounds.zone and (scale(bounds.zone[0]), scale(bounds.zone[1])))


def _list_scale(bounds: LimitBounds) -> Scale:
    low, high = bounds.at_least, bounds.at_most
    if low is not None and high is not None:
        return lambda value: _inside(_between(value, low, high))
    if high is not None:
        return lambda value: _inside(HIGH_AT * value / high if value <= high else _above(value - high, high))
    if low is not None:
        return lambda value: _inside(LOW_AT * value / low if value <= low else _above(value - low, low) - 50.0)
    return lambda _value: 50.0


def _between(value: float, low: float, high: float) -> float:
    width = (high - low) / 2
    if value > high:
        return _above(value - high, width)
    if value < low:
        return LOW_AT * math.exp((value - low) / width)
    return LOW_AT + (HIGH_AT - LOW_AT) * (value - low) / (high - low)


def _above(excess: float, scale: float) -> float:
    """Return the place of a value above the upper limit, compressed so that every value has one."""
    return HIGH_AT + (100.0 - HIGH_AT) * (1.0 - math.exp(-excess / scale))


def _inside(place: float) -> float:
    return min(_LAST, max(_FIRST, place))


def ramp_bar(curve: Curve, x: ValueWithInterval | None, bounds: LimitBounds, tone: Tone) -> WindowBar:
    """Return a bar on the curve's own scale; what lies beyond its ends is drawn at the ends."""
    def place(value: float) -> float:
        low, high = curve.scale.low, curve.scale.high
        return float(100 * np.clip(curve.scale.position(min(high, max(low, value))), 0.0, 1.0))

    return bar_on(place, x, bounds, tone=tone, label="")


#: Criteria that limit an analyte itself, not a quantity computed from several.
_OWN: Final[dict[str, tuple[str, ...]]] = {
    "hardness": ("hardness",), "alkalinity": ("alkalinity",), "ph": ("ph", "soft-acid", "copper-acid"),
    "chloride": ("chloride",), "chlorine": ("chlorine", "metal-chlorine"),
    "total-chlorine": ("chloramine",)}
#: Cost in the cup up to which a value is in the best zone, noticeable differences.
_BEST: Final = 0.1


def own_judgement(assessment: Assessment, analyte: str) -> Judgement | None:
    """Return the criterion that limits an analyte; of several the most severe, then the tightest."""
    return own_of(assessment.judgements, analyte)


def own_of(judgements: Iterable[Judgement], analyte: str) -> Judgement | None:
    """Return the criterion of some that limits an analyte, as `own_judgement`."""
    measures = _OWN.get(analyte, ())
    own = [j for j in judgements if j.limit.measure in measures and j.severity != "information"]
    return max(own, key=_severity, default=None)


def _severity(j: Judgement) -> tuple[int, float, float]:
    most = float("inf") if j.limit.at_most is None else j.limit.at_most
    return VERDICTS.index(j.verdict), -most, j.limit.at_least or 0.0


def bounds_of(limit: Limit) -> LimitBounds:
    """Return the bounds of a limit, and the zone that costs nothing in the cup."""
    return LimitBounds(at_least=limit.at_least, at_most=limit.at_most, zone=_zone(limit))


def _zone(limit: Limit) -> tuple[float, float] | None:
    """Return the values between which the loss is at most `_BEST`, within the limits."""
    if not limit.loss or limit.at_most is None:
        return None
    ends = [_crossing(*pair) for pair in zip(limit.loss, limit.loss[1:], strict=False)]
    inside = [v for v, cost in limit.loss if cost <= _BEST] + [v for v in ends if v is not None]
    if not inside:
        return None
    low = limit.at_least or 0.0
    first = low if limit.loss[0][1] <= _BEST else min(inside)
    return max(low, first), min(limit.at_most, max(inside))


def _crossing(a: tuple[float, float], b: tuple[float, float]) -> float | None:
    (x0, y0), (x1, y1) = a, b
    if (y0 - _BEST) * (y1 - _BEST) >= 0:
        return None
    return x0 + (x1 - x0) * (_BEST - y0) / (y1 - y0)


@dataclass(frozen=True, slots=True, kw_only=True)
class ValueRow:
    """A value with its pad colour ("" without one) and its bar; ``word``: its verdict in words, empty without one.

    ``limits``: the permitted values in words; ``reason``: why there is no value.
    """

    analyte: str
    cells: ValueCells
    colour: str
    tone: Tone
    word: str
    bar: WindowBar | None
    limits: str
    reason: str

    @property
    def name(self) -> str:
        """Name of the analyte, as at the start of a line."""
        return self.cells.name[:1].upper() + self.cells.name[1:] if self.analyte != "ph" else self.cells.name


def value_rows(
    pads: Iterable[Measurement], assessment: Assessment | None, notation: Notation = PLAIN
) -> list[ValueRow]:
    """Return a row for each value, in the order of the pads; without an assessment they have no limits."""
    return [_row(pad, assessment, notation) for pad in pads]


def _row(pad: Measurement, assessment: Assessment | None, notation: Notation) -> ValueRow:
    estimate, shown = pad.estimate(), cells(pad, notation)
    judged = None if assessment is None else own_judgement(assessment, pad.analyte)
    verdict = judged.verdict if judged is not None and estimate is not None else None
    bounds = LimitBounds() if judged is None else bounds_of(judged.limit)
    limits = "" if judged is None else permitted(bounds.at_least, bounds.at_most, judged.limit.unit, notation)
    return ValueRow(
        analyte=pad.analyte, cells=shown, tone=tone(verdict) if estimate else "nr", limits=limits, reason=pad.reason,
        colour=swatch(pad.lab) if isinstance(pad, PadReading) and pad.lab is not None else "",
        word=VERDICT_WORDS[verdict][0] if verdict else "" if estimate else "no result",
        bar=None if judged is None or estimate is None else list_bar(estimate, bounds, verdict))


def colours(pads: Iterable[PadReading]) -> tuple[str, ...]:
    """Return the measured pad colours for a glyph, "" for a pad without a result."""
    return tuple(swatch(p.lab) if p.lab is not None and p.value is not None else "" for p in pads)
