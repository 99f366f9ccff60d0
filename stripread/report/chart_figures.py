"""Plots of an analyte's calibration: curve in CIELAB, measured against known values, residuals, pads."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.cross_validation import CrossReading
from calibration.curve import Curve, Level, lab_slope
from calibration.diagnostics import UNSUSPECTED, residuals
from calibration.fit import CurveFit, lab_seen
from calibration.observation import StandardObservation
from calibration.statistics.distributions import chi2_quantile
from shared.estimate import Z95
from shared.text import written
from stripread.report.ramp import level_ticks, ramp_stops
from stripread.report.render import SHAPES, Area, Frame, Plot, PlotDot, PlotLabel, PlotLine, even_ticks

Array = NDArray[np.float64]

#: Margin around the data, as a fraction of their range, and in CIELAB units.
MARGIN, MARGIN_LAB = 0.08, 2.0
#: Smallest half-height of the residual plot, standard deviations.
LEAST_RESIDUAL = 3.0
#: Mark of a card patch.
PATCH = "M-2.5-2.5h5v5h-5z"
#: Size of the square drawings.
_SQUARE = (480.0, 440.0)
_RING = np.linspace(0.0, 2 * np.pi, 49)


@dataclass(frozen=True, slots=True)
class Figures:
    """Data of an analyte's plots; ``patches`` (k, 3): CIELAB of the card's patches."""

    fit: CurveFit
    left_out: Sequence[CrossReading]
    suspected: frozenset[str]
    patches: Array

    @property
    def curve(self) -> Curve:
        """The fitted curve."""
        return self.fit.curve

    @property
    def standards(self) -> Sequence[StandardObservation]:
        """The photographs of standards."""
        return self.fit.process.standards

    @property
    def lights(self) -> tuple[str, ...]:
        """The lights, in the order of their shapes."""
        return tuple(sorted({s.light for s in self.standards}))

    @property
    def legend(self) -> tuple[tuple[str, str], ...]:
        """Shape and name of each light."""
        return tuple((self.shape(light), light) for light in self.lights)

    def shape(self, light: str) -> str:
        """Return the mark shape of a light."""
        return SHAPES[self.lights.index(light) % len(SHAPES)]

    def plots(self) -> tuple[Plot, ...]:
        """All plots except the pads, the curve first."""
        return tuple(plot(self) for plot in (chroma_plot, card_plot, lightness_plot, residual_plot, value_plot))

    def dot(self, i: int, place: tuple[float, float], *, title: str, hollow: bool = False) -> PlotDot:
        """Return the mark of photograph ``i``."""
        s = self.standards[i]
        return PlotDot(*place, shape=self.shape(s.light), title=f"{s.photo}, {s.value:g} {self.curve.unit}: {title}",
                   hollow=hollow, ringed=s.photo in self.suspected)


def chroma_plot(f: Figures) -> Plot:
    """Plot of the curve in a* and b*, with an ellipse for each level and a mark for each photograph."""
    seen, path = lab_seen(f.fit.process), f.curve.lab(f.curve.scale.value(f.curve.calibrated))
    frame = _equal_units(np.vstack([path[:, 1:], seen[:, 1:]]))
    levels, ((_, a0, b0), (_, a1, b1)) = f.curve.levels, path[[0, -1]].tolist()
    return Plot(
        title="In a* and b*", description=f"The curve runs from a* {a0:z.0f}, b* {b0:z.0f} at {f.curve.scale.low:g} to "
        f"a* {a1:z.0f}, b* {b1:z.0f} at {f.curve.scale.high:g} {f.curve.unit}", frame=frame,
        x_ticks=even_ticks(frame.x), y_ticks=even_ticks(frame.y), x_title="a*", y_title="b*",
        areas=tuple(Area(frame.points(_ellipse(f.curve, v.value, v.lab)), "var(--ink)", 0.25) for v in levels),
        lines=tuple(_coloured(f.curve, frame, path[:, 1:])),
        dots=tuple(f.dot(i, (frame.across(a), frame.up(b)), title=f"a* {a:.1f}, b* {b:.1f}")
                   for i, (_, a, b) in enumerate(seen.tolist())),
        labels=tuple(_apart(_level_label(f.curve, frame, v) for v in levels)))


def card_plot(f: Figures) -> Plot:
    """Plot of the curve and the colours of the card's patches with their convex hull."""
    hull = cv2.convexHull(f.patches[:, 1:].astype(np.float32))
    path = f.curve.lab(f.curve.scale.value(f.curve.calibrated))[:, 1:]
    inside = np.array([cv2.pointPolygonTest(hull, (float(a), float(b)), measureDist=True) for a, b in path])
    where = ("The whole curve lies within the hull" if (inside >= 0).all() else
             f"{100 * (inside >= 0).mean():.0f} % of the curve lies within the hull, the rest is at most "
             f"{-inside.min():.1f} CIELAB units outside")
    frame, corners = _equal_units(np.vstack([f.patches[:, 1:], path])), hull[:, 0].tolist()
    return Plot(
        title="Curve and card colours",
        description=f"The curve and the convex hull of the card's patches in a* and b*. {where}",
        frame=frame,
        x_ticks=even_ticks(frame.x),
        y_ticks=even_ticks(frame.y),
        x_title="a*",
        y_title="b*",
        areas=(Area(frame.points(corners), "var(--soft)", 0.12),),
        lines=(
            PlotLine(frame.points([*corners, corners[0]]), "var(--soft)", 1.0, "5 4"),
            *_coloured(f.curve, frame, path),
        ),
        dots=tuple(
            PlotDot(frame.across(a), frame.up(b), PATCH, "card patch", hollow=True)
            for _, a, b in f.patches.tolist()
        ),
    )


def lightness_plot(f: Figures) -> Plot:
    """Plot of L* along the scale with the confidence band of the curve."""
    seen = lab_seen(f.fit.process)
    x = f.curve.calibrated[::8]
    values = f.curve.scale.value(x)
    path = f.curve.lab(values)[:, 0]
    half = Z95 * np.sqrt([f.curve.lab_covariance(float(v))[0, 0] for v in values])
    frame = Frame(x=(0.0, 1.0), y=_widened(np.concatenate([path - half, path + half, seen[:, 0]]), MARGIN_LAB))
    band = [*zip(x, path + half, strict=True), *zip(x[::-1], (path - half)[::-1], strict=True)]
    return Plot(
        title="L* along the scale", description=f"L* from {path[0]:.1f} at {f.curve.scale.low:g} to {path[-1]:.1f} at "
        f"{f.curve.scale.high:g} {f.curve.unit}", frame=frame, x_ticks=level_ticks(f.curve),
        y_ticks=even_ticks(frame.y), x_title=_value_title(f.curve, "value"), y_title="L*",
        areas=(Area(frame.points(band), "var(--ink)", 0.2),),
        lines=tuple(_coloured(f.curve, frame, np.column_stack([x, path]))),
        dots=tuple(f.dot(i, (frame.across(float(p)), frame.up(float(lab[0]))), title=f"L* {lab[0]:.1f}")
                   for i, (p, lab) in enumerate(zip(f.fit.process.x, seen, strict=True))))


def value_plot(f: Figures) -> Plot:
    """Plot of the value of each photograph on the curve without its level, against the known value."""
    scale, frame = f.curve.scale, Frame(x=(-0.03, 1.03), y=(-0.03, 1.03), size=_SQUARE)

    def place(value: float) -> float:
        return float(scale.position(np.clip(value, scale.low, scale.high)))

    known = [place(s.standard.value) for s in f.left_out]
    bars = [PlotLine(frame.points([(x, place(s.read.low)), (x, place(s.read.high))]), "var(--soft)", 1.2)
            for x, s in zip(known, f.left_out, strict=True)]
    covered = sum(s.covered for s in f.left_out)
    return Plot(
        title="Measured against known value", frame=frame, x_ticks=level_ticks(f.curve), y_ticks=level_ticks(f.curve),
        description=f"{covered} of {len(f.left_out)} known values lie within the 95 % intervals. Each photograph was "
        "evaluated on the curve without its level, the end levels on the whole curve",
        x_title=_value_title(f.curve, "known"), y_title="measured",
        lines=(PlotLine(frame.points([(0, 0), (1, 1)]), "var(--accent)"), *bars),
        dots=tuple(f.dot(i, (frame.across(x), frame.up(place(s.read.value))), hollow=s.whole,
                         title=f"measured {written(s.read, f.curve.unit).brief}")
                   for i, (x, s) in enumerate(zip(known, f.left_out, strict=True))))


def residual_plot(f: Figures) -> Plot:
    """Plot of each photograph's residual along the curve, predicted from all others, in standard deviations."""
    z, x = residuals(f.fit.process)[0], f.fit.process.x
    reach = max(LEAST_RESIDUAL, float(np.abs(z).max()) * (1 + MARGIN))
    frame = Frame(x=(-0.03, 1.03), y=(-reach, reach))
    limits = [PlotLine(frame.points([(0, v), (1, v)]), "var(--open)", 1.2, "5 4") for v in (-UNSUSPECTED, UNSUSPECTED)]
    return Plot(
        title="Residuals along the curve", description=f"Standardised residuals of {len(z)} photographs, standard "
        f"deviation {z.std():.2f}, largest {np.abs(z).max():.1f}", frame=frame, x_ticks=level_ticks(f.curve),
        y_ticks=even_ticks(frame.y), x_title=_value_title(f.curve, "value"), y_title="standard deviations",
        lines=(PlotLine(frame.points([(0, 0), (1, 0)]), "var(--accent)"), *limits),
        dots=tuple(f.dot(i, (frame.across(float(p)), frame.up(float(v))), title=f"{v:+.2f} standard deviations")
                   for i, (p, v) in enumerate(zip(x, z, strict=True))))


def _value_title(curve: Curve, what: str) -> str:
    return what if curve.unit == "pH" else f"{what}, {curve.unit}"


def _equal_units(points: Array) -> Frame:
    """Return a frame with equal units of a* and b* around the points."""
    plain = Frame((0, 1), (0, 1), size=_SQUARE)
    left, top, right, bottom = plain.field
    middle = (points.max(axis=0) + points.min(axis=0)) / 2
    extent = np.ptp(points, axis=0) * (1 + 2 * MARGIN) + MARGIN_LAB
    unit = float(max(extent[0] / (right - left), extent[1] / (bottom - top))) / 2
    half = unit * np.array([right - left, bottom - top])
    low, high = (middle - half).tolist(), (middle + half).tolist()
    return Frame((low[0], high[0]), (low[1], high[1]), size=_SQUARE)


def _widened(values: Array, least: float) -> tuple[float, float]:
    spare = max(least, float(np.ptp(values)) * MARGIN)
    return float(values.min()) - spare, float(values.max()) + spare


def _ellipse(curve: Curve, value: float, lab: tuple[float, float, float]) -> Array:
    """Return the 95 % confidence ellipse of a* and b* of the curve at a value, as an outline (49, 2)."""
    width, axes = np.linalg.eigh(curve.lab_covariance(value)[1:, 1:])
    reach = np.sqrt(np.maximum(width, 0.0) * chi2_quantile(0.95, 2))
    return np.asarray(lab[1:] + np.column_stack([np.cos(_RING), np.sin(_RING)]) * reach @ axes.T)


def _coloured(curve: Curve, frame: Frame, path: Array) -> Iterator[PlotLine]:
    """Yield the curve (n, 2) in its colours, on a dark line so that pale colours are visible."""
    yield PlotLine(frame.points(path), "var(--ink)", 7.0)
    stops = ramp_stops(curve)
    ends = np.linspace(0, len(path) - 1, len(stops)).round().astype(int)
    for (_, colour), i, j in zip(stops, ends, ends[1:], strict=False):
        yield PlotLine(frame.points(path[i : j + 1]), colour, 5.0)


def _level_label(curve: Curve, frame: Frame, level: Level) -> PlotLabel:
    """Return the label of a level: above the curve where it is flat, to its right where it is steep."""
    _, a, b = np.abs(lab_slope(curve, level.value))
    x, y = frame.across(level.lab[1]), frame.up(level.lab[2])
    return PlotLabel(x + 13, y + 5, f"{level.value:g}", "start") if b > a else PlotLabel(x, y - 12, f"{level.value:g}")


def _apart(labels: Iterator[PlotLabel]) -> Iterator[PlotLabel]:
    """Labels that do not overlap an earlier one."""
    placed: list[PlotLabel] = []
    for label in labels:
        if all(abs(label.x - k.x) > 34 or abs(label.y - k.y) > 15 for k in placed):
            placed.append(label)
            yield label
