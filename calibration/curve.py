"""The chart's curve of one analyte: the pad's reflectance along the concentration, with its covariance.

Held as spectra, so that it can be shown in CIELAB (D50, 2 degrees) and also as any one photograph's light
and camera would show it: the comparison then happens under the light of the photograph. In CIELAB the curve also
gives how far along it a value lies, and how fast its colour changes there.
"""

from __future__ import annotations

import math
from functools import cached_property
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from calibration.reflectance import N_COSINES, XYZ_FRAME, augmented, load_derivative
from calibration.scale import Scale
from shared.colour import xyz_to_lab, xyz_to_lab_jacobian

Array = NDArray[np.float64]

#: Half width of the step over which slopes are taken, as a share of the curve's scale.
STEP = 0.01


def lab_slope(curve: Curve, value: float) -> Array:
    """Change (3,) of CIELAB for a unit of the analyte at a value."""
    x = float(curve.scale.position(value))
    ends = curve.scale.value(np.array([max(0.0, x - STEP), min(1.0, x + STEP)]))
    low, high = curve.lab(ends)
    return np.asarray((high - low) / (ends[1] - ends[0]))


def way(curve: Curve, values: Array) -> Array:
    """Length of the curve in CIELAB from its low end to each of ``values``, same shape."""
    grid = curve.scale.value(curve.grid)
    steps = np.linalg.norm(np.diff(curve.lab(grid), axis=0), axis=1)
    return np.asarray(np.interp(values, grid, np.concatenate([[0.0], np.cumsum(steps)])))


#: Nodes at which a chart stores its curves, and points at which a value is sought between them.
N_NODES = 33
N_GRID = 385
#: Of the points of the grid those that are nodes.
NODES = slice(None, None, (N_GRID - 1) // (N_NODES - 1))
_LOWER = np.tril_indices(N_COSINES)


class Level(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One level of the standards as the fit saw it, in CIELAB (D50).

    ``lab``: the curve there; ``repeatability``: standard deviation of the photographs about their mean;
    ``residual``: distance of that mean from the curve. ``left_out``: mean error, in the analyte's unit, of
    its photographs read on the curve without the level; None at the ends, where the curve would be extended.
    """

    value: float
    n: int
    lab: tuple[float, float, float]
    repeatability: float
    residual: float
    left_out: float | None = None


class ScaleTrial(msgspec.Struct, frozen=True, kw_only=True):
    """A scale that was tried: the best of its form, and the log density of left-out levels on it, a level."""

    scale: Scale
    left_out: float


class LightOmission(msgspec.Struct, frozen=True, kw_only=True):
    """Results of a light's ``n`` photographs on the chart fitted without that light.

    ``covered`` of the known values lie in their 95 % intervals; ``rms``: root mean square error in the
    analyte's unit.
    """

    light: str
    n: int
    covered: int
    rms: float


class NearZero(msgspec.Struct, frozen=True, kw_only=True):
    """Limits for one strip in one photograph, in the analyte's unit, from levels 0 to ``up_to``.

    ``critical``: read above it, something is there; ``detectable``: so much is not missed; both at 5 %.
    ``quantifiable``: read with a relative standard deviation of a tenth, None where that is nowhere.
    ``sd``: of one strip near zero, in CIELAB units along the curve.
    """

    critical: float
    detectable: float
    quantifiable: float | None
    sd: float
    up_to: float


#: A curve is extended beyond its last standard by at most this share of its range: a value near the end is then
#: bounded on both sides. The Gaussian process states how uncertain the extension is. Truncated curves
#: predicted standards up to half a range beyond as well as they state (simulated charts: 5 % of the signals outside
#: their 95 % region), standards at half to one range less well (11 %). `tests.bench.extension` measures it.
EXTENSION: Final = 0.5
#: Reflectance lies within 0 to 1; the coefficients of any such spectrum are far smaller than this.
_MOST_WEIGHT: Final = 10.0
#: Negative eigenvalues that rounding leaves in a covariance of reflectance.
_ROUNDING: Final = 1e-9


class Curve(msgspec.Struct, frozen=True, kw_only=True, dict=True, omit_defaults=True, cache_hash=True):
    """A fitted curve. ``weights`` (33, 12) and lower triangles of their covariances (33, 78) at the nodes.

    The nodes lie evenly between position 0, the first standard, and ``reach``; the last standard is at 1.
    ``load_sd``: relative scatter of dye load from strip to strip; ``veil_sd``: scatter between photographs of the
    white veil of mirrored light, a share of white; ``texture_sd``: relative scatter of each channel. ``left_out``:
    log density of left-out levels, a level; ``tried``: the scales it was chosen from, the best first. ``lights``:
    results of each light on a chart fitted without it. ``near_zero``: limits of detection, None where they cannot be
    determined. ``warnings``: sources of uncertainty of the curve, as sentences.
    """

    analyte: str
    unit: str
    scale: Scale
    weights: tuple[tuple[float, ...], ...]
    covariance: tuple[tuple[float, ...], ...]
    load_sd: float
    left_out: float
    levels: tuple[Level, ...]
    veil_sd: float = 0.0
    texture_sd: float = 0.0
    reach: float = 1.0
    tried: tuple[ScaleTrial, ...] = ()
    lights: tuple[LightOmission, ...] = ()
    near_zero: NearZero | None = None
    warnings: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        widths = {"weights": N_COSINES, "covariance": len(_LOWER[0])}
        for name, width in widths.items():
            widths_found = [len(row) for row in getattr(self, name)]
            if widths_found != [width] * N_NODES:
                raise ValueError(f"{self.analyte}: {name} must have {N_NODES} rows of {width} numbers; "
                                 f"found {len(widths_found)} rows of {', '.join(map(str, sorted(set(widths_found))))}")
        _check_numbers(self)

    @cached_property
    def nodes(self) -> Array:
        """Positions of the nodes, (33,)."""
        return np.linspace(0.0, self.reach, len(self.weights))

    @cached_property
    def grid(self) -> Array:
        """Positions at which a value is sought, (385,)."""
        return np.linspace(0.0, self.reach, N_GRID)

    @property
    def calibrated(self) -> Array:
        """Positions from the first to the last standard, (385,)."""
        return np.linspace(0.0, 1.0, N_GRID)

    @cached_property
    def grid_weights(self) -> Array:
        """Coefficients on the grid, (385, 12)."""
        return self.weights_at(self.grid)

    @cached_property
    def node_covariance(self) -> Array:
        """Covariance of the coefficients at the nodes, (33, 12, 12)."""
        full = np.zeros((len(self.nodes), N_COSINES, N_COSINES))
        full[:, _LOWER[0], _LOWER[1]] = np.asarray(self.covariance)
        full[:, _LOWER[1], _LOWER[0]] = np.asarray(self.covariance)
        return full

    @cached_property
    def grid_covariance(self) -> Array:
        """Covariance of the coefficients on the grid, (385, 12, 12)."""
        return self.on_grid(self.node_covariance)

    def on_grid(self, at_nodes: Array) -> Array:
        """Arrays (385, ...) on the grid, evenly between those ``at_nodes`` (33, ...)."""
        return np.tensordot(self._between_nodes, at_nodes, axes=1)

    def at_grid_point(self, at_nodes: Array, i: int) -> Array:
        """The same at one point ``i`` of the grid, (...)."""
        return np.tensordot(self._between_nodes[i], at_nodes, axes=1)

    @cached_property
    def _between_nodes(self) -> Array:
        """Weights (385, 33) of the nodes at each point of the grid, on straight lines."""
        place = np.linspace(0.0, len(self.nodes) - 1, N_GRID)[:, None]
        return np.asarray(np.maximum(0.0, 1 - np.abs(place - np.arange(len(self.nodes)))))

    @cached_property
    def grid_load(self) -> Array:
        """Change of the coefficients for a relative change of dye load, on the grid, (385, 12)."""
        return load_derivative(self.grid_weights)

    def weights_at(self, position: Array) -> Array:
        """Coefficients ``(n, 12)`` at positions ``(n,)``, by a cubic through the nodes (Catmull-Rom)."""
        table = np.asarray(self.weights)
        padded = np.vstack([2 * table[0] - table[1], table, 2 * table[-1] - table[-2]])
        place = np.clip(np.asarray(position) / self.reach, 0.0, 1.0) * (len(table) - 1)
        left = np.minimum(place.astype(int), len(table) - 2)
        t = (place - left)[:, None]
        p0, p1, p2, p3 = (padded[left + k] for k in range(4))
        return np.asarray(0.5 * (2 * p1 + (p2 - p0) * t + (2 * p0 - 5 * p1 + 4 * p2 - p3) * t**2
                                 + (3 * p1 - p0 - 3 * p2 + p3) * t**3))

    def lab(self, value: Array | float) -> Array:
        """CIELAB (D50, 2 degrees) of the curve at values ``(n,)``, shape ``(n, 3)``."""
        weights = self.weights_at(np.atleast_1d(self.scale.position(value)))
        return xyz_to_lab(augmented(weights) @ XYZ_FRAME.T)

    def lab_covariance(self, value: float) -> Array:
        """Covariance (3, 3) of the curve's CIELAB at one value: the chart's part only."""
        position = float(self.scale.position(value))
        weights = self.weights_at(np.array([position]))[0]
        nearest = int(np.argmin(np.abs(self.grid - position)))
        jacobian = xyz_to_lab_jacobian(augmented(weights) @ XYZ_FRAME.T) @ XYZ_FRAME[:, 1:]
        return np.asarray(jacobian @ self.grid_covariance[nearest] @ jacobian.T)


def _check_numbers(curve: Curve) -> None:
    """Raise ValueError for numbers that no reflectance has, or that are not covariances."""
    farthest = extended(curve.scale, math.inf)
    if not 1.0 <= curve.reach <= farthest + _ROUNDING:
        raise ValueError(f"{curve.analyte}: reach must be from 1 to {farthest:.4g}; found {curve.reach:g}")
    if np.abs(curve.weights).max() > _MOST_WEIGHT or not 0 <= curve.load_sd <= _MOST_WEIGHT:
        raise ValueError(f"{curve.analyte}: weights must be from -{_MOST_WEIGHT:g} to {_MOST_WEIGHT:g}, "
                         f"load_sd from 0 to {_MOST_WEIGHT:g}")
    if np.abs(curve.covariance).max() > _MOST_WEIGHT**2:
        raise ValueError(f"{curve.analyte}: covariances must be from -{_MOST_WEIGHT**2:g} to {_MOST_WEIGHT**2:g}")
    least = np.linalg.eigvalsh(curve.grid_covariance[NODES]).min()
    if least < -_ROUNDING:
        raise ValueError(f"{curve.analyte}: a covariance matrix has a negative eigenvalue, {least:.3g}")


def extended(scale: Scale, limit: float) -> float:
    """Position to which a curve on a scale is extended; ``limit``: the largest value that the analyte can have."""
    last = scale.high + EXTENSION * (scale.high - scale.low)
    return max(1.0, float(scale.position(min(last, limit))))


def lower_triangles(covariance: Array) -> tuple[tuple[float, ...], ...]:
    """Lower triangles, one row a node, of covariances ``(n, 12, 12)``."""
    return tuple(tuple(map(float, row)) for row in covariance[:, _LOWER[0], _LOWER[1]])
