"""Plot of the saturation index of calcite against temperature, with the boilers marked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, floor

from assess.assessment import Assessment
from assess.draws import Interval
from shared.notation import PLAIN, Notation

#: Size of the plot, and its margins: left, top, right, bottom.
WIDTH, HEIGHT = 480.0, 300.0
FIELD = (44.0, 12.0, 14.0, 48.0)


@dataclass(frozen=True, slots=True)
class PlotSeries:
    """``line`` and ``band`` as points of an SVG; ``dashed`` distinguishes series without colour."""

    name: str
    line: str
    band: str
    dashed: bool


@dataclass(frozen=True, slots=True)
class SaturationPlot:
    """Coordinates of the plot; ``boilers``: position and name; ``zero``: height of saturation index 0.

    ``field``: left, top, right and bottom of the plotting area.
    """

    series: tuple[PlotSeries, ...]
    x_ticks: tuple[tuple[float, str], ...]
    y_ticks: tuple[tuple[float, str], ...]
    boilers: tuple[tuple[float, str], ...]
    zero: float
    size: tuple[float, float]
    field: tuple[float, float, float, float]
    description: str


@dataclass(frozen=True, slots=True)
class _Axes:
    """Maps temperature (°C) and saturation index to the plot."""

    x: tuple[float, float]
    y: tuple[float, float]

    def across(self, t: float) -> float:
        left, _, right, _ = FIELD
        return round(left + (t - self.x[0]) / (self.x[1] - self.x[0]) * (WIDTH - left - right), 1)

    def up(self, si: float) -> float:
        _, top, _, bottom = FIELD
        return round(HEIGHT - bottom - (si - self.y[0]) / (self.y[1] - self.y[0]) * (HEIGHT - top - bottom), 1)

    def points(self, pairs: Sequence[tuple[float, float]]) -> str:
        return " ".join(f"{self.across(t)},{self.up(si)}" for t, si in pairs)


def saturation_plot(assessment: Assessment, notation: Notation = PLAIN) -> SaturationPlot:
    """Return the plot of heating in a closed and an open system, with the machine's boilers marked."""
    found = assessment.saturation
    t = found.temperatures_c
    values = [v for i in (*found.closed, *found.open_to_air) for v in (i.low, i.high)]
    axes = _Axes(x=(t[0], t[-1]), y=(min(-0.5, floor(2 * min(values)) / 2), max(0.5, ceil(2 * max(values)) / 2)))
    halves = range(round(2 * axes.y[0]), round(2 * axes.y[1]) + 1)
    left, top, right, bottom = FIELD
    return SaturationPlot(
        series=(_series("heated in a closed system", found.closed, axes=axes, t=t),
                _series("exposed to air before heating", found.open_to_air, axes=axes, t=t, dashed=True)),
        x_ticks=tuple((axes.across(x), f"{x:g}") for x in (20.0, 40.0, 60.0, 80.0, 100.0, 120.0) if t[0] <= x <= t[-1]),
        y_ticks=tuple((axes.up(h / 2), notation.mark(f"{h / 2:g}")) for h in halves),
        boilers=tuple((axes.across(b.temperature_c), b.boiler) for b in assessment.boilers),
        zero=axes.up(0.0), size=(WIDTH, HEIGHT), field=(left, top, WIDTH - right, HEIGHT - bottom),
        description=notation.prose(_described(assessment)))


def _series(name: str, intervals: Sequence[Interval], *, axes: _Axes, t: Sequence[float],
            dashed: bool = False) -> PlotSeries:
    there = [(x, i.high) for x, i in zip(t, intervals, strict=True)]
    back = [(x, i.low) for x, i in zip(t, intervals, strict=True)]
    middle = [(x, i.value) for x, i in zip(t, intervals, strict=True)]
    return PlotSeries(name=name, line=axes.points(middle), band=axes.points([*there, *back[::-1]]), dashed=dashed)


def _described(assessment: Assessment) -> str:
    """Return the plot as a sentence, for screen readers."""
    boilers = "; ".join(f"{b.boiler} at {b.temperature_c:g} °C: {b.saturation.value:.2f} "
                        f"({b.saturation.low:.2f} to {b.saturation.high:.2f})" for b in assessment.boilers)
    return ("Saturation index of calcite against temperature; scale can form above 0. "
            f"Heated in a closed system: {boilers}.")
