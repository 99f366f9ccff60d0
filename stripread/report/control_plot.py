"""Control chart as SVG: results in standard deviations, limits, weighted average, rule violations."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from calibration.control import ControlChart
from calibration.westgard import RULES
from shared.analytes import ANALYTES
from shared.files import write_whole
from shared.notation import significant
from stripread.report.render import rendered

#: Panel of one analyte, in pixels of the SVG: size, position of the plot, and range in standard deviations.
WIDTH, HEIGHT = 960, 330
LEFT, TOP, PLOT_WIDTH, PLOT_HEIGHT, REACH = 60, 66, 880, 210, 4.0
#: Mark shapes of the standards: outlines about (0, 0).
SHAPES = ("M-4-4h8v8h-8z", "M0-5.5L5.5 0L0 5.5L-5.5 0z", "M0-5L5 4h-10z", "M-5-4h10L0 5z", "M-5-1.5h10v3h-10z")
#: Most run labels below the axis.
MOST_LABELS = 11


@dataclass(frozen=True, slots=True)
class ControlPoint:
    """One result: position, mark shape of its standard, whether it violates a rule, and its texts.

    ``label``: rules violated here for the first time; ``title``: the result and all rules that it violates.
    """

    x: float
    y: float
    shape: str
    ringed: bool
    alarm: bool
    label: str
    title: str


@dataclass(frozen=True, slots=True)
class Panel:
    """Panel of an analyte and batch. ``averages``: points by standard; ``baseline_to``: right end of the baseline."""

    title: str
    state: str
    top: int
    dots: tuple[ControlPoint, ...]
    averages: tuple[tuple[tuple[float, float], ...], ...]
    lines: tuple[tuple[float, str], ...]
    labels: tuple[tuple[float, str], ...]
    keys: tuple[tuple[str, str], ...]
    baseline_to: float


def write_control_plot(path: Path, charts: Sequence[ControlChart]) -> None:
    """Write an SVG with a panel for each analyte with limits. Raises FileError where it cannot be written."""
    write_whole(path, control_plot(charts))


def control_plot(charts: Sequence[ControlChart]) -> bytes:
    """Return an SVG with a panel for each analyte with limits."""
    shown = [c for c in charts if c.points]
    panels = [_panel(chart, i * HEIGHT) for i, chart in enumerate(shown)]
    return rendered("control.svg", {
        "panels": panels, "width": WIDTH, "height": HEIGHT * max(1, len(panels)), "left": LEFT, "top": TOP,
        "plot_width": PLOT_WIDTH, "plot_height": PLOT_HEIGHT})


def _panel(chart: ControlChart, top: int) -> Panel:
    analyte = ANALYTES[chart.analyte]
    shapes = {s: SHAPES[i % len(SHAPES)] for i, s in enumerate(chart.limits)}
    n = len(chart.points)
    last = max(i for i, p in enumerate(chart.points) if p.baseline)
    return Panel(
        title=", ".join(filter(None, (
            chart.batch, analyte.name if analyte.unit == analyte.name else f"{analyte.name} [{analyte.unit}]"))),
        state=chart.state, top=top,
        dots=tuple(_dots(chart, shapes)),
        averages=tuple(tuple((_x(i, n), _y(p.average)) for i, p in enumerate(chart.points) if p.result.standard == s)
                       for s in chart.limits),
        lines=tuple((_y(z), f"{z:+d} s" if z else "mean") for z in range(-3, 4)),
        labels=tuple((_x(i, n), chart.points[i].result.run) for i in range(0, n, -(-n // MOST_LABELS))),
        keys=tuple((shapes[s], f"{s}: {significant(limit.mean, 4)} ± {significant(limit.s, 2)}")
                   for s, limit in chart.limits.items()),
        baseline_to=_x(last + 0.5, n))


def _dots(chart: ControlChart, shapes: Mapping[str, str]) -> Iterator[ControlPoint]:
    seen: set[str] = set()
    for i, point in enumerate(chart.points):
        rules = chart.completed.get(i, ())
        result = f"{point.result.run}, {point.result.standard}: {point.result.value:g} ({point.z:+.1f} s)"
        yield ControlPoint(
            _x(i, len(chart.points)),
            _y(point.z),
            shape=shapes[point.result.standard],
            ringed=bool(rules),
            alarm=any(RULES[r].kind != "warning" for r in rules),
            title=" ".join((result, *rules)),
            label=" ".join(r for r in rules if r not in seen),
        )
        seen.update(rules)


def _x(i: float, n: int) -> float:
    return LEFT + PLOT_WIDTH * (i + 0.5) / n


def _y(z: float) -> float:
    return TOP + PLOT_HEIGHT / 2 * (1 - max(-REACH, min(REACH, z)) / REACH)
