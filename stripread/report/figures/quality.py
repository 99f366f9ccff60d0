"""Figures of a batch's page: the control chart of an analyte, and the errors of its levels excluded from the fit.

Places are percent across and pixels down, so that text has its size on every screen.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from calibration.control import ControlChart, State
from calibration.curve import Curve
from calibration.westgard import RULES, Rule
from shared.analytes import ANALYTES
from shared.notation import Notation, decimals_of, rounded, significant
from stripread.report.figures.window import Tone
from stripread.report.render import round_values

HEIGHT: Final = 190
#: Plotting area: left and right in percent, top and bottom in pixels; standard deviations shown to either side.
_LEFT, _RIGHT, _TOP, _BOTTOM = 8.0, 98.5, 14.0, 164.0
_REACH: Final = 4.0
#: Significant digits of a result.
_DIGITS: Final = 4
#: Share of the errors' span left free above and below.
_ROOM: Final = 0.1
Mark = Literal["square", "disc", "diamond"]
MARKS: Final[tuple[Mark, ...]] = ("square", "disc", "diamond")
STATE_TONES: Final[dict[State, Tone]] = {"baseline only": "nr", "in control": "ok", "warning": "un",
                                         "out of control": "out"}


@dataclass(frozen=True, slots=True)
class FiredRule:
    """A rule that an analyte's control chart violates, how often, and the last run."""

    analyte: str
    rule: Rule
    times: int
    last: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlMark:
    """A result, with the rules that it violates in its title; ``tone``: nr where it violates none."""

    x: float
    y: float
    mark: Mark
    tone: Tone
    title: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlFigure:
    """Control chart of an analyte. ``averages``: the weighted average of each standard; ``fired``: rules violated.

    ``standards``: mark, name, and mean with standard deviation of each; ``baseline``: its right end in percent.
    """

    analyte: str
    unit: str
    tone: Tone
    state: State
    marks: tuple[ControlMark, ...]
    averages: tuple[tuple[tuple[float, float], ...], ...]
    standards: tuple[tuple[Mark, str, str], ...]
    runs: tuple[tuple[float, str], ...]
    baseline: float
    fired: tuple[FiredRule, ...]

    @property
    def lines(self) -> tuple[tuple[float, str], ...]:
        """Heights of the mean and of two and three standard deviations, with their labels."""
        return tuple((_height(z), f"{z:+d} s" if z else "mean") for z in (3, 2, 0, -2, -3))


def control_figures(charts: Sequence[ControlChart], notation: Notation) -> list[ControlFigure]:
    """Return the control charts that have limits, most severe state first."""
    order = list(STATE_TONES.values())
    figures = [_control(c, notation) for c in charts if c.points]
    return sorted(figures, key=lambda f: -order.index(f.tone))


def fired_rules(chart: ControlChart) -> tuple[FiredRule, ...]:
    """Return the rules that results after the baseline violate."""
    after = {i: rules for i, rules in chart.completed.items() if not chart.points[i].baseline}
    runs = {rule.id: [chart.points[i].result.run for i, rules in after.items() if rule.id in rules]
            for rule in RULES.values()}
    return tuple(FiredRule(chart.analyte, RULES[name], len(at), at[-1]) for name, at in runs.items() if at)


def _control(chart: ControlChart, notation: Notation) -> ControlFigure:
    n, unit = len(chart.points), ANALYTES[chart.analyte].unit
    marks = dict(zip(chart.limits, MARKS * len(chart.limits), strict=False))
    last = max((i for i, p in enumerate(chart.points) if p.baseline), default=-1)
    runs = [chart.points[i].result.run for i in (0, n - 1)]
    return ControlFigure(
        analyte=chart.analyte, unit=notation.unit_for(unit), tone=STATE_TONES[chart.state], state=chart.state,
        marks=tuple(_control_marks(chart, marks, notation)), baseline=_across((last + 1) / n),
        averages=tuple(tuple((_across((i + 0.5) / n), _height(p.average)) for i, p in enumerate(chart.points)
                             if p.result.standard == name) for name in chart.limits),
        standards=tuple((marks[name], name, with_uncertainty(limit.mean, limit.s, unit, notation))
                        for name, limit in chart.limits.items()),
        runs=tuple(zip((_LEFT, _RIGHT), map(notation.prose, runs), strict=True)), fired=fired_rules(chart))


def _control_marks(chart: ControlChart, marks: dict[str, Mark], notation: Notation) -> Iterator[ControlMark]:
    for i, point in enumerate(chart.points):
        rules, result = chart.completed.get(i, ()), point.result
        value = significant(notation.express(result.value, ANALYTES[chart.analyte].unit), _DIGITS)
        alarm = any(RULES[r].kind != "warning" for r in rules)
        yield ControlMark(
            x=_across((i + 0.5) / len(chart.points)), y=_height(point.z), mark=marks[result.standard],
            tone="out" if alarm else "un" if rules else "nr",
            title=" ".join((notation.prose(f"{result.run}, {result.standard}:"),
                            notation.mark(f"{value} ({point.z:+.1f} s)"), *rules)))


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelError:
    """Mean error of a level that was excluded from the fit; ``title``: its text."""

    x: float
    y: float
    title: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelErrors:
    """Errors of a curve's levels. ``largest``: the level with the largest error and the error, as text."""

    errors: tuple[LevelError, ...]
    zero: float
    ticks: tuple[tuple[float, str], ...]
    levels: tuple[tuple[float, str], ...]
    largest: tuple[str, str]


def level_errors(curve: Curve, notation: Notation) -> LevelErrors | None:
    """Return the figure of a curve's errors; None for fewer than three levels, whose ends are never left out."""
    known = [(notation.express(v.value, curve.unit), notation.express(v.left_out, curve.unit))
             for v in curve.levels if v.left_out is not None]
    if not known:
        return None
    low, high = min(0.0, *(e for _, e in known)), max(0.0, *(e for _, e in known))
    room = _ROOM * (high - low) or 1.0
    span = low - room, high + room

    def down(error: float) -> float:
        return round(_BOTTOM - (_BOTTOM - _TOP) * (error - span[0]) / (span[1] - span[0]), 1)

    def across(level: float) -> float:
        return _across(float(curve.scale.position(level / notation.express(1.0, curve.unit))))

    texts = [(notation.mark(significant(v)), notation.mark(_signed(e))) for v, e in known]
    ends = [(across(v), notation.mark(significant(v))) for v in (known[0][0], known[-1][0])]
    most = max(range(len(known)), key=lambda i: abs(known[i][1]))
    return LevelErrors(
        errors=tuple(LevelError(x=across(v), y=down(e), title=f"{at}: {error}")
                     for (v, e), (at, error) in zip(known, texts, strict=True)),
        zero=down(0.0), levels=tuple(ends), largest=texts[most],
        ticks=tuple((down(t), notation.mark(f"{t:g}")) for t in round_values(*span) if t))


def with_uncertainty(value: float, u: float, unit: str, notation: Notation) -> str:
    """Return a value in the reader's unit with the standard uncertainty or deviation to which it is rounded."""
    shown, u = notation.express(value, unit), notation.express(u, unit)
    if u <= 0:
        return notation.mark(significant(shown, _DIGITS))
    return notation.mark(f"{rounded(shown, decimals_of(u))} ± {rounded(u, decimals_of(u))}")


def _across(share: float) -> float:
    return round(_LEFT + (_RIGHT - _LEFT) * min(1.0, max(0.0, share)), 1)


def _height(z: float) -> float:
    return round((_TOP + _BOTTOM) / 2 - (_BOTTOM - _TOP) / 2 * max(-_REACH, min(_REACH, z)) / _REACH, 1)


def _signed(error: float) -> str:
    return ("+" if error > 0 else "") + significant(error, 2)
